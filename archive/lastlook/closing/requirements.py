"""What must be on record before a closing, by kind of thing: the defaults with their reasons, and what a plan changes.

A plan changes them with tables such as

    [requirements.run]
    tests = ["continuity", "polarity"]
    ends = false

Published practice behind the defaults: a view of everything that differs from drawing, and at once to be found
(Columbia Accident Investigation Board Report, vol. I, 2003, R10.3-1); inspection where quality is last visible and
before a step that cannot be undone (ECSS-Q-ST-20C Rev. 2, mandatory inspection points); processes whose result cannot
be verified afterwards, and release by name (ISO 9001:2015, 8.5.1 f and 8.6); wiring inspected and tested before and
after it is installed (NASA-STD-8739.4A). Clauses are cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lastlook.closing import item_log
from lastlook.closing.records import Change
from lastlook.plan.read import REQUIREMENT_KEYS
from lastlook.records import (
    Opening,
    OpeningKind,
    Part,
    Plan,
    Requirement,
    RequirementKind,
    Run,
    RunStatus,
    Subassembly,
)

CONTINUITY: Final = "continuity"
POLARITY: Final = "polarity"
CURRENT: Final = "current"
ISOLATION: Final = "isolation"
FOREIGN_OBJECT: Final = "foreign-object"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of one thing."""

    context: bool = True
    close: bool = True
    ends: bool = False
    crossings: bool = False
    length: bool = False
    tests: tuple[str, ...] = ()
    release: bool = False
    bend_factor: float = 10.0
    retest_percent: float = 10.0


@dataclass(frozen=True, slots=True)
class Default:
    """A default and why it is so. `applies` says to what."""

    key: str
    applies: str
    value: str
    reason: str


REASONS: Final = (
    Default(
        "context", "run, spare, part, subassembly", "true",
        "A close view alone does not say where it is; a later look needs a way in from the outside. Context and close "
        "view belong together (conservation practice: overall and detail, AIC Guide to Digital Photography).",
    ),
    Default(
        "close", "run, spare, part, subassembly", "true",
        "Solder, sleeve, polarity mark and label are read in a close view only.",
    ),
    Default(
        "ends", "run, spare", "true",
        "Wrong pins, reversed polarity and bare spare ends are found at the ends; each end needs a close view of its "
        "own.",
    ),
    Default(
        "crossings", "run, spare", "true",
        "A wire is nicked or pinched where it passes a joint line, and that place is closed first.",
    ),
    Default(
        "length", "run", "true",
        "A wire cut too short shows itself when the other half has to be landed, after the joint is closed. Slack for "
        "two re-terminations is common practice (FAA AC 43.13-1B, 11-118).",
    ),
    Default(
        "tests", "run", '["continuity", "polarity", "current"]',
        "Polarity is asked only where the plan gives one, current only where it gives milliamps: a resistor of the "
        "wrong decade shows in the current alone.",
    ),
    Default(
        "tests", "spare", '["isolation"]',
        "A spare that is bare at its far end shorts when it is moved by the closing.",
    ),
    Default(
        "tests", "opening, bonded", '["foreign-object"]',
        "Loose debris rattles for ever once the joint is bonded.",
    ),
    Default(
        "release", "opening, bonded", "true",
        "A bonded joint cannot be verified or undone afterwards: a named person lets it pass (ECSS-Q-ST-20C; ISO 9001, "
        "8.5.1 f and 8.6). Screws, magnets and hatches can be opened again.",
    ),
    Default(
        "bend_factor", "run, spare", "10",
        "Smallest inside radius in outer diameters: 10 by FAA AC 43.13-1B and US Army TM 1-1500-204-23-4; the cable's "
        "data sheet wins, and standards differ.",
    ),
    Default(
        "retest_percent", "all", "10",
        "How far a value may move between the test before closing and the one after it before it is flagged: own "
        "guide, common practice, no source.",
    ),
)  # fmt: skip


def _table(plan: Plan, kind: RequirementKind) -> Requirement:
    return next((table for table in plan.requirements if table.kind is kind), Requirement(kind))


def of_item(plan: Plan, item: Subassembly | Run | Part, changes: Sequence[Change] = ()) -> Asked:
    """What is asked of an item: the plan's word where it has one, else the default."""
    if isinstance(item, Run):
        return _of_run(plan, item, changes)
    kind = RequirementKind.PART if isinstance(item, Part) else RequirementKind.SUBASSEMBLY
    table = _table(plan, kind)
    return Asked(
        context=_or(table.context, True),
        close=_or(table.close, True),
        tests=table.tests or (),
        retest_percent=_number(table.retest_percent, 10.0),
    )


def _of_run(plan: Plan, run: Run, changes: Sequence[Change]) -> Asked:
    gone = item_log.abandoned(run, changes)
    spare = run.status is RunStatus.SPARE
    table = _table(plan, RequirementKind.SPARE if spare else RequirementKind.RUN)
    if table.tests is not None:
        tests = table.tests
    elif spare:
        tests = (ISOLATION,)
    else:
        tests = tuple(
            name
            for name, asked in ((CONTINUITY, True), (POLARITY, run.polarity), (CURRENT, run.milliamps is not None))
            if asked
        )
    return Asked(
        context=_or(table.context, True),
        close=_or(table.close, True),
        ends=_or(table.ends, True),
        crossings=_or(table.crossings, True),
        # What is left in place without a use need not reach anything, and carries nothing.
        length=_or(table.length, not spare) and not gone,
        tests=() if gone else tests,
        bend_factor=_number(table.bend_factor, 10.0),
        retest_percent=_number(table.retest_percent, 10.0),
    )


def of_opening(plan: Plan, opening: Opening) -> Asked:
    """What is asked of the closing itself."""
    table = _table(plan, RequirementKind.OPENING)
    bonded = opening.kind is OpeningKind.BONDED
    tests = table.tests if table.tests is not None else ((FOREIGN_OBJECT,) if bonded else ())
    return Asked(
        context=False,
        close=False,
        tests=tests,
        release=_or(table.release, bonded),
        retest_percent=_number(table.retest_percent, 10.0),
    )


def _or(said: bool | None, default: bool) -> bool:
    return default if said is None else said


def _number(said: float | None, default: float) -> float:
    return default if said is None else said


def said(table: Requirement) -> list[tuple[str, str]]:
    """What a plan's table says, as (key, value as it is written)."""
    found: list[tuple[str, str]] = []
    for key in REQUIREMENT_KEYS[table.kind]:
        value = getattr(table, key)
        if isinstance(value, bool):
            found.append((key, str(value).lower()))
        elif isinstance(value, tuple):
            found.append((key, "[" + ", ".join(f'"{entry}"' for entry in value) + "]"))
        elif value is not None:
            found.append((key, f"{value:g}"))
    return found
