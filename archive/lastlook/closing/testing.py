"""Tests before a closing: value, instrument, date newer than the last change; and the same tests again after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lastlook.closing import item_log
from lastlook.closing.evidence import change_words
from lastlook.closing.records import Change, Facts, Line, State, Test
from lastlook.records import CaptureTime
from lastlook.times import Order, compare, describe


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of test. `value`: it is nothing without a figure; `instrument`: without saying with what; `electrical`: it
    can be repeated through a connector once the model is closed."""

    name: str
    title: str
    value: bool = False
    instrument: bool = False
    unit: str = ""
    electrical: bool = False


KINDS: Final = {
    kind.name: kind
    for kind in (
        Kind("continuity", "continuity end to end", True, True, "Ω", True),
        Kind("polarity", "polarity", True, True, "V", True),
        Kind("current", "current at nominal voltage", True, True, "mA", True),
        Kind("isolation", "isolation from the other nets", True, True, "MΩ", True),
        Kind("soak", "soak", True, False, "h", True),
        Kind("temperature", "temperature beside drivers", True, True, "°C"),
        Kind("stall-current", "motor running and stall current", True, True, "mA", True),
        Kind("light-leak", "light leaks in the dark", electrical=True),
        Kind("channels", "each channel on and off alone", electrical=True),
        Kind("foreign-object", "nothing loose inside"),
        Kind("rattle", "shake and listen"),
    )
}


PLAIN: Final = ("foreign-object", "rattle")
"""Kinds whose title says already what is done."""


def kind_of(name: str) -> Kind:
    """A known kind, or the builder's own: of that nothing is known but its name."""
    return KINDS.get(name, Kind(name, name.replace("-", " ")))


def line_for(
    facts: Facts,
    subject: str,
    name: str,
    changes: Sequence[Change],
    at: CaptureTime,
    *,
    of_subjects: Sequence[str] = (),
    line_subject: str = "",
) -> Line:
    """The line for one test of `subject`. `changes` are those it must be newer than. `of_subjects`: ids of which every
    one may carry the test instead (the runs of a step)."""
    kind = kind_of(name)
    shown = line_subject or subject
    what = f"test:{name}"
    title = f"test of {kind.title}" if kind.name not in PLAIN else kind.title
    own = verdict(facts, subject, name, changes, at)
    if own[0] is State.PASSED or not of_subjects:
        return Line(shown, what, title, own[0], own[1], "" if own[0] is State.PASSED else _ask(subject, kind))
    each = [(id, verdict(facts, id, name, item_log.standing(facts.changes.get(id, ()), at), at)) for id in of_subjects]
    for state in (State.GAP, State.STALE, State.UNDETERMINED):
        lacking = [(id, why) for id, (found, why) in each if found is state]
        if lacking:
            reason = "; ".join(f"{id}: {why}" for id, why in lacking[:4])
            return Line(shown, what, title, state, reason, _ask(", ".join(id for id, _ in lacking), kind))
    return Line(shown, what, title, State.PASSED, f"on {', '.join(of_subjects)}")


def verdict(facts: Facts, subject: str, name: str, changes: Sequence[Change], at: CaptureTime) -> tuple[State, str]:
    """How a test of one thing stands at `at`, and why."""
    zone = facts.plan.build.zone
    made = [
        test for test in facts.tests.get(subject, ()) if test.kind == name and compare(test.time, at) is not Order.AFTER
    ]
    if not made:
        return State.GAP, "no such test on record"
    made.sort(key=lambda test: _instant(test.time))
    last = made[-1]
    words = f"{item_log.test_words(last)}, {describe(last.time, zone)}, {last.person}"
    if any(compare(test.time, last.time) is not Order.BEFORE and test.passed != last.passed for test in made[:-1]):
        return State.UNDETERMINED, f"{words}; their times leave open whether a failed test came before or after it"
    if not last.passed:
        return State.GAP, f"failed: {words}"
    kind = kind_of(name)
    if kind.value and last.value is None:
        return State.GAP, f"no value was recorded: {words}"
    if kind.instrument and not last.instrument:
        return State.GAP, f"no instrument was recorded: {words}"
    newer = item_log.against(last.time, changes)
    if newer.order is Order.BEFORE and newer.change is not None:
        changed = f"{newer.change.item} was {change_words(newer.change, zone)}"
        return State.STALE, f"made before {changed}: {words}"
    if newer.order is not Order.AFTER and newer.change is not None:
        changed = f"{newer.change.item} was {change_words(newer.change, zone)}"
        return State.UNDETERMINED, f"its time leaves open whether it came before or after {changed}: {words}"
    if compare(last.time, at) is not Order.BEFORE:
        return State.UNDETERMINED, f"its time leaves open whether it came before the closing: {words}"
    return State.PASSED, words


# ------------------------------------------------------------------------------------------------ after closing


def last_before(facts: Facts, subject: str, name: str, shut: CaptureTime) -> Test | None:
    """The last test of a kind that surely came before a closing."""
    made = [
        test for test in facts.tests.get(subject, ()) if test.kind == name and compare(test.time, shut) is Order.BEFORE
    ]
    return max(made, key=lambda test: _instant(test.time)) if made else None


def retest_line(facts: Facts, subject: str, name: str, shut: CaptureTime, percent: float) -> Line | None:
    """After a closing: the same test again through the external connector, compared with the one before.

    None where there was no such test before, or where it cannot be repeated from outside.
    """
    kind = kind_of(name)
    before = last_before(facts, subject, name, shut)
    if before is None or not kind.electrical or not before.passed:
        return None
    zone = facts.plan.build.zone
    what, title = f"retest:{name}", f"{kind.title}, again after closing"
    ask = f"{subject}: repeat the {name} test through the external connector"
    then = item_log.test_words(before)
    after = [
        test
        for test in facts.tests.get(subject, ())
        if test.kind == name and compare(test.time, shut) is not Order.BEFORE
    ]
    sure = [test for test in after if compare(test.time, shut) is Order.AFTER]
    if not sure:
        if after:
            reason = "its time leaves open whether it came before or after the closing"
            return Line(subject, what, title, State.UNDETERMINED, reason, ask)
        return Line(subject, what, title, State.GAP, f"not repeated yet; before: {then}", ask)
    last = max(sure, key=lambda test: _instant(test.time))
    words = f"before: {then}; after: {item_log.test_words(last)}, {describe(last.time, zone)}, {last.person}"
    if any(compare(test.time, last.time) is not Order.BEFORE and test.passed != last.passed for test in after):
        reason = f"{words}; their times leave open whether a failed test came before or after it"
        return Line(subject, what, title, State.UNDETERMINED, reason, ask)
    if not last.passed:
        return Line(subject, what, title, State.GAP, f"failed after closing; {words}", ask)
    if not last.through:
        return Line(subject, what, title, State.GAP, f"not made through a connector; {words}", ask)
    moved = difference(before, last)
    if moved is None and (before.value is None) != (last.value is None):
        return Line(subject, what, title, State.GAP, f"only one of the two has a value; {words}", ask)
    if moved is None and before.unit != last.unit:
        return Line(subject, what, title, State.GAP, f"the units differ; {words}", ask)
    if moved is not None and abs(moved) > percent:
        return Line(subject, what, title, State.GAP, f"differs by {moved:+.0f} % from before; {words}", ask)
    return Line(subject, what, title, State.PASSED, words)


def difference(before: Test, after: Test) -> float | None:
    """By how many per cent the value moved; None where the two cannot be compared."""
    if before.value is None or after.value is None or before.unit != after.unit:
        return None
    if before.value == 0:
        return 0.0 if after.value == 0 else float("inf")
    return (after.value - before.value) / abs(before.value) * 100


def _ask(subject: str, kind: Kind) -> str:
    needs = [words for words, needed in (("value", kind.value), ("instrument", kind.instrument)) if needed]
    with_ = f" with {' and '.join(needs)}" if needs else ""
    return f"{subject}: test {kind.title} and record it{with_}"


def _instant(time: CaptureTime) -> float:
    return time.instant.timestamp() if time.instant is not None else float("-inf")
