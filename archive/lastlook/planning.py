"""The plan of the build: load it, show it, save it. Loading again updates by id and never drops what is referred to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lastlook.catalogue import decisions, tags
from lastlook.errors import PlanError, UsageError
from lastlook.plan.merge import Change, merge
from lastlook.plan.parse import parse_plan
from lastlook.plan.schedule import schedule_from_csv, schedule_to_csv, with_schedule
from lastlook.plan.write import dump_plan
from lastlook.projecting import project
from lastlook.records import Build, Decision, Plan
from lastlook.store import Store

Form = Literal["toml", "csv"]


@dataclass(frozen=True, slots=True)
class Loaded:
    """What loading a plan did. `decision` is None where nothing changed."""

    plan: Plan
    changes: tuple[Change, ...]
    decision: Decision | None


class PlanMoved(UsageError):
    """The plan in force is no longer the one that a change was made to."""

    def __init__(self) -> None:
        super().__init__(
            "the plan was changed meanwhile, nothing was written", "Look at it as it is now, and change it again."
        )


def load(store: Store, text: str, name: str, form: Form = "toml", after: str | None = None) -> Loaded:
    """Put a plan, or a wire schedule, in force. Raises PlanError naming every line at fault; nothing changes then.

    `after`: the decision that put the plan in force to which the change was made, '' for none; where it is another by
    now, PlanMoved is raised and nothing changes.
    """
    before = _before(store)
    if form == "csv":
        new, _ = with_schedule(before, schedule_from_csv(text))
        previous = store.plan_text or None
    else:
        new = parse_plan(text, name)
        previous = text
    merged, changes = merge(before, new, tags.targets_in_use(store.catalogue))
    wanted = text if form == "toml" and merged == new else dump_plan(merged, previous)
    with store.deciding():
        if after is not None and after != uid_in_force(store):
            raise PlanMoved
        if wanted == store.plan_text:
            return Loaded(before, (), None)
        decision = decisions.append(store.catalogue, "plan", {"text": wanted}, by=store.by)
        project(store, decision)
    return Loaded(merged, tuple(changes), decision)


def uid_in_force(store: Store) -> str:
    """The decision that put the plan in force; '' where there is no plan."""
    decision = decisions.last_live(store.catalogue, "plan")
    return decision.uid if decision else ""


def _before(store: Store) -> Plan:
    """The plan in force; where it cannot be read any more, an empty one, so that another can be loaded in its place."""
    try:
        return store.plan
    except PlanError:
        settings = store.archive.settings
        return Plan(Build(settings.name, settings.zone, settings.scale))


def save(store: Store, form: Form = "toml") -> str:
    """The plan in force as a file: as it was loaded, comments and all, or its wire schedule as CSV."""
    if form == "csv":
        return schedule_to_csv(store.plan)
    return store.plan_text or dump_plan(store.plan)
