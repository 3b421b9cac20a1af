"""The wire schedule as CSV: there and back, from other programs' hands, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook.errors import PlanError
from lastlook.plan.merge import ChangeKind
from lastlook.plan.parse import parse_plan
from lastlook.plan.schedule import schedule_from_csv, schedule_to_csv, with_schedule
from lastlook.records import Plan, Run, RunStatus
from tests.plan_strategies import plans

PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan.toml")


HEADINGS = "Run,Title,Length,Gauge\n"


def faults(text: str) -> tuple[str, ...]:
    with pytest.raises(PlanError) as caught:
        schedule_from_csv(text)
    return caught.value.faults


def test_what_is_written() -> None:
    lines = schedule_to_csv(PLAN).split("\r\n")
    assert lines[0] == (
        "Run,Title,Colour,Tracer,Gauge (AWG),From,To,Cut length (mm),Loop (mm),Polarity,Volts (V),Current (mA),"
        "Subassemblies,Also called,Status"
    )
    assert lines[3] == ("W03,Lantern plus,WH,,30,TB.3,LAN.LED+,610,80,'+,5,20,BHD-11;MAST;LAN,lantern positive,changed")
    assert len(lines) == 12


def test_there_and_back() -> None:
    assert schedule_from_csv(schedule_to_csv(PLAN)) == PLAN.runs


@settings(max_examples=60)
@given(plans(), st.sampled_from([",", ";", "\t"]), st.booleans(), st.sampled_from(["\r\n", "\n"]))
def test_any_schedule_there_and_back(plan: Plan, separator: str, mark: bool, end: str) -> None:
    rows = csv.reader(io.StringIO(schedule_to_csv(plan), newline=""))
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(rows)
    # A schedule has no columns for what belongs to closings.
    columns = tuple(replace(run, crosses=(), outer_mm=None) for run in plan.runs)
    assert schedule_from_csv(("\ufeff" if mark else "") + out.getvalue()) == columns


@settings(max_examples=60)
@given(plans())
def test_no_text_cell_begins_like_a_formula(plan: Plan) -> None:
    # The characters are those of the OWASP page "CSV Injection".
    for row in csv.reader(io.StringIO(schedule_to_csv(plan), newline="")):
        for cell in row:
            if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
                float(cell)  # a bare number is the only such cell, and is no formula


def test_names_with_plus_and_minus_inside_are_left_alone() -> None:
    run = Run("W03+", "a+b", source="TB-3", target="LED+")
    row = schedule_to_csv(replace(PLAN, runs=(run,))).split("\r\n")[1]
    assert row.startswith("W03+,a+b,,,,TB-3,LED+,")
    formula = replace(run, title='=HYPERLINK("x")', aliases=("@a", "'b", "c;d"))
    text = schedule_to_csv(replace(PLAN, runs=(formula,)))
    assert "'=HYPERLINK" in text
    assert schedule_from_csv(text) == (formula,)


def test_as_a_spreadsheet_of_another_country_saves_it() -> None:
    text = (
        "\ufeffsep=;\r\nWire no.;Function;Color;AWG;From;To;Length;Service loop;Volts;mA;Section;State\r\n"
        "W03;Lantern plus;white;30 AWG;TB.3;LAN.LED+;610,5 mm;8 cm;5 V;20,5;BHD-11, MAST;Installed\r\n"
        ";;;;;;;;;;;\r\n\r\n"
        "W11;;WH/BU;AWG 28;TB.8;LAN.X;0,7 m;;−5;0.02 A;LAN;\r\n"
    )
    assert schedule_from_csv(text) == (
        Run(
            id="W03",
            title="Lantern plus",
            colour="WH",
            gauge_awg=30,
            source="TB.3",
            target="LAN.LED+",
            cut_length_mm=610.5,
            loop_mm=80.0,
            volts=5.0,
            milliamps=20.5,
            subassemblies=("BHD-11", "MAST"),
            status=RunStatus.INSTALLED,
        ),
        Run(
            id="W11",
            title="TB.8 to LAN.X",
            colour="WH",
            tracer="BU",
            gauge_awg=28,
            source="TB.8",
            target="LAN.X",
            cut_length_mm=700.0,
            volts=-5.0,
            milliamps=20.0,
            subassemblies=("LAN",),
        ),
    )


def test_units_of_the_heading_count_where_the_cell_has_none() -> None:
    (run,) = schedule_from_csv("Run,Cut length (cm),Loop [in]\nW1,42,2 mm\n")
    assert (run.title, run.cut_length_mm, run.loop_mm) == ("W1", 420.0, 2.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "",
            ["line 1: the schedule is empty; its first line must be headings such as Run, Title, Colour, From and To"],
        ),
        (
            "Title,Colour\nx,RD\n",
            [
                "line 1: no column names the run; the first line must be headings such as "
                "Run, Title, Colour, From and To",
                "line 2: run: Run is missing; add X01",
            ],
        ),
        (
            "Run,Collour,Wire\nW1,,\n",
            [
                'line 1: there is no heading "Collour" in a wire schedule; did you mean Colour?',
                'line 1: two columns mean "Run"; remove or rename one',
            ],
        ),
        (
            'Run,Title,Colour,AWG,Length,Loop\nW1,"two\nlines",crimson,31.5,1,200,40\n\nw1,b,BL,22,ten,-4\nW2,c,,,30,40',
            [
                'line 2: the row has more cells than there are headings (first: "40"); '
                "remove them, or put quotes around a cell that holds the separator",
                "line 2: run W1: Title must be on one line, without line breaks or tabs; shorten it to one line",
                'line 2: run W1: Colour "crimson" is no colour code of IEC 60757; use one of BK, BN, RD, OG, YE, GN, '
                "BU, VT, GY, WH, PK, GD, TQ, SR, GNYE, and describe any other colour in the title",
                "line 2: run W1: Gauge (AWG) must be a whole number, not a number (31.5); write it as in 30",
                "line 2: run W1: Loop (mm) 200 is longer than Cut length (mm) 1, of which it is a part; "
                "correct one of them",
                'line 5: run w1: Cut length (mm) "ten" is no number; write it as in 420',
                'line 5: run w1: Colour "BL" is no colour code of IEC 60757; write "BK" (black) or "BU" (blue)',
                "line 5: run w1: Gauge (AWG) 22 is outside AWG 24 to 36; write a gauge of that span or leave it out",
                "line 5: run w1: Loop (mm) is -4; it cannot be negative, write the value in mm",
                "line 5: run w1: the run is listed already on line 2; keep one of the two rows",
                "line 6: run W2: Loop (mm) 40 is longer than Cut length (mm) 30, of which it is a part; "
                "correct one of them",
            ],
        ),
        (
            "Run;Length\nW1;1,200 mm\n",
            ['line 2: run W1: Cut length (mm) "1,200 mm" can be read in two ways; write 1200 or 1.200'],
        ),
        ("Run,Length (ft)\nW1,1\n", ['line 1: the unit in "Length (ft)" is not known; write mm, cm, m, in, inch or "']),
        (
            'Run,Title\nW1,"a"b\n',
            ["line 2: the row cannot be read (',' expected after '\"'); check its quotes"],
        ),
        (
            "Run,Status\nW1,done\n",
            ['line 2: run W1: Status "done" is not known; write designed, installed, changed, spare or abandoned'],
        ),
    ],
)
def test_faults_name_their_line(text: str, expected: list[str]) -> None:
    assert list(faults(text)) == expected


@given(st.text(max_size=80))
def test_any_text_is_a_schedule_or_a_plan_error(text: str) -> None:
    try:
        found = tuple(f"line {place}: read" for place, _run in enumerate(schedule_from_csv(HEADINGS + text)))
    except PlanError as error:
        found = error.faults or ("nothing said",)
    assert all(fault.startswith("line ") for fault in found)


def test_a_schedule_updates_the_plan_by_id() -> None:
    runs = (
        replace(PLAN.runs[2], id="w03", colour="RD", subassemblies=("mast",)),
        PLAN.runs[1],
        Run("W11", "Fog horn"),
    )
    plan, changes = with_schedule(PLAN, runs)
    assert [run.id for run in plan.runs] == [*(run.id for run in PLAN.runs), "W11"]
    assert plan.runs[2] == replace(PLAN.runs[2], colour="RD", subassemblies=("MAST",))
    assert [(change.kind, change.id) for change in changes[:2]] == [
        (ChangeKind.CHANGED, "W03"),
        (ChangeKind.ADDED, "W11"),
    ]
    assert "colour WH → RD" in changes[0].what
    assert [change.id for change in changes if change.kind is ChangeKind.KEPT] == [
        "W01", "W04", "W05", "W06", "W07", "W08", "W09", "W10",
    ]  # fmt: skip


def test_a_schedule_must_fit_the_plan() -> None:
    with pytest.raises(PlanError) as caught:
        with_schedule(PLAN, (Run("O1", "x"), Run("W1", "y", subassemblies=("MATS",))))
    assert caught.value.faults == (
        "run O1: the plan has an opening of that id; give the run an id of its own",
        'run W1: it lies in "MATS", but there is no such subassembly; did you mean MAST?',
    )
