"""Wire gauges AWG 24 to 36: diameter, area, resistance and voltage drop.

Diameter by ASTM B258: d = 0.127 mm × 92^((36 − n)/39). Resistance with annealed copper of IEC 60028: 1/58 Ω·mm²/m at
20 °C and a temperature coefficient of 0.00393 per kelvin. Figures are for one solid round conductor: stranded or tinned
wire of the same number is a few per cent higher, and tables that round the diameter first differ by up to 1.3 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from lastlook.records import Run

FINEST: Final = 36
COARSEST: Final = 24
COPPER_OHM_MM2_PER_M: Final = 1 / 58  # IEC 60028, annealed copper at 20 °C
COPPER_PER_KELVIN: Final = 0.00393  # IEC 60028, constant-mass temperature coefficient at 20 °C


def known(awg: int) -> bool:
    """Whether `awg` is a gauge this module answers for (24 to 36)."""
    return COARSEST <= awg <= FINEST


def diameter_mm(awg: int) -> float:
    """Diameter of the bare conductor in millimetres (ASTM B258). Raises ValueError outside AWG 24 to 36."""
    if not known(awg):
        raise ValueError(f"gauge {awg} is outside AWG {COARSEST} to {FINEST}")
    return float(0.127 * 92 ** ((36 - awg) / 39))


def area_mm2(awg: int) -> float:
    """Cross-section of the bare conductor in square millimetres."""
    return math.pi / 4 * diameter_mm(awg) ** 2


def ohm_per_m(awg: int, celsius: float = 20.0) -> float:
    """Resistance in ohm per metre of solid annealed copper at `celsius`."""
    return COPPER_OHM_MM2_PER_M / area_mm2(awg) * (1 + COPPER_PER_KELVIN * (celsius - 20.0))


@dataclass(frozen=True, slots=True)
class Drop:
    """What the wire itself takes: `ohms` of the whole way out and back, `volts` lost on it at the current asked for."""

    ohms: float
    volts: float


def drop(lengths: Iterable[tuple[int, float]], milliamps: float, celsius: float = 20.0) -> Drop:
    """Resistance and voltage drop of conductors in series.

    `lengths` holds (AWG, millimetres) of every conductor the current passes, out and back. Raises ValueError for an
    unknown gauge or a negative length.
    """
    ohms = 0.0
    for awg, length_mm in lengths:
        if length_mm < 0:
            raise ValueError("a length cannot be negative")
        ohms += ohm_per_m(awg, celsius) * length_mm / 1000
    return Drop(ohms, ohms * milliamps / 1000)


def drop_of_runs(runs: Iterable[Run], milliamps: float, celsius: float = 20.0) -> Drop | None:
    """The drop over `runs` in series by gauge and cut length (the loop is part of it), None where one lacks either."""
    lengths: list[tuple[int, float]] = []
    for run in runs:
        if run.gauge_awg is None or run.cut_length_mm is None:
            return None
        lengths.append((run.gauge_awg, run.cut_length_mm))
    return drop(lengths, milliamps, celsius)
