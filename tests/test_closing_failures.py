"""What is found only after closing: each of the known failures of the trade as a scenario in which the check, asked in
time, would have stood in the way, and one in which it would not have needed to."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lastlook.closing import records as r
from lastlook.closing.check import check, retests
from lastlook.closing.records import Facts, State
from lastlook.records import Opening, OpeningKind, Requirement, RequirementKind, RunStatus, Step
from tests import closing_facts as f
from tests.closing_facts import EVERYTHING, O4, PLAN, a_test, at, change, seen

TEN = at(10)
W03 = PLAN.runs[0]


def of_run(*tests: r.Test) -> Facts:
    others = tuple(one for one in EVERYTHING.tests["W03"] if one.kind not in {test.kind for test in tests})
    return replace(EVERYTHING, tests={**EVERYTHING.tests, "W03": (*others, *tests)})


def on_opening(kind: str, *tests: r.Test) -> Facts:
    asked = Requirement(RequirementKind.OPENING, tests=(kind,))
    plan = replace(PLAN, requirements=(asked,))
    return replace(EVERYTHING, plan=plan, tests={**EVERYTHING.tests, "O4": tests})


def without_view(what: str) -> Facts:
    kept = tuple(one for one in EVERYTHING.seen["W03"] if what not in one.view.shows)
    return replace(EVERYTHING, seen={**EVERYTHING.seen, "W03": kept})


SPARE = replace(
    EVERYTHING, plan=replace(PLAN, runs=(replace(W03, status=RunStatus.SPARE),)), measures={}, tests=EVERYTHING.tests
)
MAST_STEP = Step("S12", "Motor run with the mast loaded", "MAST", "test", 2, ("O4",), tests=("stall-current",))
STEPPED = replace(
    EVERYTHING,
    plan=replace(PLAN, steps=(*PLAN.steps, MAST_STEP)),
    done={**EVERYTHING.done, "S12": (r.Done("S12", at(8), "ada", "x"),)},
)
CURED = {"epoxy": r.Adhesive("epoxy", "two-part epoxy", full_cure_h=24, reference_c=23)}


def bonded(hour: float) -> Facts:
    made = r.Bond("P-FOOT", "epoxy", at(hour), "ada", "b1", temperature_c=23)
    return replace(EVERYTHING, adhesives=CURED, bonds=(made,))


@pytest.mark.parametrize(
    ("failure", "caught", "line", "fine"),
    [
        (
            "reversed polarity on one channel",
            of_run(a_test(8, "polarity", passed=False, value=-4.98)),
            "W03:test:polarity",
            EVERYTHING,
        ),
        (
            "polarity checked before the connector was changed",
            replace(EVERYTHING, changes={"W03": (change(8.2, "re-terminated"),)}),
            "W03:test:polarity",
            EVERYTHING,
        ),
        (
            "resistor omitted or of the wrong decade",
            of_run(a_test(8, "current", passed=False, value=200.0, unit="mA")),
            "W03:test:current",
            EVERYTHING,
        ),
        ("current never measured", replace(EVERYTHING, tests={}), "W03:test:current", EVERYTHING),
        (
            "strand short at an unsleeved splice",
            replace(EVERYTHING, seen={**EVERYTHING.seen, "P-FOOT": EVERYTHING.seen["P-FOOT"][:1]}),
            "P-FOOT:close",
            EVERYTHING,
        ),
        ("wire nicked at the joint line", without_view("crossing:O4"), "W03:crossing:O4", EVERYTHING),
        ("connector mated one pin over", without_view("from"), "W03:from", EVERYTHING),
        (
            "spare conductor not insulated at its far end",
            SPARE,
            "W03:test:isolation",
            replace(SPARE, tests={**SPARE.tests, "W03": (a_test(8, "isolation", value=20.0, unit="MΩ"),)}),
        ),
        (
            "motor stalls with the mast loaded",
            STEPPED,
            "S12:test:stall-current",
            replace(STEPPED, tests={**STEPPED.tests, "S12": (a_test(8, "stall-current", "S12", unit="mA"),)}),
        ),
        (
            "light leak at the seam, seen in the dark only",
            on_opening("light-leak"),
            "O4:test:light-leak",
            on_opening("light-leak", a_test(9, "light-leak", "O4", value=None, unit="", instrument="")),
        ),
        (
            "common return shared with a dimmed channel",
            on_opening("channels", a_test(9, "channels", "O4", passed=False, value=None, text="ghost glow")),
            "O4:test:channels",
            on_opening("channels", a_test(9, "channels", "O4", value=None)),
        ),
        (
            "a dab of adhesive let go and the loom hangs",
            on_opening("rattle"),
            "O4:test:rattle",
            on_opening("rattle", a_test(9, "rattle", "O4", value=None, unit="", instrument="")),
        ),
        (
            "flicker from an undersized supply",
            of_run(a_test(8, "soak", passed=False, value=0.5, unit="h")),
            "W03:test:soak",
            replace(
                on_opening("soak", a_test(9, "soak", "O4", value=24.0, unit="h")),
                plan=replace(PLAN, requirements=(Requirement(RequirementKind.RUN, tests=("soak",)),)),
                tests={**EVERYTHING.tests, "W03": (a_test(8, "soak", value=24.0, unit="h"),)},
            ),
        ),
        (
            "label not legible",
            replace(
                EVERYTHING,
                seen={
                    **EVERYTHING.seen,
                    "P-FOOT": (
                        EVERYTHING.seen["P-FOOT"][0],
                        replace(
                            EVERYTHING.seen["P-FOOT"][1],
                            view=replace(EVERYTHING.seen["P-FOOT"][1].view, sharp=False),
                        ),
                    ),
                },
            ),
            "P-FOOT:close",
            EVERYTHING,
        ),
        (
            "resin cured in a cold night",
            replace(
                bonded(-40),
                adhesives={"epoxy": replace(CURED["epoxy"], minimum_c=15.0)},
                tests={**EVERYTHING.tests, "P-FOOT": (a_test(-35, "cure-temperature", "P-FOOT", value=12.0),)},
            ),
            "P-FOOT:cure:b1",
            bonded(-40),
        ),
        (
            "opened again and closed on the old word",
            replace(EVERYTHING, closings={"O4": (f.closing("O4", at(9.6), at(9.8)),)}),
            "O4:release",
            EVERYTHING,
        ),
        (
            "loose debris rattles",
            replace(EVERYTHING, tests={"W03": EVERYTHING.tests["W03"]}),
            "O4:test:foreign-object",
            EVERYTHING,
        ),
        (
            "driver overheats in the closed volume",
            on_opening("temperature", a_test(9, "temperature", "O4", instrument="")),
            "O4:test:temperature",
            on_opening("temperature", a_test(9, "temperature", "O4", value=41.0, unit="°C")),
        ),
        (
            "loom taut because the service loop was used up",
            replace(EVERYTHING, measures={"W03": (f.measure(7, "tail", 260), f.measure(7, "far-side", 250))}),
            "W03:length",
            EVERYTHING,
        ),
        (
            "wire cut too short for its way",
            replace(EVERYTHING, changes={"W03": (change(1, "installed"), change(6, length_mm=520.0))}),
            "W03:length",
            EVERYTHING,
        ),
        ("joint loaded before it cured", bonded(0), "P-FOOT:cure:b1", bonded(-15)),
        (
            "photo from before the re-route",
            replace(EVERYTHING, changes={"W03": (change(7.5, "re-routed"),)}),
            "W03:to",
            EVERYTHING,
        ),
        (
            "photos of the dry fit, not of what was built",
            replace(EVERYTHING, changes={**EVERYTHING.changes, "P-FOOT": (change(8, "installed", "P-FOOT"),)}),
            "P-FOOT:close",
            EVERYTHING,
        ),
        (
            "wrong or missing clock",
            replace(EVERYTHING, seen={**EVERYTHING.seen, "P-FOOT": (seen("pb1", f.UNKNOWN, "P-FOOT"),)}),
            "P-FOOT:close",
            EVERYTHING,
        ),
        (
            "out of focus exactly at the joint",
            replace(
                EVERYTHING,
                seen={
                    **EVERYTHING.seen,
                    "W03": tuple(
                        replace(one, view=replace(one.view, sharp=None, region=(1, 1, 90, 90), region_share=0.2))
                        for one in EVERYTHING.seen["W03"]
                    ),
                },
                rank={"pa3": 1.0},
            ),
            "W03:crossing:O4",
            EVERYTHING,
        ),
        (
            "only the pretty side photographed",
            replace(EVERYTHING, seen={**EVERYTHING.seen, "W03": EVERYTHING.seen["W03"][:1]}),
            "W03:to",
            EVERYTHING,
        ),
        ("an unfinished step closed over", replace(EVERYTHING, done={}), "S11:done", EVERYTHING),
        (
            "released before the last change",
            replace(EVERYTHING, changes={"W03": (change(9.2, "re-routed"),)}),
            "S11:hold",
            EVERYTHING,
        ),
    ],
    ids=lambda value: value.replace(" ", "-") if isinstance(value, str) and " " in value else "",
)
def test_the_check_would_have_stood_in_the_way(failure: str, caught: Facts, line: str, fine: Facts) -> None:
    found = check(caught, O4, TEN)
    assert not found.ready, failure
    told = {one.key: one.state for one in found.lines}
    assert told[line] in (State.GAP, State.STALE, State.UNDETERMINED), failure
    assert {one.key: one.state for one in check(fine, O4, TEN).lines}[line] is State.PASSED, failure


def test_a_cold_joint_opened_by_the_clamps_shows_in_the_test_after_closing() -> None:
    def after(value: float) -> State:
        facts = of_run(
            a_test(8, "continuity", value=0.4, unit="Ω"), a_test(12, "continuity", value=value, unit="Ω", through="J1")
        )
        lines = retests(facts, O4, check(facts, O4, TEN, shut=True))
        return next(one.state for one in lines if one.key == "W03:retest:continuity")

    assert after(0.42) is State.PASSED
    assert after(3.8) is State.GAP


def test_a_colour_that_was_substituted_is_told() -> None:
    facts = replace(EVERYTHING, changes={"W03": (change(6, "colour-substituted", colour="YE"),)})
    assert any(note.flagged and "the plan says WH" in note.text for note in check(facts, O4, TEN).notes)


def test_a_magnetic_roof_asks_for_no_release() -> None:
    roof = Opening("O4", "Roof", OpeningKind.MAGNETIC, O4.shows)
    facts = replace(EVERYTHING, plan=replace(PLAN, openings=(roof,)), releases={}, tests={})
    assert not [one for one in check(facts, roof, TEN).lines if one.subject == "O4"]
