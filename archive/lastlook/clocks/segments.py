"""One camera's references, cut where its clock was set anew, with those named that fit nothing.

The explanation with the least cost wins: each stretch of an unbroken clock costs 1, less where the clock only moved by
whole quarter hours (a zone, summer time); each reference that fits nothing costs a little more. So a single strange
reference among good ones is an outlier, two that agree are a clock that was set, and a strange one at the end is a
clock that was set. The costs are a rule of thumb (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.clocks.line import Band, Bound, Point, fitted, narrowed, start
from lastlook.records import ClaimSource, ClockReference

ORIGIN = datetime(2000, 1, 1)  # noqa: DTZ001 - a wall clock has no zone
DAY_S = 86_400.0
_SEGMENT, _ZONE_SEGMENT, _OUTLIER = 1.0, 0.5, 1.05
_TOGETHER = timedelta(minutes=15)
_QUARTER_S = 900.0
_WIDEST_ZONES_S = 26 * 3600.0
# A clock is no straight line: warm and cold days move it. Seconds, and seconds a day to its nearest neighbour.
_WOBBLE_S, _WOBBLE_A_DAY, _MOST_WOBBLE_S = 0.2, 0.15, 5.0
_NAME_LATE_S = 5.0  # a file may get its name when it is saved


@dataclass(frozen=True, slots=True)
class Sample:
    """References that were taken together and agree: one bound of the error. `x`: the camera's wall clock in days."""

    references: tuple[ClockReference, ...]
    bound: Bound
    true: datetime


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of an unbroken clock. `came_by`: how it parted from the one before ("" for the first): "set", "zone",
    "half a day". `jump_s`: by how much."""

    samples: tuple[Sample, ...]
    band: Band
    came_by: str = ""
    jump_s: float = 0.0

    @property
    def span(self) -> tuple[float, float]:
        """Camera days from its first to its last reference."""
        days = [sample.bound.x for sample in self.samples]
        return min(days), max(days)


@dataclass(frozen=True, slots=True)
class Explained:
    """`fixed`: the clock is taken to stand at one offset from UTC all year, and errors are counted from UTC."""

    segments: tuple[Segment, ...]
    outliers: tuple[Sample, ...]
    cost: float
    fixed: bool


def days(wall: datetime) -> float:
    return (wall - ORIGIN).total_seconds() / DAY_S


def explain(references: Sequence[ClockReference], zone: ZoneInfo, *, fixed: bool) -> Explained:
    """The cheapest explanation of all references of one camera. `fixed`: count its errors from UTC."""
    samples = _together(references, zone, fixed=fixed)
    bounds = _wobbling(samples)
    count = len(samples)
    # best[n]: (cost, segments so far, outliers so far) that explain the first n samples.
    best: list[tuple[float, tuple[Segment, ...], tuple[Sample, ...]]] = [(0.0, (), ())]
    for end in range(1, count + 1):
        cost, segments, outliers = best[end - 1]
        chosen = (cost + _OUTLIER, segments, (*outliers, samples[end - 1]))
        for first in range(end - 1, -1, -1):
            found = _unbroken(samples[first:end], bounds[first:end])
            if found is None:
                continue
            segment, left = found
            cost, segments, outliers = best[first]
            if segments:
                segment = _parted(segments[-1], segment)
            price = _ZONE_SEGMENT if segment.came_by == "zone" else _SEGMENT
            price += _OUTLIER * len(left)
            if cost + price < chosen[0] - 1e-9 or not chosen[1]:
                chosen = (cost + price, (*segments, segment), (*outliers, *left))
        best.append(chosen)
    cost, segments, outliers = best[-1]
    return Explained(segments, outliers, cost, fixed)


def error_bound(reference: ClockReference, zone: ZoneInfo, *, fixed: bool) -> Bound:
    """Between which seconds camera minus true time lies, by one reference."""
    shift = timedelta(minutes=reference.offset_min) if reference.offset_min is not None else timedelta(0)
    if reference.offset_min is None and not fixed:
        shift = reference.earliest.astimezone(zone).utcoffset() or timedelta(0)
    read = (reference.wall - shift).replace(tzinfo=UTC)
    late = _NAME_LATE_S if reference.source is ClaimSource.FILE_NAME else 0.0
    low = (read - reference.latest).total_seconds() - late
    high = (read - reference.earliest).total_seconds() + reference.resolution_ms / 1000
    return Bound(days(reference.wall), low, high)


def _together(references: Sequence[ClockReference], zone: ZoneInfo, *, fixed: bool) -> list[Sample]:
    found: list[Sample] = []
    for one in sorted(references, key=lambda one: (one.earliest, one.picture)):
        bound = error_bound(one, zone, fixed=fixed)
        if found:
            last = found[-1]
            low, high = max(bound.low, last.bound.low), min(bound.high, last.bound.high)
            if one.earliest - last.references[0].earliest <= _TOGETHER and low <= high:
                found[-1] = Sample((*last.references, one), Bound(last.bound.x, low, high), last.true)
                continue
        found.append(Sample((one,), bound, one.earliest + (one.latest - one.earliest) / 2))
    return found


def _wobbling(samples: Sequence[Sample]) -> list[Bound]:
    """The samples' bounds, wider by what a clock may stray from a line between references."""
    found = []
    for index, sample in enumerate(samples):
        near = [abs((other.true - sample.true).total_seconds()) for other in samples[max(0, index - 1) : index]]
        near += [abs((other.true - sample.true).total_seconds()) for other in samples[index + 1 : index + 2]]
        apart = min(near, default=0.0) / DAY_S
        more = min(_MOST_WOBBLE_S, _WOBBLE_S + _WOBBLE_A_DAY * apart)
        found.append(Bound(sample.bound.x, sample.bound.low - more, sample.bound.high + more))
    return found


def _unbroken(samples: Sequence[Sample], bounds: Sequence[Bound]) -> tuple[Segment, list[Sample]] | None:
    """One unbroken clock through the samples, and those it has to leave out; None where the first one or most of them
    would be left out. Lines are counted from the first sample: far from it, numbers would lose their small parts."""
    base = bounds[0]
    zero = base.middle
    corners: tuple[Point, ...] = ()
    kept: list[Sample] = []
    used: list[Bound] = []
    left: list[Sample] = []
    for sample, bound in zip(samples, bounds, strict=True):
        here = Bound(bound.x - base.x, bound.low - zero, bound.high - zero)
        there = narrowed(corners, here) if corners else start(here)
        if there and (not kept or bound.x >= kept[-1].bound.x - 1e-6):
            corners = there
            kept.append(sample)
            used.append(here)
        else:
            left.append(sample)
    if 2 * len(left) >= len(samples):
        return None
    band = fitted(used, corners)
    # Back to days since ORIGIN and whole errors.
    moved = tuple((a + zero - b * base.x, b) for a, b in band.corners)
    return Segment(tuple(kept), Band(moved, band.offset + zero - band.drift * base.x, band.drift)), left


def _parted(before: Segment, after: Segment) -> Segment:
    """`after`, knowing how it parted from the stretch before it."""
    moment = after.samples[0].bound.x
    jump = after.band.at(moment) - before.band.at(moment if abs(moment - before.span[1]) < 1000 else before.span[1])
    slack = after.band.reach(moment) + before.band.reach(max(before.span[1], min(moment, before.span[1] + 400)))
    quarters = round(jump / _QUARTER_S)
    came_by = "set"
    if quarters and abs(jump - quarters * _QUARTER_S) <= min(slack + 1.0, 120.0):
        if abs(abs(jump) - 43_200) < _QUARTER_S / 2:
            came_by = "half a day"
        elif abs(jump) <= _WIDEST_ZONES_S:
            came_by = "zone"
    return Segment(after.samples, after.band, came_by, jump)
