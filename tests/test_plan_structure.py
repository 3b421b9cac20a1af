"""What lies where and what can be seen through which opening, on the lightship."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings

from lastlook.plan.parse import parse_plan
from lastlook.plan.structure import (
    ancestors,
    closing_order,
    hidden_by,
    items,
    kind_of,
    openings_showing,
    parts_in,
    runs_in,
    shown_through,
    steps_before,
    steps_of,
    subassemblies_of,
    subtree,
)
from lastlook.records import Build, Dimension, Opening, Plan, Subassembly
from tests.plan_strategies import plans

PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan.toml")


def test_within() -> None:
    assert ancestors(PLAN, "LAN") == ("MAST",)
    assert subtree(PLAN, "MAST") == ("MAST", "LAN")
    assert subtree(PLAN, "LAN") == ("LAN",)
    assert subassemblies_of(PLAN, "W03") == ("BHD-11", "MAST", "LAN")
    assert subassemblies_of(PLAN, "O1") == ()
    assert kind_of(items(PLAN)["O1"]) == "opening"
    assert kind_of(items(PLAN)["W03"]) is Dimension.RUN


def test_what_lies_in_a_subassembly() -> None:
    assert [step.id for step in steps_of(PLAN, "MAST")] == ["S60", "S80"]
    assert [step.id for step in steps_of(PLAN, "MAST", below=True)] == ["S60", "S70", "S80"]
    assert [run.id for run in runs_in(PLAN, "LAN")] == ["W03", "W04"]
    assert [part.id for part in parts_in(PLAN, "HULL-F", below=True)] == ["TB"]


def test_an_item_is_seen_through_openings_that_show_it_or_what_it_lies_in() -> None:
    assert openings_showing(PLAN, "HULL-F") == ("O1", "O2")
    assert openings_showing(PLAN, "BHD-11") == ("O1", "O2")  # within the fore hull
    assert openings_showing(PLAN, "TB") == ("O1", "O2")  # a part of bulkhead 11
    assert openings_showing(PLAN, "W03") == ("O1", "O2", "O4")  # shown itself, too
    assert openings_showing(PLAN, "S70") == ()  # the lantern is seen through none
    assert openings_showing(PLAN, "MAST") == ()  # to show its runs is not to show the mast
    assert shown_through(PLAN, "O4") == ("W03", "W04", "W05", "W06", "W10")


def test_an_item_is_hidden_by_the_last_opening_that_shows_it() -> None:
    assert hidden_by(PLAN, "O4") == ()
    assert hidden_by(PLAN, "O3") == ("DKH",)
    assert hidden_by(PLAN, "O2", closed={"O1"}) == ("HULL-F", "HULL-A", "BHD-11", "W07", "W08", "TB")
    assert "W03" in hidden_by(PLAN, "O4", closed={"O1", "O2"})


def test_order() -> None:
    assert [step.id for step in steps_before(PLAN, "O1")] == ["S10", "S20", "S40", "S50"]
    assert closing_order(PLAN) == ("O5", "O1", "O4", "O2", "O3")


def test_circles_do_not_hang() -> None:
    subs = (Subassembly("A", "a", within="B"), Subassembly("B", "b", within="A"))
    plan = Plan(Build("x"), subassemblies=subs, openings=(Opening("O", "o", shows=("A",)),))
    assert ancestors(plan, "A") == ("B", "A")
    assert openings_showing(plan, "B") == ("O",)


@settings(max_examples=50)
@given(plans())
def test_closing_everything_hides_all_that_can_be_seen_and_each_thing_once(plan: Plan) -> None:
    closed: set[str] = set()
    hidden: list[str] = []
    for opening in plan.openings:
        hidden += hidden_by(plan, opening.id, closed)
        closed.add(opening.id)
    seen = {name for opening in plan.openings for name in shown_through(plan, opening.id)}
    assert len(hidden) == len(set(hidden))
    assert set(hidden) == seen
