"""What can be seen, reached and replaced through which opening, over time.

An item is hidden when the *last* opening that shows it is closed, and seen again once one of them is opened again.
Acts have intervals: where a moment falls inside one, the state then is undetermined.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from lastlook.plan import structure
from lastlook.records import CaptureTime, Closing, Dimension, Opening, Part, Plan, Run, Step, Subassembly
from lastlook.times import Order, compare

Visible = Subassembly | Run | Part


class Shut(StrEnum):
    OPEN = "open"
    SHUT = "shut"
    UNDETERMINED = "undetermined"


class Sight(StrEnum):
    SEEN = "seen"
    HIDDEN = "hidden"
    UNDETERMINED = "undetermined"
    ALWAYS = "always"  # no opening of the plan shows it, so none hides it


class Access(StrEnum):
    YES = "yes"
    NO = "no"
    UNDETERMINED = "undetermined"
    NOT_SAID = "not said"


@dataclass(frozen=True, slots=True)
class ItemState:
    """One item at a moment. `through`: openings it can be seen through then; `behind`: the closings that stand in the
    way; `since`: the one that hid it. `reach` and `replace` with the openings through which."""

    id: str
    title: str
    kind: Dimension
    sight: Sight
    through: tuple[str, ...]
    behind: tuple[Closing, ...]
    since: Closing | None
    reach: Access
    reach_through: tuple[str, ...]
    replace: Access
    replace_through: tuple[str, ...]


def visible_items(plan: Plan) -> dict[str, Visible]:
    """Subassemblies, runs and parts by id, in the order of the plan."""
    return {item.id: item for group in (plan.subassemblies, plan.runs, plan.parts) for item in group}


def sightlines(plan: Plan, by: str = "shows") -> dict[str, tuple[str, ...]]:
    """For each item, the openings that show it, by the rule of sight of `plan.structure`; with `by` "reaches" or
    "replaces", those through which it can be reached or replaced. One pass over the plan."""
    named: dict[str, list[str]] = {}
    for opening in plan.openings:
        for name in getattr(opening, by):
            named.setdefault(name, []).append(opening.id)
    order = {opening.id: place for place, opening in enumerate(plan.openings)}
    around = {sub.id: (sub.id, *structure.ancestors(plan, sub.id)) for sub in plan.subassemblies}
    found: dict[str, tuple[str, ...]] = {}
    for id, item in visible_items(plan).items():
        if isinstance(item, Subassembly):
            homes: Sequence[str] = (id,)
        else:
            homes = item.subassemblies if isinstance(item, Run) else (item.subassembly,)
        names = {id, *(name for home in homes for name in around.get(home, ()))}
        through = {opening for name in names for opening in named.get(name, ())}
        found[id] = tuple(sorted(through, key=order.__getitem__))
    return found


def shut_at(closings: Iterable[Closing], at: CaptureTime) -> tuple[Shut, Closing | None]:
    """Whether an opening is shut at a time, given its closings, oldest first; and the closing that makes it so."""
    state, by = Shut.OPEN, None
    for closing in closings:
        order = compare(closing.time, at)
        if order is Order.AFTER:
            continue
        if closing.reopened is not None:
            again = compare(closing.reopened, at)
            if again is Order.BEFORE:
                state, by = Shut.OPEN, None
                continue
        else:
            again = Order.AFTER
        sure = order is Order.BEFORE and again is Order.AFTER
        state, by = (Shut.SHUT if sure else Shut.UNDETERMINED), closing
    return state, by


def sight_at(through: Sequence[str], closings: Mapping[str, Sequence[Closing]], at: CaptureTime) -> Sight:
    """Whether an item shown by the openings `through` can be seen at a time."""
    if not through:
        return Sight.ALWAYS
    states = {shut_at(closings.get(opening, ()), at)[0] for opening in through}
    if Shut.OPEN in states:
        return Sight.SEEN
    return Sight.UNDETERMINED if Shut.UNDETERMINED in states else Sight.HIDDEN


def hidden_by(plan: Plan, opening: str, closings: Mapping[str, Sequence[Closing]], at: CaptureTime) -> tuple[str, ...]:
    """What closing `opening` at a time hides. An opening that may be shut by then counts as shut: what may be hidden
    is asked for."""
    shut = {one.id for one in plan.openings if shut_at(closings.get(one.id, ()), at)[0] is not Shut.OPEN}
    shut.add(opening)
    return tuple(id for id, through in sightlines(plan).items() if opening in through and shut.issuperset(through))


def crossing(plan: Plan, opening: str) -> tuple[Run, ...]:
    """The runs that pass the joint line of an opening."""
    return tuple(run for run in plan.runs if opening in run.crosses)


def states_at(plan: Plan, closings: Mapping[str, Sequence[Closing]], at: CaptureTime) -> tuple[ItemState, ...]:
    """Every item at a moment, in the order of the plan."""
    now = {opening.id: shut_at(closings.get(opening.id, ()), at) for opening in plan.openings}
    shows, reaches, replaces = (sightlines(plan, by) for by in ("shows", "reaches", "replaces"))
    found = []
    for id, item in visible_items(plan).items():
        sight = sight_at(shows[id], closings, at)
        behind = tuple(by for opening in shows[id] if (by := now[opening][1]) is not None)
        since = None
        if sight is Sight.HIDDEN and behind:
            since = max(behind, key=lambda closing: closing.time.latest.timestamp() if closing.time.latest else 0.0)
        reach, reach_through = _access(reaches[id], now)
        change, change_through = _access(replaces[id], now)
        kind = structure.kind_of(item)
        if kind == "opening":
            raise AssertionError("an opening is no visible item")
        seen = tuple(opening for opening in shows[id] if now[opening][0] is Shut.OPEN)
        found.append(
            ItemState(id, item.title, kind, sight, seen, behind, since, reach, reach_through, change, change_through)
        )
    return tuple(found)


def _access(through: Sequence[str], now: Mapping[str, tuple[Shut, Closing | None]]) -> tuple[Access, tuple[str, ...]]:
    if not through:
        return Access.NOT_SAID, ()
    usable = tuple(opening for opening in through if now[opening][0] is Shut.OPEN)
    if usable:
        return Access.YES, usable
    doubtful = tuple(opening for opening in through if now[opening][0] is Shut.UNDETERMINED)
    return (Access.UNDETERMINED, doubtful) if doubtful else (Access.NO, ())


def title_of(plan: Plan, id: str) -> str:
    item: Subassembly | Opening | Step | Run | Part | None = structure.items(plan).get(id)
    return item.title if item is not None else ""
