"""The build drawn for a stretch of time: time across, subassemblies down, a line where an opening shut over them.

Places across the sheet are per cents of its width, so that one drawing fits the bench screen and the phone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from lastlook import times
from lastlook.closing.records import Hold
from lastlook.plan import structure
from lastlook.records import Closing, HoldKind, Opening, Part, Plan, Step, Subassembly
from lastlook.viewing import BINS, Overview, Row, Span
from lastlook.waiting import Work
from lastlook.windows import Lie, Series, Window, lie
from lastlook_web.words import day_of

LANE = 17  # pixels a step takes up
TICKS = 24  # pixels for the pictures' ticks above the steps
HEAD_LANE = 16
_LETTER_SHARE = 2.0  # per cent of the width a letter may take up, on a phone
_MOST_MARKS = 6
_HOLD_WORDS = {HoldKind.HOLD: "hold", HoldKind.WITNESS: "witness", HoldKind.REVIEW: "review"}


@dataclass(frozen=True, slots=True)
class Bar:
    """A step from its first to its last picture, in its lane; `label_x`, `anchor` place its words."""

    id: str
    point: str
    x: float
    width: float
    y: int
    label_x: float
    anchor: str


@dataclass(frozen=True, slots=True)
class ShutLine:
    """Where an opening shut, with the interval in which it did; `again` where it was opened again, or None. Places off
    the window are less than 0 or more than 100."""

    opening: Opening
    x: float
    from_x: float
    width: float
    again: float | None
    lane: int = 0

    @property
    def shut_to(self) -> float:
        return 100.0 if self.again is None else min(self.again, 100.0)


@dataclass(frozen=True, slots=True)
class Band:
    """A no-load hold of a bond; `words` say of what and until when."""

    x: float
    width: float
    words: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One subassembly's row of the drawing. `ticks` is path data, `counts` the same as "place:count"; `hidden` are
    the stretches (place, width) in which it could not be seen."""

    row: Row
    lie: Lie
    height: int
    bars: tuple[Bar, ...]
    ticks: str
    counts: str
    spans: tuple[tuple[float, float], ...]
    shut: tuple[ShutLine, ...]
    over: tuple[ShutLine, ...]
    hidden: tuple[tuple[float, float], ...]
    cures: tuple[Band, ...]
    words: str

    @property
    def missing(self) -> list[str]:
        return [step.id for step, span in self.row.steps if not span.count]


@dataclass(frozen=True, slots=True)
class Drawing:
    """All rows for a window, with the dates and closings above them: `marks` are (place, words)."""

    window: Window
    strips: tuple[Strip, ...]
    marks: tuple[tuple[float, str], ...]
    heads: tuple[ShutLine, ...]
    head_height: int
    field: str = f"0 0 {BINS} {TICKS}"
    ticks_height: int = TICKS


def draw(plan: Plan, now: Overview, series: Mapping[str, Series], work: Work, window: Window, zone: str) -> Drawing:
    """The drawing of an archive for a window."""
    cures = _cures(plan, now, work.holds)
    heads = _heads(now, window)
    return Drawing(
        window,
        tuple(_strip(row, series[row.sub.id], cures.get(row.sub.id, ()), work, window, zone) for row in now.rows),
        tuple(_marks(window, zone)),
        heads,
        (max((head.lane for head in heads), default=-1) + 1) * HEAD_LANE + 20,
    )


# ------------------------------------------------------------------------------------------------ rows


def _x(window: Window, instant: datetime) -> float:
    """A place in per cent, no further off the drawing than any pixel."""
    return round(min(110.0, max(-10.0, (instant - window.start) / window.length * 100)), 2)


def _strip(row: Row, series: Series, cures: Sequence[Hold], work: Work, window: Window, zone: str) -> Strip:
    bars, lanes = _bars(row, work, window)
    lies = lie(series, window)
    bands = tuple(_bands(cures, window, zone))
    return Strip(
        row=row,
        lie=lies,
        height=max(1, lanes) * LANE + TICKS + (16 if bands else 8),
        bars=bars,
        ticks=_ticks(lies),
        counts=" ".join(f"{at}:{count}" for at, count in lies.ticks),
        spans=tuple((_place(first), round((last - first + 1) / BINS * 100, 2)) for first, last, _ in lies.spans),
        shut=tuple(_lines(row.shut, window)),
        over=tuple(_lines((*row.over, *row.waits), window)),
        hidden=tuple(_hidden(row.shut, window)),
        cures=bands,
        words=_in_words(row, lies, cures, work, zone),
    )


def _place(bin_: int) -> float:
    return round(bin_ / BINS * 100, 2)


def _bars(row: Row, work: Work, window: Window) -> tuple[tuple[Bar, ...], int]:
    """Steps that have pictures, each in the first lane with room for it and its words."""
    ends: list[float] = []
    bars = []
    dated = [
        (span.first, span.last, step) for step, span in row.steps if span.first is not None and span.last is not None
    ]
    for first, last, step in sorted(dated, key=lambda each: (each[0], each[1], each[2].id)):
        if last < window.start or first >= window.end:
            continue
        point = _point(step, work)
        x = _x(window, first)
        width = max(0.6, round(_x(window, last) - x, 2))
        share = len(f"{step.id} {point}") * _LETTER_SHARE + 2
        # Near the right edge the words stand to the left of the bar.
        left = max(x, 0.0) + share > 98
        label_x = round(x - 0.6, 2) if left else round(max(x, 0.4), 2)
        start, stop = (label_x - share, x + width) if left else (x, max(x + width, label_x + share))
        lane = next((n for n, end in enumerate(ends) if end <= start), len(ends))
        ends[lane : lane + 1] = [stop + 0.5]
        y = TICKS + lane * LANE + 4
        bars.append(Bar(step.id, point, x, width, y, label_x, "end" if left else "start"))
    return tuple(bars), len(ends)


def _point(step: Step, work: Work) -> str:
    """What stops or watches a step, in a word."""
    if step.hold is HoldKind.HOLD and step.id in work.releases:
        return "released"
    return _HOLD_WORDS.get(step.hold, "")


def _ticks(lies: Lie) -> str:
    """The pictures as one path (SVG 2, path data) in a field of BINS by TICKS: one tick for each place that has any,
    its height by the logarithm of how many."""
    most = max((count for _, count in lies.ticks), default=1)
    return "".join(
        f"M{at}.5 {TICKS}v-{7 + round((TICKS - 9) * math.log1p(count) / math.log1p(most))}" for at, count in lies.ticks
    )


def _lines(of: Iterable[tuple[Opening, tuple[Closing, ...]]], window: Window) -> Iterator[ShutLine]:
    """The closings that are in the window, or whose reopening is."""
    for opening, acts in of:
        for act in acts:
            line = _shut_line(window, opening, act)
            seen = (line.x, line.from_x, line.from_x + line.width, *(() if line.again is None else (line.again,)))
            if any(0 <= x <= 100 for x in seen):
                yield line


def _shut_line(window: Window, opening: Opening, act: Closing, lane: int = 0) -> ShutLine:
    instant = act.time.instant or window.start  # a closing always has a time
    from_x = _x(window, act.time.earliest or instant)
    again = _x(window, act.reopened.instant) if act.reopened is not None and act.reopened.instant else None
    width = max(0.0, round(_x(window, act.time.latest or instant) - from_x, 2))
    return ShutLine(opening, _x(window, instant), from_x, width, again, lane)


def _hidden(shut: Sequence[tuple[Opening, tuple[Closing, ...]]], window: Window) -> Iterator[tuple[float, float]]:
    """(place, width) of the stretches in which every opening that shows a thing was shut."""
    for start, end in hidden_periods([acts for _, acts in shut]):
        x, stop = (
            max(0.0, min(100.0, _x(window, start))),
            100.0 if end is None else max(0.0, min(100.0, _x(window, end))),
        )
        if stop > x:
            yield x, round(stop - x, 2)


def hidden_periods(closings_of: Sequence[Sequence[Closing]]) -> list[tuple[datetime, datetime | None]]:
    """When something could not be seen, given the closings of each opening that shows it: from the closing that was
    the last to shut until any of them was opened again; None: until now."""
    if not closings_of:
        return []
    found: list[tuple[datetime, datetime | None]] | None = None
    for acts in closings_of:
        own = [
            (act.time.instant, act.reopened.instant if act.reopened is not None else None)
            for act in acts
            if act.time.instant is not None
        ]
        found = own if found is None else [both for a in found for b in own if (both := _both(a, b)) is not None]
    return sorted(found or [], key=lambda period: period[0])


def _both(
    one: tuple[datetime, datetime | None], other: tuple[datetime, datetime | None]
) -> tuple[datetime, datetime | None] | None:
    start = max(one[0], other[0])
    ends = [end for end in (one[1], other[1]) if end is not None]
    end = min(ends) if ends else None
    return None if end is not None and end <= start else (start, end)


def _heads(now: Overview, window: Window) -> tuple[ShutLine, ...]:
    """Every closing of the window above the rows, its id in the first lane with room, and how long it stayed shut."""
    ends: list[float] = []
    heads = []
    acts = [(act.time.instant, opening, act) for opening, acts in now.openings for act in acts]
    for _, opening, act in sorted(acts, key=lambda each: (each[0] is None, each[0], each[1].id)):
        line = _shut_line(window, opening, act)
        if line.x > 100 or (line.x < 0 and line.shut_to <= 0):
            continue
        x = max(line.x, 0.0)
        lane = next((n for n, end in enumerate(ends) if end <= x), len(ends))
        ends[lane : lane + 1] = [x + len(opening.id) * _LETTER_SHARE + 4]
        heads.append(_shut_line(window, opening, act, lane))
    return tuple(heads)


# ------------------------------------------------------------------------------------------------ cures


def _cures(plan: Plan, now: Overview, holds: Sequence[Hold]) -> dict[str, list[Hold]]:
    """The bonds by the rows in which they are drawn."""
    items = structure.items(plan)
    found: dict[str, list[Hold]] = {}
    for hold in holds:
        item = items.get(hold.bond.target)
        rows: list[str] = []
        if isinstance(item, Opening):
            rows = [
                row.sub.id
                for row in now.rows
                if any(opening.id == item.id for opening, _ in (*row.shut, *row.over, *row.waits))
            ]
        elif isinstance(item, Subassembly):
            rows = [item.id]
        elif isinstance(item, (Step, Part)):
            rows = [item.subassembly]
        for id in rows:
            found.setdefault(id, []).append(hold)
    return found


def _bands(holds: Sequence[Hold], window: Window, zone: str) -> Iterator[Band]:
    for hold in holds:
        start, end = hold.bond.joined.instant, hold.until.latest if hold.until is not None else None
        if start is None:
            continue
        x = max(0.0, _x(window, start))
        stop = 100.0 if end is None else min(100.0, _x(window, end))
        if stop > x and x < 100:
            yield Band(x, max(0.6, round(stop - x, 2)), _cure_in_words(hold, zone))


def _cure_in_words(hold: Hold, zone: str) -> str:
    of = f"cure of {hold.bond.adhesive or 'the bond'} at {hold.bond.target}"
    if hold.until is None:
        return f"{of}, end not known"
    return f"{of} until {times.describe(hold.until, zone)}"


# ------------------------------------------------------------------------------------------------ dates


_MINUTE, _HOUR, _DAY = 1 / 1440, 1 / 24, 1.0
_SCALES = (
    *((n * _MINUTE, "clock") for n in (5, 10, 15, 30)),
    *((n * _HOUR, "clock") for n in (1, 2, 3, 6, 12)),
    *((n * _DAY, "day") for n in (1, 2, 7, 14)),
    (31.0, "month"),
    (92.0, "month"),
    (366.0, "year"),
)  # fmt: skip


def _marks(window: Window, zone: str) -> Iterator[tuple[float, str]]:
    """Dates and hours along the top: (place, words), few enough for a phone."""
    tz = times.zone_named(zone)
    first, last = window.start.astimezone(tz), window.end.astimezone(tz)
    step, form = _scale((window.end - window.start) / timedelta(days=1))
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    if form == "clock":
        yield from _clock_marks(window, midnight, timedelta(days=step), zone)
        return
    at = midnight
    if form == "day":
        at += timedelta(days=1)
        if step >= 7:
            at += timedelta(days=(7 - at.weekday()) % 7)  # weeks begin on Monday
    else:
        at = _months_on(at.replace(day=1), 1)
        while form == "year" and at.month != 1:
            at = _months_on(at, 1)
    year = first.year
    while at < last:
        day, month, _ = day_of(at, zone).split(" ")
        words = {"day": f"{day} {month}", "month": month, "year": ""}[form]
        # A phone has no room for the year beside each date; the sheet's head says where they begin and end.
        yield _x(window, at), f"{words} {at.year}".strip() if at.year != year or not words else words
        year = at.year
        at = (
            at + timedelta(days=step)
            if form == "day"
            else _months_on(at, {31: 1, 92: 3}.get(int(step), int(step) // 366 * 12))
        )


def _clock_marks(window: Window, midnight: datetime, step: timedelta, zone: str) -> Iterator[tuple[float, str]]:
    # Each step is found on the clock of its own day: a day of 23 hours has its marks where its clock shows them.
    at = midnight
    while (instant := at.astimezone(UTC)) < window.end:
        if instant >= window.start:
            shown = instant.astimezone(at.tzinfo)  # an hour that the clock leaves out reads as the one after it
            words = day_of(instant, zone).rsplit(" ", 1)[0] if shown.hour == shown.minute == 0 else f"{shown:%H:%M}"
            yield _x(window, instant), words
        at += step  # local time: wall clock arithmetic


def _scale(days: float) -> tuple[float, str]:
    """How far apart dates are marked, in days, and whether they name times of day, days, months or years."""
    fits = (scale for scale in _SCALES if days / scale[0] <= _MOST_MARKS)
    return next(fits, (366.0 * math.ceil(days / 366 / _MOST_MARKS), "year"))


def _months_on(first: datetime, months: int) -> datetime:
    total = first.year * 12 + first.month - 1 + months
    return first.replace(year=total // 12, month=total % 12 + 1)


# ------------------------------------------------------------------------------------------------ words


def _in_words(row: Row, lies: Lie, cures: Sequence[Hold], work: Work, zone: str) -> str:
    """The row's drawing for those who do not see it."""
    parts = [_span_in_words(row.seen, zone)]
    if lies.count != row.seen.count:
        parts.append(f"{lies.count} in the time shown")
    if lies.vague:
        parts.append(f"{lies.vague} more that may be")
    for step, span in row.steps:
        point = _point(step, work)
        parts.append(f"{step.id} {_span_in_words(span, zone)}{f', {point}' if point else ''}")
    for opening, acts in (*row.shut, *row.over, *row.waits):
        for act in acts:
            again = f", opened again {times.describe(act.reopened, zone)}" if act.reopened is not None else ""
            parts.append(f"{opening.id} closed {times.describe(act.time, zone)}{again}")
    parts.extend(_cure_in_words(hold, zone) for hold in cures)
    return f"{row.sub.title}: " + "; ".join(parts)


def _span_in_words(span: Span, zone: str) -> str:
    if not span.count:
        return "no picture"
    pictures = f"{span.count} picture{'' if span.count == 1 else 's'}"
    if span.first is None or span.last is None:
        return f"{pictures}, at times not known"
    first, last = day_of(span.first, zone), day_of(span.last, zone)
    return f"{pictures} on {first}" if first == last else f"{pictures} from {first} to {last}"
