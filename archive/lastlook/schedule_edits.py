"""The wire schedule run by run: change one, add one, retire one; and what was changed in it, when and by whom.

Every change is written as the plan would be loaded: the plan's text stays the builder's own, each change is one
decision, and taking it back is another. A change that was begun on an older plan is written only where the run itself
is still as it was then: nobody's change is written over unseen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from lastlook import deciding, planning
from lastlook.catalogue import decisions, tags
from lastlook.errors import NoSuchId, PlanError, UsageError
from lastlook.plan.ids import id_key
from lastlook.plan.merge import Change, ChangeKind, difference, merge
from lastlook.plan.parse import parse_plan
from lastlook.plan.row import NAMES, read_fields
from lastlook.plan.schedule import schedule_from_csv, with_schedule
from lastlook.plan.write import dump_plan
from lastlook.planning import Loaded, PlanMoved
from lastlook.records import Decision, Dimension, Plan, Run, RunStatus
from lastlook.store import Store

_TYPED = {{"from": "source", "to": "target"}.get(key, key) for key in NAMES}
"""The attributes of a run that a row has fields for; whatever else the plan says of it stays."""

REVISIONS = 12
"""How many of the newest plans are looked through for what was changed in one run."""


class FieldsAtFault(UsageError):
    """What was typed cannot be a run. `fields`: the faults by field."""

    def __init__(self, fields: Mapping[str, Sequence[str]]) -> None:
        count = sum(len(each) for each in fields.values())
        many = "one field needs" if count == 1 else f"{count} fields need"
        super().__init__(f"{many} a look, nothing was written", "Correct what is named and save again.")
        self.fields = {key: tuple(said) for key, said in fields.items()}


class RunMoved(PlanMoved):
    """The run was changed by somebody else since it was shown. `what` says how, `by` who."""

    def __init__(self, what: str, by: str) -> None:
        super().__init__()
        self.what, self.by = what, by


def find_run(plan: Plan, id: str) -> Run:
    """A run by its id. Raises NoSuchId."""
    found = next((run for run in plan.runs if id_key(run.id) == id_key(id)), None)
    if found is None:
        raise NoSuchId("run", id)
    return found


# ------------------------------------------------------------------------------------------------ changing


def change(store: Store, id: str, typed: Mapping[str, str], base: str) -> Loaded:
    """Change a run to what was typed, field by field (keys as in a plan). `base`: the plan that was shown.

    Raises FieldsAtFault, RunMoved, NoSuchId.
    """
    plan, uid = store.plan, planning.uid_in_force(store)
    old = find_run(plan, id)
    _check_same(store, old, base, uid)
    run, faults = read_fields(typed, plan, of=old.id)
    if faults:
        raise FieldsAtFault(faults)
    kept = {name: getattr(old, name) for name in Run.__dataclass_fields__ if name not in _TYPED}
    return _put(store, _with(plan, replace(run, **kept)), uid)


def add(store: Store, typed: Mapping[str, str]) -> Loaded:
    """Add a run at the end of the schedule. Raises FieldsAtFault."""
    plan, uid = store.plan, planning.uid_in_force(store)
    run, faults = read_fields(typed, plan)
    if faults:
        raise FieldsAtFault(faults)
    return _put(store, replace(plan, runs=(*plan.runs, run)), uid)


def retire(store: Store, id: str, base: str) -> Loaded:
    """Say of a run that it is abandoned in place: it stays in the model and in the record. Raises RunMoved, NoSuchId,
    UsageError."""
    plan, uid = store.plan, planning.uid_in_force(store)
    old = find_run(plan, id)
    _check_same(store, old, base, uid)
    if old.status is RunStatus.ABANDONED:
        raise UsageError(f"{old.id} is abandoned in place already", "Change its status to take it up again.")
    return _put(store, _with(plan, replace(old, status=RunStatus.ABANDONED)), uid)


def named_by(store: Store, id: str) -> list[str]:
    """Why a run cannot be taken out of the plan: what names it, in words. Empty: it can."""
    plan = store.plan
    found = [f"step {step.id}" for step in plan.steps if id in step.runs]
    for opening in plan.openings:
        if id in (*opening.shows, *opening.reaches, *opening.replaces):
            found.append(f"opening {opening.id}")
    about = any(not undone for subject in (id, f"item:{id}") for _, undone in decisions.about(store.catalogue, subject))
    shown = bool(
        store.tagged(store.columns, Dimension.RUN, [id]).any()
    )  # quick, and true of most; the rest is looked up
    if shown or about or id in tags.targets_in_use(store.catalogue):
        found.append("pictures or decisions")
    return found


def remove(store: Store, id: str, base: str) -> Loaded:
    """Take a run out of the plan that nothing refers to. Raises RunMoved, NoSuchId, UsageError."""
    plan, uid = store.plan, planning.uid_in_force(store)
    old = find_run(plan, id)
    _check_same(store, old, base, uid)
    named = named_by(store, old.id)
    if named:
        raise UsageError(
            f"{old.id} stays in the plan: {', '.join(named)} name{'s' if len(named) == 1 else ''} it",
            "Retire it instead: it stays on record, abandoned in place.",
        )
    return _put(store, replace(plan, runs=tuple(run for run in plan.runs if run.id != old.id)), uid)


def _with(plan: Plan, run: Run) -> Plan:
    return replace(plan, runs=tuple(run if one.id == run.id else one for one in plan.runs))


def _put(store: Store, plan: Plan, after: str) -> Loaded:
    return planning.load(store, dump_plan(plan, store.plan_text or None), "the plan", after=after)


def _check_same(store: Store, now: Run, base: str, uid: str) -> None:
    """Raises RunMoved where the run is no longer what it was in the plan that was shown."""
    if base == uid:
        return
    decision = decisions.by_uid(store.catalogue, base) if base else None
    if decision is None or decision.kind != "plan":
        raise RunMoved("", "")
    try:
        then = find_run(_plan(decision), now.id)
    except NoSuchId:
        raise RunMoved(f"{now.id} was added", "") from None
    if then != now:
        newest = decisions.last_live(store.catalogue, "plan")
        raise RunMoved(difference(then, now), newest.by if newest else "")


# ------------------------------------------------------------------------------------------------ a whole schedule


def preview(store: Store, text: str) -> list[Change]:
    """What loading a wire schedule (CSV) would change. Raises PlanError naming every line at fault."""
    plan = store.plan
    new, listed = with_schedule(plan, schedule_from_csv(text))
    _, changes = merge(plan, new, tags.targets_in_use(store.catalogue))
    return [*changes, *(one for one in listed if one.kind is ChangeKind.KEPT)]


def load(store: Store, text: str, after: str) -> Loaded:
    """Put a wire schedule (CSV) in force, if the plan is still the one it was compared with. Raises PlanError,
    PlanMoved."""
    return planning.load(store, text, "the wire schedule", "csv", after=after)


# ------------------------------------------------------------------------------------------------ what was changed


@dataclass(frozen=True, slots=True)
class Revision:
    """A plan that was put in force, and what it changed against the one before it."""

    decision: Decision
    changes: tuple[Change, ...]


def last_revision(store: Store) -> Revision | None:
    """The plan in force and what it changed; None where there is none, or none before it that could come back."""
    standing = _standing(store, 2)
    if len(standing) < 2:
        return None
    return Revision(standing[0], _changes(standing[1], standing[0]))


def revisions_of(store: Store, run: str) -> list[tuple[Decision, str]]:
    """What the newest plans changed in one run, oldest first, in words."""
    standing = _standing(store, REVISIONS)[::-1]
    found = []
    for before, after in zip([None, *standing], standing, strict=False):
        now = _run_of(after, run)
        was = _run_of(before, run) if before is not None else None
        if now is None or now == was:
            continue
        if was is not None:
            found.append((after, difference(was, now)))
        elif before is not None or len(standing) < REVISIONS:
            found.append((after, "put into the plan"))
    return found


def undo(store: Store, uid: str) -> Revision:
    """Take back the plan in force, so that the one before it holds again. Raises UsageError where it is not the one."""
    last = last_revision(store)
    if last is None or last.decision.uid != uid:
        raise UsageError("the plan was changed again since", "Look at the schedule as it is now.")
    used = tags.targets_in_use(store.catalogue)
    lost = [one.id for one in last.changes if one.kind is ChangeKind.ADDED and one.id in used]
    if lost:
        raise UsageError(
            f"pictures or decisions refer to {', '.join(lost)} by now, which that change added",
            "Change the plan as it is instead.",
        )
    deciding.undo(store, uid)
    return last


def _standing(store: Store, count: int) -> list[Decision]:
    """The newest plans that nobody took back, newest first."""
    newest = decisions.latest(store.catalogue, ("plan",), 4 * count)
    return [decision for decision, undone in newest if not undone][:count]


def _changes(before: Decision, after: Decision) -> tuple[Change, ...]:
    try:
        return tuple(merge(_plan(before), _plan(after), frozenset())[1])
    except PlanError:
        return ()


def _run_of(decision: Decision, id: str) -> Run | None:
    try:
        return find_run(_plan(decision), id)
    except (NoSuchId, PlanError):
        return None


def _plan(decision: Decision) -> Plan:
    return _read(str(decision.body["text"]))


@lru_cache(maxsize=2 * REVISIONS)
def _read(text: str) -> Plan:
    return parse_plan(text, "a plan of before")
