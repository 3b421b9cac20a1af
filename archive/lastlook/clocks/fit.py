"""References of one camera → how its clock stands: corrections, residuals, and what was made of it in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from lastlook.clocks import stretches
from lastlook.clocks.segments import Explained, Segment, error_bound, explain
from lastlook.records import ClockCorrection, ClockReference


@dataclass(frozen=True, slots=True)
class Residual:
    """One reference beside the fit: `error_s` (camera minus true, the middle of its bounds), `width_s` of the bounds,
    `left_s` what the fit leaves of it; `outlier`: it fits no stretch and was not used."""

    reference: ClockReference
    error_s: float
    width_s: float
    left_s: float | None
    outlier: bool = False


@dataclass(frozen=True, slots=True)
class Stretch:
    """An unbroken stretch: error (s) and drift (s/day, None where one reference tells none) at `reference` (wall)."""

    references: int
    first: datetime
    last: datetime
    error_s: float
    drift_s_per_day: float | None
    doubt_s: float
    came_by: str
    jump_s: float


@dataclass(frozen=True, slots=True)
class ClockFit:
    """How one camera's clock stands. `fixed_offset_min`: it does not follow summer time, and stands at that."""

    camera: str
    corrections: tuple[ClockCorrection, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    residuals: tuple[Residual, ...] = ()
    fixed_offset_min: int | None = None


def fit(camera: str, references: Sequence[ClockReference], zone: ZoneInfo) -> ClockFit:
    """Fit one camera's clock. The order of `references` does not matter."""
    if not references:
        return ClockFit(camera)
    own_offset = all(one.offset_min is not None for one in references)
    found = explain(references, zone, fixed=False)
    if not any(one.offset_min is not None for one in references):
        kept = explain(references, zone, fixed=True)
        if kept.cost < found.cost - 1e-9:
            found = kept
    given = stretches.corrections(found, camera, zone, own_offset=own_offset)
    fixed = given[0].fixed_offset_min if given else None
    residuals = []
    for segment in found.segments:
        for sample in segment.samples:
            residuals += [_residual(one, zone, found, segment, fixed) for one in sample.references]
    for sample in found.outliers:
        residuals += [_residual(one, zone, found, None, fixed) for one in sample.references]
    residuals.sort(key=lambda one: (one.reference.earliest, one.reference.picture))
    base = (fixed or 0) * 60 if found.fixed else 0
    return ClockFit(camera, given, tuple(_stretch(one, base) for one in found.segments), tuple(residuals), fixed)


def _residual(
    one: ClockReference, zone: ZoneInfo, found: Explained, segment: Segment | None, fixed: int | None
) -> Residual:
    bound = error_bound(one, zone, fixed=found.fixed)
    base = (fixed or 0) * 60 if found.fixed else 0
    left = None if segment is None else round(bound.middle - segment.band.at(bound.x), 3)
    return Residual(one, round(bound.middle - base, 3), round(bound.high - bound.low, 3), left, segment is None)


def _stretch(segment: Segment, base: float) -> Stretch:
    first = segment.samples[0].references[0]
    last = segment.samples[-1].references[-1]
    at = segment.span[0]
    several = segment.span[1] - segment.span[0] > 0.02
    return Stretch(
        sum(len(sample.references) for sample in segment.samples),
        first.wall,
        last.wall,
        round(segment.band.at(at) - base, 3),
        round(segment.band.drift, 4) if several else None,
        round(max(segment.band.reach(at), segment.band.reach(segment.span[1])), 2),
        segment.came_by,
        round(segment.jump_s, 2),
    )
