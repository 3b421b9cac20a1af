"""Faults that only show between the tables of a plan: ids used twice, ids that lead nowhere, circles, bad order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from lastlook.plan.faults import Faults, Table, an, did_you_mean, listed, quoted
from lastlook.plan.ids import id_key
from lastlook.records import Opening, Part, Run, Step, Subassembly

Item = Subassembly | Opening | Step | Run | Part

# The fields that name other items, and the kinds of item they may name.
REFERENCES: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "subassembly": {"within": ("subassembly",)},
    "opening": {
        "shows": ("subassembly", "run", "part"),
        "reaches": ("subassembly", "run", "part"),
        "replaces": ("subassembly", "run", "part"),
    },
    "step": {"subassembly": ("subassembly",), "before": ("opening",), "runs": ("run",)},
    "run": {"subassemblies": ("subassembly",), "crosses": ("opening",)},
    "part": {"subassembly": ("subassembly",)},
}
CLOSING_KINDS: Final = ("close", "closing")


@dataclass(frozen=True, slots=True)
class Placed:
    """An item and the table it was read from."""

    item: Item
    table: Table

    @property
    def kind(self) -> str:
        return self.table.kind


def crosscheck(placed: Sequence[Placed], faults: Faults) -> list[Item]:
    """Note all faults between items; return the items with every reference spelled as the item it names.

    Where a table has a fault of its own, what it refers to is still checked.
    """
    known = _register(placed, faults)
    for entry in placed:
        _check_references(entry, known)
    items = [_spelled(entry.item, known) for entry in placed]
    _check_circles(placed, items)
    _check_order(placed, items)
    return items


def _register(placed: Sequence[Placed], faults: Faults) -> dict[str, Placed]:
    """Items by id; an id that is used twice counts for the first."""
    known: dict[str, Placed] = {}
    for entry in placed:
        if not entry.item.id:
            continue
        first = known.setdefault(id_key(entry.item.id), entry)
        if first is not entry:
            same = "" if first.item.id == entry.item.id else " (capitals do not count)"
            where = f"{first.table.label}, line {first.table.line('id')}"
            entry.table.fault("id", f"the id is used already by {where}{same}; give each item an id of its own")
    return known


def references(item: Item) -> Iterator[tuple[str, int | None, str]]:
    """(field, place in its list or None, id) of everything `item` refers to."""
    for name in REFERENCES[type(item).__name__.lower()]:
        value: str | tuple[str, ...] = getattr(item, name)
        if isinstance(value, tuple):
            yield from ((name, place, target) for place, target in enumerate(value))
        elif value:
            yield name, None, value


def _check_references(entry: Placed, known: Mapping[str, Placed]) -> None:
    for name, _place, target in references(entry.item):
        kinds = REFERENCES[entry.kind][name]
        found = known.get(id_key(target))
        place = _place_of(entry.table.data.get(name), target)
        wanted = listed(kinds)
        if found is None:
            near = did_you_mean(target, [other.item.id for other in known.values() if other.kind in kinds])
            advice = near or f"; add a [[{kinds[0]}]] with that id or correct the name"
            entry.table.fault(name, f"{name} names {quoted(target)}, but there is no such {wanted}{advice}", place)
        elif found.kind not in kinds:
            text = f"{name} names {quoted(target)}, which is {an(found.kind)}; name {an(wanted)} here"
            if name == "before" and found.kind == "step":
                advice = "name the opening it must precede, and sort steps by order"
                text = f"before names the step {quoted(target)}; {advice}"
            entry.table.fault(name, text, place)


def _place_of(value: object, target: str) -> int | None:
    """The place of `target` in the list as written, in which faulty entries are still counted."""
    if not isinstance(value, list):
        return None
    places = [place for place, entry in enumerate(value) if isinstance(entry, str) and entry.strip() == target]
    return places[0] if places else None


def _spelled(item: Item, known: Mapping[str, Placed]) -> Item:
    """`item` with its references written as the items themselves write their ids."""

    def spell(target: str) -> str:
        found = known.get(id_key(target))
        return found.item.id if found else target

    changes: dict[str, object] = {}
    for name in REFERENCES[type(item).__name__.lower()]:
        value: str | tuple[str, ...] = getattr(item, name)
        changes[name] = tuple(dict.fromkeys(map(spell, value))) if isinstance(value, tuple) else value and spell(value)
    return replace(item, **changes)  # type: ignore[arg-type]  # names and types come from the record itself


def _check_circles(placed: Sequence[Placed], items: Sequence[Item]) -> None:
    parent = {item.id: item.within for item in items if isinstance(item, Subassembly)}
    done: set[str] = set()
    for entry, item in zip(placed, items, strict=True):
        if not isinstance(item, Subassembly):
            continue
        path: list[str] = []
        at = item.id
        while at and at in parent and at not in done and at not in path:
            path.append(at)
            at = parent[at]
        if at in path:
            circle = [*path[path.index(at) :], at]
            way = " within ".join(circle)
            advice = "remove or correct one within" if len(circle) > 2 else "a subassembly cannot lie within itself"
            entry.table.fault("within", f"within goes round in a circle ({way}); {advice}")
        done.update(path)


def _check_order(placed: Sequence[Placed], items: Sequence[Item]) -> None:
    """A step of kind "close" or "closing" closes the openings in its `before`; others that name them come earlier."""
    steps = [(entry, item) for entry, item in zip(placed, items, strict=True) if isinstance(item, Step)]
    closers = {
        opening: step
        for _entry, step in steps
        if step.kind.lower() in CLOSING_KINDS and step.order
        for opening in step.before
    }
    for entry, step in steps:
        if not step.order or step.kind.lower() in CLOSING_KINDS:
            continue
        for opening in step.before:
            closer = closers.get(opening)
            if closer and step.order >= closer.order:
                text = (
                    f"it must come before {opening} is closed, but its order {step.order} is not below "
                    f"{closer.order}, the order of step {closer.id}, which closes {opening}; correct one order"
                )
                entry.table.fault("order", text)
