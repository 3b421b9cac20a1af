"""Where the plan says that things lie. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lastlook.records import Dimension, Plan


@dataclass(frozen=True, slots=True)
class Places:
    """`of_step`: step → its subassembly; `within`: subassembly → the one it lies in, or ''; `of_item`: step, part, and
    run that lies in one subassembly alone → that one."""

    of_step: Mapping[str, str]
    within: Mapping[str, str]
    of_item: Mapping[tuple[Dimension, str], str]


_NOWHERE = Places({}, {}, {})
_last: list[tuple[Plan, Places]] = []


def places(plan: Plan | None) -> Places:
    """Those of a plan. The last plan's are kept: it is asked for each picture, and a plan does not change."""
    if plan is None:
        return _NOWHERE
    for known, made in _last:  # by identity: to compare two plans is dearer than to make this anew
        if known is plan:
            return made
    of_step = {step.id: step.subassembly for step in plan.steps}
    of_item = {(Dimension.STEP, id): place for id, place in of_step.items()}
    of_item |= {(Dimension.PART, part.id): part.subassembly for part in plan.parts}
    of_item |= {(Dimension.RUN, run.id): run.subassemblies[0] for run in plan.runs if len(run.subassemblies) == 1}
    made = Places(of_step, {item.id: item.within for item in plan.subassemblies}, of_item)
    _last[:] = [(plan, made)]
    return made
