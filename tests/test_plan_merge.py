"""Loading a plan again: updates by id, and nothing in use is dropped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook.errors import PlanError
from lastlook.plan.ids import id_key
from lastlook.plan.merge import Change, ChangeKind, merge
from lastlook.plan.parse import parse_plan
from lastlook.plan.structure import items
from lastlook.plan.write import dump_plan
from lastlook.records import Build, Opening, Part, Plan, Run, Step, Subassembly
from tests.plan_strategies import plans

PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan.toml")
SMALL = Plan(
    build=Build("LV-40"),
    subassemblies=(Subassembly("MAST", "Mast"), Subassembly("LAN", "Lantern", within="MAST")),
    openings=(Opening("O4", "Mast foot", shows=("W03", "W04")),),
    steps=(Step("S1", "Wire it", "LAN", runs=("W03",), before=("O4",)),),
    runs=(Run("W03", "plus", subassemblies=("LAN",)), Run("W04", "minus")),
    parts=(Part("LED", "Light", "LAN"),),
)
EMPTY = Plan(build=Build("LV-40"))


def test_the_same_plan_again_changes_nothing() -> None:
    assert merge(PLAN, PLAN, PLAN.ids) == (PLAN, [])


def test_what_is_not_in_use_goes_and_is_said() -> None:
    merged, changes = merge(SMALL, EMPTY, set())
    assert merged == EMPTY
    assert {(change.kind, change.id) for change in changes} == {(ChangeKind.REMOVED, name) for name in SMALL.ids}


def test_what_is_in_use_stays_with_what_it_lies_in() -> None:
    merged, changes = merge(SMALL, EMPTY, {"S1", "O4", "unknown"})
    assert merged == replace(
        SMALL,
        openings=(replace(SMALL.openings[0], shows=()),),
        steps=(replace(SMALL.steps[0], runs=()),),
        runs=(),
        parts=(),
    )
    kept = {change.id: change.what for change in changes if change.kind is ChangeKind.KEPT}
    assert kept == {
        "S1": "is missing from the new plan, but pictures or decisions refer to it",
        "O4": "is missing from the new plan, but pictures or decisions refer to it",
        "LAN": "is missing from the new plan, but S1 lies in it",
        "MAST": "is missing from the new plan, but LAN lies in it",
    }


def test_changes_are_said_key_by_key() -> None:
    new = replace(
        SMALL,
        build=replace(SMALL.build, client="Museum"),
        runs=(replace(SMALL.runs[0], colour="RD", subassemblies=("LAN", "MAST")), SMALL.runs[1], Run("W11", "horn")),
    )
    merged, changes = merge(SMALL, new, {"W03"})
    assert merged == new
    assert changes == [
        Change(ChangeKind.CHANGED, "build", "LV-40", "client none → Museum"),
        Change(ChangeKind.CHANGED, "run", "W03", "colour none → RD, subassemblies LAN → LAN MAST"),
        Change(ChangeKind.ADDED, "run", "W11", "horn"),
    ]


def test_an_id_in_use_keeps_its_spelling_everywhere() -> None:
    new = replace(
        SMALL,
        openings=(Opening("O4", "Mast foot", shows=("w03", "W04")),),
        steps=(replace(SMALL.steps[0], runs=("w03",)),),
        runs=(Run("w03", "plus", subassemblies=("LAN",)), Run("W04", "minus")),
    )
    assert merge(SMALL, new, {"W03"}) == (SMALL, [])
    assert merge(SMALL, new, set())[0] == new


def test_an_id_in_use_cannot_change_its_kind() -> None:
    new = replace(EMPTY, runs=(Run("lan", "a run now"),))
    with pytest.raises(PlanError) as caught:
        merge(SMALL, new, {"S1"})  # S1 lies in LAN
    assert caught.value.faults == ("LAN was a subassembly and would become a run; give the new item another id",)
    merged, changes = merge(SMALL, new, set())
    assert merged == new
    assert changes[0] == Change(ChangeKind.CHANGED, "run", "lan", "was a subassembly, is a run now")


@settings(max_examples=60)
@given(plans(), plans(), st.data())
def test_nothing_in_use_is_lost_and_the_result_can_be_read(old: Plan, new: Plan, data: st.DataObject) -> None:
    used = data.draw(st.sets(st.sampled_from(sorted(old.ids)))) if old.ids else set()
    if {id_key(name) for name in old.ids} & {id_key(name) for name in new.ids}:
        new = Plan(build=new.build)  # an id in use that becomes another kind has its own test
    merged, changes = merge(old, new, used)
    assert used | new.ids <= merged.ids
    assert parse_plan(dump_plan(merged), "plan.toml") == merged
    gone = {change.id for change in changes if change.kind is ChangeKind.REMOVED}
    assert gone == old.ids - merged.ids
    assert merge(merged, merged, used) == (merged, [])


@settings(max_examples=60)
@given(plans(), st.data())
def test_a_plan_that_lost_some_items_and_changed_others(old: Plan, data: st.DataObject) -> None:
    used = data.draw(st.sets(st.sampled_from(sorted(old.ids)))) if old.ids else set()
    new = replace(
        old,
        openings=(),
        steps=tuple(replace(step, before=(), runs=()) for step in old.steps if data.draw(st.booleans())),
        runs=tuple(
            replace(run, title="new", subassemblies=(), crosses=()) for run in old.runs if data.draw(st.booleans())
        ),
        parts=(),
    )
    merged, changes = merge(old, new, used)
    assert merged.ids == used | new.ids
    assert parse_plan(dump_plan(merged), "plan.toml") == merged
    after = items(merged)
    assert all(after[name] == item for name, item in items(new).items())
    kept = {change.id for change in changes if change.kind is ChangeKind.KEPT}
    assert kept == used - new.ids
