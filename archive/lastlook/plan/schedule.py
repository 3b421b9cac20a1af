"""The wire schedule as CSV: one row a run, plain headings, readable by any spreadsheet and back.

Format by RFC 4180, written with commas and full stops. Reading is tolerant of what spreadsheets make of it: semicolons
or tabs, a byte order mark, decimal commas, units in cells or headings, colours in words.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from lastlook.errors import PlanError
from lastlook.plan import colours
from lastlook.plan.faults import Faults, Table, an, did_you_mean, listed, quoted
from lastlook.plan.ids import id_key, plain
from lastlook.plan.merge import Change, ChangeKind, difference
from lastlook.plan.read import read_run
from lastlook.plan.structure import items, kind_of
from lastlook.plan.write import values_of
from lastlook.records import Plan, Run

# Key of the run's table, heading written, headings also understood (without units, folded by `_folded`).
COLUMNS: Final[tuple[tuple[str, str, tuple[str, ...]], ...]] = (
    ("id", "Run", ("id", "run id", "wire", "wire id", "no", "number", "run no", "wire no", "label")),
    ("title", "Title", ("function", "purpose", "description", "name", "what")),
    ("colour", "Colour", ("color", "base colour", "base color", "insulation", "wire colour", "wire color")),
    ("tracer", "Tracer", ("stripe", "second colour", "tracer colour")),
    ("gauge_awg", "Gauge (AWG)", ("gauge", "awg", "gauge awg", "size", "wire gauge")),
    ("from", "From", ("source", "start", "from end")),
    ("to", "To", ("target", "destination", "end", "to end")),
    ("cut_length_mm", "Cut length (mm)", ("length", "cut", "cut length mm", "length mm", "total length")),
    ("loop_mm", "Loop (mm)", ("service loop", "slack", "spare length", "loop length", "loop mm")),
    ("polarity", "Polarity", ("pole",)),
    ("volts", "Volts (V)", ("voltage", "nominal voltage", "v")),
    ("milliamps", "Current (mA)", ("milliamps", "ma", "amps", "nominal current")),
    ("subassemblies", "Subassemblies", ("subassembly", "section", "sections", "lies in")),
    ("aliases", "Also called", ("aliases", "alias", "other names")),
    ("status", "Status", ("state",)),
)
_HEADINGS: Final = {key: heading for key, heading, _also in COLUMNS}
UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "cut_length_mm": {"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "inch": 25.4, '"': 25.4},
    "loop_mm": {"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "inch": 25.4, '"': 25.4},
    "volts": {"v": 1, "mv": 0.001, "vdc": 1, "v dc": 1},
    "milliamps": {"ma": 1, "a": 1000},
    "gauge_awg": {"awg": 1, "ga": 1},
    "outer_mm": {"mm": 1, "in": 25.4, "inch": 25.4, '"': 25.4},
}
_LISTS: Final = ("subassemblies", "aliases")
# A spreadsheet takes a cell that begins so for a formula and may run it; an apostrophe before it keeps it text.
_ACTIVE: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?)\s*(.*)", re.IGNORECASE)


# ---------------------------------------------------------------------------------------------- writing


def schedule_to_csv(plan: Plan) -> str:
    """All runs as CSV with a line of headings, lines ended by CR LF as RFC 4180 says."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_HEADINGS.values())
    for run in plan.runs:
        values = values_of(run)
        values["status"] = run.status.value
        writer.writerow([_cell(values.get(key, "")) for key in _HEADINGS])
    return out.getvalue()


def _cell(value: str | int | float | list[str]) -> str:
    if isinstance(value, int | float):
        return str(value)  # a bare number is no formula, and a guard would stop it from being a number
    return _guarded(joined(value) if isinstance(value, list) else value)


def _guarded(text: str) -> str:
    return f"'{text}" if text.startswith((*_ACTIVE, "'")) else text


def _unguarded(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith((*_ACTIVE, "'")) else text


def joined(entries: Sequence[str]) -> str:
    """Several texts in one cell, parted by semicolons; one that holds a semicolon or a quote is quoted."""
    out = io.StringIO()
    csv.writer(out, delimiter=";", lineterminator="").writerow(entries)
    return out.getvalue()


# ---------------------------------------------------------------------------------------------- reading


def schedule_from_csv(text: str) -> tuple[Run, ...]:
    """The runs of a wire schedule, in its order.

    Raises PlanError whose `faults` list everything wrong with it, each "line 3: …". Whether the subassemblies exist is
    for `with_schedule` to say, which knows the plan.
    """
    faults = Faults()
    rows = _rows(text, faults)
    head = next(rows, None)
    if head is None:
        faults.add(1, f"the schedule is empty; its first line must be headings such as {_some_headings()}")
        faults.stop("the wire schedule")
        return ()
    columns = _columns(head, faults)
    runs: list[Run] = []
    first: dict[str, int] = {}
    for line, cells in rows:
        extra = [cell for cell in cells[len(columns) :] if cell.strip()]
        if extra:
            text = f"the row has more cells than there are headings (first: {quoted(extra[0])})"
            faults.add(line, f"{text}; remove them, or put quotes around a cell that holds the separator")
        table = _table(line, columns, cells, faults)
        run = read_run(table)
        if run.id:
            known = first.setdefault(id_key(run.id), line)
            if known != line:
                table.fault("id", f"the run is listed already on line {known}; keep one of the two rows")
        runs.append(run)
    faults.stop("the wire schedule")
    return tuple(runs)


def _some_headings() -> str:
    return listed([_HEADINGS[key] for key in ("id", "title", "colour", "from", "to")], "and")


def _rows(text: str, faults: Faults) -> Iterator[tuple[int, list[str]]]:
    """(line on which it starts, cells) of every row that is not empty."""
    text = text.removeprefix("\ufeff")
    skipped = 0
    if text[:4].lower() == "sep=":  # some spreadsheets write the separator on a line of its own
        text = text.partition("\n")[2]
        skipped = 1
    start = next((line for line in text.splitlines() if line.strip()), "")
    outside = re.sub(r'"[^"]*"', "", start)
    separator = max(",;\t", key=outside.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = skipped + 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            faults.add(line, f"the row cannot be read ({error}); check its quotes")
            return
        if any(cell.strip() for cell in cells):
            yield line, cells
        line = skipped + reader.line_num + 1


def _folded(heading: str) -> str:
    return " ".join(re.findall(r"[a-z0-9]+", plain(heading)))


def _columns(head: tuple[int, list[str]], faults: Faults) -> list[tuple[str, str]]:
    """(key, unit of the heading or '') of each column; ('', '') where the heading is empty or faulty."""
    line, cells = head
    known = {_folded(re.sub(r"\(.*\)", "", name)): key for key, heading, also in COLUMNS for name in (heading, *also)}
    columns: list[tuple[str, str]] = []
    seen: set[str] = set()
    for cell in cells:
        unit = re.search(r"[(\[]([^)\]]*)[)\]]", cell)
        name = _folded(cell[: unit.start()] if unit else cell)
        key = known.get(name, "")
        if name and not key:
            near = did_you_mean(cell, _HEADINGS.values()) or f"; headings are {', '.join(_HEADINGS.values())}"
            faults.add(line, f"there is no heading {quoted(cell)} in a wire schedule{near}")
        elif key and key in seen:
            faults.add(line, f"two columns mean {quoted(_HEADINGS[key])}; remove or rename one")
            key = ""
        seen.add(key)
        given = plain(unit[1]).strip() if unit else ""
        if key and given and given not in UNITS.get(key, {}) and key in UNITS:
            faults.add(line, f"the unit in {quoted(cell)} is not known; write {listed(UNITS[key])}")
        columns.append((key, given))
    if "id" not in seen:
        faults.add(line, f"no column names the run; the first line must be headings such as {_some_headings()}")
    return columns


def _table(line: int, columns: Sequence[tuple[str, str]], cells: Sequence[str], faults: Faults) -> Table:
    """The row as the table the plan file would hold."""
    data: dict[str, object] = {}
    table = Table("run", data, lambda _key, _place: line, faults, _HEADINGS)
    for (key, unit), cell in zip(columns, cells, strict=False):
        text = _unguarded(cell.strip())
        if not key or not text:
            continue
        if key in UNITS:
            value = number_in(table, key, unit, text)
            if value is not None:
                data[key] = value
        elif key in _LISTS:
            data[key] = entries_of(text, commas=key == "subassemblies")
        elif key == "status":
            data[key] = text.lower()
        else:
            data[key] = text
    colours_in_words(data)
    if "title" not in data and "id" in data:
        ends = [end for end in (data.get("from"), data.get("to")) if isinstance(end, str)]
        data["title"] = " to ".join(ends) if len(ends) == 2 else data["id"]
    return table


def colours_in_words(data: dict[str, object]) -> None:
    """Turn "white", "WH/BU" or "white with blue" into codes; what is not understood stays for the reader to judge."""
    colour, tracer = data.get("colour"), data.get("tracer")
    if isinstance(colour, str):
        pair = colours.split_pair(colour)
        if pair and (not pair[1] or tracer is None):
            data["colour"] = pair[0]
            if pair[1]:
                data["tracer"] = pair[1]
    if isinstance(tracer, str):
        data["tracer"] = colours.code_of(tracer) or tracer


def entries_of(text: str, commas: bool) -> list[str]:
    """Several texts of one cell, parted by semicolons, with `commas` by commas too; each once."""
    if commas:
        text = text.replace(",", ";")
    entries = next(csv.reader([text], delimiter=";", skipinitialspace=True), [])
    return list(dict.fromkeys(entry.strip() for entry in entries if entry.strip()))


def number_in(table: Table, key: str, heading_unit: str, text: str) -> int | float | None:
    """The number a person wrote, in the unit of `key`; None with a fault where it is none."""
    name = table.name(key)
    bare = re.sub(r"^(?:awg|#)\s*", "", text, flags=re.IGNORECASE) if key == "gauge_awg" else text
    match = _NUMBER.fullmatch(bare.replace("\u2212", "-").replace("\u00a0", " "))
    units = UNITS[key]
    unit = plain(match[2]).strip().rstrip(".") if match else ""
    if match is None or (unit and unit not in units):
        table.fault(key, f"{name} {quoted(text)} is no number; write it as in {_example(key)}")
        return None
    digits = match[1]
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", digits):
        both = f"{digits.replace(',', '')} or {digits.replace(',', '.')}"
        table.fault(key, f"{name} {quoted(text)} can be read in two ways; write {both}")
        return None
    value = float(digits.replace(",", "."))
    scale = units[unit] if unit else units.get(heading_unit, 1)
    if scale != 1:
        value = round(value * scale, 6)
    return int(value) if value.is_integer() else value


def _example(key: str) -> str:
    return {"gauge_awg": "30", "volts": "5", "milliamps": "20"}.get(key, "420")


def with_schedule(plan: Plan, runs: Sequence[Run]) -> tuple[Plan, list[Change]]:
    """The plan with its runs updated by id from a schedule, new ones added, and what differs.

    Runs the schedule does not list stay in the plan and are said. Raises PlanError where a run names a subassembly the
    plan does not have, or takes an id of another kind of item.
    """
    subs = {id_key(sub.id): sub.id for sub in plan.subassemblies}
    taken = {id_key(name): item for name, item in items(plan).items() if not isinstance(item, Run)}
    faults: list[str] = []
    for run in runs:
        if id_key(run.id) in taken:
            kind = kind_of(taken[id_key(run.id)])
            faults.append(f"run {run.id}: the plan has {an(kind)} of that id; give the run an id of its own")
        for name in run.subassemblies:
            if id_key(name) not in subs:
                advice = did_you_mean(name, subs.values()) or "; add it to the plan or correct the name"
                faults.append(f"run {run.id}: it lies in {quoted(name)}, but there is no such subassembly{advice}")
    if faults:
        raise PlanError("the wire schedule does not fit the plan", "Correct the rows named and load it again.", faults)
    old = {id_key(run.id): run for run in plan.runs}
    new: dict[str, Run] = {}
    for run in runs:
        key = id_key(run.id)
        name = old[key].id if key in old else run.id
        new[key] = replace(run, id=name, subassemblies=tuple(subs[id_key(sub)] for sub in run.subassemblies))
        if key in old:  # a schedule has no columns for these
            new[key] = replace(new[key], crosses=old[key].crosses, outer_mm=old[key].outer_mm)
    changes: list[Change] = []
    for key, run in new.items():
        if key not in old:
            changes.append(Change(ChangeKind.ADDED, "run", run.id, run.title))
        elif old[key] != run:
            changes.append(Change(ChangeKind.CHANGED, "run", run.id, difference(old[key], run)))
    for key, run in old.items():
        if key not in new:
            what = "is not in the wire schedule; it stays in the plan"
            changes.append(Change(ChangeKind.KEPT, "run", run.id, what))
    return replace(plan, runs=tuple({**old, **new}.values())), changes
