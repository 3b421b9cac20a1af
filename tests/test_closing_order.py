"""Order that the times leave open, and words that later work overtakes: neither ever counts as a pass.

Each rule with a case on either side of it. Release by name before a step that cannot be undone: ECSS-Q-ST-20C Rev. 2
and ISO 9001:2015, 8.5.1 f and 8.6 (clauses from memory). That a word must be newer than what it speaks of is the
project's own rule.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from lastlook.closing import bonds, item_log, lengths
from lastlook.closing import records as r
from lastlook.closing.check import check, retests
from lastlook.closing.records import Facts, State
from lastlook.records import CaptureTime, HoldKind
from tests import closing_facts as f
from tests.closing_facts import EVERYTHING, O4, PLAN, UNKNOWN, a_test, at, change, closing, waiver

TEN = at(10)
STEP = PLAN.steps[0]


def states(facts: Facts, when: CaptureTime = TEN) -> dict[str, State]:
    return {line.key: line.state for line in check(facts, O4, when).lines}


def line(facts: Facts, key: str, when: CaptureTime = TEN) -> r.Line:
    return next(one for one in check(facts, O4, when).lines if one.key == key)


def measured(*some: r.Measure, changes: tuple[r.Change, ...] = EVERYTHING.changes["W03"]) -> r.Line:
    return line(replace(EVERYTHING, measures={"W03": some}, changes={"W03": changes}), "W03:length")


def spread(measure: r.Measure, hours: float) -> r.Measure:
    assert measure.time.instant is not None
    return replace(measure, time=at((measure.time.instant - f.DAY).total_seconds() / 3600, hours))


# ------------------------------------------------------------------------------------------------ which is the last

ROUTE = f.measure(7, "route", 600)


@pytest.mark.parametrize(
    ("tails", "state"),
    [
        ([(7, 0, 200), (8, 0, 330)], State.PASSED),  # the later counts, and reaches
        ([(7, 0, 330), (8, 0, 200)], State.GAP),
        ([(7, 0.6, 200), (7.5, 0.6, 330)], State.UNDETERMINED),  # either may be the last
        ([(7, 0.6, 330), (7.5, 0.6, 200)], State.UNDETERMINED),
        ([(7, 0.6, 340), (7.5, 0.6, 330)], State.PASSED),  # whichever it is, it reaches
        ([(7, 0.6, 329), (7.5, 0.6, 200)], State.GAP),  # whichever it is, it does not
        ([(5, 2, 330), (8, 0.5, 330)], State.PASSED),  # the newest is newer than the change, whichever it is
        ([(5, 2, 330)], State.UNDETERMINED),
        ([(5, 0.5, 330)], State.STALE),
        ([(9.8, 0.5, 330)], State.UNDETERMINED),  # or taken after the closing
    ],
)
def test_of_two_lengths_in_open_order_both_must_reach(tails: list[tuple[float, float, float]], state: State) -> None:
    some = [spread(f.measure(hour, "tail", mm), doubt) for hour, doubt, mm in tails]
    assert measured(*some, f.measure(7, "far-side", 250)).state is state


def test_of_two_cut_lengths_in_open_order_both_must_reach() -> None:
    far = (f.measure(9.5, "tail", 330), f.measure(9.5, "far-side", 250), f.measure(9.5, "route", 600))

    def cut(first: float, second: float, doubt: float) -> State:
        told = (change(7, spread=doubt, length_mm=first), change(7.5, spread=doubt, length_mm=second))
        return measured(*far, changes=told).state

    assert cut(600, 700, 0) is State.PASSED
    assert cut(700, 600, 0) is State.GAP
    assert cut(600, 700, 0.5) is State.UNDETERMINED
    assert cut(700, 600, 0.5) is State.UNDETERMINED
    assert cut(680, 700, 0.5) is State.PASSED


@pytest.mark.parametrize("kind", ["shortened", "re-terminated", "replaced", "changed"])
def test_after_it_was_cut_anew_the_cut_length_is_measured_and_nothing_else_made_stale(kind: str) -> None:
    changes = (*EVERYTHING.changes["W03"], change(8, kind))
    rest = (f.measure(9, "tail", 330), f.measure(9, "far-side", 250), f.measure(9, "route", 600))
    stale = measured(*rest, changes=changes)
    assert stale.state is State.STALE
    assert "'lastlook measure W03 --kind cut --mm MM'" in stale.shoot, "which is no change of the run"
    assert measured(*rest, f.measure(8.5, "cut", 680), changes=changes).state is State.PASSED
    assert measured(*rest, f.measure(8.5, "cut", 679), changes=changes).state is State.GAP
    assert measured(*rest, f.measure(7.5, "cut", 680), changes=changes).state is State.STALE
    assert measured(*rest, spread(f.measure(8.2, "cut", 680), 0.5), changes=changes).state is State.UNDETERMINED
    known = r.Facts(PLAN, measures={"W03": (*rest, f.measure(8.5, "cut", 680))})
    assert {one.kind for one in lengths.lasts(known, "W03", r.MeasureKind.CUT, TEN)} == {r.MeasureKind.CUT}


def test_of_tests_in_open_order_one_must_surely_be_newer_than_the_change() -> None:
    others = tuple(test for test in EVERYTHING.tests["W03"] if test.kind != "polarity")

    def of(*tests: r.Test) -> State:
        return states(replace(EVERYTHING, tests={**EVERYTHING.tests, "W03": (*others, *tests)}))["W03:test:polarity"]

    assert of(a_test(7, "polarity", spread=2), a_test(8, "polarity")) is State.PASSED
    assert of(a_test(7, "polarity", spread=2)) is State.UNDETERMINED
    assert of(a_test(7, "polarity", spread=2, passed=False), a_test(8, "polarity")) is State.UNDETERMINED
    assert of(a_test(7, "polarity", spread=0.5, passed=False), a_test(8, "polarity")) is State.PASSED


def test_what_may_have_come_after_the_closing_pushes_nothing_aside() -> None:
    """A figure or a pass whose time lies about the closing may not count at all; then the one before it is the last."""
    known = EVERYTHING.measures["W03"]
    assert measured(*known, f.measure(9, "cut", 500), spread(f.measure(10, "cut", 700), 0.1)).state is (
        State.UNDETERMINED
    )
    assert measured(*known, f.measure(9, "tail", 330), f.measure(10, "tail", 330)).state is State.PASSED
    eye: dict[str, Any] = {"value": None, "unit": "", "instrument": ""}
    failed = a_test(9.2, "rattle", "O4", passed=False, **eye)
    for hour, doubt, state in ((9.4, 0, None), (10, 0.1, State.UNDETERMINED), (11, 0, State.GAP)):
        again = a_test(hour, "rattle", "O4", spread=doubt, **eye)
        facts = replace(EVERYTHING, tests={**EVERYTHING.tests, "O4": (*EVERYTHING.tests["O4"], failed, again)})
        assert states(facts).get("O4:test:rattle") is state


def test_what_may_be_last() -> None:
    some = [change(5, spread=1), change(5.5, spread=0), change(7, spread=0.5), change(7.2, spread=0.1)]
    assert item_log.may_be_last(some) == (some[2], some[3])
    lost = replace(change(1), time=UNKNOWN)
    assert lost in item_log.may_be_last([*some, lost]), "of what has no time nobody knows"
    assert item_log.may_be_last([]) == ()


# ------------------------------------------------------------------------------------- said before the closing, surely


@pytest.mark.parametrize(
    ("hour", "doubt", "state"),
    [
        (9.5, 0, State.PASSED),
        (9.5, 0.4, State.PASSED),
        (9.7, 0.4, State.UNDETERMINED),
        (10, 0, State.UNDETERMINED),
        (11, 0, State.GAP),
        (12, 11.9, State.UNDETERMINED),  # said for the whole day
    ],
)
def test_a_word_counts_only_if_it_was_surely_given_before_the_closing(hour: float, doubt: float, state: State) -> None:
    time = at(hour, doubt)
    bare = replace(EVERYTHING, changes={}, done={"S11": (r.Done("S11", at(-30), "ada", "x1"),)})
    bare = replace(
        bare, tests={id: tuple(replace(one, time=at(-20)) for one in made) for id, made in bare.tests.items()}
    )
    for target, key in (("S11", "S11:hold"), ("O4", "O4:release")):
        told = line(replace(bare, releases={target: (r.Release(target, time, "M. Holm", "", "x"),)}), key)
        assert told.state is state
        if state is State.UNDETERMINED:
            assert "leaves open whether it came before the closing" in told.reason
            assert "say it anew with a closer time" in told.shoot
    plan = replace(PLAN, steps=(replace(STEP, hold=HoldKind.WITNESS),))
    came = replace(bare, plan=plan, witnesses={"S11": (r.Witness("S11", time, "the client", True, "x"),)})
    assert states(came)["S11:witness"] is state
    assert states(replace(bare, done={"S11": (r.Done("S11", time, "ada", "x"),)}))["S11:done"] is state
    let = replace(bare, seen={}, waivers={"O4": (replace(waiver(9, "W03", "to"), time=time),)})
    assert (states(let)["W03:to"] is State.WAIVED) == (state is State.PASSED)
    if state is State.UNDETERMINED:
        assert "whether that was before the closing is open: give it a closer time" in line(let, "W03:to").reason


def test_one_word_in_time_is_enough_beside_one_in_doubt() -> None:
    said = (r.Release("S11", at(9), "M. Holm", "", "x"), r.Release("S11", at(10, 2), "M. Holm", "", "y"))
    assert states(replace(EVERYTHING, releases={"S11": said}))["S11:hold"] is State.PASSED
    done = (r.Done("S11", at(8.5), "ada", "x"), r.Done("S11", at(10, 1), "ada", "y"))
    assert states(replace(EVERYTHING, done={"S11": done}))["S11:done"] is State.PASSED


# ------------------------------------------------------------------------------------------------ overtaken by work


@pytest.mark.parametrize(("hour", "state"), [(8.4, State.PASSED), (8.6, State.STALE), (8.5, State.UNDETERMINED)])
def test_a_step_is_not_done_any_more_once_its_runs_were_changed(hour: float, state: State) -> None:
    facts = replace(EVERYTHING, changes={"W03": (change(1, "installed"), change(hour, "re-routed"))})
    assert states(facts)["S11:done"] is state
    if state is State.STALE:
        assert "finished before W03 was re-routed" in line(facts, "S11:done").reason
    installed = replace(EVERYTHING, changes={"W03": (change(hour, "installed"),)})
    assert states(installed)["S11:done"] is State.PASSED, "that is the step's own work"


@pytest.mark.parametrize(("hour", "state"), [(8.9, State.PASSED), (9.1, State.STALE), (9, State.UNDETERMINED)])
def test_a_release_is_overtaken_when_its_step_is_finished_anew(hour: float, state: State) -> None:
    done = {"S11": (*EVERYTHING.done["S11"], r.Done("S11", at(hour), "ada", "y"))}
    assert states(replace(EVERYTHING, done=done))["S11:hold"] is state
    later = {"S11": (r.Done("S11", at(hour + 0.5), "ada", "y"),)}
    assert states(replace(EVERYTHING, done=later))["O4:release"] is state


@pytest.mark.parametrize(("hour", "state"), [(8.9, State.PASSED), (9.1, State.STALE), (9, State.UNDETERMINED)])
def test_a_release_is_overtaken_by_a_test_that_fails(hour: float, state: State) -> None:
    """Also where it passes again afterwards: the person who let it pass knew nothing of it."""
    tests = (*EVERYTHING.tests["W03"], a_test(hour, "polarity", passed=False), a_test(hour + 0.01, "polarity"))
    facts = replace(EVERYTHING, tests={**EVERYTHING.tests, "W03": tests})
    assert states(facts)["S11:hold"] is state
    assert states(facts)["W03:test:polarity"] is State.PASSED
    moved = tuple(replace(one, time=at(one_hour(one) + 0.5)) for one in tests[-2:])
    later = replace(EVERYTHING, tests={**EVERYTHING.tests, "W03": (*EVERYTHING.tests["W03"], *moved)})
    assert states(later)["O4:release"] is state


def one_hour(test: r.Test) -> float:
    assert test.time.instant is not None
    return (test.time.instant - f.DAY).total_seconds() / 3600


@pytest.mark.parametrize(("hour", "state"), [(8.9, State.PASSED), (9.1, State.STALE), (9, State.UNDETERMINED)])
def test_a_release_rests_on_tests_that_were_made_before_it(hour: float, state: State) -> None:
    plan = replace(PLAN, steps=(replace(STEP, tests=("polarity",)),))
    others = tuple(one for one in EVERYTHING.tests["W03"] if one.kind != "polarity")
    tests = {**EVERYTHING.tests, "W03": (*others, a_test(hour, "polarity"))}
    assert states(replace(EVERYTHING, plan=plan, tests=tests))["S11:hold"] is state
    again = {**tests, "W03": (*others, a_test(8, "polarity"), a_test(hour, "polarity"))}
    assert states(replace(EVERYTHING, plan=plan, tests=again))["S11:hold"] is State.PASSED, "repeated, and passed again"
    late = {**EVERYTHING.tests, "O4": (replace(EVERYTHING.tests["O4"][0], time=at(hour + 0.5)),)}
    assert states(replace(EVERYTHING, tests=late))["O4:release"] is state


def test_a_witness_saw_what_was_there_then() -> None:
    plan = replace(PLAN, steps=(replace(STEP, hold=HoldKind.WITNESS),))
    seen = {"S11": (r.Witness("S11", at(8.7), "the client", True, "x"),)}
    assert states(replace(EVERYTHING, plan=plan, witnesses=seen))["S11:witness"] is State.PASSED
    changed = {"W03": (*EVERYTHING.changes["W03"], change(8.8, "re-routed"))}
    assert states(replace(EVERYTHING, plan=plan, witnesses=seen, changes=changed))["S11:witness"] is State.STALE


def test_what_was_let_pass_for_one_closing_is_not_for_the_next() -> None:
    def again(hour: float) -> dict[str, State]:
        acts = {"O4": (closing("O4", at(9.6), at(hour)),)}
        let = {"O4": (waiver(9, "W03", "to"),)}
        kept = {**EVERYTHING.seen, "W03": EVERYTHING.seen["W03"][:2]}
        return states(replace(EVERYTHING, closings=acts, waivers=let, seen=kept), at(12))

    told = again(11)
    assert (told["O4:release"], told["O4:test:foreign-object"]) == (State.STALE, State.STALE)
    assert told["W03:to"] is State.GAP
    assert told["S11:hold"] is State.PASSED, "the step was not undone by opening it"
    not_yet = again(13)
    assert (not_yet["O4:test:foreign-object"], not_yet["W03:to"]) == (State.PASSED, State.WAIVED)


def test_a_release_must_have_known_of_what_is_waived() -> None:
    kept = {**EVERYTHING.seen, "W03": EVERYTHING.seen["W03"][:2]}
    let = {"O4": (waiver(9.2, "W03"),)}
    facts = replace(EVERYTHING, seen=kept, waivers=let)
    found = line(facts, "O4:release")
    assert found.state is State.STALE
    assert "given before W03:to was waived" in found.reason
    keys = tuple(key for key, state in states(facts).items() if state is State.WAIVED)
    knew = {**EVERYTHING.releases, "O4": (replace(EVERYTHING.releases["O4"][0], waived=keys),)}
    assert states(replace(facts, releases=knew))["O4:release"] is State.PASSED


def test_a_waiver_of_a_step_or_of_the_closing_lapses_with_a_change_of_what_it_is_about() -> None:
    let = {"O4": (waiver(9, "S11", "hold"), waiver(9, "O4", "test:foreign-object"))}
    facts = replace(EVERYTHING, releases={}, tests={"W03": EVERYTHING.tests["W03"]}, waivers=let)
    assert states(facts)["S11:hold"] is State.WAIVED
    assert states(facts)["O4:test:foreign-object"] is State.WAIVED
    later = replace(facts, changes={"W03": (change(9.5, "re-routed"),)})
    assert states(later)["S11:hold"] is State.GAP
    assert states(later)["O4:test:foreign-object"] is State.GAP


def test_a_test_that_failed_stands_in_the_way_though_nobody_asked_for_it() -> None:
    for subject in ("W03", "S11", "O4", "P-FOOT"):
        tests = {**EVERYTHING.tests, subject: (*EVERYTHING.tests.get(subject, ()), a_test(8, "soak", subject))}
        assert f"{subject}:test:soak" not in states(replace(EVERYTHING, tests=tests))
        failed = a_test(8.1, "soak", subject, passed=False)
        tests = {**tests, subject: (*tests[subject], failed)}
        found = states(replace(EVERYTHING, tests=tests))
        assert found[f"{subject}:test:soak"] is State.GAP
        tests = {**tests, subject: (*tests[subject], a_test(8.2, "soak", subject))}
        assert f"{subject}:test:soak" not in states(replace(EVERYTHING, tests=tests))
    gone = {"W03": (change(1, "installed"), change(8.5, "abandoned"))}
    tests = {**EVERYTHING.tests, "W03": (*EVERYTHING.tests["W03"], a_test(8, "soak", passed=False))}
    assert "W03:test:soak" not in states(replace(EVERYTHING, tests=tests, changes=gone)), "given up, with its fault"


def test_a_repeated_test_is_overtaken_by_a_change_and_by_one_of_open_order() -> None:
    def again(*after: r.Test, changes: tuple[r.Change, ...] = ()) -> State:
        facts = replace(EVERYTHING, tests={**EVERYTHING.tests, "W03": (*EVERYTHING.tests["W03"], *after)})
        shut = check(facts, O4, TEN, shut=True)
        facts = replace(facts, changes={"W03": (*EVERYTHING.changes["W03"], *changes)})
        return next(one.state for one in retests(facts, O4, shut) if one.key == "W03:retest:polarity")

    good = a_test(12, "polarity", through="J1")
    assert again(good) is State.PASSED
    assert again(good, changes=(change(13, "re-terminated"),)) is State.STALE
    assert again(good, changes=(change(12, "re-terminated", spread=1),)) is State.UNDETERMINED
    assert again(good, changes=(change(11, "re-terminated"),)) is State.PASSED
    assert again(good, a_test(12.2, "polarity", through="J1", value=7.0, spread=0.5)) is State.UNDETERMINED
    assert again(good, a_test(12.2, "polarity", through="J1", value=5.0, spread=0.5)) is State.PASSED


# ------------------------------------------------------------------------------------------------ the client's answer

APPROVAL = replace(PLAN, steps=(replace(STEP, hold=HoldKind.NONE, kind="approval"),))


def answered(*said: tuple[str, float, float], sent: float = 8.8, changes: tuple[r.Change, ...] = ()) -> r.Line:
    some = tuple(r.Answer("S11", verdict, at(hour, doubt), at(sent), "the museum", "as shown", f"x{hour}")
                 for verdict, hour, doubt in said)  # fmt: skip
    facts = replace(EVERYTHING, plan=APPROVAL, releases={}, answers={"S11": some})
    return line(replace(facts, changes={"W03": (*EVERYTHING.changes["W03"], *changes)}), "S11:approval")


def test_the_clients_answer_to_what_was_sent_is_an_approval() -> None:
    assert answered(("yes", 9, 0)).state is State.PASSED
    assert "the museum answered yes" in answered(("yes", 9, 0)).reason
    assert answered(("no", 9, 0)).state is State.GAP
    assert answered(("changes", 9, 0)).state is State.GAP
    assert answered(("changes", 9, 0), ("yes", 9.5, 0)).state is State.PASSED
    assert answered(("yes", 9, 0), ("no", 9.5, 0)).state is State.GAP
    assert answered(("yes", 9, 0.5), ("no", 9.2, 0.5)).state is State.UNDETERMINED
    assert answered(("yes", 9.9, 0.2)).state is State.UNDETERMINED
    assert answered(("yes", 10.5, 0)).state is State.GAP
    assert answered().state is State.GAP
    assert "lastlook approval ask OUT --point S11" in answered().shoot


def test_an_answer_speaks_of_what_was_shown_and_no_later_state() -> None:
    assert answered(("yes", 9, 0), changes=(change(8.7, "re-routed"),)).state is State.PASSED
    assert answered(("yes", 9, 0), changes=(change(8.9, "re-routed"),)).state is State.STALE, "sent at 8.8, as it was"
    assert answered(("", 8.8, 0)).state is State.GAP
    assert "no answer yet" in answered(("", 8.8, 0)).reason


def test_a_no_at_a_point_that_no_step_is_called_by_is_told() -> None:
    def notes(verdict: str, sent: float = 8) -> list[str]:
        said = r.Answer("before closing", verdict, at(9), at(sent), "the museum", "not yet", "x")
        found = check(replace(EVERYTHING, loose_answers=(said,)), O4, TEN).notes
        return [note.text for note in found if note.subject == "approval" and note.flagged]

    assert "answered no" in notes("no")[0]
    assert "no answer yet" in notes("")[0]
    assert not notes("yes")
    assert not notes("no", sent=11)


# ------------------------------------------------------------------------------------------------ colder than it began

EPOXY = r.Adhesive("EPOXY", "two-part epoxy", full_cure_h=24, reference_c=25, minimum_c=15)


@pytest.mark.parametrize(
    ("readings", "hours"),
    [
        ([], 24.0),
        ([(5, 20)], 33.94),  # colder in the night
        ([(5, 30)], 24.0),  # a warm bench shortens nothing
        ([(5, 14.9)], None),  # below the sheet's minimum: unknown
        ([(5, 15)], 48.0),
        ([(-1, 10)], 24.0),  # before it was joined
        ([(25, 10)], 24.0),  # after it had cured
        ([(20, 20), (30, 15)], 48.0),  # the first made it longer, and then the second is within it
        ([(24, 20)], 33.94),
    ],
)
def test_the_coldest_reading_while_it_cured_counts(readings: list[tuple[float, float]], hours: float | None) -> None:
    made = r.Bond("P-FOOT", "epoxy", at(0), "ada", "b1", temperature_c=25)
    some = tuple(a_test(hour, "cure-temperature", "P-FOOT", value=celsius, unit="°C") for hour, celsius in readings)
    facts = replace(EVERYTHING, adhesives={"epoxy": EPOXY}, bonds=(made,), tests={"P-FOOT": some})
    took = bonds.full_cure(made, facts.adhesives, bonds.readings_of(facts, made))
    assert took.hours == (None if hours is None else pytest.approx(hours, abs=0.01))
    held = bonds.holds(facts, at(26))[0]
    assert held.over == (hours is not None and hours < 26)


def test_a_later_reading_alone_tells_how_warm_it_was() -> None:
    made = r.Bond("P-FOOT", "epoxy", at(0), "ada", "b1")
    known = {"epoxy": EPOXY}
    assert bonds.full_cure(made, known).hours is None
    assert bonds.full_cure(made, known, [a_test(1, "cure-temperature", "P-FOOT", value=25.0)]).hours == 24
