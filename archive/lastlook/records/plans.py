"""The plan of a build: subassemblies, openings, steps, runs, parts, and what is required before a closing."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class OpeningKind(StrEnum):
    BONDED = "bonded"
    SCREWED = "screwed"
    MAGNETIC = "magnetic"
    HATCH = "hatch"


class HoldKind(StrEnum):
    NONE = ""
    HOLD = "hold"
    WITNESS = "witness"
    REVIEW = "review"


class RunStatus(StrEnum):
    DESIGNED = "designed"
    INSTALLED = "installed"
    CHANGED = "changed"
    SPARE = "spare"
    ABANDONED = "abandoned"


@dataclass(frozen=True, slots=True)
class Build:
    name: str
    zone: str = "UTC"
    scale: str = ""
    client: str = ""


@dataclass(frozen=True, slots=True)
class Subassembly:
    """`depth_mm`: how far below the skin's outer face what is in it lies; with `depth_to_mm`, anywhere between."""

    id: str
    title: str
    within: str = ""
    aliases: tuple[str, ...] = ()
    depth_mm: float | None = None
    depth_to_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Opening:
    """`shows`: ids of the subassemblies, runs and parts that can be seen through it while it is open.

    Seen, reached and replaced are three different states: `reaches` and `replaces` name what a hand or tool can get
    at, and what can come out, through it. Empty: the plan does not say. `depth_mm` and `depth_to_mm` are those of a
    subassembly, of what the opening shows.
    """

    id: str
    title: str
    kind: OpeningKind = OpeningKind.BONDED
    shows: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    reaches: tuple[str, ...] = ()
    replaces: tuple[str, ...] = ()
    depth_mm: float | None = None
    depth_to_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """`before`: ids of the openings whose closing it must precede. `order` sorts steps within the build.

    `tests`: kinds of test that must have passed, on each of its runs or on the step itself.
    """

    id: str
    title: str
    subassembly: str
    kind: str = ""
    order: int = 0
    before: tuple[str, ...] = ()
    hold: HoldKind = HoldKind.NONE
    runs: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One conductor's path. `colour`, `tracer`: IEC 60757 codes; `source`, `target`: its ends, "from" and "to".

    `crosses`: ids of the openings whose joint line it passes; `outer_mm`: diameter over the insulation.
    """

    id: str
    title: str
    colour: str = ""
    tracer: str = ""
    gauge_awg: int | None = None
    source: str = ""
    target: str = ""
    cut_length_mm: float | None = None
    loop_mm: float | None = None
    polarity: str = ""
    volts: float | None = None
    milliamps: float | None = None
    subassemblies: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    status: RunStatus = RunStatus.DESIGNED
    crosses: tuple[str, ...] = ()
    outer_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    id: str
    title: str
    subassembly: str
    aliases: tuple[str, ...] = ()


class RequirementKind(StrEnum):
    """Kinds of thing for which a plan may say what must be on record before a closing."""

    RUN = "run"
    SPARE = "spare"  # a run whose status is spare
    PART = "part"
    SUBASSEMBLY = "subassembly"
    OPENING = "opening"


@dataclass(frozen=True, slots=True)
class Requirement:
    """What a plan asks for one kind of thing; None where it leaves the default (see `lastlook.closing.requirements`).

    `bend_factor` is the smallest inside radius of a bend in outer diameters; `retest_percent` how far a value may move
    between the test before closing and the same test after it.
    """

    kind: RequirementKind
    context: bool | None = None
    close: bool | None = None
    ends: bool | None = None
    crossings: bool | None = None
    length: bool | None = None
    tests: tuple[str, ...] | None = None
    release: bool | None = None
    bend_factor: float | None = None
    retest_percent: float | None = None

    @property
    def id(self) -> str:
        return self.kind.value


@dataclass(frozen=True, slots=True)
class Plan:
    build: Build
    subassemblies: tuple[Subassembly, ...] = ()
    openings: tuple[Opening, ...] = ()
    steps: tuple[Step, ...] = ()
    runs: tuple[Run, ...] = ()
    parts: tuple[Part, ...] = ()
    requirements: tuple[Requirement, ...] = ()

    @property
    def ids(self) -> frozenset[str]:
        """Every id of the plan but the build itself."""
        groups = (self.subassemblies, self.openings, self.steps, self.runs, self.parts)
        return frozenset(item.id for group in groups for item in group)
