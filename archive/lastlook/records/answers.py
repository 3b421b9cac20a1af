"""Pictures, closings, and the questions that are asked of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from lastlook.records.moments import CaptureTime
from lastlook.records.readings import PictureKind, Quality
from lastlook.records.tagging import Dimension, Tag, TagState


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo or a still as the archive knows it. `id` is made from content (see `picture_id`); `rid` its row."""

    id: str
    rid: int
    kind: PictureKind
    sha256: str
    file: str
    clip_ms: int | None
    time: CaptureTime
    camera: str
    width: int
    height: int
    quality: Quality | None
    thumb: str
    page: str
    caption: str
    spoken: str
    group: int | None
    tags: tuple[Tag, ...] = ()
    hold_ms: int = 0
    shown: bool = True

    def counted(self, dimension: Dimension) -> tuple[str, ...]:
        """Ids that answers use in `dimension`: a person's first, then applied proposals, the surest first."""
        tags = [tag for tag in self.tags if tag.dimension is dimension and tag.counts]
        tags.sort(key=lambda tag: (tag.state is not TagState.SET, -tag.confidence, tag.target))
        return tuple(dict.fromkeys(tag.target for tag in tags))

    def said(self, dimension: Dimension) -> tuple[str, ...]:
        """Ids that a person has set in `dimension`."""
        return tuple(tag.target for tag in self.tags if tag.dimension is dimension and tag.state is TagState.SET)


@dataclass(frozen=True, slots=True)
class Closing:
    """One act of closing an opening, with the time as it is known. `undone`/reopened closings are not listed as shut.

    `reopened` is None while the opening stays shut. `decision` is the uid of the decision that recorded it.
    """

    opening: str
    time: CaptureTime
    method: str
    by: str
    decision: str
    reopened: CaptureTime | None = None


class Sort(StrEnum):
    BEST = "best"
    NEWEST = "newest"
    OLDEST = "oldest"


@dataclass(frozen=True, slots=True)
class Question:
    """A question about past states: words, and what narrows them. Empty means "not narrowed".

    Several ids of one kind ask for pictures of any of them, ids of different kinds for pictures of all: runs W03 and
    W04 in subassembly MAST are pictures of W03 or W04 that show MAST."""

    words: str = ""
    subassemblies: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    before_closing: str = ""
    after_closing: str = ""
    since: datetime | None = None
    until: datetime | None = None
    kind: PictureKind | None = None
    sort: Sort | None = None
    limit: int = 50
    offset: int = 0


@dataclass(frozen=True, slots=True)
class Hit:
    """A picture that answers, its score where ranking was asked (else None), and why it is here in plain words."""

    picture: Picture
    score: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What was found. `total` counts all that match, shown or not; `undetermined` are those whose interval leaves the
    order against the closing, or against `since`/`until`, open. `nearest` maps unknown words to known ones;
    `said` are plain lines worth telling (an empty answer explained, a part of the question left out)."""

    question: Question
    total: int
    hits: tuple[Hit, ...]
    undetermined_total: int
    undetermined: tuple[Hit, ...]
    nearest: Mapping[str, tuple[str, ...]]
    said: tuple[str, ...]
