"""What people recorded about closings, and what a closing check answers. Frozen, no I/O.

Units: millimetres, hours, degrees Celsius, grams. A `time` is an interval with its instant: when something was done
at the bench. When it was typed in is the decision's own time and decides nothing here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from lastlook.records import CaptureTime, Closing, Picture, Plan

# ------------------------------------------------------------------------------------------------ what people recorded


class ChangeKind(StrEnum):
    """What happened to an item. Each makes earlier pictures, tests and lengths of it stale."""

    INSTALLED = "installed"
    REROUTED = "re-routed"
    LENGTHENED = "lengthened"
    SHORTENED = "shortened"
    RETERMINATED = "re-terminated"
    RECOLOURED = "colour-substituted"
    REPLACED = "replaced"
    ABANDONED = "abandoned"  # in place: left in, disconnected, its ends insulated
    CHANGED = "changed"  # anything else


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of an item's log. `length_mm`: the cut length it has since; `colour`: the code it has since."""

    item: str
    kind: ChangeKind
    time: CaptureTime
    why: str
    person: str
    uid: str
    length_mm: float | None = None
    colour: str = ""


class MeasureKind(StrEnum):
    CUT = "cut"  # the length the wire has now, end to end
    ROUTE = "route"  # the whole way of a run, end to end, along its route
    TAIL = "tail"  # what hangs out beyond the joint line before it is closed
    FAR_SIDE = "far-side"  # the way from the joint line to the far terminal
    BEND = "bend"  # inside radius of the tightest bend


@dataclass(frozen=True, slots=True)
class Measure:
    item: str
    kind: MeasureKind
    mm: float
    time: CaptureTime
    person: str
    uid: str
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Test:
    """A test of an item, a step or an opening. `value` is None where there is nothing to count; `text` the words.

    `through`: the connector it was made through, '' where it was made at the item itself.
    """

    subject: str
    kind: str
    time: CaptureTime
    passed: bool
    person: str
    uid: str
    value: float | None = None
    unit: str = ""
    text: str = ""
    instrument: str = ""
    through: str = ""


class ViewKind(StrEnum):
    CONTEXT = "context"  # a wide shot: where it is
    CLOSE = "close"  # a tight shot: how it is made


@dataclass(frozen=True, slots=True)
class View:
    """How a picture shows an item, by a person's word. `shows`: "from", "to", "crossing:O1".

    `sharp` is the person's own verdict, None where nobody gave one. `region` is the item's own part of the picture
    (x, y, width, height in pixels of the upright picture), and `region_share` its sharpness as a share of the sharpest
    of its near-duplicates there, None where there is nothing to rank it against.
    """

    picture: str
    item: str
    kind: ViewKind
    uid: str
    person: str = ""
    shows: tuple[str, ...] = ()
    sharp: bool | None = None
    region: tuple[int, int, int, int] | None = None
    region_share: float | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """A step was finished."""

    step: str
    time: CaptureTime
    person: str
    uid: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Release:
    """A person lets work pass a step or an opening. `waived`: the keys of what was waived then, not passed."""

    target: str
    time: CaptureTime
    person: str
    words: str
    uid: str
    waived: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """The client's answer to pictures that were sent for approval of a step: `verdict` is yes, no or changes, '' while
    there is none. `shown` is when the pictures went out: what was changed after that, the client has not seen."""

    step: str
    verdict: str
    time: CaptureTime
    shown: CaptureTime
    person: str
    words: str
    uid: str


@dataclass(frozen=True, slots=True)
class Witness:
    """A witness of a step: `attended`, or was told in time and did not come."""

    step: str
    time: CaptureTime
    person: str
    attended: bool
    uid: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Waiver:
    """A person lets an opening be closed without something. `what`: the end of a line's key, '' for all of the item
    that stood open then: `lines`, by the ends of their keys; () where they were not written down."""

    opening: str
    item: str
    what: str
    time: CaptureTime
    reason: str
    person: str
    uid: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Adhesive:
    """What a data sheet says, as the builder copied it. Times in hours at `reference_c`; None: the sheet is silent."""

    id: str
    kind: str = ""
    fixture_h: float | None = None
    handling_h: float | None = None
    full_cure_h: float | None = None
    reference_c: float = 23.0
    minimum_c: float | None = None
    pot_life_min: float | None = None
    ratio: str = ""
    sheet: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bond:
    """A joint that was glued. `target` is an opening, step, subassembly or part; `kept` the data sheet as it was on
    record when the bond was, None where there was none."""

    target: str
    adhesive: str
    joined: CaptureTime
    person: str
    uid: str
    mixed: CaptureTime | None = None
    clamp_on: CaptureTime | None = None
    clamp_off: CaptureTime | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None
    batch: str = ""
    expiry: str = ""
    ratio: str = ""
    mass_g: float | None = None
    preparation: str = ""
    note: str = ""
    kept: Adhesive | None = None


# ------------------------------------------------------------------------------------------------ what a check is given


@dataclass(frozen=True, slots=True)
class Seen:
    """A picture that a person says shows an item, and how."""

    view: View
    picture: Picture


@dataclass(frozen=True, slots=True)
class Candidate:
    """A picture tagged with an item of which nobody has said how it shows it."""

    picture: str
    time: CaptureTime


def _not_measured(seen: Seen, station: Sequence[Seen]) -> float | None:
    return None


@dataclass(frozen=True, slots=True)
class Facts:
    """All that a check judges by. Mappings are by item, step or opening; lists in the order in which they were said.

    `rank`: for a picture's id, its sharpness as a share of the sharpest of its near-duplicates, where it has any.
    `loose_answers`: the client's answers at a point that no approval step of the plan is called by, `step` being the
    words of that point.
    `in_region`: measures a picture in the item's own region, as a share of the sharpest of its near-duplicates there,
    or, where it has none, of those given from the same station; None where there is nothing to measure or compare.
    """

    plan: Plan
    closings: Mapping[str, tuple[Closing, ...]] = field(default_factory=dict)
    changes: Mapping[str, tuple[Change, ...]] = field(default_factory=dict)
    measures: Mapping[str, tuple[Measure, ...]] = field(default_factory=dict)
    tests: Mapping[str, tuple[Test, ...]] = field(default_factory=dict)
    done: Mapping[str, tuple[Done, ...]] = field(default_factory=dict)
    releases: Mapping[str, tuple[Release, ...]] = field(default_factory=dict)
    answers: Mapping[str, tuple[Answer, ...]] = field(default_factory=dict)
    loose_answers: tuple[Answer, ...] = ()
    witnesses: Mapping[str, tuple[Witness, ...]] = field(default_factory=dict)
    waivers: Mapping[str, tuple[Waiver, ...]] = field(default_factory=dict)
    adhesives: Mapping[str, Adhesive] = field(default_factory=dict)
    bonds: tuple[Bond, ...] = ()
    seen: Mapping[str, tuple[Seen, ...]] = field(default_factory=dict)
    candidates: Mapping[str, tuple[Candidate, ...]] = field(default_factory=dict)
    rank: Mapping[str, float] = field(default_factory=dict)
    in_region: Callable[[Seen, Sequence[Seen]], float | None] = _not_measured


# ------------------------------------------------------------------------------------------------ what a check answers


class State(StrEnum):
    PASSED = "passed"
    GAP = "gap"  # nothing on record, or what is there says no
    STALE = "stale"  # on record, but from before the last change
    UNDETERMINED = "undetermined"  # on record, but times leave the order open
    WAIVED = "waived"  # a named person lets it pass without


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that a closing asks for. `subject`: an id of the plan; `what`: the rest of its key ("test:polarity").

    `title` says it in words; `reason` why the state is what it is; `shoot` what to do about it ('' where nothing);
    `pictures` the ids it rests on, best first; `candidates` pictures to look at first.
    """

    subject: str
    what: str
    title: str
    state: State
    reason: str
    shoot: str = ""
    pictures: tuple[str, ...] = ()
    candidates: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        return f"{self.subject}:{self.what}"

    @property
    def open(self) -> bool:
        """Whether it stands in the way: neither passed nor waived."""
        return self.state not in (State.PASSED, State.WAIVED)


@dataclass(frozen=True, slots=True)
class Note:
    """Information that decides nothing. `flagged`: worth a second look."""

    subject: str
    text: str
    flagged: bool = False


@dataclass(frozen=True, slots=True)
class Hold:
    """A no-load hold of a bond. `until` is None where the end is not known; `hours` what remains at most."""

    bond: Bond
    until: CaptureTime | None
    hours: float | None
    over: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Check:
    """What a closing check found. `hides`: ids of what the closing hides; `crossed`: runs whose joint line it shuts,
    which stay visible elsewhere."""

    opening: str
    at: CaptureTime
    lines: tuple[Line, ...]
    hides: tuple[str, ...] = ()
    crossed: tuple[str, ...] = ()
    holds: tuple[Hold, ...] = ()
    notes: tuple[Note, ...] = ()
    cautions: tuple[str, ...] = ()
    shut: bool = False
    retests: tuple[Line, ...] = ()

    @property
    def ready(self) -> bool:
        return not any(line.open for line in (*self.lines, *self.retests))

    def count(self, state: State) -> int:
        return sum(line.state is state for line in self.lines)


@dataclass(frozen=True, slots=True)
class LookPicture:
    """One picture of a last look: what it is there for ("close view of its end to"), and how well it proves it."""

    picture: str
    role: str
    state: State
    why: str


@dataclass(frozen=True, slots=True)
class ItemLook:
    item: str
    pictures: tuple[LookPicture, ...]
