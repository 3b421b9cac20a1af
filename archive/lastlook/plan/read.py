"""From one table's fields to one record. Shared by the plan file and the wire schedule, so that both judge alike."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo, available_timezones

from lastlook.plan import colours, gauges
from lastlook.plan.faults import Table, listed, quoted
from lastlook.plan.ids import ID_RULE, MAX_ID_LENGTH, is_id, nearest
from lastlook.records import (
    Build,
    HoldKind,
    Opening,
    OpeningKind,
    Part,
    Requirement,
    RequirementKind,
    Run,
    RunStatus,
    Step,
    Subassembly,
)

BUILD_KEYS: Final = ("name", "scale", "zone", "client")
KEYS: Final = {
    "subassembly": ("id", "title", "within", "aliases", "depth_mm", "depth_to_mm"),
    "opening": ("id", "title", "kind", "shows", "aliases", "reaches", "replaces", "depth_mm", "depth_to_mm"),
    "step": ("id", "title", "subassembly", "kind", "order", "before", "hold", "runs", "aliases", "tests"),
    "run": (
        *("id", "title", "colour", "tracer", "gauge_awg", "from", "to", "cut_length_mm", "loop_mm", "polarity"),
        *("volts", "milliamps", "subassemblies", "aliases", "status", "crosses", "outer_mm"),
    ),
    "part": ("id", "title", "subassembly", "aliases"),
}
_WIRED: Final = ("context", "close", "ends", "crossings", "length", "tests", "bend_factor", "retest_percent")
REQUIREMENT_KEYS: Final = {
    RequirementKind.RUN: _WIRED,
    RequirementKind.SPARE: _WIRED,
    RequirementKind.PART: ("context", "close", "tests", "retest_percent"),
    RequirementKind.SUBASSEMBLY: ("context", "close", "tests", "retest_percent"),
    RequirementKind.OPENING: ("release", "tests", "retest_percent"),
}


def read_build(table: Table) -> Build:
    table.only(BUILD_KEYS)
    zone = table.text("zone") or "UTC"
    if not _is_zone(zone):
        near = nearest(zone, sorted(available_timezones()), limit=1, cutoff=70.0)
        advice = quoted(near[0]) if near else 'a name such as "Europe/Copenhagen", or "UTC"'
        table.fault("zone", f"zone {quoted(zone)} is no time zone of the IANA list; write {advice}")
        zone = "UTC"
    return Build(
        name=table.text("name", needed="the name of the build"),
        zone=zone,
        scale=table.text("scale"),
        client=table.text("client"),
    )


def read_subassembly(table: Table) -> Subassembly:
    depth, to = _depth(table)
    return Subassembly(
        id=_id(table),
        title=_title(table),
        within=table.text("within"),
        aliases=table.texts("aliases"),
        depth_mm=depth,
        depth_to_mm=to,
    )


def _depth(table: Table) -> tuple[float | None, float | None]:
    """How deep below the skin: one depth, or from one to another."""
    depth = table.number("depth_mm", "mm", least=0)
    to = table.number("depth_to_mm", "mm", least=0)
    if to is not None and depth is None:
        if "depth_mm" not in table.data:
            table.fault("depth_to_mm", "depth_to_mm stands alone; give depth_mm, the least depth, as well")
        return None, None
    if depth is not None and to is not None and to < depth:
        table.fault("depth_to_mm", f"depth_to_mm {to:g} is less than depth_mm {depth:g}; correct one of them")
        return None, None
    return depth, to


def read_opening(table: Table) -> Opening:
    depth, to = _depth(table)
    return Opening(
        id=_id(table),
        title=_title(table),
        kind=table.choice("kind", OpeningKind, OpeningKind.BONDED),
        shows=table.texts("shows"),
        aliases=table.texts("aliases"),
        reaches=table.texts("reaches"),
        replaces=table.texts("replaces"),
        depth_mm=depth,
        depth_to_mm=to,
    )


def read_step(table: Table) -> Step:
    return Step(
        id=_id(table),
        title=_title(table),
        subassembly=table.text("subassembly", needed="the id of the subassembly it is done in"),
        kind=table.text("kind"),
        order=table.whole("order", least=0) or 0,
        before=table.texts("before"),
        hold=table.choice("hold", HoldKind, HoldKind.NONE),
        runs=table.texts("runs"),
        aliases=table.texts("aliases"),
        tests=_tests(table),
    )


def read_run(table: Table) -> Run:
    name, title = _id(table), _title(table)
    colour, tracer = _colours(table)
    gauge = _gauge(table)
    cut = table.number("cut_length_mm", "mm", least=0)
    loop = table.number("loop_mm", "mm", least=0)
    if cut is not None and loop is not None and loop > cut:
        text = (
            f"{table.name('loop_mm')} {loop:g} is longer than {table.name('cut_length_mm')} {cut:g}, "
            "of which it is a part; correct one of them"
        )
        table.fault("loop_mm", text)
    return Run(
        id=name,
        title=title,
        colour=colour,
        tracer=tracer,
        gauge_awg=gauge,
        source=table.text("from"),
        target=table.text("to"),
        cut_length_mm=cut,
        loop_mm=loop,
        polarity=table.text("polarity"),
        volts=table.number("volts", "V"),
        milliamps=table.number("milliamps", "mA", least=0),
        subassemblies=table.texts("subassemblies"),
        aliases=table.texts("aliases"),
        status=table.choice("status", RunStatus, RunStatus.DESIGNED),
        crosses=table.texts("crosses"),
        outer_mm=table.number("outer_mm", "mm", least=0),
    )


def read_part(table: Table) -> Part:
    return Part(
        id=_id(table),
        title=_title(table),
        subassembly=table.text("subassembly", needed="the id of the subassembly it lies in"),
        aliases=table.texts("aliases"),
    )


def read_requirement(kind: RequirementKind, table: Table) -> Requirement:
    """One table [requirements.<kind>]."""
    table.only(REQUIREMENT_KEYS[kind])
    return Requirement(
        kind,
        context=table.flag("context"),
        close=table.flag("close"),
        ends=table.flag("ends"),
        crossings=table.flag("crossings"),
        length=table.flag("length"),
        tests=_tests(table) if "tests" in table.data else None,
        release=table.flag("release"),
        bend_factor=table.number("bend_factor", "outer diameters", least=0),
        retest_percent=table.number("retest_percent", "per cent", least=0),
    )


def _tests(table: Table) -> tuple[str, ...]:
    """Kinds of test in small letters, words joined by hyphens; each a plain name, known to the program or the
    builder's own."""
    names = tuple(dict.fromkeys("-".join(name.lower().split()) for name in table.texts("tests")))
    for name in names:
        if not is_id(name):
            table.fault("tests", f"{quoted(name)} cannot be the name of a test; write letters, digits and hyphens")
    return names


def _id(table: Table) -> str:
    """The id as written; a faulty one too, so that what refers to it is not called dangling on top."""
    name = table.text("id", needed="X01")
    if name and not is_id(name):
        why = f"it is longer than {MAX_ID_LENGTH} characters" if len(name) > MAX_ID_LENGTH else ID_RULE
        near = "".join(char if char.isascii() and (char.isalnum() or char in "-._+") else "-" for char in name)
        near = near.strip("-._+")[:MAX_ID_LENGTH].rstrip("-._+")
        table.fault("id", f"{quoted(name)} cannot be an id; {why}" + (f"; write {quoted(near)}" if near else ""))
    return name


def _title(table: Table) -> str:
    return table.text("title", needed="what it is, in a few words")


def _gauge(table: Table) -> int | None:
    awg = table.whole("gauge_awg")
    if awg is not None and not gauges.known(awg):
        span = f"AWG {gauges.COARSEST} to {gauges.FINEST}"
        table.fault(
            "gauge_awg",
            f"{table.name('gauge_awg')} {awg} is outside {span}; write a gauge of that span or leave it out",
        )
        return None
    return awg


def _colours(table: Table) -> tuple[str, str]:
    """Base and tracer codes in capitals, '' where missing or faulty."""
    given = {key: table.text(key) for key in ("colour", "tracer")}
    codes = {key: text.upper() if colours.is_code(text.upper()) else "" for key, text in given.items()}
    for key, text in given.items():
        if text and not codes[key]:
            table.fault(
                key, f"{table.name(key)} {quoted(text)} is no colour code of IEC 60757; {_colour_advice(key, text)}"
            )
    colour, tracer = codes["colour"], codes["tracer"]
    if given["tracer"] and not given["colour"]:
        table.fault("tracer", "tracer is given without colour; add the colour of the insulation itself")
    elif tracer and tracer == colour:
        table.fault("tracer", f"tracer and colour are both {quoted(colour)}; leave the tracer out or correct it")
    elif "GNYE" in (colour, tracer) and colour and tracer:
        table.fault("tracer", "GNYE stands alone, it already names two colours; leave the other one out")
    return colour, tracer


def _colour_advice(key: str, text: str) -> str:
    near = colours.suggest(text)
    if near:
        return "write " + listed([f"{quoted(code)} ({colours.BY_CODE[code].name})" for code in near])
    pair = colours.split_pair(text)
    if pair and key == "colour":
        return f"for a colour with a tracer write colour = {quoted(pair[0])} and tracer = {quoted(pair[1])}"
    return f"use one of {', '.join(colours.BY_CODE)}, and describe any other colour in the title"


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # odd characters, a folder of the list, a name not in it
        return False
    return True
