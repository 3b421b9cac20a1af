"""Writing a plan as TOML so that what the builder wrote around it survives: comments, order, blank lines, spelling.

The text is cut into blocks, one a table. A block whose item did not change is kept to the letter; a changed one is
edited key by key with tomlkit; new items get blocks beside their neighbours.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass
from typing import Final

import tomlkit
import tomlkit.items

from lastlook.errors import PlanError
from lastlook.plan.crosscheck import Item
from lastlook.plan.ids import id_key
from lastlook.plan.locate import Header, locate
from lastlook.plan.parse import parse_plan
from lastlook.plan.read import BUILD_KEYS, KEYS, REQUIREMENT_KEYS
from lastlook.records import Build, Plan, Requirement

_ATTRIBUTES: Final = {"from": "source", "to": "target"}
_LINE = re.compile(r"[^\n]*\n|[^\n]+")  # lines as TOML counts them; str.splitlines ends lines at more characters
_REMARK = re.compile(r"\s*(#.*)?")


def dump_plan(plan: Plan, previous_text: str | None = None) -> str:
    """The plan as TOML; reading it again gives an equal plan.

    With `previous_text`, the file as it stands, only what changed is written anew. Where that text is laid out in a
    way that cannot be edited piece by piece, the plan is written fresh and its comments are gathered at the top.
    Raises PlanError for a plan that could not be read again.
    """
    if previous_text is not None:
        edited = _edited(plan, previous_text)
        if edited is not None:
            return edited
    text = _kept_remarks(previous_text or "") + _fresh(plan)
    if parse_plan(text, "the plan") != plan:
        hint = "Ids must be as the plan spells them, codes in capitals, texts without blanks around them."
        raise PlanError("the plan would not read back as it is", hint)
    return text


# ---------------------------------------------------------------------------------------------- a fresh text


def values_of(item: Item | Build) -> dict[str, str | int | float | list[str]]:
    """What a table of `item` holds, by key in the order of writing; keys at their default are left out."""
    keys = BUILD_KEYS if isinstance(item, Build) else KEYS[type(item).__name__.lower()]
    values: dict[str, str | int | float | list[str]] = {}
    for key in keys:
        name = _ATTRIBUTES.get(key, key)
        value = getattr(item, name)
        default = type(item).__dataclass_fields__[name].default
        if key in ("id", "title", "name") or (key == "zone") or value != default:
            values[key] = _plain(value)
    return values


def default_of(item: Item | Build, key: str) -> str | int | float | list[str] | None:
    """What a key says that is left out; None where it then says nothing."""
    default = type(item).__dataclass_fields__[_ATTRIBUTES.get(key, key)].default
    return None if default in (None, "", ()) or default is MISSING else _plain(default)


def _plain(value: object) -> str | int | float | list[str]:
    if isinstance(value, tuple):
        return [str(entry) for entry in value]
    if isinstance(value, float):
        return int(value) if value.is_integer() else value
    if isinstance(value, int):
        return value
    return str(value)


def _fresh(plan: Plan) -> str:
    return "\n".join(_block(kind, item) for kind, item in _in_order(plan))


def _block(kind: str, item: Item | Build | Requirement) -> str:
    head = f"[{kind}]" if isinstance(item, Build | Requirement) else f"[[{kind}]]"
    values: Mapping[str, object] = _required(item) if isinstance(item, Requirement) else values_of(item)
    pairs = (f"{key} = {tomlkit.item(value).as_string()}" for key, value in values.items())
    return "\n".join((head, *pairs, ""))


def _required(item: Requirement) -> dict[str, object]:
    """What a table [requirements.<kind>] holds: only what the plan itself says."""
    said = ((key, getattr(item, key)) for key in REQUIREMENT_KEYS[item.kind])
    return {key: value if isinstance(value, bool) else _plain(value) for key, value in said if value is not None}


def _in_order(plan: Plan) -> list[tuple[str, Item | Build | Requirement]]:
    groups: tuple[tuple[str, Sequence[Item]], ...] = (
        ("subassembly", plan.subassemblies),
        ("opening", plan.openings),
        ("step", plan.steps),
        ("run", plan.runs),
        ("part", plan.parts),
    )
    return [
        ("build", plan.build),
        *((kind, item) for kind, items in groups for item in items),
        *((f"requirements.{item.id}", item) for item in plan.requirements),
    ]


def _kept_remarks(text: str) -> str:
    text = _unified(text)
    try:
        tomllib.loads(text)
    except ValueError:
        remarks = [line.strip() for line in text.split("\n") if line.lstrip().startswith("#")]
    else:
        remarks = locate(text).comments
    return "\n".join((*remarks, "", "")) if remarks else ""


def _unified(text: str) -> str:
    return text.removeprefix("\ufeff").replace("\r\n", "\n")


# ---------------------------------------------------------------------------------------------- an edited text


@dataclass(slots=True)
class _Block:
    """The lines of one table, with the remarks directly above and below it. `key` is its id as compared.

    Blank lines and remarks that stand apart are blocks of the kind "": they stay when tables come and go.
    """

    kind: str
    key: str
    text: str
    new: bool = False


def _key(item: Item | Build | Requirement) -> str:
    return "" if isinstance(item, Build) else id_key(item.id)


def _edited(plan: Plan, previous_text: str) -> str | None:
    text = _unified(previous_text)
    try:
        old = parse_plan(text, "the plan")
    except PlanError:
        return None
    cut = _cut(text, old)
    if cut is None:
        return None
    preamble, blocks = cut
    wanted = _in_order(plan)
    before = {(kind, _key(item)): item for kind, item in _in_order(old)}
    place = {(kind, _key(item)): at for at, (kind, item) in enumerate(wanted)}
    blocks = _remaining(blocks, place)
    for kind in KEYS:  # each kind's blocks in the plan's order, in the places this kind has in the text
        own = [at for at, block in enumerate(blocks) if block.kind == kind]
        ordered = sorted((blocks[at] for at in own), key=lambda block: place[block.kind, block.key])
        for at, block in zip(own, ordered, strict=True):
            blocks[at] = block
    for at, (kind, item) in enumerate(wanted):
        known = before.get((kind, _key(item)))
        if known is None:
            _insert(blocks, _Block(kind, _key(item), _block(kind, item), new=True), wanted[at - 1])
        elif known != item:
            block = next(block for block in blocks if (block.kind, block.key) == (kind, _key(item)))
            block.text = _edit(kind, block.text, known, item)
    result = preamble + _spaced(blocks)
    try:
        if parse_plan(result, "the plan") != plan:
            return None
    except PlanError:
        return None
    return result.replace("\n", "\r\n") if "\r\n" in previous_text else result


def _cut(text: str, old: Plan) -> tuple[str, list[_Block]] | None:
    """The text before the first block, and the blocks; None where the plan is not laid out in blocks."""
    headers = locate(text).headers
    items = _in_order(old)
    if len(headers) != len(items) or any(len(header.path) != _depth(header) for header in headers):
        return None
    by_path: dict[tuple[object, ...], tuple[str, Item | Build | Requirement]] = {("build",): items[0]}
    counts: dict[str, int] = {}
    for kind, item in items[1:]:
        if isinstance(item, Requirement):
            by_path["requirements", item.id] = (kind, item)
            continue
        by_path[kind, counts.get(kind, 0)] = (kind, item)
        counts[kind] = counts.get(kind, 0) + 1
    lines = _LINE.findall(text)
    starts: list[int] = []
    for header in headers:
        start, least = header.line - 1, starts[-1] + 1 if starts else 0
        while start > least and lines[start - 1].lstrip().startswith("#"):
            start -= 1
        starts.append(start)
    if starts and any(line.strip() and not line.lstrip().startswith("#") for line in lines[: starts[0]]):
        return None
    blocks: list[_Block] = []
    for header, start, end in zip(headers, starts, [*starts[1:], len(lines)], strict=True):
        if header.path not in by_path:
            return None
        kind, item = by_path[header.path]
        last = _content_end(lines, start, end)
        while last < end and lines[last].lstrip().startswith("#"):
            last += 1
        blocks.append(_Block(kind, _key(item), "".join(lines[start:last])))
        if last < end:
            blocks.append(_Block("", "", "".join(lines[last:end])))
    return "".join(lines[: starts[0]]), blocks


def _depth(header: Header) -> int:
    """How many names the path of a table has where a plan is laid out in blocks."""
    return 2 if header.array or header.path[0] == "requirements" else 1


def _insert(blocks: list[_Block], block: _Block, previous: tuple[str, Item | Build | Requirement]) -> None:
    """Put a new block behind the item before it in the plan, or before the first of its kind, or at the end."""
    if previous[0] == block.kind:
        behind = (block.kind, _key(previous[1]))
        at = next(at for at, other in enumerate(blocks) if (other.kind, other.key) == behind) + 1
    else:
        at = next((at for at, other in enumerate(blocks) if other.kind == block.kind), len(blocks))
    blocks.insert(at, block)


def _remaining(blocks: Sequence[_Block], place: Mapping[tuple[str, str], int]) -> list[_Block]:
    """Without the blocks of items that are gone, and without the blank lines that parted them from the next."""
    left: list[_Block] = []
    dropped = False
    for block in blocks:
        if block.kind and (block.kind, block.key) not in place:
            dropped = True
            continue
        if not (dropped and not block.kind and not block.text.strip()):
            left.append(block)
        dropped = False
    return left


def _spaced(blocks: Sequence[_Block]) -> str:
    """The whole text; a blank line parts a new table from its neighbours."""
    text = ""
    previous: _Block | None = None
    for block in blocks:
        if text and not text.endswith("\n"):
            text += "\n"
        beside_new = block.new or (previous is not None and previous.new)
        if beside_new and text and not text.endswith("\n\n") and not block.text.startswith("\n"):
            text += "\n"
        text += block.text
        previous = block
    return text


def _content_end(lines: Sequence[str], start: int, end: int) -> int:
    """Where the keys of a block end: behind its last line that is neither blank nor a remark."""
    while end > start and _REMARK.fullmatch(lines[end - 1].rstrip("\n")):
        end -= 1
    return end


def _edit(kind: str, text: str, old: Item | Build | Requirement, new: Item | Build | Requirement) -> str:
    """The block's text with the keys changed that differ between the two items."""
    if isinstance(old, Requirement) or isinstance(new, Requirement):
        return _block(kind, new)
    lines = _LINE.findall(text)
    end = _content_end(lines, 0, len(lines))
    body, tail = "".join(lines[:end]), "".join(lines[end:])
    document = tomlkit.parse(body if body.endswith("\n") else body + "\n")
    found = document[kind]
    table = found if kind == "build" else found[0]
    if not isinstance(table, tomlkit.items.Table):
        raise TypeError("a block holds one table")
    before, after = values_of(old), values_of(new)
    for key in BUILD_KEYS if kind == "build" else KEYS[kind]:
        if before.get(key) == after.get(key):
            continue
        if key not in after:
            table.remove(key)
        elif key in table and isinstance(after[key], list) and isinstance(table[key], tomlkit.items.Array):
            _edit_list(table, key, after)
        else:
            table[key] = after[key]
    return document.as_string() + tail


def _edit_list(table: tomlkit.items.Table, key: str, values: Mapping[str, str | int | float | list[str]]) -> None:
    """Change a list entry by entry where that keeps its layout and remarks, else as a whole."""
    wanted = values[key]
    array = table[key]
    if not isinstance(wanted, list) or not isinstance(array, tomlkit.items.Array):
        raise TypeError("a list is changed by a list")
    have = [str(entry) for entry in array.unwrap()]
    kept = [entry for entry in have if entry in wanted]
    if kept == wanted[: len(kept)] and len(kept) == len(have):
        for entry in wanted[len(kept) :]:
            array.append(entry)
    else:
        table[key] = wanted
