"""The log of an item: designed, installed, changed, tested, abandoned in place; and how other times lie to it.

A change makes earlier evidence stale: "evidence must be newer than the last change of the item". The last change is
not one entry but every entry: a picture counts only if it is surely newer than each of them, so that two changes whose
order is not known cannot let an old picture through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol, TypeVar

from lastlook.closing.records import Change, ChangeKind, Facts, Measure, Test
from lastlook.records import CaptureTime, Part, Run, RunStatus
from lastlook.times import Order, compare


@dataclass(frozen=True, slots=True)
class Event:
    """What else makes older words stale: an opening opened again, a step finished anew, a test that failed."""

    item: str
    words: str
    time: CaptureTime


@dataclass(frozen=True, slots=True)
class Against:
    """How a time lies to all changes: AFTER (newer than each), BEFORE (older than `change`), else UNDETERMINED."""

    order: Order
    change: Change | Event | None = None


class _Timed(Protocol):
    @property
    def time(self) -> CaptureTime: ...


T = TypeVar("T", bound=_Timed)


def may_be_last(made: Sequence[T]) -> tuple[T, ...]:
    """Those of several acts that may be the last one: all but those that another is surely after. By instant.

    Where more than one is left, nobody knows which came last, and whatever one of them leaves open stays open.
    """
    starts = [one.time.earliest for one in made if one.time.earliest is not None]
    newest = max(starts, default=None)
    left = [one for one in made if one.time.latest is None or newest is None or one.time.latest >= newest]
    return tuple(sorted(left, key=lambda one: instant(one.time)))


def may_be_last_by(made: Sequence[T], at: CaptureTime) -> tuple[T, ...]:
    """Those of several acts that may be the last one by `at`. By instant.

    Only what surely came before `at` pushes an earlier one aside: what may have come after it may not count at all, and
    then the one before it is the last.
    """
    known = [one for one in made if compare(one.time, at) is not Order.AFTER]
    doubtful = [one for one in known if compare(one.time, at) is not Order.BEFORE]
    sure = may_be_last([one for one in known if compare(one.time, at) is Order.BEFORE])
    return tuple(sorted((*sure, *doubtful), key=lambda one: instant(one.time)))


def standing(changes: Sequence[Change], at: CaptureTime) -> tuple[Change, ...]:
    """The changes that had happened by `at`, or may have: only what is surely later is left out. By instant."""
    found = [change for change in changes if compare(change.time, at) is not Order.AFTER]
    return tuple(sorted(found, key=lambda change: instant(change.time)))


def against(time: CaptureTime, changes: Sequence[Change | Event]) -> Against:
    """How `time` lies to all of `changes`. A change of unknown time leaves everything undetermined."""
    doubt: Change | Event | None = None
    stale: Change | Event | None = None
    for change in changes:
        order = compare(time, change.time)
        if order is Order.BEFORE:
            stale = change  # changes come in order: the newest that the time lies before is named
        elif order is not Order.AFTER:
            doubt = change
    if stale is not None:
        return Against(Order.BEFORE, stale)
    if doubt is not None:
        return Against(Order.UNDETERMINED, doubt)
    return Against(Order.AFTER)


def cut_length(run: Run, changes: Sequence[Change]) -> float | None:
    """The cut length of a run after its changes, the plan's where none says. None where not known. For information:
    `lengths` judges by every length that may be the last one said."""
    said = [change.length_mm for change in changes if change.length_mm is not None]
    return said[-1] if said else run.cut_length_mm


def colour(run: Run, changes: Sequence[Change]) -> str:
    """The colour code of a run after its changes."""
    said = [change.colour for change in changes if change.colour]
    return said[-1] if said else run.colour


_USED_AGAIN = (ChangeKind.INSTALLED, ChangeKind.REPLACED, ChangeKind.REROUTED, ChangeKind.LENGTHENED)


def abandoned(run: Run, changes: Sequence[Change]) -> bool:
    """Whether it was left in without a use: by the plan, or by its log, unless it may have been put to use again since,
    for what is in use is tested and must reach."""
    turns = [change for change in changes if change.kind is ChangeKind.ABANDONED or change.kind in _USED_AGAIN]
    last = may_be_last(turns)
    by_log = bool(last) and all(change.kind is ChangeKind.ABANDONED for change in last)
    return run.status is RunStatus.ABANDONED or by_log


def undated_change(item: object, changes: Sequence[Change]) -> bool:
    """Whether the plan says that a run was changed and no dated change is on record: no picture can be newer than a
    change of which nobody knows the date."""
    dated = any(change.kind is not ChangeKind.INSTALLED for change in changes)
    return isinstance(item, Run) and item.status is RunStatus.CHANGED and not dated


def installed(item: object, changes: Sequence[Change]) -> bool:
    """Whether it is in place: by its log, or by the plan's own status."""
    if changes or not isinstance(item, Run):
        return True
    return item.status is not RunStatus.DESIGNED


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of an item's log. `time` is None for what the plan says without a date."""

    time: CaptureTime | None
    what: str
    person: str = ""
    uid: str = ""


def log(facts: Facts, item: Run | Part | object, id: str) -> tuple[Entry, ...]:
    """Everything that is known of an item's life, oldest first; what has no date stands first."""
    dated: list[tuple[datetime, Entry]] = []
    for change in facts.changes.get(id, ()):
        more = f", cut {change.length_mm:g} mm" if change.length_mm is not None else ""
        more += f", now {change.colour}" if change.colour else ""
        why = f": {change.why}" if change.why else ""
        words = "abandoned in place" if change.kind is ChangeKind.ABANDONED else change.kind.value
        dated.append((instant(change.time), Entry(change.time, f"{words}{more}{why}", change.person, change.uid)))
    for test in facts.tests.get(id, ()):
        dated.append((instant(test.time), Entry(test.time, test_words(test), test.person, test.uid)))
    for measure in facts.measures.get(id, ()):
        dated.append((instant(measure.time), Entry(measure.time, measure_words(measure), measure.person, measure.uid)))
    dated.sort(key=lambda pair: pair[0])
    first = [Entry(None, "designed")] if isinstance(item, Run) else []
    if isinstance(item, Run) and item.status not in (RunStatus.DESIGNED, RunStatus.SPARE) and not facts.changes.get(id):
        first.append(Entry(None, f"{item.status.value}, by the plan, without a date"))
    return (*first, *(entry for _, entry in dated))


def test_words(test: Test) -> str:
    """ "polarity passed, 4.98 V, DMM 2, through J1"."""
    value = f", {test.value:g} {test.unit}".rstrip() if test.value is not None else ""
    text = f", {test.text}" if test.text else ""
    tool = f", {test.instrument}" if test.instrument else ""
    through = f", through {test.through}" if test.through else ""
    return f"{test.kind} {'passed' if test.passed else 'failed'}{value}{text}{tool}{through}"


def measure_words(measure: Measure) -> str:
    return f"{measure.kind.value.replace('-', ' ')} {measure.mm:g} mm"


def instant(time: CaptureTime) -> datetime:
    """To sort by: the middle of what is known, first of all where nothing is."""
    return time.instant or datetime.min.replace(tzinfo=UTC)
