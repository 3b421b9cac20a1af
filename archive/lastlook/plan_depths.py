"""How deep below the skin the plan says a subassembly, or what an opening shows, lies: read, and changed one by one.

Each change is written as the plan would be loaded and is one decision; what somebody else changed meanwhile is not
written over unseen.
"""

from __future__ import annotations

from dataclasses import replace

from lastlook import planning
from lastlook.catalogue import decisions
from lastlook.errors import NoSuchId, PlanError, UsageError
from lastlook.plan.ids import id_key
from lastlook.plan.parse import parse_plan
from lastlook.plan.write import dump_plan
from lastlook.planning import Loaded, PlanMoved
from lastlook.records import Opening, Plan, Subassembly
from lastlook.store import Store

DEEPEST_MM = 2000.0
"""More than any model is deep: a figure above it is in another unit. Common practice, no source."""


def item_of(plan: Plan, id: str) -> Subassembly | Opening:
    """The subassembly or opening of that id. Raises NoSuchId."""
    items: list[Subassembly | Opening] = [*plan.subassemblies, *plan.openings]
    found = next((item for item in items if id_key(item.id) == id_key(id)), None)
    if found is None:
        raise NoSuchId("subassembly or opening", id)
    return found


def words(item: Subassembly | Opening) -> str:
    """ "15 mm", "4 to 15 mm"; '' where the plan does not say."""
    if item.depth_mm is None:
        return ""
    to = f" to {item.depth_to_mm:g}" if item.depth_to_mm is not None else ""
    return f"{item.depth_mm:g}{to} mm"


def change(store: Store, id: str, least: float | None, most: float | None, base: str) -> Loaded:
    """Let the plan say that `id` lies `least` mm deep, with `most` anywhere between; both None: it does not say.

    `base`: the plan that was shown. Raises NoSuchId, UsageError, PlanMoved; nothing is written then.
    """
    plan, uid = store.plan, planning.uid_in_force(store)
    old = item_of(plan, id)
    _check(old.id, least, most)
    if base != uid and _then(store, base, old.id) != (old.depth_mm, old.depth_to_mm):
        raise PlanMoved
    to = most if most != least else None
    changed = replace(
        plan,
        subassemblies=tuple(
            replace(one, depth_mm=least, depth_to_mm=to) if one.id == old.id else one for one in plan.subassemblies
        ),
        openings=tuple(
            replace(one, depth_mm=least, depth_to_mm=to) if one.id == old.id else one for one in plan.openings
        ),
    )
    return planning.load(store, dump_plan(changed, store.plan_text or None), "the plan", after=uid)


def _check(id: str, least: float | None, most: float | None) -> None:
    if least is None and most is not None:
        raise UsageError(f"of {id} only the greatest depth is said", "Give the least in mm as well; 0 is the skin.")
    for value in (least, most):
        if value is not None and not 0 <= value <= DEEPEST_MM:
            raise UsageError(f"a depth of {value:g} mm cannot be", f"Give millimetres, from 0 to {DEEPEST_MM:g}.")
    if least is not None and most is not None and most < least:
        raise UsageError(f"{most:g} mm is less than {least:g} mm", "Give the least depth first, then the greatest.")


def _then(store: Store, uid: str, id: str) -> tuple[float | None, float | None]:
    """The depth in an earlier plan. Raises PlanMoved where there is none to compare with."""
    decision = decisions.by_uid(store.catalogue, uid) if uid else None
    if decision is None or decision.kind != "plan":
        raise PlanMoved
    try:
        item = item_of(parse_plan(str(decision.body["text"]), "a plan of before"), id)
    except (NoSuchId, PlanError):
        raise PlanMoved from None
    return item.depth_mm, item.depth_to_mm
