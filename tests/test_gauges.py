"""Wire gauges against ASTM B258 and copper against IEC 60028."""

from __future__ import annotations

import math

import pytest

from lastlook.plan import gauges
from lastlook.records import Run

# ASTM B258: number, diameter in mil as its table rounds it (0.1 mil).
# Beside it, computed from its formula d = 0.127 mm × 92^((36-n)/39): diameter mm, area mm²; and from 1/58 Ω·mm²/m of
# IEC 60028: Ω/km of the exact diameter, Ω/km of the diameter rounded to 0.1 mil (both are found in handbooks).
TABLE = [
    (24, 20.1, 0.5106, 0.2047, 84.2, 84.2),
    (25, 17.9, 0.4547, 0.1624, 106.2, 106.2),
    (26, 15.9, 0.4049, 0.1288, 133.9, 134.6),
    (27, 14.2, 0.3606, 0.1021, 168.9, 168.7),
    (28, 12.6, 0.3211, 0.0810, 212.9, 214.3),
    (29, 11.3, 0.2859, 0.0642, 268.5, 266.5),
    (30, 10.0, 0.2546, 0.0509, 338.6, 340.3),
    (31, 8.9, 0.2268, 0.0404, 426.9, 429.6),
    (32, 8.0, 0.2019, 0.0320, 538.3, 531.7),
    (33, 7.1, 0.1798, 0.0254, 678.8, 675.0),
    (34, 6.3, 0.1601, 0.0201, 856.0, 857.3),
    (35, 5.6, 0.1426, 0.0160, 1079.4, 1085.0),
    (36, 5.0, 0.1270, 0.01267, 1361.1, 1361.1),
]


@pytest.mark.parametrize(("awg", "mil", "mm", "area", "exact", "rounded"), TABLE)
def test_the_table(awg: int, mil: float, mm: float, area: float, exact: float, rounded: float) -> None:
    assert gauges.known(awg)
    assert round(gauges.diameter_mm(awg) / 0.0254, 1) == mil  # ASTM B258
    assert gauges.diameter_mm(awg) == pytest.approx(mm, abs=5.1e-5)
    assert gauges.area_mm2(awg) == pytest.approx(area, abs=5.1e-5)
    assert gauges.ohm_per_m(awg) * 1000 == pytest.approx(exact, abs=0.051)
    assert gauges.ohm_per_m(awg) * 1000 == pytest.approx(rounded, rel=0.013)


def test_steps_between_gauges() -> None:
    # ASTM B258: the ratio of neighbouring diameters is the 39th root of 92.
    assert gauges.diameter_mm(29) / gauges.diameter_mm(30) == pytest.approx(1.1229322, abs=5e-8)
    assert gauges.area_mm2(27) / gauges.area_mm2(24) == pytest.approx(0.4987, abs=5e-5)
    assert gauges.area_mm2(34) / gauges.area_mm2(24) == pytest.approx(0.1, rel=0.02)


def test_copper() -> None:
    # IEC 60028: 0.017241 Ω·mm²/m at 20 °C, coefficient 0.00393 per kelvin.
    assert pytest.approx(0.017241, abs=5e-7) == gauges.COPPER_OHM_MM2_PER_M
    assert gauges.ohm_per_m(30, 60) / gauges.ohm_per_m(30) == pytest.approx(1.1572, abs=5e-5)
    assert gauges.ohm_per_m(30, 0) / gauges.ohm_per_m(30) == pytest.approx(0.9214, abs=5e-5)


@pytest.mark.parametrize("awg", [23, 37, 0, -1])
def test_gauges_outside_the_span_are_refused(awg: int) -> None:
    assert not gauges.known(awg)
    with pytest.raises(ValueError, match="outside AWG 24 to 36"):
        gauges.diameter_mm(awg)


def test_drop_of_the_lantern_circuit() -> None:
    # Worked by hand: 2 × 610 mm of AWG 30 at 0.33856 Ω/m is 0.413 Ω; times 20 mA is 8.3 mV.
    plus = Run("W03", "Lantern plus", gauge_awg=30, cut_length_mm=610, loop_mm=80)
    back = Run("W04", "Lantern return", gauge_awg=30, cut_length_mm=610, loop_mm=80)
    found = gauges.drop_of_runs([plus, back], milliamps=20)
    assert found is not None
    assert found.ohms == pytest.approx(0.413, abs=5e-4)
    assert found.volts * 1000 == pytest.approx(8.3, abs=0.05)


def test_drop_out_and_back() -> None:
    # Worked by hand: 1.2 m of AWG 30 at 20 mA: 0.4063 Ω, 8.13 mV.
    found = gauges.drop([(30, 600), (30, 600)], milliamps=20)
    assert found.ohms == pytest.approx(0.4063, abs=5e-5)
    assert found.volts * 1000 == pytest.approx(8.13, abs=5e-3)
    assert gauges.drop([], 20) == gauges.Drop(0.0, 0.0)
    assert math.isclose(gauges.drop([(24, 1000), (36, 1000)], 1000).volts, 0.0842 + 1.3611, rel_tol=1e-3)


def test_drop_is_not_invented() -> None:
    assert gauges.drop_of_runs([Run("W1", "x", gauge_awg=30)], 20) is None
    assert gauges.drop_of_runs([Run("W1", "x", cut_length_mm=10)], 20) is None
    with pytest.raises(ValueError, match="negative"):
        gauges.drop([(30, -1)], 20)
