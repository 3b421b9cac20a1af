"""What a plan may say about closings: what is reached and replaced, joint lines crossed, tests, requirements."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lastlook.errors import PlanError
from lastlook.plan.merge import merge
from lastlook.plan.parse import parse_plan
from lastlook.plan.schedule import schedule_from_csv, schedule_to_csv, with_schedule
from lastlook.plan.write import dump_plan
from lastlook.records import Requirement, RequirementKind

PLAN = """\
# ours
[build]
name = "LV-40"

[[subassembly]]
id = "MAST"
title = "Mast"

[[opening]]
id = "O4"
title = "Mast foot"
shows = ["MAST"]
reaches = ["mast"]
replaces = ["W03"]

[[step]]
id = "S11"
title = "Polarity"
subassembly = "MAST"
tests = ["Polarity", "light leak"]

# the white one
[[run]]
id = "W03"
title = "Lantern plus"
crosses = ["o4"]
outer_mm = 0.6

# what we ask of runs
[requirements.run]
tests = ["continuity"]
ends = false
retest_percent = 5

[requirements.opening]
release = false
"""


def test_the_keys_are_read_and_spelled_as_the_plan_spells_ids() -> None:
    plan = parse_plan(PLAN, "plan.toml")
    opening, step, run = plan.openings[0], plan.steps[0], plan.runs[0]
    assert (opening.reaches, opening.replaces) == (("MAST",), ("W03",))
    assert step.tests == ("polarity", "light-leak")
    assert (run.crosses, run.outer_mm) == (("O4",), 0.6)
    assert plan.requirements == (
        Requirement(RequirementKind.RUN, ends=False, tests=("continuity",), retest_percent=5.0),
        Requirement(RequirementKind.OPENING, release=False),
    )


def test_a_plan_with_requirements_goes_out_as_it_came_in() -> None:
    plan = parse_plan(PLAN, "plan.toml")
    assert parse_plan(dump_plan(plan), "again") == plan
    assert dump_plan(plan, PLAN) == PLAN
    longer = replace(plan, runs=(replace(plan.runs[0], title="Lantern plus, lengthened"),))
    saved = dump_plan(longer, PLAN)
    assert saved == PLAN.replace('"Lantern plus"', '"Lantern plus, lengthened"'), "and the rest to the letter"
    other = replace(plan, requirements=(replace(plan.requirements[0], ends=None), plan.requirements[1]))
    assert parse_plan(dump_plan(other, PLAN), "again") == other


def test_requirements_follow_the_plan_that_is_loaded() -> None:
    plan = parse_plan(PLAN, "plan.toml")
    bare = replace(plan, requirements=())
    merged, changes = merge(plan, bare, frozenset())
    assert merged.requirements == ()
    assert [(change.group, change.id) for change in changes] == [("requirements", "run"), ("requirements", "opening")]


def test_a_wire_schedule_leaves_what_it_has_no_column_for() -> None:
    plan = parse_plan(PLAN, "plan.toml")
    again, changes = with_schedule(plan, schedule_from_csv(schedule_to_csv(plan)))
    assert again == plan
    assert not changes


@pytest.mark.parametrize(
    ("wrong", "right", "said"),
    [
        ("ends = false", "end = false", 'line 32: requirements.run: there is no key "end"; did you mean "ends"?'),
        ("ends = false", 'ends = "no"', "line 32: requirements.run: ends must be true or false without quotes"),
        ("release = false", "length = true", 'line 36: requirements.opening: there is no key "length"'),
        ("[requirements.run]", "[requirements.runs]", "did you mean [requirements.run]?"),
        ("retest_percent = 5", "retest_percent = -1", "line 33: requirements.run: retest_percent is -1"),
        ('crosses = ["o4"]', 'crosses = ["O5"]', 'crosses names "O5", but there is no such opening'),
        ('reaches = ["mast"]', 'reaches = ["S11"]', 'reaches names "S11", which is a step'),
        ('tests = ["continuity"]', 'tests = ["Ω"]', 'requirements.run: "ω" cannot be the name of a test'),
    ],
)
def test_faults_name_their_line(wrong: str, right: str, said: str) -> None:
    assert PLAN.count(wrong) == 1
    with pytest.raises(PlanError) as caught:
        parse_plan(PLAN.replace(wrong, right), "plan.toml")
    assert any(said in fault for fault in caught.value.faults), caught.value.faults
