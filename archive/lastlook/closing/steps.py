"""Steps, hold points, witness points, review points and approvals that are due before a closing.

Hold: work does not pass until a named person releases it. Witness: somebody is told and may attend, work may go on.
Review: the papers are looked at, and a named person says so. (Usage of inspection and test plans.) An approval is a
step of that kind: the client's own word, recorded as a release. Nothing is ever released by the program.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from lastlook.closing import item_log, testing
from lastlook.closing.evidence import change_words
from lastlook.closing.records import Change, Facts, Line, Release, State
from lastlook.plan import structure
from lastlook.plan.crosscheck import CLOSING_KINDS
from lastlook.records import CaptureTime, HoldKind, Opening, Step
from lastlook.times import Order, compare, describe

APPROVAL: Final = "approval"


def due_before(facts: Facts, opening: str) -> tuple[Step, ...]:
    """The steps that must come before an opening is closed, but for the closing itself."""
    return tuple(
        step for step in structure.steps_before(facts.plan, opening) if step.kind.casefold() not in CLOSING_KINDS
    )


def lines_for(facts: Facts, step: Step, at: CaptureTime) -> Iterator[Line]:
    """All lines of one step: done, its tests, and what lets work pass it."""
    yield _done(facts, step, at)
    changes = changes_of(facts, step.runs, at)
    for name in step.tests:
        yield testing.line_for(facts, step.id, name, changes, at, of_subjects=step.runs, line_subject=step.id)
    if step.kind.casefold() == APPROVAL:
        yield release_line(facts, step.id, "approval", f"approval: {step.title}", changes, at)
    elif step.hold is HoldKind.HOLD:
        yield release_line(facts, step.id, "hold", f"hold point: {step.title}", changes, at)
    elif step.hold is HoldKind.REVIEW:
        yield release_line(facts, step.id, "review", f"review point: {step.title}", changes, at)
    elif step.hold is HoldKind.WITNESS:
        yield _witness(facts, step, at)


def changes_of(facts: Facts, ids: Iterable[str], at: CaptureTime) -> tuple[Change, ...]:
    """The changes of several items that may have happened by `at`, in order."""
    found = [change for id in ids for change in item_log.standing(facts.changes.get(id, ()), at)]
    return tuple(sorted(found, key=lambda change: change.time.instant.timestamp() if change.time.instant else 0.0))


def _done(facts: Facts, step: Step, at: CaptureTime) -> Line:
    zone = facts.plan.build.zone
    title = f"step done: {step.title}"
    said = [done for done in facts.done.get(step.id, ()) if compare(done.time, at) is not Order.AFTER]
    if not said:
        ask = f"{step.id}: finish it, then 'lastlook done {step.id} --at TIME'"
        return Line(step.id, "done", title, State.GAP, "not finished on record", ask)
    last = max(said, key=lambda done: done.time.instant.timestamp() if done.time.instant else 0.0)
    words = f"{describe(last.time, zone)}, {last.person}"
    if compare(last.time, at) is not Order.BEFORE:
        reason = f"its time leaves open whether it came before the closing: {words}"
        return Line(step.id, "done", title, State.UNDETERMINED, reason, f"{step.id}: give its time more closely")
    return Line(step.id, "done", title, State.PASSED, words)


def release_line(facts: Facts, target: str, what: str, title: str, changes: Sequence[Change], at: CaptureTime) -> Line:
    """The line for a release by name, which must be newer than every change it lets pass."""
    zone = facts.plan.build.zone
    ask = f"{target}: to be released by a named person, 'lastlook release {target} --person NAME --words …'"
    said = [each for each in facts.releases.get(target, ()) if compare(each.time, at) is not Order.AFTER]
    if not said:
        return Line(target, what, title, State.GAP, "not released", ask)
    last = max(said, key=lambda each: each.time.instant.timestamp() if each.time.instant else 0.0)
    words = release_words(last, zone)
    newer = item_log.against(last.time, changes)
    if newer.order is Order.BEFORE and newer.change is not None:
        reason = f"released before {newer.change.item} was {change_words(newer.change, zone)}: {words}"
        return Line(target, what, title, State.STALE, reason, ask)
    if newer.order is not Order.AFTER and newer.change is not None:
        reason = (
            f"whether {newer.change.item} was {change_words(newer.change, zone)} before or after it is open: {words}"
        )
        return Line(target, what, title, State.UNDETERMINED, reason, ask)
    # A release is given up to the moment of closing: the same minute will do.
    return Line(target, what, title, State.PASSED, words)


def release_words(release: Release, zone: str) -> str:
    """ "released by Ada, 27 Mar 2026 …, “all seen”, against 2 waivers"."""
    said = f", “{release.words}”" if release.words else ""
    many = len(release.waived)
    against = f", against {many} waiver{'' if many == 1 else 's'}" if many else ""
    return f"by {release.person}, {describe(release.time, zone)}{said}{against}"


def _witness(facts: Facts, step: Step, at: CaptureTime) -> Line:
    zone = facts.plan.build.zone
    title = f"witness point: {step.title}"
    said = [each for each in facts.witnesses.get(step.id, ()) if compare(each.time, at) is not Order.AFTER]
    if not said:
        ask = f"{step.id}: tell the witness in time, then 'lastlook witness {step.id} --person NAME --told'"
        return Line(step.id, "witness", title, State.GAP, "nobody was asked to attend", ask)
    last = max(said, key=lambda each: (each.attended, each.time.instant.timestamp() if each.time.instant else 0.0))
    came = "attended" if last.attended else "was told and did not attend"
    return Line(step.id, "witness", title, State.PASSED, f"{last.person} {came}, {describe(last.time, zone)}")


def of_opening(
    facts: Facts, opening: Opening, hidden: Sequence[str], at: CaptureTime, tests: Sequence[str]
) -> Iterator[Line]:
    """Tests that the closing itself asks for."""
    changes = changes_of(facts, hidden, at)
    for name in tests:
        yield testing.line_for(facts, opening.id, name, changes, at)
