"""Tests before a closing: value, instrument, date newer than the last change; and the same tests again after it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from lastlook.closing import item_log, units
from lastlook.closing.evidence import change_words
from lastlook.closing.item_log import Event
from lastlook.closing.records import Change, Facts, Line, State, Test
from lastlook.records import CaptureTime
from lastlook.times import Order, compare, describe


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of test. `value`: it is nothing without a figure; `instrument`: without saying with what; `unit`: what
    such a figure is given in, or in another unit of the same quantity; `electrical`: it can be repeated through a
    connector once the model is closed."""

    name: str
    title: str
    value: bool = False
    instrument: bool = False
    unit: str = ""
    electrical: bool = False


CURE: Final = "cure-temperature"
"""A later reading of a joint's temperature. It judges nothing by itself; `bonds` reckons with the coldest."""

KINDS: Final = {
    kind.name: kind
    for kind in (
        Kind("continuity", "continuity end to end", True, True, "Ω", True),
        Kind("polarity", "polarity", True, True, "V", True),
        Kind("current", "current at nominal voltage", True, True, "mA", True),
        Kind("isolation", "isolation from the other nets", True, True, "MΩ", True),
        Kind("soak", "soak", True, False, "h", True),
        Kind("temperature", "temperature beside drivers", True, True, "°C"),
        Kind(CURE, "temperature of the joint while it cures", True, False, "°C"),
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
    changes: Sequence[Change | Event],
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


def verdict(
    facts: Facts, subject: str, name: str, changes: Sequence[Change | Event], at: CaptureTime
) -> tuple[State, str]:
    """How a test of one thing stands at `at`, and why. Where the times leave open which test is the last, all of those
    that may be must have passed, and one of them must surely be newer than every change and older than the closing."""
    zone = facts.plan.build.zone
    made = _lasts(facts, subject, name, at)
    if not made:
        return State.GAP, "no such test on record"
    last = made[-1]
    if any(test.passed != last.passed for test in made):
        words = f"{item_log.test_words(last)}, {describe(last.time, zone)}, {last.person}"
        return (
            State.UNDETERMINED,
            f"{words}; the times leave open which of several tests is the last before, and they differ",
        )
    found = [_verdict(test, changes, at, zone) for test in reversed(made)]
    best = min(found, key=lambda one: _BEST.index(one[0]))
    if best[0] is State.PASSED or not last.passed:
        return best
    # A later test of which less was written down takes nothing from a whole one, if none between the two failed.
    of_kind = [test for test in facts.tests.get(subject, ()) if test.kind == name]
    failed = [test for test in of_kind if not test.passed and compare(test.time, at) is not Order.AFTER]
    for test in sorted(of_kind, key=lambda one: item_log.instant(one.time), reverse=True):
        if all(compare(fault.time, test.time) is Order.BEFORE for fault in failed):
            whole = _verdict(test, changes, at, zone)
            if whole[0] is State.PASSED:
                return whole
    return best


_BEST: Final = (State.PASSED, State.UNDETERMINED, State.STALE, State.GAP)


def _verdict(test: Test, changes: Sequence[Change | Event], at: CaptureTime, zone: str) -> tuple[State, str]:
    words = f"{item_log.test_words(test)}, {describe(test.time, zone)}, {test.person}"
    if not test.passed:
        return State.GAP, f"failed: {words}"
    kind = kind_of(test.kind)
    if kind.value and test.value is None:
        return State.GAP, f"no value was recorded: {words}"
    if kind.instrument and not test.instrument:
        return State.GAP, f"no instrument was recorded: {words}"
    if test.value is not None and (fault := units.unfit(test.unit, kind.unit)):
        return State.GAP, f"{fault}: {words}"
    newer = item_log.against(test.time, changes)
    if newer.order is Order.BEFORE and newer.change is not None:
        changed = f"{newer.change.item} was {change_words(newer.change, zone)}"
        return State.STALE, f"made before {changed}: {words}"
    if newer.order is not Order.AFTER and newer.change is not None:
        changed = f"{newer.change.item} was {change_words(newer.change, zone)}"
        return State.UNDETERMINED, f"its time leaves open whether it came before or after {changed}: {words}"
    if compare(test.time, at) is not Order.BEFORE:
        return State.UNDETERMINED, f"its time leaves open whether it came before the closing: {words}"
    return State.PASSED, words


def _lasts(facts: Facts, subject: str, name: str, at: CaptureTime) -> tuple[Test, ...]:
    """The tests of a kind that may be the last by `at`, by instant."""
    return item_log.may_be_last_by([one for one in facts.tests.get(subject, ()) if one.kind == name], at)


def failing(facts: Facts, subject: str, at: CaptureTime) -> tuple[str, ...]:
    """Kinds of test that failed at the last, or may have: nobody asked for some of them, and still they stand."""
    kinds = dict.fromkeys(test.kind for test in facts.tests.get(subject, ()))
    return tuple(name for name in kinds if any(not test.passed for test in _lasts(facts, subject, name, at)))


def failures(facts: Facts, subjects: Iterable[str], at: CaptureTime) -> tuple[Event, ...]:
    """Every failed test of some things that was made by `at` or may have been, as what makes older words stale."""
    return tuple(
        Event(id, f"found wanting in the {test.kind} test", test.time)
        for id in subjects
        for test in facts.tests.get(id, ())
        if not test.passed and compare(test.time, at) is not Order.AFTER
    )


# ------------------------------------------------------------------------------------------------ after closing


def last_before(facts: Facts, subject: str, name: str, shut: CaptureTime) -> tuple[Test, ...]:
    """The tests of a kind that surely came before a closing and may be the last of those, by instant."""
    made = facts.tests.get(subject, ())
    return item_log.may_be_last([one for one in made if one.kind == name and compare(one.time, shut) is Order.BEFORE])


def retest_line(facts: Facts, subject: str, name: str, shut: CaptureTime, percent: float) -> Line | None:
    """After a closing: the same test again through the external connector, compared with the one before.

    None where there was no such test before, or where it cannot be repeated from outside.
    """
    kind = kind_of(name)
    befores = last_before(facts, subject, name, shut)
    if not kind.electrical or not any(test.passed for test in befores):
        return None
    # Those of which nobody knows whether they came before or after may be what is compared with.
    of_kind = [test for test in facts.tests.get(subject, ()) if test.kind == name]
    befores += tuple(test for test in of_kind if compare(test.time, shut) not in (Order.BEFORE, Order.AFTER))
    zone = facts.plan.build.zone
    what, title = f"retest:{name}", f"{kind.title}, again after closing"
    ask = f"{subject}: repeat the {name} test through the external connector"
    then = item_log.test_words(befores[-1])
    after = item_log.may_be_last([one for one in of_kind if compare(one.time, shut) is not Order.BEFORE])
    if not after:
        return Line(subject, what, title, State.GAP, f"not repeated yet; before: {then}", ask)
    changes = [one for one in facts.changes.get(subject, ()) if compare(one.time, shut) is not Order.BEFORE]
    found = [_compared(test, before, percent, zone) for test in after for before in befores]
    ages = [_retest_age(test, changes, shut, zone) for test in after]
    last = after[-1]
    words = f"before: {then}; after: {item_log.test_words(last)}, {describe(last.time, zone)}, {last.person}"
    if len({fault == "" for fault in found}) > 1:
        reason = f"{words}; their times leave open which of several tests is the last, and they differ"
        return Line(subject, what, title, State.UNDETERMINED, reason, ask)
    if found[-1]:
        return Line(subject, what, title, State.GAP, f"{found[-1]}; {words}", ask)
    state, doubt = min(ages, key=lambda one: _BEST.index(one[0]))
    reason = f"{doubt}; {words}" if doubt else words
    return Line(subject, what, title, state, reason, "" if state is State.PASSED else ask)


def _compared(test: Test, before: Test, percent: float, zone: str) -> str:
    """What speaks against a repeated test, '' where nothing does."""
    moved = difference(before, test)
    if not before.passed:
        return f"the last test before closing failed, {describe(before.time, zone)}"
    if not test.passed:
        return "failed after closing"
    if not test.through:
        return "not made through a connector"
    if moved is None and (before.value is None) != (test.value is None):
        return "only one of the two has a value"
    if moved is None and before.value is not None:
        return "the two are in units that cannot be compared"
    if moved is not None and abs(moved) > percent:
        return f"differs by {moved:+.0f} % from before"
    return ""


def _retest_age(test: Test, changes: Sequence[Change], shut: CaptureTime, zone: str) -> tuple[State, str]:
    newer = item_log.against(test.time, changes)
    if newer.order is Order.BEFORE and newer.change is not None:
        return State.STALE, f"made before it was {change_words(newer.change, zone)}"
    if compare(test.time, shut) is not Order.AFTER:
        return State.UNDETERMINED, "its time leaves open whether it came before or after the closing"
    if newer.order is not Order.AFTER and newer.change is not None:
        return State.UNDETERMINED, f"whether it was {change_words(newer.change, zone)} before or after it is open"
    return State.PASSED, ""


def difference(before: Test, after: Test) -> float | None:
    """By how many per cent the value moved; None where the two cannot be compared."""
    if before.value is None or after.value is None:
        return None
    then, now = before.value, after.value
    if before.unit != after.unit:
        one, other = units.quantity(before.unit), units.quantity(after.unit)
        if one is None or other is None or one[0] != other[0]:
            return None
        then, now = then * one[1], now * other[1]
    if then == 0:
        return 0.0 if now == 0 else float("inf")
    return (now - then) / abs(then) * 100


def _ask(subject: str, kind: Kind) -> str:
    needs = [words for words, needed in (("value", kind.value), ("instrument", kind.instrument)) if needed]
    with_ = f" with {' and '.join(needs)}" if needs else ""
    return f"{subject}: test {kind.title} and record it{with_}"
