"""What people decide, and what pictures are said to show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing a person decided, appended and never changed. `body` is plain JSON; `undoes` another decision's uid.

    `seq` counts from 1 in the order of commit; `at` is when it was recorded (UTC); `by` who; `kind` names the form of
    the body (see `lastlook.catalogue.decisions`).
    """

    seq: int
    uid: str
    at: datetime
    by: str
    kind: str
    body: Mapping[str, object]
    undoes: str = ""


class Dimension(StrEnum):
    """What a tag can point at."""

    SUBASSEMBLY = "subassembly"
    STEP = "step"
    RUN = "run"
    PART = "part"


class ProposalSource(StrEnum):
    FOLDER = "folder"
    FILE_NAME = "file-name"
    SPOKEN = "spoken"
    STEP = "step"  # follows from another tag: a step lies in one subassembly
    CARD = "card"
    SESSION = "session"
    NEIGHBOUR = "neighbour"
    LIKENESS = "likeness"
    HEARD = "heard"  # words heard by a recogniser in the sound of a clip


@dataclass(frozen=True, slots=True)
class Proposal:
    """A machine's tag with its evidence (one plain line naming what was seen) and a confidence in 0..1."""

    dimension: Dimension
    target: str
    source: ProposalSource
    confidence: float
    evidence: str


class TagState(StrEnum):
    SET = "set"  # a person said so
    PROPOSED = "proposed"  # a machine's proposal
    REJECTED = "rejected"  # a person said no


@dataclass(frozen=True, slots=True)
class Tag:
    """A tag as it stands on a picture. `by` names the person or the proposal's source; `why` is the evidence.

    `counts`: answers use it. A person's "yes" always does, "no" never; a proposal does where it is sure enough and
    nothing a person said speaks against it.
    """

    dimension: Dimension
    target: str
    state: TagState
    by: str
    why: str
    confidence: float = 1.0
    counts: bool = True
