"""What a source of proposals may look at, and the shape all sources share. Pure.

A source is a module with `propose(context) -> list[Proposal]`. It reads what it understands of the context and leaves
the rest alone; a new kind of evidence is a new field here (with a default) and a new module beside the others.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from lastlook.records import Cue, Dimension, Heard, Plan, Proposal, Tag
from lastlook.tagging.lexicon import Lexicon
from lastlook.tagging.weights import DEFAULT, Weights

Targets = tuple[tuple[Dimension, str], ...]


@dataclass(frozen=True, slots=True)
class CardSeen:
    """A bench card that speaks for a picture: in view in it, or the last one shown to its clip (at `at_ms`)."""

    dimension: Dimension
    target: str
    in_view: bool
    at_ms: int | None = None
    mirrored: bool = False


@dataclass(frozen=True, slots=True)
class SessionOverlap:
    """A session and the share (0..1) of the picture's interval that lies in it."""

    uid: str
    start: datetime
    targets: Targets
    share: float
    by: str


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A placed picture near in time. `earlier`: it was taken before this one; `by_card`: a card placed it;
    `superseded`: another card has been shown since."""

    picture: str
    file: str
    gap_ms: int
    earlier: bool
    by_card: bool
    targets: Targets
    superseded: bool = False


@dataclass(frozen=True, slots=True)
class Alike:
    """A picture that a person tagged and that this one looks like; `agreeing` places lie alike in both."""

    picture: str
    file: str
    agreeing: int
    targets: Targets


@dataclass(frozen=True, slots=True)
class Context:
    """The facts about one picture that speak for tags.

    `lexicon` is made once per plan (`Lexicon.of`). `file` is the name of the source file, `folders` the folders above
    it as the builder keeps them, outermost first. `clip_ms` and `cues` are for a still: its moment, and the cues that
    cover its stretch (`intake.spoken_words.cues_of_stills`), `heard` likewise. `cards`, `sessions`, `neighbours` and
    `alike` are what those sources found for this picture. `tags` are those already on it; `so_far` the proposals of the
    direct sources, for sources that draw conclusions.
    """

    plan: Plan
    lexicon: Lexicon = field(repr=False)
    file: str = ""
    folders: tuple[str, ...] = ()
    clip_ms: int | None = None
    cues: tuple[Cue, ...] = ()
    heard: tuple[Heard, ...] = ()
    cards: tuple[CardSeen, ...] = ()
    sessions: tuple[SessionOverlap, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    alike: tuple[Alike, ...] = ()
    tags: tuple[Tag, ...] = ()
    so_far: tuple[Proposal, ...] = ()
    weights: Weights = DEFAULT


Source = Callable[[Context], list[Proposal]]


def clock(ms: int) -> str:
    """A moment of a clip as a player shows it: 0:42, 1:02:03 (seconds cut, not rounded)."""
    minutes, seconds = divmod(max(0, ms) // 1000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
