"""What a record is made from, gathered by `lastlook.handing_over`; what is private never gets here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from lastlook.closing.graph import ItemState
from lastlook.closing.records import Facts, ItemLook
from lastlook.handover.drawing import Drawing
from lastlook.records import CaptureTime, Closing, Picture, Plan


class Audience(StrEnum):
    CLIENT = "client"  # what is said and the pictures that say it
    REPAIRER = "repairer"  # every picture in scope
    OWN = "own"  # that, and what was spoken, the cameras and the files' own names


FIELDS = ("client", "people", "captions", "spoken", "file-names", "cameras", "approvals", "waivers", "proposals")
"""What can be marked private as a field of the whole build."""


@dataclass(frozen=True, slots=True)
class Stated:
    """One statement of the builder, by topic (see `topics`). `about` is an id of the plan or ''."""

    topic: str
    about: str
    text: str
    pictures: tuple[str, ...]
    person: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Approval:
    """A pack that went out and, where there is one, the answer. `answer` is yes, no, changes or ''."""

    uid: str
    point: str
    wording: str
    pictures: tuple[str, ...]
    sent: datetime
    answer: str = ""
    words: str = ""
    person: str = ""
    time: CaptureTime | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """A step or an opening of a subassembly with the pictures around it, '' where there is none."""

    item: str
    title: str
    opening: bool
    closing: Closing | None
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Material:
    """All that a record is made from; what is private or out of scope is not in it.

    `pictures` by id; `withheld` how many pictures and entries were kept back; `fields` those marked private; `items`
    the ids in scope; `tagged` for each id its pictures, oldest first; `marked` for each run the pictures on which it is
    drawn; `originals`: of the originals that go along, by checksum, the name in the bag and what was done to it;
    `kept`: checksums of originals of which some picture is private, in scope or not; `wider`: of those of which some
    picture is out of scope.
    """

    plan: Plan
    facts: Facts
    states: tuple[ItemState, ...]
    closings: Mapping[str, tuple[Closing, ...]]
    looks: Mapping[str, ItemLook]
    moments: Mapping[str, tuple[Moment, ...]]
    statements: tuple[Stated, ...]
    approvals: tuple[Approval, ...]
    pictures: Mapping[str, Picture]
    tagged: Mapping[str, tuple[str, ...]]
    marked: Mapping[str, tuple[str, ...]]
    items: frozenset[str]
    fields: frozenset[str]
    withheld: int
    issued: datetime
    audience: Audience
    scope: str = ""
    originals: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    drawings: Mapping[str, tuple[Drawing, ...]] = field(default_factory=dict)
    kept: frozenset[str] = frozenset()
    wider: frozenset[str] = frozenset()
