"""What lies where in a plan, what can be seen through which opening, and in which order things happen.

The rule of sight: an item can be seen through an opening if the opening's `shows` names the item itself, a subassembly
it lies in, or a subassembly around that one (`within`). To show a subassembly is to show all that is in it. Nothing is
seen the other way round: showing a small part does not show the subassembly around it. An item is hidden when the last
opening that shows it is closed; an item that no opening shows is never hidden by one.
"""

from __future__ import annotations

from collections.abc import Set
from typing import Literal

from lastlook.records import Dimension, Opening, Part, Plan, Run, Step, Subassembly

Item = Subassembly | Opening | Step | Run | Part
Kind = Dimension | Literal["opening"]


def items(plan: Plan) -> dict[str, Item]:
    """Every item by its id, in the order of the plan."""
    groups = (plan.subassemblies, plan.openings, plan.steps, plan.runs, plan.parts)
    return {item.id: item for group in groups for item in group}


def kind_of(item: Item) -> Kind:
    """The dimension a tag would use for `item`, or "opening"."""
    if isinstance(item, Opening):
        return "opening"
    return Dimension(type(item).__name__.lower())


def ancestors(plan: Plan, sub: str) -> tuple[str, ...]:
    """The subassemblies around `sub`, from the nearest outwards."""
    parent = {item.id: item.within for item in plan.subassemblies}
    found: list[str] = []
    at = parent.get(sub, "")
    while at and at not in found:
        found.append(at)
        at = parent.get(at, "")
    return tuple(found)


def subtree(plan: Plan, sub: str) -> tuple[str, ...]:
    """`sub` and every subassembly within it, at any depth: `sub` first, the others in the order of the plan."""
    below = tuple(item.id for item in plan.subassemblies if sub in ancestors(plan, item.id))
    return (sub, *(name for name in below if name != sub))


def subassemblies_of(plan: Plan, name: str) -> tuple[str, ...]:
    """The subassemblies an item lies in: a run may lie in several, a subassembly lies in itself, an opening in none."""
    item = items(plan).get(name)
    if isinstance(item, Subassembly):
        return (item.id,)
    if isinstance(item, Run):
        return item.subassemblies
    if isinstance(item, Step | Part):
        return (item.subassembly,)
    return ()


def steps_of(plan: Plan, sub: str, below: bool = False) -> tuple[Step, ...]:
    """The steps done in `sub`, with `below` also in what lies within it; by order, then as the plan lists them."""
    where = set(subtree(plan, sub)) if below else {sub}
    return tuple(sorted((step for step in plan.steps if step.subassembly in where), key=lambda step: step.order))


def runs_in(plan: Plan, sub: str, below: bool = False) -> tuple[Run, ...]:
    """The runs that lie in `sub`, wholly or in part."""
    where = set(subtree(plan, sub)) if below else {sub}
    return tuple(run for run in plan.runs if where.intersection(run.subassemblies))


def parts_in(plan: Plan, sub: str, below: bool = False) -> tuple[Part, ...]:
    """The parts that lie in `sub`."""
    where = set(subtree(plan, sub)) if below else {sub}
    return tuple(part for part in plan.parts if part.subassembly in where)


def openings_showing(plan: Plan, name: str) -> tuple[str, ...]:
    """Ids of the openings through which the item `name` can be seen, in the order of the plan (rule of sight above)."""
    seen = {name}
    for sub in subassemblies_of(plan, name):
        seen.add(sub)
        seen.update(ancestors(plan, sub))
    return tuple(opening.id for opening in plan.openings if seen.intersection(opening.shows))


def shown_through(plan: Plan, opening: str) -> tuple[str, ...]:
    """Ids of the subassemblies, runs and parts that can be seen through `opening`, in the order of the plan."""
    return tuple(
        name
        for name, item in items(plan).items()
        if not isinstance(item, Opening | Step) and opening in openings_showing(plan, name)
    )


def hidden_by(plan: Plan, opening: str, closed: Set[str] = frozenset()) -> tuple[str, ...]:
    """Ids of what closing `opening` hides when the openings in `closed` are shut already.

    These are the subassemblies, runs and parts seen through it and through no other opening still open. With nothing
    closed they are what can be seen through this opening alone.
    """
    shut = {*closed, opening}
    return tuple(name for name in shown_through(plan, opening) if shut.issuperset(openings_showing(plan, name)))


def steps_before(plan: Plan, opening: str) -> tuple[Step, ...]:
    """The steps that must come before `opening` is closed, by order."""
    return tuple(sorted((step for step in plan.steps if opening in step.before), key=lambda step: step.order))


def closing_order(plan: Plan) -> tuple[str, ...]:
    """Ids of the openings in the order in which they can be closed, by the last step each must wait for.

    An opening that waits for no step comes after those that do; otherwise the order of the plan holds.
    """

    def last_step(opening: Opening) -> tuple[bool, int]:
        orders = [step.order for step in steps_before(plan, opening.id)]
        return (not orders, max(orders, default=0))

    return tuple(opening.id for opening in sorted(plan.openings, key=last_step))
