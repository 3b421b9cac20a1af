"""From an explained clock to corrections, each over a stretch of the camera's own wall clock.

Within the references the doubt is what the fit leaves. Beyond them it grows with the days, so stretches double in
length, each with the doubt at its far end. Where a clock was set anew between two references, nobody knows when: wall
times that either state of the clock may have written get a correction that covers both. Beyond a change of summer
time that no reference has crossed, it is open whether the clock follows it, unless the file says its offset.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from lastlook.clocks.segments import DAY_S, ORIGIN, Explained, Segment
from lastlook.records import ClockCorrection

_DOUBLING = (0.0, 0.5, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024)
_FAR_DAYS = 1024.0
_ABSURD_DAYS = 400.0
"""A stretch of the clock that would have to reach this much farther than another is not thought of."""


@dataclass(frozen=True, slots=True)
class _Reach:
    """The wall times that one segment may have written, from `first` to `last` (days). `shifts`: stretches of wall
    time in which it is open whether the clock follows summer time, (from, to, seconds)."""

    segment: Segment
    first: float
    last: float
    shifts: tuple[tuple[float, float, float], ...]

    def strays(self, moment: float) -> float:
        """Days from its references."""
        low, high = self.segment.span
        return max(low - moment, moment - high, 0.0)

    def error(self, moment: float, middle: float) -> tuple[float, float]:
        """Between which seconds the clock's error lies at `moment`, in a stretch around `middle`."""
        band = self.segment.band
        here, doubt = band.at(moment), band.reach(moment)
        # A clock that stands still where local time goes on by an hour is an hour slow.
        sizes = [0.0, *(-size for start, end, size in self.shifts if start <= middle <= end)]
        return here - doubt + min(sizes), here + doubt + max(sizes)


def corrections(explained: Explained, camera: str, zone: ZoneInfo, *, own_offset: bool) -> tuple[ClockCorrection, ...]:
    """Corrections that together hold for all wall times. `own_offset`: the camera writes its offset from UTC."""
    if not explained.segments:
        return ()
    fixed_min = None
    base = 0.0
    if explained.fixed:
        # Errors are counted from UTC: what is whole quarter hours of it is the offset at which the clock is kept.
        main = max(explained.segments, key=lambda one: len(one.samples))
        quarters = round(main.band.at(main.span[0]) / 900)
        if abs(quarters) <= 14 * 4:
            fixed_min, base = quarters * 15, quarters * 900.0
        else:
            fixed_min = 0
    reaches = _reaches(explained.segments, zone, follows=explained.fixed or own_offset)
    cuts = sorted({cut for reach in reaches for cut in _cuts(reach)})
    note = _note(explained)
    found: list[ClockCorrection] = []
    ends: list[float | None] = [None, *cuts, None]
    for low, high in pairwise(ends):
        low_x = low if low is not None else cuts[0] - _FAR_DAYS
        high_x = high if high is not None else cuts[-1] + _FAR_DAYS
        error, drift, doubt = _over(reaches, low_x, high_x)
        found.append(
            ClockCorrection(
                camera,
                error_s=round(error - base, 4),
                reference=_wall(low_x),
                drift_s_per_day=round(drift, 6),
                uncertainty_s=round(doubt + 0.05, 2),
                fixed_offset_min=fixed_min,
                since=None if low is None else _wall(low),
                until=None if high is None else _wall(high),
                note=note,
                fitted=True,
            )
        )
    return tuple(found)


def _reaches(segments: Sequence[Segment], zone: ZoneInfo, *, follows: bool) -> list[_Reach]:
    """Which wall times each segment may have written: from the last reference before it to the first one after it."""
    # References on both sides of a change that agree on one unbroken clock: it follows.
    across = any(len(_offsets(one, zone)) > 1 for one in segments if not _absurd(one))
    found = []
    for index, segment in enumerate(segments):
        first, last = segment.span[0] - _FAR_DAYS, segment.span[1] + _FAR_DAYS
        if index:
            before = segments[index - 1].samples[-1].true
            first = min(segment.span[0], _as_wall(segment, before))
        if index + 1 < len(segments):
            after = segments[index + 1].samples[0].true
            last = max(segment.span[1], _as_wall(segment, after))
        known = follows or (across if not _absurd(segment) else len(_offsets(segment, zone)) > 1)
        shifts = () if known else tuple(_shifts(segment, zone))
        found.append(_Reach(segment, first, last, shifts))
    return found


def _absurd(segment: Segment) -> bool:
    """Its calendar is wrong as well: it cannot know of summer time."""
    return abs(segment.band.at(segment.span[0])) > 30 * DAY_S


def _offsets(segment: Segment, zone: ZoneInfo) -> set[timedelta | None]:
    return {sample.true.astimezone(zone).utcoffset() for sample in segment.samples}


def _as_wall(segment: Segment, true: datetime) -> float:
    """What this clock showed at a true moment, in days: by how far that is from its nearest reference."""
    nearest = min(segment.samples, key=lambda one: abs((one.true - true).total_seconds()))
    return nearest.bound.x + (true - nearest.true).total_seconds() / DAY_S


def _cuts(reach: _Reach) -> Iterator[float]:
    low, high = reach.segment.span
    for step in _DOUBLING:
        if low - step >= reach.first:
            yield low - step
        if high + step <= reach.last:
            yield high + step
    yield reach.first
    yield reach.last
    for start, end, _ in reach.shifts:
        yield from (moment for moment in (start, end) if reach.first < moment < reach.last)


def _over(reaches: Sequence[_Reach], low: float, high: float) -> tuple[float, float, float]:
    """(error at `low`, drift, doubt) for wall times within [low, high] days."""
    middle = (low + high) / 2
    able = [one for one in reaches if one.first <= middle <= one.last]
    if not able:
        able = [min(reaches, key=lambda one: max(one.first - middle, middle - one.last))]
    nearest = min(one.strays(middle) for one in able)
    able = [one for one in able if one.strays(middle) <= nearest + _ABSURD_DAYS]
    if len(able) == 1:
        band = able[0].segment.band
        doubt = 0.0
        for moment in (low, high):
            least, most = able[0].error(moment, middle)
            doubt = max(doubt, most - band.at(moment), band.at(moment) - least)
        return band.at(low), band.drift, doubt
    ends = [end for one in able for moment in (low, high) for end in one.error(moment, middle)]
    return (min(ends) + max(ends)) / 2, 0.0, (max(ends) - min(ends)) / 2


def _shifts(segment: Segment, zone: ZoneInfo) -> Iterator[tuple[float, float, float]]:
    """Wall times (days) in which local time is kept otherwise than at the segment's references, and by how many
    seconds."""
    near = segment.samples[0].true
    own = (near.astimezone(zone).utcoffset() or timedelta(0)).total_seconds()
    first = near - timedelta(days=_FAR_DAYS)
    moment, current, began = first, 0.0, 0.0
    for day in range(int(2 * _FAR_DAYS)):
        moment = first + timedelta(days=day)
        apart = (moment.astimezone(zone).utcoffset() or timedelta(0)).total_seconds() - own
        if apart == current:
            continue
        wall = _as_wall(segment, moment)
        # The change lies within the day before; a drifting clock and the hour itself are given their room.
        if current:
            yield began, wall + 0.2, current
        began, current = wall - 1.2, apart
    if current:
        yield began, _as_wall(segment, moment), current


def _note(explained: Explained) -> str:
    count = sum(len(sample.references) for segment in explained.segments for sample in segment.samples)
    return f"found from {count} picture{'' if count == 1 else 's'} of the clock card"


def _wall(moment: float) -> datetime:
    return ORIGIN + timedelta(seconds=round(moment * DAY_S))
