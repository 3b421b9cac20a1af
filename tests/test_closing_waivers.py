"""How far a waiver reaches: what stood open when it was given, and nothing that was unknown then.

A waiver names what is let pass, by whom and why: nobody lets pass what was not known then (usage of inspection and test
plans; own rule, common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lastlook import bonding, closing_check, deciding, recording
from lastlook.acts import Act
from lastlook.closing import records as r
from lastlook.closing.check import check, waived
from lastlook.closing.records import State
from lastlook.errors import UsageError
from lastlook.store import Store
from tests import bench_archive
from tests.closing_facts import EVERYTHING, O4, UNKNOWN, a_test, at, measure, waiver

TEN = at(10)
EPOXY = r.Adhesive("EPOXY", "two-part epoxy", full_cure_h=24, reference_c=25, minimum_c=15)
FOOT = r.Bond("P-FOOT", "EPOXY", at(9.2), "ada", "b0000001", temperature_c=25)
BONDED = replace(EVERYTHING, adhesives={"epoxy": EPOXY}, bonds=(FOOT,))


def state_of(facts: r.Facts, key: str) -> State:
    return next(line.state for line in check(facts, O4, TEN).lines if line.key == key)


def test_a_waiver_for_all_of_an_item_is_for_what_stood_open_when_it_was_given() -> None:
    """Somebody lets the foot's close view go, and bonds it afterwards: the no-load hold nobody has let pass."""
    views = replace(waiver(9, "P-FOOT"), lines=("close",))
    facts = replace(BONDED, seen={**EVERYTHING.seen, "P-FOOT": ()}, waivers={"O4": (views,)})
    assert state_of(facts, "P-FOOT:close") is State.WAIVED
    assert state_of(facts, "P-FOOT:context") is State.GAP
    assert state_of(facts, "P-FOOT:cure:b0000001") is State.GAP
    named = replace(facts, waivers={"O4": (waiver(9.4, "P-FOOT", "cure:b0000001"),)})
    assert state_of(named, "P-FOOT:cure:b0000001") is State.WAIVED


@pytest.mark.parametrize(("hour", "spread", "state"), [(8.9, 0, State.WAIVED), (9.1, 0, State.GAP), (9, 1, State.GAP)])
@pytest.mark.parametrize("verdict", ["no", "changes"])
def test_a_waived_approval_stands_no_longer_once_the_client_says_no(
    verdict: str, hour: float, spread: float, state: State
) -> None:
    answer = r.Answer("S11", verdict, at(hour, spread), at(8), "the museum", "not yet", "x")
    facts = replace(EVERYTHING, answers={"S11": (answer,)}, waivers={"O4": (waiver(9, "S11", "approval"),)})
    line = r.Line("S11", "approval", "approval", State.GAP, "answered no")
    assert waived(facts, "O4", line, TEN).state is state


@pytest.mark.parametrize(("hour", "state"), [(8, State.WAIVED), (9.5, State.GAP), (11, State.WAIVED)])
def test_a_waived_length_stands_no_longer_once_it_was_measured_short(hour: float, state: State) -> None:
    measures = (measure(7, "far-side", 250), measure(hour, "tail", 100))
    facts = replace(EVERYTHING, measures={"W03": measures}, waivers={"O4": (waiver(9, "W03", "length"),)})
    line = next(line for line in check(facts, O4, TEN).lines if line.key == "W03:length")
    assert line.state is state
    assert ("no longer" in line.reason) == (state is State.GAP)


@pytest.mark.parametrize(
    ("hour", "celsius", "state"),
    [(9.6, 12.0, State.UNDETERMINED), (9.6, 25.0, State.WAIVED), (9.3, 12.0, State.WAIVED), (11, 12.0, State.WAIVED)],
)
def test_a_waived_hold_stands_no_longer_once_the_joint_was_colder(hour: float, celsius: float, state: State) -> None:
    reading = a_test(hour, "cure-temperature", "P-FOOT", value=celsius, unit="°C")
    facts = replace(
        BONDED,
        tests={**EVERYTHING.tests, "P-FOOT": (reading,)},
        waivers={"O4": (waiver(9.5, "P-FOOT", "cure:b0000001"),)},
    )
    assert state_of(facts, "P-FOOT:cure:b0000001") is state


def test_a_reading_of_unknown_time_may_be_later_than_the_waiver() -> None:
    reading = replace(a_test(9, "cure-temperature", "P-FOOT", value=12.0, unit="°C"), time=UNKNOWN)
    facts = replace(
        BONDED,
        tests={**EVERYTHING.tests, "P-FOOT": (reading,)},
        waivers={"O4": (waiver(9.5, "P-FOOT", "cure:b0000001"),)},
    )
    assert state_of(facts, "P-FOOT:cure:b0000001") is not State.WAIVED


def test_the_record_names_what_a_waiver_for_all_covers_and_a_retest_is_waived_by_name(tmp_path: Path) -> None:
    holm = Act("2026-04-01 10:00", "M. Holm")
    with Store(bench_archive.make(tmp_path), by="ada") as store:
        deciding.close(store, "O1", "2026-03-31 11:15")
        recording.record_test(store, "W03", "polarity", True, Act("2026-03-26"), value=5, unit="V", instrument="m")
        decision, covered = recording.waive(store, "O2", "W03", holm, reason="sealed unit")
        assert decision.body["lines"] == [line.what for line in covered]
        assert recording.waive(store, "O2", "W10", holm, reason="sealed", what="to")[0].body.get("lines") is None
        bonding.adhesive(store, "EPOXY", {"full_cure_h": 500})
        bonding.bond(store, "W03", "EPOXY", "2026-04-02 09:00", figures={"temperature_c": 23.0})
        found = closing_check.check(store, "O2", "2026-04-09 11:44")
        assert {line.state for line in found.lines if line.subject == "W03" and line.what[:4] != "cure"} <= {
            State.WAIVED,
            State.PASSED,
        }
        assert [line.state for line in found.lines if line.what[:4] == "cure"] == [State.GAP]
        closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True)
        with pytest.raises(UsageError, match="nothing is open") as refused:
            recording.waive(store, "O2", "W03", Act("2026-04-12", "M. Holm"), reason="connector taken")
        assert "retest:polarity" in refused.value.hint
