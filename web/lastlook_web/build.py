"""The build by subassembly and time: time across, subassemblies down, a line where an opening shut over them.

Places across the sheet are per cents of its width, so that one drawing fits the bench screen and the phone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from flask import current_app, render_template

from lastlook import times, viewing
from lastlook.records import Closing, Opening, Plan
from lastlook.viewing import BINS, Overview, Row, Span
from lastlook_web.app import store
from lastlook_web.words import day_of

LANE = 17  # pixels a step takes up
TICKS = 20  # pixels for the pictures' ticks above the steps
_LABEL_SHARE = 9.0  # per cent of the width an id may take up, on a phone
_MOST_MARKS = 6


@dataclass(frozen=True, slots=True)
class Bar:
    """A step from its first to its last picture, in its lane; `label_x`, `anchor` place its id."""

    id: str
    x: float
    width: float
    y: int
    label_x: float
    anchor: str


@dataclass(frozen=True, slots=True)
class ShutLine:
    """Where an opening shut, with the interval in which it did; `again` where it was opened again, or None."""

    opening: Opening
    x: float
    from_x: float
    width: float
    again: float | None
    lane: int = 0


@dataclass(frozen=True, slots=True)
class Strip:
    """One subassembly's row of the drawing. `ticks` is path data; `hidden_x`: from here on it cannot be
    seen, None while it can."""

    row: Row
    height: int
    bars: tuple[Bar, ...]
    ticks: str
    shut: tuple[ShutLine, ...]
    over: tuple[ShutLine, ...]
    hidden_x: float | None
    words: str

    @property
    def missing(self) -> list[str]:
        return [step.id for step, span in self.row.steps if not span.count]


def sheet() -> str:
    """The page without a question."""
    now = viewing.overview(store(), current_app.extensions["lastlook-overview"])
    plan, zone = store().plan, store().zone
    strips = tuple(_strip(now, row, zone) for row in now.rows)
    marks = tuple(_marks(now, zone))
    heads = _heads(now)
    return render_template(
        "build.html",
        overview=now,
        strips=strips,
        marks=marks,
        heads=heads,
        field=f"0 0 {BINS} {TICKS}",
        ticks_height=TICKS,
        head_height=(max((head.lane for head in heads), default=-1) + 1) * 16 + 20,
        examples=_examples(plan, now),
        has_plan=bool(plan.subassemblies),
        shut_now=[opening.id for opening, acts in now.openings if acts and acts[-1].reopened is None],
        zone=zone,
    )


def _examples(plan: Plan, now: Overview) -> list[str]:
    """Questions this archive can answer, in the plan's own words."""
    found = []
    shut = [opening for opening, acts in now.openings if acts] or plan.openings
    pairs = [(now.runs.get(id, 0), id, opening) for opening in shut for id in opening.shows if id in now.runs]
    if pairs:
        _, id, opening = max(pairs, key=lambda pair: (pair[0], pair[1], pair[2].id))
        found.append(f"{id} before {opening.title.lower()} closed")
    step = max((each for row in now.rows for each in row.steps), key=lambda each: each[1].count, default=None)
    if step is not None and step[1].count:
        found.append(step[0].id)
    sub = max(now.rows, key=lambda row: row.seen.count, default=None)
    if sub is not None and sub.seen.count:
        found.append(f"{sub.sub.title.lower()} newest")
    return found


# ------------------------------------------------------------------------------------------------ geometry


def _x(now: Overview, instant: datetime | None) -> float:
    if instant is None or now.start is None or now.end is None:
        return 0.0
    share = (instant - now.start) / (now.end - now.start)
    return round(min(1.0, max(0.0, share)) * 100, 2)


def _strip(now: Overview, row: Row, zone: str) -> Strip:
    bars, lanes = _bars(now, row)
    hidden = row.hidden
    return Strip(
        row=row,
        height=max(1, lanes) * LANE + TICKS + 8,
        bars=bars,
        ticks=_ticks(row),
        shut=tuple(_shut_line(now, opening, act) for opening, acts in row.shut for act in acts),
        over=tuple(_shut_line(now, opening, act) for opening, acts in (*row.over, *row.waits) for act in acts),
        hidden_x=_x(now, hidden.time.instant) if hidden is not None else None,
        words=_in_words(row, zone),
    )


def _bars(now: Overview, row: Row) -> tuple[tuple[Bar, ...], int]:
    """Steps that have pictures, each in the first lane with room for it and its id."""
    ends: list[float] = []
    bars = []
    dated: list[tuple[datetime, datetime, str]] = [
        (span.first, span.last, step.id) for step, span in row.steps if span.first is not None and span.last is not None
    ]
    for first, last, id in sorted(dated):
        x = _x(now, first)
        width = max(0.6, round(_x(now, last) - x, 2))
        # Near the right edge the id stands to the left of its bar.
        left = x + _LABEL_SHARE > 98
        start, stop = (x - _LABEL_SHARE, x + width) if left else (x, max(x + width, x + _LABEL_SHARE))
        lane = next((n for n, end in enumerate(ends) if end <= start), len(ends))
        ends[lane : lane + 1] = [stop + 0.5]
        label_x = round(x - 0.6, 2) if left else x
        bars.append(Bar(id, x, width, TICKS + lane * LANE + 4, label_x, "end" if left else "start"))
    return tuple(bars), len(ends)


def _ticks(row: Row) -> str:
    """The pictures as one path (SVG 2, path data) in a field of BINS by TICKS: one tick for each stretch that has any,
    its height by the logarithm of how many."""
    most = max((count for _, count in row.bins), default=1)
    parts = []
    for at, count in row.bins:
        height = 5 + round((TICKS - 6) * math.log1p(count) / math.log1p(most))
        parts.append(f"M{at} {TICKS}v-{height}h.8v{height}z")
    return "".join(parts)


def _shut_line(now: Overview, opening: Opening, act: Closing, lane: int = 0) -> ShutLine:
    from_x = _x(now, act.time.earliest)
    again = _x(now, act.reopened.instant) if act.reopened is not None else None
    x = _x(now, act.time.instant)
    return ShutLine(opening, x, from_x, round(_x(now, act.time.latest) - from_x, 2), again, lane)


def _heads(now: Overview) -> tuple[ShutLine, ...]:
    """Every closing above the rows, its id in the first lane with room."""
    ends: list[float] = []
    heads = []
    acts = [(act.time.instant, opening, act) for opening, acts in now.openings for act in acts]
    for instant, opening, act in sorted(acts, key=lambda each: (each[0] is None, each[0], each[1].id)):
        x = _x(now, instant)
        lane = next((n for n, end in enumerate(ends) if end <= x), len(ends))
        ends[lane : lane + 1] = [x + _LABEL_SHARE]
        heads.append(_shut_line(now, opening, act, lane))
    return tuple(heads)


def _marks(now: Overview, zone: str) -> Iterator[tuple[float, str]]:
    """Dates along the top: (place, words), few enough for a phone."""
    if now.start is None or now.end is None:
        return
    tz = times.zone_named(zone)
    first, last = now.start.astimezone(tz), now.end.astimezone(tz)
    days = (last - first) / timedelta(days=1)
    step, form = _scale(days)
    at = first.replace(hour=0, minute=0, second=0, microsecond=0)
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
        yield _x(now, at), f"{words} {at.year}".strip() if at.year != year or not words else words
        year = at.year
        at = at + timedelta(days=step) if form == "day" else _months_on(at, {31: 1, 92: 3}.get(step, step // 366 * 12))


def _scale(days: float) -> tuple[int, str]:
    """How far apart dates are marked, in days, and whether they name days, months or years."""
    scales = ((1, "day"), (2, "day"), (7, "day"), (14, "day"), (31, "month"), (92, "month"), (366, "year"))
    fits = (scale for scale in scales if days / scale[0] <= _MOST_MARKS)
    return next(fits, (366 * math.ceil(days / 366 / _MOST_MARKS), "year"))


def _months_on(first: datetime, months: int) -> datetime:
    total = first.year * 12 + first.month - 1 + months
    return first.replace(year=total // 12, month=total % 12 + 1)


# ------------------------------------------------------------------------------------------------ words


def _in_words(row: Row, zone: str) -> str:
    """The row's drawing for those who do not see it."""
    parts = [_span_in_words(row.seen, zone)]
    for step, span in row.steps:
        parts.append(f"{step.id} {_span_in_words(span, zone)}")
    for opening, acts in (*row.shut, *row.over, *row.waits):
        parts.extend(f"{opening.id} closed {times.describe(act.time, zone)}" for act in acts)
    return f"{row.sub.title}: " + "; ".join(parts)


def _span_in_words(span: Span, zone: str) -> str:
    if not span.count:
        return "no picture"
    pictures = f"{span.count} picture{'' if span.count == 1 else 's'}"
    if span.first is None or span.last is None:
        return f"{pictures}, at times not known"
    first, last = day_of(span.first, zone), day_of(span.last, zone)
    return f"{pictures} on {first}" if first == last else f"{pictures} from {first} to {last}"
