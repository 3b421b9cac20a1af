"""Loading a plan again: items are updated by id, and nothing that pictures refer to is dropped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from enum import StrEnum

from lastlook.errors import PlanError
from lastlook.plan.crosscheck import REFERENCES, Item
from lastlook.plan.faults import an
from lastlook.plan.ids import id_key
from lastlook.plan.read import BUILD_KEYS, KEYS
from lastlook.plan.structure import items
from lastlook.plan.write import default_of, values_of
from lastlook.records import Build, Opening, Part, Plan, RequirementKind, Run, Step, Subassembly


class ChangeKind(StrEnum):
    ADDED = "added"
    CHANGED = "changed"
    REMOVED = "removed"
    KEPT = "kept"  # missing from the new plan, kept because something refers to it


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between two plans. `group` is the kind of item ("run", "build", …); `what` says it in one line."""

    kind: ChangeKind
    group: str
    id: str
    what: str


def merge(old: Plan, new: Plan, in_use: Set[str]) -> tuple[Plan, list[Change]]:
    """The plan to keep when `new` is loaded over `old`, and what differs.

    `in_use` holds the ids that pictures, marks or decisions refer to. Those missing from `new` are kept at the end of
    their kind, with what they cannot do without; their old spelling is kept as well. Raises PlanError where an id in
    use would become another kind of item.
    """
    used = {id_key(name) for name in in_use}
    known = {id_key(name): item for name, item in items(old).items()}
    spelling = {name: known[id_key(name)].id for name in items(new) if id_key(name) in used and id_key(name) in known}
    fresh = {id_key(name): _respelled(item, spelling) for name, item in items(new).items()}
    kept = _to_keep(known, fresh, used)
    _same_kinds(known, fresh, used, kept)
    everything = {**fresh, **{key: _without_gone(known[key], fresh.keys() | kept.keys()) for key in kept}}
    changes = _build_changes(old.build, new.build)
    for key, item in everything.items():
        group = type(item).__name__.lower()
        if key in kept:
            changes.append(Change(ChangeKind.KEPT, group, item.id, kept[key]))
        elif key not in known:
            changes.append(Change(ChangeKind.ADDED, group, item.id, item.title))
        elif type(known[key]) is not type(item):
            what = f"was {an(type(known[key]).__name__.lower())}, is {an(group)} now"
            changes.append(Change(ChangeKind.CHANGED, group, item.id, what))
        elif known[key] != item:
            changes.append(Change(ChangeKind.CHANGED, group, item.id, difference(known[key], item)))
    for key, item in known.items():
        if key not in everything:
            changes.append(Change(ChangeKind.REMOVED, type(item).__name__.lower(), item.id, item.title))
    if old.requirements != new.requirements:
        before, after = ({each.kind: each for each in plan.requirements} for plan in (old, new))
        for kind in RequirementKind:
            if before.get(kind) != after.get(kind):
                what = "what must be on record before a closing"
                changes.append(Change(ChangeKind.CHANGED, "requirements", kind.value, what))
    return replace(assembled(new.build, list(everything.values())), requirements=new.requirements), changes


def assembled(build: Build, parts: Sequence[Item]) -> Plan:
    """A plan of these items, each kind in the order given."""
    return Plan(
        build=build,
        subassemblies=tuple(item for item in parts if isinstance(item, Subassembly)),
        openings=tuple(item for item in parts if isinstance(item, Opening)),
        steps=tuple(item for item in parts if isinstance(item, Step)),
        runs=tuple(item for item in parts if isinstance(item, Run)),
        parts=tuple(item for item in parts if isinstance(item, Part)),
    )


def _single_references(item: Item) -> list[str]:
    """Ids an item cannot do without: the subassembly it lies in."""
    names = REFERENCES[type(item).__name__.lower()]
    return [value for name in names if isinstance(value := getattr(item, name), str) and value]


def _to_keep(known: Mapping[str, Item], fresh: Mapping[str, Item], used: Set[str]) -> dict[str, str]:
    """Keys of old items to keep, in the old plan's order, with the reason of each."""
    reasons = {
        key: "is missing from the new plan, but pictures or decisions refer to it"
        for key in known
        if key in used and key not in fresh
    }
    waiting = list(reasons)
    while waiting:
        item = known[waiting.pop()]
        for target in map(id_key, _single_references(item)):
            if target not in fresh and target not in reasons:
                reasons[target] = f"is missing from the new plan, but {item.id} lies in it"
                waiting.append(target)
    return {key: reasons[key] for key in known if key in reasons}


def _same_kinds(known: Mapping[str, Item], fresh: Mapping[str, Item], used: Set[str], kept: Mapping[str, str]) -> None:
    needed = used | {id_key(target) for key in kept for target in _single_references(known[key])}
    faults = [
        f"{known[key].id} was {an(type(known[key]).__name__.lower())} and would become "
        f"{an(type(fresh[key]).__name__.lower())}; give the new item another id"
        for key in known
        if key in fresh and key in needed and type(known[key]) is not type(fresh[key])
    ]
    if faults:
        hint = "Pictures or decisions refer to these ids; an id in use keeps its meaning."
        raise PlanError("the new plan gives an id in use to another kind of item", hint, faults)


def _respelled(item: Item, spelling: Mapping[str, str]) -> Item:
    changes: dict[str, object] = {"id": spelling.get(item.id, item.id)}
    for name in REFERENCES[type(item).__name__.lower()]:
        value = getattr(item, name)
        if isinstance(value, tuple):
            changes[name] = tuple(spelling.get(entry, entry) for entry in value)
        else:
            changes[name] = spelling.get(value, value)
    return replace(item, **changes)  # type: ignore[arg-type]  # names and types come from the record itself


def _without_gone(item: Item, there: Set[str]) -> Item:
    """A kept item without what its lists named and the new plan no longer has."""
    changes: dict[str, object] = {}
    for name in REFERENCES[type(item).__name__.lower()]:
        value = getattr(item, name)
        if isinstance(value, tuple):
            changes[name] = tuple(entry for entry in value if id_key(entry) in there)
    return replace(item, **changes)  # type: ignore[arg-type]  # names and types come from the record itself


def _build_changes(old: Build, new: Build) -> list[Change]:
    return [] if old == new else [Change(ChangeKind.CHANGED, "build", new.name, difference(old, new))]


def difference(old: Item | Build, new: Item | Build) -> str:
    """ "colour RD → OG, loop_mm 60 → none"."""
    before, after = values_of(old), values_of(new)
    order = BUILD_KEYS if isinstance(new, Build) else KEYS[type(new).__name__.lower()]
    keys = [key for key in order if before.get(key) != after.get(key)]
    default = {key: default_of(new, key) for key in keys}
    return ", ".join(
        f"{key} {_shown(before.get(key, default[key]))} → {_shown(after.get(key, default[key]))}" for key in keys
    )


def _shown(value: str | int | float | list[str] | None) -> str:
    if value is None or value in ("", []):
        return "none"
    return " ".join(value) if isinstance(value, list) else str(value)
