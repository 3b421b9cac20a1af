"""What is open and shut, the closing check with its printable sheet, and the last look."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby

from flask import Blueprint, flash, render_template, request, url_for
from werkzeug.utils import redirect
from werkzeug.wrappers import Response

from lastlook import closing_check, recording, times
from lastlook.catalogue import pictures
from lastlook.closing import bonds, cautions, graph
from lastlook.closing.graph import Sight
from lastlook.closing.records import Check, Line, State, ViewKind
from lastlook.closing_facts import gather
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Opening, Picture
from lastlook_web import closing_drawing, words
from lastlook_web.app import store
from lastlook_web.closing_fields import MANY
from lastlook_web.stretches import Stretch, start_of, stretch

pages = Blueprint("closings", __name__)

Group = tuple[str, list[Line]]

_STATES = {
    State.PASSED: "passed",
    State.GAP: "gap",
    State.STALE: "stale",
    State.UNDETERMINED: "undetermined",
    State.WAIVED: "waived",
}


LONG = 120
"""Lines of a check that one page shows in the order of the plan. A longer one is parted: what stands open first."""

ITEMS = 75
"""Items of the plan on a page of what can be seen."""

SUBJECTS = 25
"""Items of a longer check on a page."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What one page shows of a check. `due`, `after`: lines by subject, after for the tests after closing; `part`: the
    items of a long check that these are, None where all is shown; `passed`: whether they are those in order; `open`,
    `in_order`: how many items there are of either kind."""

    due: list[Group]
    after: list[Group]
    part: Stretch[tuple[bool, Group]] | None = None
    passed: bool = False
    open: int = 0
    in_order: int = 0


@pages.get("/closings")
def overview() -> str:
    """What is open and shut, now or at a time."""
    asked, wrong = request.args.get("at", "").strip(), ""
    try:
        found = closing_check.hidden(store(), asked)
    except UsageError as error:
        wrong = f"{words.sentence(error.message)} {error.hint}"
        found = closing_check.hidden(store())
    drawings = [
        ("wide", closing_drawing.draw(found, closing_drawing.WIDE)),
        ("narrow", closing_drawing.draw(found, closing_drawing.NARROW)),
    ]
    return render_template(
        "closings.html",
        found=found,
        when="now" if found.at.why == "now" else times.describe(found.at, store().zone),
        at=asked,
        wrong=wrong,
        drawings=drawings,
        words=closing_drawing.WORDS,
        items=stretch(found.items, start_of(request.args), 0 if request.args.get("all") == "1" else ITEMS),
        sights=[(sight, count) for sight in Sight if (count := sum(item.sight is sight for item in found.items))],
        access=any(opening.reaches or opening.replaces for opening in found.plan.openings),
        left=bonds.left_words,
        uncured=cautions.UNCURED,
        zone=store().zone,
    )


@pages.get("/closing/<id>")
def check(id: str) -> str | Response:
    """The closing check of one opening."""
    known = lookup_id(store().plan, "opening", id)
    if known != id:  # one address for one thing
        return redirect(url_for("closings.check", id=known), 301)
    asked = request.args.get("at", "").strip()
    found = closing_check.check(store(), id, asked)
    items = structure.items(store().plan)
    titles = {name: item.title for name, item in items.items()}
    sheet = _sheet(found, request.args)
    open_count = sum(line.open for line in (*found.lines, *found.retests))
    return render_template(
        "closing_check.html",
        opening=items[id],
        check=found,
        at=asked,
        sheet=sheet,
        most_notes=LONG,
        whole=request.args.get("all") == "1",
        titles=titles,
        states=[(state, _STATES[state], found.count(state)) for state in State],
        sayable=set(graph.visible_items(store().plan)),
        recorded=closing_check.recorded(store(), id) if found.shut else None,
        open_count=open_count,
        one_by_one=open_count > MANY,
        shown=_pictures([line for _, lines in (*sheet.after, *sheet.due) for line in lines]),
        left=bonds.left_words,
        zone=store().zone,
    )


@pages.get("/closing/<id>/say/<item>")
def say(id: str, item: str) -> str:
    """Say of an item's pictures how they show it, from the check of an opening."""
    plan = store().plan
    known = lookup_id(plan, "opening", id)
    name = lookup_id(plan, None, item)
    if name not in graph.visible_items(plan):
        raise NoSuchId("item", item)
    facts = gather(store(), [name])
    told = {one.picture.id: one.view for one in facts.seen.get(name, ())}
    wanted = [*(one.picture for one in facts.candidates.get(name, ())), *told]
    shown = _by_id(wanted)
    return render_template(
        "closing_say.html",
        opening=known,
        item=graph.visible_items(plan)[name],
        run=next((run for run in plan.runs if run.id == name), None),
        pictures=[shown[one] for one in dict.fromkeys(wanted) if one in shown],
        told=told,
        zone=store().zone,
    )


@pages.post("/closing/<id>/say/<item>")
def said(id: str, item: str) -> Response:
    """Record one view."""
    plan = store().plan
    known, name = lookup_id(plan, "opening", id), lookup_id(plan, None, item)
    kind = structure.kind_of(structure.items(plan)[name])
    if kind == "opening":
        raise NoSuchId("item", item)
    view = request.form.get("view", "")
    if view not in set(ViewKind):
        raise UsageError("the view is not said", "Choose context view or close view.")
    close = view == ViewKind.CLOSE.value
    shows = request.form.getlist("shows") if close else []
    sharp = {"yes": True, "no": False}.get(request.form.get("sharp", ""))
    recording.view(
        store(),
        [request.form.get("picture", "")],
        [Target(kind, name)],
        ViewKind(view),
        ends=[one for one in shows if ":" not in one],
        crossings=[one.removeprefix("crossing:") for one in shows if ":" in one],
        sharp=sharp,
    )
    flash(f"{request.form['picture']}: {view} view of {name}. It can be taken back in the list of what was recorded.")
    return redirect(url_for("closings.say", id=known, item=name), 303)


@pages.get("/look/<id>")
def look(id: str) -> str | Response:
    """The last look at what an opening hid, or at one subassembly, run or part."""
    known = lookup_id(store().plan, None, id)
    if known != id:
        return redirect(url_for("closings.look", id=known), 301)
    found = closing_check.last_look(store(), id)
    items = structure.items(store().plan)
    ids = [each.picture for one in found.looks for each in one.pictures]
    return render_template(
        "closing_look.html",
        look=found,
        is_opening=isinstance(items[id], Opening),
        titles={name: item.title for name, item in items.items()},
        shown=_by_id(ids),
        zone=store().zone,
    )


def _sheet(found: Check, asked: Mapping[str, str]) -> Sheet:
    """A short check whole, as the plan lists it. Of a long one what stands open, from the first item on; what is in
    order is asked for by `show=passed`, another stretch by `from`, and the whole by `all=1`."""
    count = len(found.lines) + len(found.retests)
    if count <= LONG or asked.get("all") == "1":
        return Sheet(_groups(found.lines), _groups(found.retests))
    halves: dict[bool, list[tuple[bool, Group]]] = {}
    for open in (True, False):
        halves[open] = [
            (after, group)
            for after, lines in ((True, found.retests), (False, found.lines))
            for group in _groups(line for line in lines if line.open is open)
        ]
    passed = (asked.get("show") == "passed" and bool(halves[False])) or not halves[True]
    part = stretch(halves[not passed], start_of(asked), SUBJECTS)
    due, after = ([group for is_after, group in part.rows if is_after is which] for which in (False, True))
    return Sheet(due, after, part, passed, len(halves[True]), len(halves[False]))


def _groups(lines: Iterable[Line]) -> list[Group]:
    """The lines of each subject; the pictures to look at first are offered once for a subject, not with every line."""
    found = []
    for subject, group in groupby(lines, lambda line: line.subject):
        shown: list[Line] = []
        offered: tuple[str, ...] = ()
        for line in group:
            shown.append(replace(line, candidates=()) if line.candidates == offered else line)
            offered = line.candidates if line.open and line.candidates else offered
        found.append((subject, shown))
    return found


def _pictures(lines: Iterable[Line]) -> dict[str, Picture]:
    wanted = [id for line in lines for id in (*line.pictures, *(line.candidates if line.open else ()))]
    return _by_id(wanted)


def _by_id(ids: Iterable[str]) -> dict[str, Picture]:
    rids = pictures.rids_of_ids(store().catalogue, list(dict.fromkeys(ids)))
    return {picture.id: picture for picture in pictures.by_rids(store().catalogue, list(rids.values()))}
