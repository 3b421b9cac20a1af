"""The build by subassembly and time, for the whole of it or a stretch, with what waits for a person on top."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, cast

from flask import Blueprint, current_app, render_template, request, url_for

from lastlook import times, viewing, waiting, windows
from lastlook.closing.bonds import left_words
from lastlook.records import Plan
from lastlook.viewing import Overview, OverviewCache
from lastlook.windows import Stretch, Window
from lastlook_web import build_drawing
from lastlook_web.app import store
from lastlook_web.words import clock_of, day_of

pages = Blueprint("build", __name__)

UNFOLDED = 24
"""How many pictures of a stretch are shown at once."""

_STEP = 2.0  # what one "closer" or "wider" does
_SCALES = (("Year", 365), ("Month", 31), ("Week", 7), ("Day", 1), ("Hour", 1 / 24))
_BASIC = re.compile(r"\d{8}T\d{6}Z")  # ISO 8601, basic format, UTC
_FORM = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class Shown:
    """What the address asks for: a window of time, None for the whole build, and a stretch of a row to unfold."""

    window: Window | None
    sub: str = ""
    stretch: Window | None = None

    def address(self, **changes: Any) -> str:
        """The address of this view with something changed; the whole build is the bare one."""
        now = replace(self, **changes)
        parts: dict[str, str | None] = {"since": None, "until": None, "sub": None, "a": None, "b": None}
        if now.window is not None:
            parts |= {"since": _written(now.window.start), "until": _written(now.window.end)}
        if now.sub:
            parts["sub"] = now.sub
            if now.stretch is not None:
                parts |= {"a": _written(now.stretch.start), "b": _written(now.stretch.end)}
        return url_for("ask.page", **cast(Any, parts), _anchor=f"row-{now.sub}" if now.sub else None)


@dataclass(frozen=True, slots=True)
class Moves:
    """Where the buttons lead; '' for one that leads nowhere from here."""

    earlier: str
    later: str
    closer: str
    wider: str
    whole: str
    scales: tuple[tuple[str, str, bool], ...]


def sheet() -> str:
    """The page without a question."""
    cache = _cache()
    now = viewing.overview(store(), cache)
    plan, zone = store().plan, store().zone
    waits, _ = waiting.waiting(store(), cache)
    return render_template(
        "build.html",
        overview=now,
        examples=_examples(plan, now),
        has_plan=bool(plan.subassemblies),
        shut_now=[opening.id for opening, acts in now.openings if acts and acts[-1].reopened is None],
        waits=waits,
        late=waiting.late,
        left=left_words,
        now=datetime.now(UTC),
        zone=zone,
        **_drawn(now, _asked(plan)),
    )


@pages.get("/build/drawing")
def drawing() -> str:
    """The parts of the build's page that differ with the window, for a page that is open."""
    now = viewing.overview(store(), _cache())
    return render_template("build_parts.html", overview=now, zone=store().zone, **_drawn(now, _asked(store().plan)))


def _drawn(now: Overview, asked: Shown) -> dict[str, Any]:
    """What the drawing's templates are given; `drawing` is None where there is nothing to draw."""
    if now.start is None or now.end is None:
        return {"drawing": None, "asked_for": asked, "unfolded": None, "open_ended": 0}
    plan, zone, cache = store().plan, store().zone, _cache()
    series = windows.series(store(), cache)
    _, work = waiting.waiting(store(), cache)
    whole = Window(now.start, now.end)
    window = _window(asked, whole)
    if asked.window is not None:
        asked = replace(asked, window=window)
    before, after = windows.beside(series[""], window)
    return {
        "drawing": build_drawing.draw(plan, now, series, work, window, zone),
        "asked_for": asked,
        "reach": _reach(window, zone),
        "moves": _moves(asked, window, whole),
        "before": (day_of(before, zone), _around(asked, before, window)) if before else None,
        "after": (day_of(after, zone), _around(asked, after, window)) if after else None,
        "unfolded": _unfolded(asked, window, series),
        "open_ended": series[""].open,
        "longest_days": _longest(whole) // timedelta(days=1),
    }


def _cache() -> OverviewCache:
    return cast(OverviewCache, current_app.extensions["lastlook-overview"])


# ------------------------------------------------------------------------------------------------ addresses


def _asked(plan: Plan) -> Shown:
    """The address read leniently: what makes no sense in it is as if it were not there."""
    sub = request.args.get("sub", "")
    sub = sub if any(item.id == sub for item in plan.subassemblies) else ""
    return Shown(_window_of("since", "until"), sub, _window_of("a", "b") if sub else None)


def _window_of(first: str, last: str) -> Window | None:
    start, end = (_read(request.args.get(name, "")) for name in (first, last))
    return Window(start, end) if start is not None and end is not None and start < end else None


def _read(text: str) -> datetime | None:
    if not _BASIC.fullmatch(text):
        return None
    try:
        return datetime.strptime(text, _FORM).replace(tzinfo=UTC)
    except ValueError:
        return None


def _written(instant: datetime) -> str:
    return instant.astimezone(UTC).strftime(_FORM)


# ------------------------------------------------------------------------------------------------ windows


def _longest(whole: Window) -> timedelta:
    return max(whole.length, timedelta(days=366))


def _window(asked: Shown, whole: Window) -> Window:
    found = (asked.window or whole).within(_longest(whole))
    return Window(found.start.replace(microsecond=0), found.end.replace(microsecond=0))


def _moves(asked: Shown, window: Window, whole: Window) -> Moves:
    longest = _longest(whole)
    folded = replace(asked, sub="", stretch=None)
    middle = window.middle
    scales = []
    for words, days in _SCALES:
        half = timedelta(days=days) / 2
        here = abs(window.length / timedelta(days=days) - 1) < 0.02
        scales.append((words, folded.address(window=Window(middle - half, middle + half)), here))
    return Moves(
        folded.address(window=window.moved(-0.5)),
        folded.address(window=window.moved(0.5)),
        folded.address(window=window.scaled(1 / _STEP).within(longest)) if window.length > windows.SHORTEST else "",
        folded.address(window=window.scaled(_STEP).within(longest)) if window.length < longest else "",
        folded.address(window=None) if asked.window is not None else "",
        tuple(scales),
    )


def _around(asked: Shown, instant: datetime, window: Window) -> str:
    half = window.length / 2
    return replace(asked, sub="", stretch=None).address(window=Window(instant - half, instant + half))


def _reach(window: Window, zone: str) -> str:
    """From when to when, with times of day where they matter."""
    first, last = day_of(window.start, zone), day_of(window.end, zone)
    if window.length > timedelta(days=3):
        return f"{first} to {last}"
    start, end = clock_of(window.start, zone)[:5], clock_of(window.end, zone)[:5]
    return f"{first}, {start} to {end}" if first == last else f"{first}, {start} to {last}, {end}"


# ------------------------------------------------------------------------------------------------ pictures of a stretch


@dataclass(frozen=True, slots=True)
class Unfolded:
    """The pictures of a row in a stretch, in words and with where to look closer and how to fold them again."""

    sub: str
    found: Stretch
    words: str
    closer: str
    fold: str


def _unfolded(asked: Shown, window: Window, series: Any) -> Unfolded | None:
    if not asked.sub:
        return None
    part = asked.stretch or window
    found = windows.stretch(store(), series[asked.sub], part, window, UNFOLDED)
    zone = store().zone
    closer = part.within(_longest(window))
    words = (
        times.describe_interval(part.start, part.end, zone) if part.length < timedelta(days=2) else _reach(part, zone)
    )
    return Unfolded(
        asked.sub,
        found,
        words,
        asked.address(window=closer, stretch=None) if closer.length < window.length else "",
        asked.address(sub="", stretch=None),
    )


# ------------------------------------------------------------------------------------------------ examples


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
