"""One run as a person types it, field by field: read with the tolerance of the schedule, judged with its faults by
field, so that a form can say beside each field what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from lastlook.plan.faults import Faults, Table, an, did_you_mean, quoted
from lastlook.plan.ids import id_key
from lastlook.plan.read import KEYS, read_run
from lastlook.plan.schedule import COLUMNS, UNITS, colours_in_words, entries_of, joined, number_in
from lastlook.plan.structure import items, kind_of
from lastlook.plan.write import values_of
from lastlook.records import Plan, Run

NAMES: Final[Mapping[str, str]] = {
    **{key: heading for key, heading, _also in COLUMNS},
    "crosses": "Joint lines crossed",
    "outer_mm": "Over insulation (mm)",
}
"""What each field is called, by the key of the run's table, in the order of a schedule."""

_LISTS: Final = ("subassemblies", "aliases", "crosses")
_LONGEST: Final = 2000


class FieldFaults(Faults):
    """Faults by the field they are of."""

    def __init__(self) -> None:
        super().__init__()
        self.fields: dict[str, list[str]] = {}

    def add(self, line: int, text: str) -> None:
        said = self.fields.setdefault(KEYS["run"][line], [])
        words = re.sub(r"^run(?: \S+)?: ", "", text)  # the form says already which run it is
        if words not in said:
            said.append(words)


def fields_of(run: Run) -> dict[str, str]:
    """What stands in each field of a run that is there; '' where nothing does."""
    values = values_of(run)
    values["status"] = run.status.value
    found: dict[str, str] = {}
    for key in NAMES:
        value = values.get(key, "")
        if isinstance(value, list):
            found[key] = joined(value) if key == "aliases" else " ".join(value)
        else:
            found[key] = str(value)
    return found


def read_fields(typed: Mapping[str, str], plan: Plan, of: str = "") -> tuple[Run, dict[str, list[str]]]:
    """The run that `typed` describes, and its faults by field; the run counts only where there are none.

    `of`: the id of the run of `plan` that is edited, '' for a new one. References are spelled as the plan spells them.
    """
    faults = FieldFaults()
    data: dict[str, object] = {}
    table = Table("run", data, lambda key, _place: KEYS["run"].index(key or "id"), faults, NAMES)
    for key in NAMES:
        text = typed.get(key, "").strip()
        if len(text) > _LONGEST:
            table.fault(key, f"{NAMES[key]} has {len(text)} letters; shorten it to {_LONGEST}")
        elif text and key in UNITS:
            value = number_in(table, key, "", text)
            if value is not None:
                data[key] = value
        elif text and key in _LISTS:
            # Ids hold no blanks, so a blank parts them as well.
            data[key] = entries_of(text if key == "aliases" else text.replace(" ", ";"), commas=key != "aliases")
        elif text:
            data[key] = text.lower() if key == "status" else text
    if of:
        data["id"] = of
    for key in ("id", "title"):
        data.setdefault(key, "")  # said to be empty there, not to be missing somewhere
    colours_in_words(data)
    run = _spelled(read_run(table), plan, table, of)
    return run, faults.fields


def _spelled(run: Run, plan: Plan, table: Table, of: str) -> Run:
    known = {id_key(name): item for name, item in items(plan).items()}
    other = known.get(id_key(run.id))
    if other is not None and not (of and other.id == of):
        table.fault("id", f"the plan has {an(str(kind_of(other)))} of the id {quoted(other.id)}; give the run its own")
    subs = {id_key(sub.id): sub.id for sub in plan.subassemblies}
    openings = {id_key(opening.id): opening.id for opening in plan.openings}
    return replace(
        run,
        subassemblies=_named(run.subassemblies, subs, table, "subassemblies", "subassembly"),
        crosses=_named(run.crosses, openings, table, "crosses", "opening"),
    )


def _named(given: Sequence[str], known: Mapping[str, str], table: Table, key: str, kind: str) -> tuple[str, ...]:
    found = []
    for name in given:
        if id_key(name) in known:
            found.append(known[id_key(name)])
        else:
            near = did_you_mean(name, known.values()) or f"; the plan has {', '.join(known.values()) or 'none'}"
            table.fault(key, f"there is no {kind} {quoted(name)}{near}")
    return tuple(dict.fromkeys(found))
