"""Before a closing: what is hidden, what stands open; at the closing: the record of both; later: the last look.

Nothing here releases anything. A closing over open lines is either a matter of waivers, each with a name and a reason,
or it is recorded as what it was: closed with gaps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from lastlook import deciding, times
from lastlook.catalogue import decisions
from lastlook.closing import bonds, graph, item_log, look
from lastlook.closing.check import check as run_check
from lastlook.closing.check import retests
from lastlook.closing.graph import ItemState
from lastlook.closing.records import Check, Facts, Hold, ItemLook, Line, LookPicture, State, Waiver
from lastlook.closing_facts import closings_by_opening, gather
from lastlook.errors import UsageError
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import CaptureTime, Closing, Decision, Opening, Plan, Step
from lastlook.store import Store


def moment(store: Store, at: str, now: datetime | None = None) -> CaptureTime:
    """A time as a person says it, as an interval; now where nothing is said. Raises UsageError."""
    now = now or datetime.now(UTC)
    if at.strip():
        return times.parse_when(at, store.zone, now).capture_time()
    return CaptureTime(now, now, now, "said", "now")


# ------------------------------------------------------------------------------------------------ what is hidden


@dataclass(frozen=True, slots=True)
class OpeningState:
    """An opening at a moment, with the closing that shuts it, and the no-load hold of its own bond."""

    opening: Opening
    shut: graph.Shut
    closing: Closing | None
    holds: tuple[Hold, ...] = ()


@dataclass(frozen=True, slots=True)
class Hidden:
    """What is open, what is shut and what is hidden at a moment."""

    at: CaptureTime
    plan: Plan
    openings: tuple[OpeningState, ...]
    items: tuple[ItemState, ...]
    holds: tuple[Hold, ...]


def hidden(store: Store, at: str = "", now: datetime | None = None) -> Hidden:
    """What can be seen, reached and replaced at a moment, by the plan in force. Raises UsageError."""
    when = moment(store, at, now)
    acts = closings_by_opening(store)
    facts = gather(store, ())
    holds = tuple(each for each in bonds.holds(facts, when) if not each.over)
    openings = []
    for opening in store.plan.openings:
        shut, closing = graph.shut_at(acts.get(opening.id, ()), when)
        own = tuple(each for each in holds if each.bond.target == opening.id)
        openings.append(OpeningState(opening, shut, closing, own))
    return Hidden(when, store.plan, tuple(openings), graph.states_at(store.plan, acts, when), holds)


# ------------------------------------------------------------------------------------------------ the check


def check(store: Store, opening: str, at: str = "", now: datetime | None = None) -> Check:
    """The closing check of an opening: for now while it is open, for the time of its closing once it is shut, or for
    the time given. Raises NoSuchId, UsageError."""
    found = _opening(store.plan, lookup_id(store.plan, "opening", opening))
    acts = closings_by_opening(store).get(found.id, ())
    shut = acts[-1] if acts and acts[-1].reopened is None and not at.strip() else None
    when = shut.time if shut is not None else moment(store, at, now)
    return _check(store, found, when, shut=shut is not None)[0]


def check_at(store: Store, opening: str, when: CaptureTime) -> Check:
    """The closing check as it would be were the opening closed at a time, whatever became of it. Raises NoSuchId."""
    found = _opening(store.plan, lookup_id(store.plan, "opening", opening))
    return _check(store, found, when, shut=False)[0]


def just_after(when: CaptureTime) -> CaptureTime:
    """The moment after an act: what happened in its own minute, or on its own day, may be what it speaks of."""
    end = (when.latest or datetime.now(UTC)) + timedelta(microseconds=1)
    return CaptureTime(end, end, end, when.basis, when.why)


def _check(store: Store, opening: Opening, when: CaptureTime, *, shut: bool) -> tuple[Check, Facts]:
    facts = gather(store, items_of(store, opening.id, when))
    found = run_check(facts, opening, when, shut=shut)
    if shut:
        found = replace(found, retests=retests(facts, opening, found))
    return found, facts


def items_of(store: Store, opening: str, at: CaptureTime) -> tuple[str, ...]:
    """What closing an opening hides, and the runs whose joint line it shuts."""
    acts = {id: each for id, each in closings_by_opening(store).items() if id != opening}
    hides = graph.hidden_by(store.plan, opening, acts, at)
    return (*hides, *(run.id for run in graph.crossing(store.plan, opening) if run.id not in hides))


def _opening(plan: Plan, id: str) -> Opening:
    return next(opening for opening in plan.openings if opening.id == id)


# ------------------------------------------------------------------------------------------------ closing


@dataclass(frozen=True, slots=True)
class Closed:
    """A closing as it was recorded, with the check it froze. `decision` is None where it was refused."""

    decision: Decision | None
    check: Check


def close(
    store: Store, opening: str, at: str, method: str = "", *, with_gaps: bool = False, now: datetime | None = None
) -> Closed:
    """Check an opening and record its closing, with what stood open, and the last look of what it hides.

    With lines open, nothing is recorded unless `with_gaps`: the record then says that it was closed with them.
    Raises NoSuchId, UsageError.
    """
    found = _opening(store.plan, lookup_id(store.plan, "opening", opening))
    with store.deciding():  # nobody records anything between what is checked and the closing
        deciding.check_can_close(store, found.id, at, now)
        when = moment(store, at, now)
        result, facts = _check(store, found, when, shut=False)
        if not result.ready and not with_gaps:
            return Closed(None, result)
        plan = decisions.last_live(store.catalogue, "plan")
        looks = look.of_items(facts, result.hides, when)
        record: dict[str, object] = {
            "plan": plan.uid if plan is not None else "",
            "check": check_body(result, store.zone),
            "look": [look_body(one) for one in looks],
        }
        return Closed(deciding.close(store, found.id, at, method, now, record=record), result)


def check_body(check: Check, zone: str) -> dict[str, object]:
    """A check as it is kept and as it is answered in JSON."""
    return {
        "opening": check.opening,
        "at": {
            "earliest": _instant(check.at.earliest, zone),
            "latest": _instant(check.at.latest, zone),
        },
        "ready": check.ready,
        "counts": {state.value: check.count(state) for state in State},
        "hides": list(check.hides),
        "crossed": list(check.crossed),
        "lines": [line_body(line) for line in check.lines],
    }


def line_body(line: Line) -> dict[str, object]:
    return {
        "subject": line.subject,
        "what": line.what,
        "title": line.title,
        "state": line.state.value,
        "reason": line.reason,
        "shoot": line.shoot,
        "pictures": list(line.pictures),
        "candidates": list(line.candidates),
    }


def look_body(one: ItemLook) -> dict[str, object]:
    return {
        "item": one.item,
        "pictures": [
            {"picture": each.picture, "role": each.role, "state": each.state.value, "why": each.why}
            for each in one.pictures
        ],
    }


# ------------------------------------------------------------------------------------------------ the last look


@dataclass(frozen=True, slots=True)
class LastLook:
    """What something looked like just before it was hidden.

    `closing` is the closing that hid it, None while it can be seen; `frozen` whether the looks were kept then or are
    taken anew from what is on record now; `check` the counts of the check that was kept, by state.
    """

    id: str
    title: str
    closing: Closing | None
    frozen: bool
    looks: tuple[ItemLook, ...]
    rule: str
    at: CaptureTime
    counts: Mapping[str, int]
    plan: str = ""
    gaps: tuple[str, ...] = ()


def last_look(store: Store, typed: str, now: datetime | None = None) -> LastLook:
    """The last look at an opening's hidden items, or at one subassembly, run or part. Raises NoSuchId, UsageError."""
    id = lookup_id(store.plan, None, typed)
    item = structure.items(store.plan)[id]
    acts = closings_by_opening(store)
    if isinstance(item, Step):
        raise UsageError(f"{id} is a step; it is done, not hidden", "Name an opening, a run, a part or a subassembly.")
    if isinstance(item, Opening):
        closing = acts[id][-1] if id in acts else None
        when = closing.time if closing is not None else moment(store, "", now)
        ids: tuple[str, ...] = ()
    else:
        state = next(one for one in graph.states_at(store.plan, acts, moment(store, "", now)) if one.id == id)
        closing = state.since or (state.behind[-1] if state.sight is graph.Sight.UNDETERMINED else None)
        when = closing.time if closing is not None else moment(store, "", now)
        ids = (id,)
    kept = _kept(store, closing)
    title = item.title
    if kept is not None:
        looks = tuple(one for one in kept[0] if not ids or one.item in ids)
        if not ids or looks:
            body = kept[1]
            lines = [line for line in body["check"].get("lines", ()) if not ids or line["subject"] in ids]
            gaps = tuple(
                f"{line['subject']}: {line['title']}: {line['reason']}"
                for line in lines
                if line["state"] not in (State.PASSED.value, State.WAIVED.value)
            )
            counts = {state.value: sum(line["state"] == state.value for line in lines) for state in State}
            return LastLook(id, title, closing, True, looks, look.RULE, when, counts, str(body.get("plan", "")), gaps)
    if isinstance(item, Opening):
        ids = items_of(store, id, when)
    facts = gather(store, ids)
    return LastLook(id, title, closing, False, look.of_items(facts, ids, when), look.RULE, when, {})


def recorded(store: Store, opening: str) -> Mapping[str, Any] | None:
    """The check that the closing in force kept, as `check_body` gives it; None where it was recorded without one."""
    acts = closings_by_opening(store).get(lookup_id(store.plan, "opening", opening), ())
    kept = _kept(store, acts[-1]) if acts else None
    found: Mapping[str, Any] | None = kept[1]["check"] if kept is not None else None
    return found


def _kept(store: Store, closing: Closing | None) -> tuple[tuple[ItemLook, ...], Mapping[str, Any]] | None:
    """The looks that a closing kept, with its record; None where it was recorded without a check."""
    decision = decisions.by_uid(store.catalogue, closing.decision) if closing is not None else None
    if decision is None or "look" not in decision.body or "check" not in decision.body:
        return None
    body: Mapping[str, Any] = decision.body
    return tuple(_look_of(one) for one in body["look"]), body


def _look_of(body: Mapping[str, Any]) -> ItemLook:
    return ItemLook(
        str(body["item"]),
        tuple(
            LookPicture(str(one["picture"]), str(one["role"]), State(one["state"]), str(one["why"]))
            for one in body["pictures"]
        ),
    )


# ------------------------------------------------------------------------------------------------ an item's log


def item_history(store: Store, typed: str) -> tuple[str, str, tuple[item_log.Entry, ...]]:
    """(id, title, log) of a subassembly, run, part, step or opening. Raises NoSuchId."""
    id = lookup_id(store.plan, None, typed)
    item = structure.items(store.plan)[id]
    return id, item.title, item_log.log(gather(store, ()), item, id)


def waivers(store: Store, openings: Iterable[str] = ()) -> list[Waiver]:
    """All waivers that stand, of some openings or of all."""
    wanted = [lookup_id(store.plan, "opening", typed) for typed in openings]
    facts = gather(store, ())
    return [each for opening, found in facts.waivers.items() if not wanted or opening in wanted for each in found]


def _instant(value: datetime | None, zone: str) -> str | None:
    return times.format_rfc3339(value, zone) if value is not None else None
