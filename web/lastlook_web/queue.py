"""The queue: what needs a person, one group at a time; and what is being worked on."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlencode

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import deciding, queue, sessions
from lastlook.catalogue.pictures import by_rids, from_ms, rids_of_ids
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.open_pictures import Need
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.queue import Group, Kind
from lastlook.records import Dimension, Picture, Plan
from lastlook_web.app import store
from lastlook_web.given import WRONG, at_fault, code_of

pages = Blueprint("queue", __name__)

SHOWN = 48
"""Pictures of a group that are shown; the others are counted, and the answer holds for them as well."""

NEEDS = {
    Need.CONFLICT: "Evidence contradicts",
    Need.NOTHING: "Nothing is known",
    Need.UNSURE: "Not sure enough",
    Need.APPLIED: "Proposed, not looked at",
}
_PLACES = (Dimension.SUBASSEMBLY, Dimension.STEP)
_KINDS = {
    Kind.ONE: "one picture",
    Kind.BURST: "a burst",
    Kind.CLIP: "stills of one clip",
    Kind.SESSION: "of one session",
    Kind.STRETCH: "taken in one stretch",
}


@pages.get("/queue")
def page() -> str:
    """One group: that with picture `p` in it, else the one at place `n` (from 0), else the first."""
    return _page(request.args)


def _page(asked: Mapping[str, str], typed: str = "", wrong: str = "", work_wrong: str = "") -> str:
    """`typed` is a name that cannot be taken, and comes back with what is `wrong` with it; `work_wrong` why what was
    chosen to work on cannot be begun."""
    everything = asked.get("all") == "1"
    found = queue.groups(store(), everything=everything)
    at = _place(found, asked.get("p", ""), asked.get("n", ""))
    group = found[at] if found else None
    under_way = sessions.under_way(store())
    return render_template(
        "queue.html",
        group=group,
        at=at,
        total=len(found),
        open_total=sum(len(each.pictures) for each in found),
        placed=queue.placed_count(store()),
        shown=_shown(group),
        more=max(0, len(group.pictures) - SHOWN) if group else 0,
        need=NEEDS[group.need] if group else "",
        kind=_KINDS[group.kind] if group else "",
        titles=_titles(store().plan),
        span=_span(group),
        earlier=_address(everything, p=found[at - 1].pictures[0].id) if found and at else "",
        later=_address(everything, p=found[at + 1].pictures[0].id) if at + 1 < len(found) else "",
        following=found[at + 1].pictures[0].id if at + 1 < len(found) else "",
        did=_did(asked.get("did", "")),
        was=asked.get("was", ""),
        typed=typed,
        wrong=wrong,
        work_wrong=work_wrong,
        everything=everything,
        under_way=under_way,
        recent=sessions.every(store())[::-1][:6],
        subs=store().plan.subassemblies,
        steps=sorted(store().plan.steps, key=lambda step: step.order),
        zone=store().zone,
        from_ms=from_ms,
    )


@pages.post("/queue/settle")
def settle() -> Response | tuple[str, int]:
    """`act`: a choice's number, "no" (to the first), "none" (of all), or "as" with `typed`. One answer for a group."""
    form = request.form
    act = form.get("act", "")
    try:
        group = queue.find(store(), form.get("group", ""))
    except NoSuchId:
        return _not_as_it_was(form)
    if act.isdecimal():
        decision = queue.accept(store(), group, int(act))
        said = group.choices[int(act) - 1].words
    elif act == "no":
        decision = queue.reject(store(), group)
        said = f"not {group.choices[0].targets[-1][1]}"
    elif act == "none":
        decision = queue.reject_all(store(), group)
        said = "nothing of what was proposed"
    elif act == "as":
        typed = form.get("typed", "").strip()
        try:
            if not typed:
                raise UsageError("nothing was typed", "Type an id or a name.")
            targets = _typed(store().plan, typed)
        except (NoSuchId, UsageError) as error:
            asked = {"p": group.pictures[0].id, "n": form.get("n", ""), "all": form.get("all", "")}
            return _page(asked, typed, at_fault(error)), code_of(error)
        decision = queue.settle(store(), group, targets)
        said = " · ".join(target.typed for target in targets)
    else:
        raise UsageError("nothing was chosen", "Choose an answer, or type an id.")
    count = len(group.pictures)
    flash(f"{count} picture{'s' if count > 1 else ''}: {said}.")
    # A "no" leaves the pictures here with what is left to choose from.
    stay = group.pictures[0].id if act == "no" else form.get("following", "")
    return redirect(
        _address(form.get("all") == "1", p=stay, n=form.get("n", ""), did=decision.uid, was=group.pictures[0].id), 303
    )


@pages.post("/queue/undo")
def undo() -> Response:
    """Take back an answer, and go back to its group."""
    uid = request.form.get("uid", "")
    target = _did(uid)
    if target:
        deciding.undo(store(), uid)
        flash("Taken back.")
    else:
        flash("That answer was taken back already: nothing was changed.")
    everything = request.form.get("all") == "1"
    return redirect(_address(everything, p=request.form.get("was", ""), n=request.form.get("n", "")), 303)


def _not_as_it_was(form: Mapping[str, str]) -> Response:
    """Say that an answer came too late, as from a second window, and go back to its group or what is left of it."""
    first = form.get("first", "")
    known = by_rids(store().catalogue, list(rids_of_ids(store().catalogue, [first]).values()))
    said = [target for one in known for dimension in _PLACES for target in one.said(dimension)]
    if said:
        flash(f"Nothing was recorded: that group was settled meanwhile, its first picture as {' · '.join(said)}.")
    else:
        flash("Nothing was recorded: that group is not as it was. Look at it again.")
    return redirect(_address(form.get("all") == "1", p=first, n=form.get("n", "")), 303)


# ------------------------------------------------------------------------------------------------ sessions


@pages.get("/queue/session/<uid>")
def session(uid: str) -> str:
    """What accepting all of a session would do."""
    shown = queue.preview(store(), sessions.find(store(), uid))
    rows = [one.rid for one in shown.pictures]
    return render_template(
        "queue_session.html",
        preview=shown,
        pictures=by_rids(store().catalogue, rids_to_show(rows)),
        more=max(0, len(rows) - SHOWN),
        differing=by_rids(store().catalogue, [one.rid for one, _ in shown.differing[:SHOWN]]),
        says={one.rid: other for one, other in shown.differing},
        titles=_titles(store().plan),
        zone=store().zone,
    )


@pages.post("/queue/session/<uid>/accept")
def accept_session(uid: str) -> Response:
    """Do it; refused where the pictures are no longer those that were shown."""
    shown = queue.preview(store(), sessions.find(store(), uid))
    if request.form.get("shown") != shown.id:
        flash("Nothing was recorded: the session's pictures have changed since they were shown. Look again.")
        return redirect(url_for("queue.session", uid=uid), 303)
    decision = queue.accept_session(store(), shown)
    count = len(shown.pictures)
    put = f"{count} picture{' is' if count == 1 else 's are'} put to"
    flash(f"{put} {', '.join(target for _, target in shown.sets)}.")
    return redirect(_address(False, did=decision.uid, was=shown.pictures[0].id), 303)


@pages.post("/queue/work")
def work() -> Response | tuple[str, int]:
    """Start or stop a session: "working on: …"."""
    if request.form.get("stop"):
        ended = sessions.stop(store(), typed=request.form["stop"])
        flash(f"Stopped working on {', '.join(target for _, target in ended.targets)}.")
    else:
        targets = []
        for dimension, name in ((Dimension.SUBASSEMBLY, "sub"), (Dimension.STEP, "step")):
            if request.form.get(name, "").strip():
                targets.append(Target(dimension, request.form[name]))
        try:
            if not targets:
                raise UsageError("nothing was chosen", "Choose what you are working on: a subassembly or a step.")
            begun = sessions.start(store(), targets, note=request.form.get("note", ""))
        except WRONG as error:
            return _page(request.args, work_wrong=at_fault(error)), code_of(error)
        flash(f"Working on {', '.join(target for _, target in begun.targets)} from now on.")
    return redirect(url_for("queue.page", _anchor="working"), 303)


# ------------------------------------------------------------------------------------------------ helpers


def _place(found: list[Group], picture: str, number: str) -> int:
    """Where to go on: with the group that has the picture, else at the place, else at the first."""
    if picture:
        for at, group in enumerate(found):
            if any(one.id == picture for one in group.pictures):
                return at
    if number.isdecimal() and len(number) < 7 and found:
        return min(int(number), len(found) - 1)
    return 0


def _address(everything: bool, **more: str) -> str:
    kept = {name: value for name, value in {"all": "1" if everything else "", **more}.items() if value}
    return url_for("queue.page") + (f"?{urlencode(kept)}" if kept else "")


def _did(uid: str) -> str:
    """The uid of an answer that can still be taken back here."""
    from lastlook.catalogue import decisions

    decision = decisions.by_uid(store().catalogue, uid) if uid else None
    if decision is None or decision.kind != "tag" or decisions.is_undone(store().catalogue, uid):
        return ""
    return uid


def _shown(group: Group | None) -> list[Picture]:
    return by_rids(store().catalogue, rids_to_show([one.rid for one in group.pictures])) if group else []


def rids_to_show(rids: list[int]) -> list[int]:
    """At most `SHOWN`, spread over all of them, so that what is shown speaks for the rest."""
    if len(rids) <= SHOWN:
        return rids
    return [rids[at * (len(rids) - 1) // (SHOWN - 1)] for at in range(SHOWN)]


def _span(group: Group | None) -> tuple[int, int] | None:
    known = [one.taken_ms for one in group.pictures if one.taken_ms is not None] if group else []
    return (min(known), max(known)) if known else None


def _titles(plan: Plan) -> dict[str, str]:
    return {id: item.title for id, item in structure.items(plan).items()}


def _typed(plan: Plan, typed: str) -> list[Target]:
    """One or more ids, or one title, as a person typed them."""
    items = structure.items(plan)
    try:
        ids = [lookup_id(plan, None, typed)]
    except NoSuchId:
        words = typed.replace(",", " ").split()
        if len(words) < 2:
            raise
        ids = [lookup_id(plan, None, word) for word in words]
    found = []
    for id in ids:
        kind = structure.kind_of(items[id])
        if not isinstance(kind, Dimension):
            raise NoSuchId("subassembly, step, run or part", id)
        found.append(Target(kind, id))
    return found
