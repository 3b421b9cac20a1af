"""Steps, hold points, witness points, review points and approvals that are due before a closing.

Hold: work does not pass until a named person releases it. Witness: somebody is told and may attend, work may go on.
Review: the papers are looked at, and a named person says so. (Usage of inspection and test plans.) An approval is a
step of that kind: the client's own word, recorded as a release, or as the answer to pictures that were sent for it.
Nothing is ever released by the program. Each word counts only if it is surely older than the closing and surely newer
than what it speaks of.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from lastlook.closing import item_log, testing
from lastlook.closing.evidence import change_words
from lastlook.closing.item_log import Event
from lastlook.closing.records import Answer, Change, ChangeKind, Facts, Line, Release, State
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
    names = (*step.tests, *(name for name in testing.failing(facts, step.id, at) if name not in step.tests))
    for name in names:
        yield testing.line_for(facts, step.id, name, changes, at, of_subjects=step.runs, line_subject=step.id)
    point = next((what for what in _POINTS if _is(step, what)), "")
    if point:
        yield release_line(facts, step.id, point, f"{_POINTS[point]}: {step.title}", resting_on(facts, step, at), at)
    elif step.hold is HoldKind.WITNESS:
        yield _witness(facts, step, changes, at)


_POINTS: Final = {"approval": "approval", "hold": "hold point", "review": "review point"}


def _is(step: Step, what: str) -> bool:
    """An approval is the client's word, whatever kind of point its step is otherwise."""
    return step.kind.casefold() == what or (step.kind.casefold() != APPROVAL and step.hold.value == what)


@dataclass(frozen=True, slots=True)
class Resting:
    """What a release rests on: it must be newer than each of `events`, and than some passed test of each of `tests`
    (subject, kind) of which there is any."""

    events: tuple[Change | Event, ...] = ()
    tests: tuple[tuple[str, str], ...] = ()


def resting_on(facts: Facts, step: Step, at: CaptureTime) -> Resting:
    """What lets work pass a step is stale once its runs are changed, it is finished anew, or a test of it fails."""
    events: list[Change | Event] = [*changes_of(facts, step.runs, at)]
    if step.kind.casefold() != APPROVAL:  # an approval is done when it is given
        events += finished(facts, (step,), at)
    events += testing.failures(facts, (step.id, *step.runs), at)
    return Resting(in_order(events), tuple(tests_of(facts, step)))


def tests_of(facts: Facts, step: Step) -> Iterator[tuple[str, str]]:
    """The tests of a step: its own where there is one that passed, else those of each of its runs."""
    for name in step.tests:
        if any(test.kind == name and test.passed for test in facts.tests.get(step.id, ())):
            yield step.id, name
        else:
            yield from ((run, name) for run in step.runs)


def finished(facts: Facts, some: Iterable[Step], at: CaptureTime) -> list[Event]:
    return [
        Event(step.id, "finished", done.time)
        for step in some
        for done in facts.done.get(step.id, ())
        if compare(done.time, at) is not Order.AFTER
    ]


def in_order(events: Iterable[Change | Event]) -> tuple[Change | Event, ...]:
    return tuple(sorted(events, key=lambda one: one.time.instant.timestamp() if one.time.instant else 0.0))


def changes_of(facts: Facts, ids: Iterable[str], at: CaptureTime) -> tuple[Change, ...]:
    """The changes of several items that may have happened by `at`, in order."""
    found = [change for id in ids for change in item_log.standing(facts.changes.get(id, ()), at)]
    return tuple(sorted(found, key=lambda change: change.time.instant.timestamp() if change.time.instant else 0.0))


def _done(facts: Facts, step: Step, at: CaptureTime) -> Line:
    """Finished, and nothing of it changed since. That its runs were installed is the step's own work, and no change."""
    zone = facts.plan.build.zone
    title = f"step done: {step.title}"
    ask = f"{step.id}: finish it, then 'lastlook done {step.id} --at TIME'"
    said = [done for done in facts.done.get(step.id, ()) if compare(done.time, at) is not Order.AFTER]
    if not said:
        return Line(step.id, "done", title, State.GAP, "not finished on record", ask)
    changes = [change for change in changes_of(facts, step.runs, at) if change.kind is not ChangeKind.INSTALLED]
    found = [(*_age(done.time, changes, at, zone), done) for done in said]
    state, why, done = min(found, key=lambda one: _BEST.index(one[0]))
    words = f"{describe(done.time, zone)}, {done.person}"
    if state is State.PASSED:
        return Line(step.id, "done", title, state, words)
    if state is State.STALE:
        return Line(step.id, "done", title, state, f"finished before {why}: {words}", f"{ask}, once it is right again")
    again = f"{step.id}: say it anew with a closer time, and take the old word back with 'lastlook undo {done.uid[:8]}'"
    return Line(step.id, "done", title, state, f"{why}: {words}", again)


_BEST: Final = (State.PASSED, State.UNDETERMINED, State.STALE, State.GAP)


def _age(
    time: CaptureTime, events: Sequence[Change | Event], at: CaptureTime, zone: str, shown: CaptureTime | None = None
) -> tuple[State, str]:
    """Whether a word is newer than all it speaks of and older than the closing, else why not. `shown`: when what it
    speaks of was shown to who said it."""
    newer = item_log.against(shown or time, events)
    if newer.order is Order.BEFORE and newer.change is not None:
        return State.STALE, f"{newer.change.item} was {change_words(newer.change, zone)}"
    if newer.order is not Order.AFTER and newer.change is not None:
        return State.UNDETERMINED, f"whether {newer.change.item} was {change_words(newer.change, zone)} before is open"
    if compare(time, at) is not Order.BEFORE:
        return State.UNDETERMINED, "its time leaves open whether it came before the closing"
    return State.PASSED, ""


def release_line(facts: Facts, target: str, what: str, title: str, rests: Resting, at: CaptureTime) -> Line:
    """The line for a release by name, or for the client's answer: newer than all it lets pass, older than the closing.

    Where the times leave open which word is the last, each of those that may be must let it pass.
    """
    zone = facts.plan.build.zone
    ask = f"{target}: to be released by a named person, 'lastlook release {target} --person NAME --words …'"
    answers = [one for one in facts.answers.get(target, ()) if what == APPROVAL]
    if what == APPROVAL:
        ask = f"{target}: send pictures with 'lastlook approval ask OUT --point {target}' and record the answer with "
        ask += f"'lastlook approval answer', or record the client's word: 'lastlook release {target} --person NAME'"
    words: list[Release | Answer] = [
        *facts.releases.get(target, ()),
        *(one for one in answers if one.verdict),
    ]
    known = [one for one in words if compare(one.time, at) is not Order.AFTER]
    said = item_log.may_be_last(known)
    if not said:
        waits = [one for one in answers if compare(one.shown, at) is not Order.AFTER]
        reason = f"pictures went out {describe(waits[-1].shown, zone)}, no answer yet" if waits else "not released"
        return Line(target, what, title, State.GAP, reason, ask)
    no = [one for one in said if isinstance(one, Answer) and one.verdict != "yes"]
    if no:
        state = State.GAP if len(no) == len(said) else State.UNDETERMINED
        doubt = "" if state is State.GAP else "; which of several words is the last, their times leave open"
        return Line(target, what, title, state, words_of(no[-1], zone) + doubt, ask)
    refused = [one for one in known if isinstance(one, Answer) and one.verdict != "yes"]
    counted = [one for one in known if all(compare(no.time, one.time) is Order.BEFORE for no in refused)]
    newest = sorted(counted, key=lambda one: item_log.instant(one.time), reverse=True)
    found = [(*_release_age(facts, one, rests, at, zone), one) for one in newest]
    state, why, best = min(found, key=lambda one: _BEST.index(one[0]))
    if state is State.PASSED:
        return Line(target, what, title, state, words_of(best, zone))
    if state is State.UNDETERMINED:
        ask = f"{target}: say it anew with a closer time, after all that it lets pass and before the closing"
    return Line(target, what, title, state, f"{why}: {words_of(best, zone)}", ask)


def _release_age(facts: Facts, word: Release | Answer, rests: Resting, at: CaptureTime, zone: str) -> tuple[State, str]:
    shown = word.shown if isinstance(word, Answer) and compare(word.shown, word.time) is Order.BEFORE else None
    state, why = _age(word.time, rests.events, at, zone, shown)
    if state is State.STALE:
        return state, f"released before {why}"
    for id, kind in rests.tests:
        passed = [test for test in facts.tests.get(id, ()) if test.kind == kind and test.passed]
        orders = {compare(test.time, word.time) for test in passed if compare(test.time, at) is not Order.AFTER}
        if orders == {Order.AFTER}:
            return State.STALE, f"released before the {kind} test of {id} was made"
        if orders and Order.BEFORE not in orders and state is State.PASSED:
            state, why = State.UNDETERMINED, f"whether the {kind} test of {id} was made before is open"
    return state, why


def words_of(word: Release | Answer, zone: str) -> str:
    if isinstance(word, Release):
        return release_words(word, zone)
    said = {"yes": "yes", "no": "no", "changes": "yes, with changes"}[word.verdict]
    return f"{word.person} answered {said}, {describe(word.time, zone)}, “{word.words}”"


def release_words(release: Release, zone: str) -> str:
    """ "released by Ada, 27 Mar 2026 …, “all seen”, against 2 waivers"."""
    said = f", “{release.words}”" if release.words else ""
    many = len(release.waived)
    against = f", against {many} waiver{'' if many == 1 else 's'}" if many else ""
    return f"by {release.person}, {describe(release.time, zone)}{said}{against}"


def _witness(facts: Facts, step: Step, changes: Sequence[Change | Event], at: CaptureTime) -> Line:
    zone = facts.plan.build.zone
    title = f"witness point: {step.title}"
    said = [each for each in facts.witnesses.get(step.id, ()) if compare(each.time, at) is not Order.AFTER]
    ask = f"{step.id}: tell the witness in time, then 'lastlook witness {step.id} --person NAME --told'"
    if not said:
        return Line(step.id, "witness", title, State.GAP, "nobody was asked to attend", ask)
    found = [(*_age(each.time, changes, at, zone), each) for each in said]
    state, why, best = min(found, key=lambda one: (_BEST.index(one[0]), not one[2].attended))
    came = "attended" if best.attended else "was told and did not attend"
    words = f"{best.person} {came}, {describe(best.time, zone)}"
    if state is State.PASSED:
        return Line(step.id, "witness", title, state, words)
    before = "before " if state is State.STALE else ""
    return Line(step.id, "witness", title, state, f"{before}{why}: {words}", ask)


def reopenings(facts: Facts, opening: str, at: CaptureTime) -> tuple[Event, ...]:
    """When an opening was opened again by `at` or may have been: whatever was said for its last closing is stale."""
    return tuple(
        Event(opening, "opened again", closing.reopened)
        for closing in facts.closings.get(opening, ())
        if closing.reopened is not None and compare(closing.reopened, at) is not Order.AFTER
    )


def of_opening(
    facts: Facts, opening: Opening, hidden: Sequence[str], at: CaptureTime, tests: Sequence[str]
) -> Iterator[Line]:
    """Tests that the closing itself asks for, and those that failed though nobody asked."""
    changes = in_order((*changes_of(facts, hidden, at), *reopenings(facts, opening.id, at)))
    for name in (*tests, *(name for name in testing.failing(facts, opening.id, at) if name not in tests)):
        yield testing.line_for(facts, opening.id, name, changes, at)


def release_of_opening(
    facts: Facts,
    opening: Opening,
    items: Mapping[str, Sequence[str]],
    at: CaptureTime,
    tests: Sequence[str],
    waived: Iterable[str],
) -> Line:
    """The release of the closing itself. `items`: what it hides or crosses, each with the tests asked of it; `waived`:
    the keys of what is let pass by waiver, which the release must have known of."""
    due = due_before(facts, opening.id)
    events: list[Change | Event] = [*changes_of(facts, items, at), *reopenings(facts, opening.id, at)]
    events += finished(facts, due, at)
    subjects = dict.fromkeys((*items, *(step.id for step in due), opening.id))
    events += testing.failures(facts, subjects, at)
    needed = [(id, name) for id, names in items.items() for name in names]
    needed += [pair for step in due for pair in tests_of(facts, step)]
    needed += [(opening.id, name) for name in tests]
    title = f"release of the closing: {opening.title}"
    rests = Resting(in_order(events), tuple(needed))
    line = release_line(facts, opening.id, "release", title, rests, at)
    if line.state is not State.PASSED:
        return line
    good = [
        one
        for one in facts.releases.get(opening.id, ())
        if _release_age(facts, one, rests, at, facts.plan.build.zone)[0] is State.PASSED
    ]
    strange = min(([key for key in waived if key not in one.waived] for one in good), key=len, default=[])
    if strange:
        reason = f"given before {strange[0]} was waived: {line.reason}"
        ask = f"{opening.id}: to be released anew, 'lastlook release {opening.id} --person NAME --words …'"
        return Line(opening.id, "release", title, State.STALE, reason, ask)
    return line
