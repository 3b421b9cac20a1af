"""Reading a plan file: TOML text to a Plan, or every fault it has, each with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from typing import Final

from lastlook.errors import PlanError
from lastlook.plan.crosscheck import Item, Placed, crosscheck
from lastlook.plan.faults import Faults, Table, listed, quoted
from lastlook.plan.ids import nearest
from lastlook.plan.locate import KeyPath, Lines, locate
from lastlook.plan.read import (
    KEYS,
    read_build,
    read_opening,
    read_part,
    read_requirement,
    read_run,
    read_step,
    read_subassembly,
)
from lastlook.records import Build, Opening, Part, Plan, Requirement, RequirementKind, Run, Step, Subassembly

READERS: Final[Mapping[str, Callable[[Table], Item]]] = {
    "subassembly": read_subassembly,
    "opening": read_opening,
    "step": read_step,
    "run": read_run,
    "part": read_part,
}
_TOP: Final = ("build", *READERS, "requirements")

# What the standard library says of a text that is no TOML, and what a builder can do about it.
_SYNTAX: Final = (
    ("overwrite a value", "this key is set already further up in the same table; remove one of the two"),
    ("duplicate inline table key", "a key is set twice between the same braces; remove one of the two"),
    ("declare", "this table is opened twice; use [[…]] for items and a single [build] only once"),
    ("immutable namespace", "this table was finished further up and cannot be added to; move the keys together"),
    ("expected '=' after", 'a key must be followed by = and a value; write it as in title = "Main deck"'),
    ("unclosed array", "a list [ … ] lacks its closing ] or a comma; close it or add the comma before this place"),
    ("unclosed inline table", "braces { … } lack their closing } or a comma; close them"),
    ("unterminated string", "a text lacks its closing quote; add it"),
    ('expected "\'"', "a text lacks its closing quote; add it"),
    ("illegal character", "a text lacks its closing quote, or holds a line break or tab; end it on the same line"),
    ("unescaped '\\'", "a backslash in a text must be doubled; write \\\\, or put the text in single quotes"),
    ("hex value", "a backslash in a text must be doubled; write \\\\, or put the text in single quotes"),
    ("array declaration", "a [[…]] line lacks its closing ]]; close it"),
    ("table declaration", "a […] line lacks its closing ]; close it"),
    ("newline or end of document", "something stands behind the value; put text in quotes and comments behind #"),
    ("invalid initial character for a key", "a key is made of letters, digits, - and _; correct the start of the line"),
    ("invalid statement", "a key is made of letters, digits, - and _; correct the start of the line"),
    ("exceeds the limit", "the number is far too long; correct it"),
    ("invalid value", 'the value cannot be read; put text in quotes, as in "RD", and numbers without a unit'),
    ("invalid date", "the value cannot be read; put text in quotes"),
)


def parse_plan(text: str, name: str) -> Plan:
    """Read a plan. `name` is the file's name for messages.

    Raises PlanError, whose `faults` list everything wrong with it as "line 12: …", what is wrong and what to do.
    References are returned in the spelling of the item they name; colour codes in capitals.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    faults = Faults()
    data, lines = _load(text, name)
    build = _build(data.get("build"), lines, faults)
    placed: list[Placed] = []
    for key, value in data.items():
        if key in READERS:
            placed += _items(key, value, lines, faults)
        elif key not in ("build", "requirements"):
            if isinstance(value, list | dict):
                single = ("build", "requirements")
                near = [name if name in single else f"[{name}]" for name in nearest(key, _TOP, limit=1)]
                known = f"did you mean [{near[0]}]?" if near else f"a plan has {listed(_TOP, 'and')}"
                faults.add(lines.of((key,)), f"there is no table {quoted(key)} in a plan; {known}")
            else:
                advice = "put it below the [build] or [[…]] line it belongs to"
                faults.add(lines.of((key,)), f"the key {quoted(key)} stands outside any table; {advice}")
    requirements = _requirements(data.get("requirements", {}), lines, faults)
    items = crosscheck(placed, faults)
    faults.stop(name)
    return Plan(
        build=build,
        subassemblies=tuple(item for item in items if isinstance(item, Subassembly)),
        openings=tuple(item for item in items if isinstance(item, Opening)),
        steps=tuple(item for item in items if isinstance(item, Step)),
        runs=tuple(item for item in items if isinstance(item, Run)),
        parts=tuple(item for item in items if isinstance(item, Part)),
        requirements=requirements,
    )


def _load(text: str, name: str) -> tuple[dict[str, object], Lines]:
    try:
        return tomllib.loads(text), locate(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
    except RecursionError:
        message = "lists or tables are nested far too deeply (at line 1, column 1)"
    except ValueError as error:  # a number of more digits than Python reads, a date that is none
        message = str(error)
    found = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", message)
    last = text.rstrip().count("\n") + 1
    line = int(found[1]) if found and found[1] else last if found else 1
    lowered = message.lower()
    advice = next((advice for part, advice in _SYNTAX if part in lowered), "")
    if "invalid value (at end of document" in lowered:
        advice = "the file ends in the middle of a list or value; finish it and close what is open"
    if not advice:
        advice = f"this is not TOML ({re.sub(r' *[(]at .*[)]', '', message)}); correct the line"
    hint = "Correct that line and load it again; what follows it was not checked yet."
    raise PlanError(f"{name} cannot be read, nothing was loaded", hint, (f"line {line}: {advice}",))


def _build(value: object, lines: Lines, faults: Faults) -> Build:
    if value is None:
        faults.add(1, 'the [build] table is missing; start the plan with [build] and name = "…" below it')
        return Build(name="")
    if not isinstance(value, dict):
        faults.add(lines.of(("build",)), "there is one build only; write [build] with single brackets, once")
        return Build(name="")
    return read_build(Table("build", value, _finder(lines, ("build",)), faults))


def _requirements(value: object, lines: Lines, faults: Faults) -> tuple[Requirement, ...]:
    """What must be on record before a closing, by kind of thing: tables such as [requirements.run]."""
    known = [kind.value for kind in RequirementKind]
    if not isinstance(value, dict):
        faults.add(lines.of(("requirements",)), "write a table for each kind of thing, such as [requirements.run]")
        return ()
    found: list[Requirement] = []
    for key, entry in value.items():
        path: KeyPath = ("requirements", key)
        if key not in known or not isinstance(entry, dict):
            near = nearest(key, known, limit=1)
            advice = (
                f"did you mean [requirements.{near[0]}]?"
                if near and near[0] != key
                else f"it knows {listed(known, 'and')}"
            )
            wrong = "must be a table" if key in known else "is not known"
            faults.add(lines.of(path), f"requirements: {quoted(key)} {wrong}; {advice}")
            continue
        kind = RequirementKind(key)
        found.append(read_requirement(kind, Table(f"requirements.{key}", entry, _finder(lines, path), faults)))
    order = list(RequirementKind)
    return tuple(sorted(found, key=lambda each: order.index(each.kind)))


def _items(kind: str, value: object, lines: Lines, faults: Faults) -> list[Placed]:
    if not isinstance(value, list):
        faults.add(lines.of((kind,)), f"there can be many of these; write [[{kind}]] with double brackets")
        value = [value]
        path_of: Callable[[int], KeyPath] = lambda _place: (kind,)  # noqa: E731
    else:
        path_of = lambda place: (kind, place)  # noqa: E731
    placed: list[Placed] = []
    for place, entry in enumerate(value):
        path = path_of(place)
        if not isinstance(entry, dict):
            faults.add(lines.of(path), f"{kind} must be a table; write [[{kind}]] and its keys below")
            continue
        table = Table(kind, entry, _finder(lines, path), faults)
        table.only(KEYS[kind])
        placed.append(Placed(READERS[kind](table), table))
    return placed


def _finder(lines: Lines, path: KeyPath) -> Callable[[str | None, int | None], int]:
    def line_of(key: str | None, place: int | None) -> int:
        if key is None:
            return lines.of(path)
        return lines.of((*path, key) if place is None else (*path, key, place))

    return line_of
