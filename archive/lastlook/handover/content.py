"""The content of a record, in its language, ready to be laid out. Frozen, no I/O.

Texts are final. `pictures` of statements, cells and figures are ids that `Content.pictures` holds; nothing else refers
to a picture, so that what is private or out of scope cannot slip in by a form of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing that is said. `label` what it is about; `source` who said so and when; `missing`: nothing is recorded;
    `caution`: a word of warning."""

    text: str
    label: str = ""
    source: str = ""
    pictures: tuple[str, ...] = ()
    missing: bool = False
    caution: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture and what it is there for ("before O4 was closed")."""

    picture: str
    role: str


@dataclass(frozen=True, slots=True)
class Cell:
    """`swatch`: (code of the insulation, of its tracer) to be drawn beside the text; `link` the anchor of a section."""

    text: str
    pictures: tuple[str, ...] = ()
    swatch: tuple[str, str] | None = None
    link: str = ""
    missing: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """`id` is unique in the record and serves as its anchor."""

    id: str
    title: str
    statements: tuple[Statement, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class Chapter:
    id: str
    title: str
    lead: str
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True)
class PictureEntry:
    """A picture as the record tells it. `time` in words, with `earliest` and `latest` (RFC 3339) and `basis`.

    `sha256` is the checksum of the original; `file` its name ('' where names are private), `clip_ms` its place in a
    clip. `original` names the file in the bag, '' where only a copy is handed over, `original_note` what was done to
    it; `drawn` the copy on which routes and places are drawn, '' where nothing is.
    """

    id: str
    kind: str
    title: str
    alt: str
    caption: str
    spoken: str
    time: str
    taken_at: str
    earliest: str
    latest: str
    basis: str
    basis_words: str
    file: str
    clip_ms: int | None
    place: str
    sha256: str
    width: int
    height: int
    shows: str
    subassemblies: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    proposed: tuple[str, ...] = ()
    original: str = ""
    original_note: str = ""
    camera: str = ""
    drawn: str = ""


@dataclass(frozen=True, slots=True)
class RunRow:
    """One conductor for the tables of the schedule: plain values."""

    id: str
    title: str
    colour: str
    tracer: str
    gauge_awg: int | None
    source: str
    target: str
    cut_length_mm: float | None
    loop_mm: float | None
    polarity: str
    volts: float | None
    milliamps: float | None
    subassemblies: tuple[str, ...]
    crosses: tuple[str, ...]
    status: str
    last_look: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Content:
    """`gaps` say in one sentence each what is not recorded; they stand in the last chapter as well. `labels` are the
    fixed texts of the forms (contents, search, print)."""

    language: str
    title: str
    subtitle: str
    build: str
    client: str
    issued: str
    issued_on: str
    scope: str
    chapters: tuple[Chapter, ...]
    pictures: Mapping[str, PictureEntry]
    runs: tuple[RunRow, ...]
    gaps: tuple[str, ...]
    labels: Mapping[str, str] = field(default_factory=dict)
    withheld: int = 0
