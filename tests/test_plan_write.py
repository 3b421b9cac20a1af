"""Saving a plan: it reads back equal, and what the builder wrote around it survives."""

from __future__ import annotations

import difflib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings

from lastlook.errors import PlanError
from lastlook.plan.parse import parse_plan
from lastlook.plan.write import dump_plan
from lastlook.records import Opening, Part, Plan, Run, RunStatus, Subassembly
from tests.plan_strategies import plans

LV40 = (Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8")


def changed_lines(before: str, after: str) -> list[str]:
    diff = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in diff if line[0] in "+-" and line[:3] not in ("+++", "---")]


def with_run(plan: Plan, name: str, **changes: object) -> Plan:
    runs = tuple(replace(run, **changes) if run.id == name else run for run in plan.runs)  # type: ignore[arg-type]
    return replace(plan, runs=runs)


@settings(max_examples=50)
@given(plans())
def test_a_saved_plan_reads_back_equal(plan: Plan) -> None:
    assert parse_plan(dump_plan(plan), "plan.toml") == plan


@settings(max_examples=30)
@given(plans(), plans())
def test_any_plan_saved_over_any_other_reads_back_equal(old: Plan, new: Plan) -> None:
    text = "# mine\n\n" + dump_plan(old).replace("[build]", "[build] # not at the top")
    saved = dump_plan(new, text)
    assert parse_plan(saved, "plan.toml") == new
    assert saved.startswith("# mine\n\n[build] # not at the top\n")
    assert dump_plan(new, saved) == saved


def test_nothing_changed_nothing_touched() -> None:
    assert dump_plan(parse_plan(LV40, "plan.toml"), LV40) == LV40
    windows = LV40.replace("\n", "\r\n")
    assert dump_plan(parse_plan(windows, "plan.toml"), windows) == windows


def test_line_ends_that_are_none_in_toml_do_not_matter() -> None:
    text = '[build] # a\u2028b\x85c\nname = "x" # d\u2029[[run]]\n'
    plan = parse_plan(text, "plan.toml")
    assert dump_plan(replace(plan, build=replace(plan.build, scale="1:40")), text) == text + 'scale = "1:40"\n'


def test_only_the_keys_that_changed_are_written() -> None:
    plan = with_run(parse_plan(LV40, "plan.toml"), "W10", status=RunStatus.CHANGED, tracer="WH", loop_mm=12.5)
    saved = dump_plan(plan, LV40)
    assert sorted(changed_lines(LV40, saved)) == sorted(
        ["-loop_mm = 0", "+loop_mm = 12.5", '-status = "spare"', '+status = "changed"', '+tracer = "WH"']
    )


def test_a_list_keeps_its_layout_and_remarks_when_it_grows() -> None:
    plan = parse_plan(LV40, "plan.toml")
    openings = (replace(plan.openings[0], shows=("HULL-F", "HULL-A", "BASE")), *plan.openings[1:])
    saved = dump_plan(replace(plan, openings=openings), LV40)
    assert changed_lines(LV40, saved) == ['+  "BASE",']
    assert '"HULL-F", # bulkhead 11 lies within it' in saved


def test_new_items_stand_beside_their_kind_and_removed_ones_go() -> None:
    plan = parse_plan(LV40, "plan.toml")
    runs = (*plan.runs[:2], Run("W02a", "Supply sense"), *plan.runs[2:9])
    parts = (*plan.parts, Part("LED", "Lantern light", "LAN"))
    openings = tuple(replace(o, shows=tuple(name for name in o.shows if name != "W10")) for o in plan.openings)
    new = replace(plan, runs=runs, parts=parts, openings=openings)
    saved = dump_plan(new, LV40)
    assert parse_plan(saved, "plan.toml") == new
    assert saved.index('"W02"\ntitle') < saved.index('"W02a"') < saved.index('"W03"\ntitle')
    assert 'id = "W10"' not in saved
    assert saved.endswith('[[part]]\nid = "LED"\ntitle = "Lantern light"\nsubassembly = "LAN"\n')
    for remark in (line for line in LV40.splitlines() if line.startswith("#")):
        assert remark in saved


def test_tables_in_any_order_stay_where_they_are() -> None:
    text = (
        "# top\n\n# about W1\n[[run]]\nid = 'W1'  # red one\ntitle = 'a'\n# end of W1\n\n"
        "[[part]]\nid = 'P'\ntitle = 'p'\nsubassembly = 's'\n[[run]]\nid = 'W2'\ntitle = 'b'\n"
        "[build]\nname = 'x' # ours\n[[subassembly]]\nid = 'S'\ntitle = 'sub'\n"
    )
    plan = with_run(parse_plan(text, "plan.toml"), "W2", title="c")
    assert changed_lines(text, dump_plan(plan, text)) == ["-title = 'b'", '+title = "c"']
    build = replace(plan.build, client="Museum")
    saved = dump_plan(replace(plan, build=build), text)
    assert "name = 'x' # ours\nclient = \"Museum\"\n" in saved
    turned = replace(plan, runs=plan.runs[::-1])
    saved = dump_plan(turned, text)
    assert parse_plan(saved, "plan.toml") == turned
    assert "# about W1\n[[run]]\nid = 'W1'  # red one" in saved


@pytest.mark.parametrize(
    "text",
    [
        'build.name = "x" # why\n',
        'build = {name = "x"} # why\n',
        '[build]\nname = "x"\nsubassembly = "1" # why\n',
        "# why\n[[",
    ],
)
def test_layouts_that_cannot_be_edited_keep_their_remarks_at_the_top(text: str) -> None:
    plan = parse_plan('[build]\nname = "x"\n[[subassembly]]\nid = "S"\ntitle = "s"\n', "plan.toml")
    saved = dump_plan(plan, text)
    assert saved.startswith("# why\n\n[build]\n")
    assert parse_plan(saved, "plan.toml") == plan


def test_a_plan_that_could_not_be_read_again_is_not_written() -> None:
    plan = parse_plan('[build]\nname = "x"\n', "plan.toml")
    dangling = replace(plan, openings=(Opening("O1", "Hull joint", shows=("W99",)),))
    with pytest.raises(PlanError):
        dump_plan(dangling)
    with pytest.raises(PlanError):
        dump_plan(replace(plan, subassemblies=(Subassembly("S", " blanks around "),)))
