"""Reading a plan: the whole grammar, and every fault with its line."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.errors import PlanError
from lastlook.plan.parse import parse_plan
from lastlook.plan.read import BUILD_KEYS
from lastlook.plan.read import KEYS as KEYS_OF
from lastlook.records import HoldKind, OpeningKind, Run, RunStatus, Step

DATA = Path(__file__).parent / "data"
LV40 = (DATA / "plan-lv40.toml").read_text(encoding="utf-8")
HEAD = '[build]\nname = "LV-40"\n'
MAST = '[[subassembly]]\nid = "MAST"\ntitle = "Lantern mast"\n'


def faults(text: str) -> tuple[str, ...]:
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "plan.toml")
    return caught.value.faults


def faults_or_none(text: str) -> tuple[str, ...] | None:
    """None for a plan that can be read."""
    try:
        parse_plan(text, "plan.toml")
    except PlanError as error:
        return error.faults
    return None


def test_how_deep_things_lie() -> None:
    text = HEAD + '[[subassembly]]\nid = "S"\ntitle = "s"\ndepth_mm = 6.5\n'
    text += '[[opening]]\nid = "O"\ntitle = "o"\ndepth_mm = 4\ndepth_to_mm = 15\n'
    plan = parse_plan(text, "plan.toml")
    assert (plan.subassemblies[0].depth_mm, plan.subassemblies[0].depth_to_mm) == (6.5, None)
    assert (plan.openings[0].depth_mm, plan.openings[0].depth_to_mm) == (4, 15)


@pytest.mark.parametrize(
    ("keys", "line", "words"),
    [
        ("depth_mm = -1", 6, "depth_mm"),
        ('depth_mm = "6 mm"', 6, "depth_mm must be a number"),
        ("depth_to_mm = 9", 6, "opening O: depth_to_mm stands alone; give depth_mm, the least depth, as well"),
        ("depth_mm = 9\ndepth_to_mm = 4", 7, "opening O: depth_to_mm 4 is less than depth_mm 9; correct one of them"),
        ("depht_mm = 9", 6, 'did you mean "depth_mm"?'),
    ],
)
def test_faults_of_depths(keys: str, line: int, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan(HEAD + f'[[opening]]\nid = "O"\ntitle = "o"\n{keys}\n', "plan.toml")
    (fault,) = caught.value.faults
    assert fault.startswith(f"line {line}: ")
    assert words in fault


def test_the_whole_grammar() -> None:
    plan = parse_plan(LV40, "plan.toml")
    assert (plan.build.name, plan.build.scale, plan.build.zone) == ("Lightship LV-40", "1:40", "Europe/Copenhagen")
    assert [sub.id for sub in plan.subassemblies] == [
        "HULL-F",
        "HULL-A",
        "BHD-11",
        "DECK-M",
        "DKH",
        "MAST",
        "LAN",
        "BASE",
    ]
    assert plan.subassemblies[2].within == "HULL-F"
    assert plan.openings[2].kind is OpeningKind.MAGNETIC
    assert plan.openings[0].shows == ("HULL-F", "HULL-A")
    assert plan.steps[6] == Step(
        id="S70",
        title="Test lantern polarity and motor current",
        subassembly="LAN",
        kind="test",
        order=70,
        before=("O4",),
        hold=HoldKind.WITNESS,
        runs=("W03", "W04", "W05", "W06"),
    )
    assert plan.runs[2] == Run(
        id="W03",
        title="Lantern plus",
        colour="WH",
        gauge_awg=30,
        source="TB.3",
        target="LAN.LED+",
        cut_length_mm=610.0,
        loop_mm=80.0,
        polarity="+",
        volts=5.0,
        milliamps=20.0,
        subassemblies=("BHD-11", "MAST", "LAN"),
        aliases=("lantern positive",),
        status=RunStatus.CHANGED,
    )
    assert plan.parts[1].aliases == ("mast motor",)
    assert len(plan.ids) == 8 + 5 + 10 + 10 + 2


def test_every_fault_is_listed_with_its_line_and_what_to_do() -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan((DATA / "plan-faulty.toml").read_text(encoding="utf-8"), "plan.toml")
    said = [caught.value.message, caught.value.hint, *caught.value.faults]
    assert said == (DATA / "plan-faulty.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[build]\nname = "x\nzone = "UTC"\n', 2, "closing quote"),
        (HEAD + '[[opening]]\nshows = ["a", "b"\nid = "O1"\n', 5, "lacks its closing ] or a comma"),
        (HEAD + '[[opening]]\nshows = ["a" "b"]\n', 4, "lacks its closing ] or a comma"),
        ("[build]\nname = Lightship\n", 2, "put text in quotes"),
        ('[build]\nname "x"\n', 2, "followed by ="),
        (HEAD + 'name = "y"\n', 3, "set already"),
        (HEAD + '[build]\nzone = "UTC"\n', 3, "opened twice"),
        (HEAD + '[[run\nid = "W01"\n', 3, "closing ]]"),
        (HEAD + "[[run]]\ncut_length_mm = 420 mm\n", 4, "something stands behind the value"),
        ('[build]\nname = "C:\\work"\n', 2, "backslash"),
        ('build = {name = "x", name = "y"}\n', 1, "set twice"),
        ("[build]\nname = “x”\n", 2, "put text in quotes"),
        ("[build]\n+x = 1\n", 2, "start of the line"),
        (HEAD + '[[run]]\naliases = ["a",\n\n', 4, "ends in the middle of a list"),
        ("\n\na = " + "[" * 5000 + "]" * 5000 + "\n", 1, "nested"),
        ("a = " + "1" * 5000 + "\n", 1, "far too long"),
    ],
)
def test_text_that_is_no_toml(text: str, line: int, words: str) -> None:
    (fault,) = faults(text)
    assert fault.startswith(f"line {line}: ")
    assert words in fault


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (MAST, ['line 1: the [build] table is missing; start the plan with [build] and name = "…" below it']),
        ("", ['line 1: the [build] table is missing; start the plan with [build] and name = "…" below it']),
        ("[[build]]\nname = 'x'\n", ["line 1: there is one build only; write [build] with single brackets, once"]),
        (
            HEAD + '[[subassembly]]\nid = "A"\ntitle = "a"\nwithin = "a"\n',
            [
                "line 6: subassembly A: within goes round in a circle (A within A); "
                "a subassembly cannot lie within itself"
            ],
        ),
        (
            HEAD + MAST + "[[part]]\ntitle = 'x'\nsubassembly = 'MAST'\n\nid = 'mast'\n",
            [
                "line 10: part mast: the id is used already by subassembly MAST, line 4 (capitals do not count); "
                "give each item an id of its own"
            ],
        ),
        (
            HEAD + MAST + "[[run]]\nid = 'W1'\ntitle = 'x'\nsubassemblies = [\n 'MAST', # here\n\n 'mast.',\n]\n",
            [
                'line 12: run W1: subassemblies names "mast.", but there is no such subassembly; did you mean MAST?',
            ],
        ),
        (
            HEAD + "[[run]]\nid = 'W1'\ntitle = 'x'\nvolts = nan\nloop_mm = inf\n",
            [
                "line 6: run W1: volts is nan, which is no usable number; write the value in V",
                "line 7: run W1: loop_mm is inf, which is no usable number; write the value in mm",
            ],
        ),
        (
            HEAD + "[[run]]\nid = 'W1'\ntitle = 'x'\ncolour = 'GNYE'\ntracer = 'RD'\n",
            ["line 7: run W1: GNYE stands alone, it already names two colours; leave the other one out"],
        ),
        (
            HEAD + "[[run]]\nid = 'W1'\ntitle = 'x'\ntracer = 'RD'\n",
            ["line 6: run W1: tracer is given without colour; add the colour of the insulation itself"],
        ),
        (
            HEAD + "[[run]]\nid = 'W1'\ntitle = 'x'\ncolour = 'tan'\n",
            [
                'line 6: run W1: colour "tan" is no colour code of IEC 60757; use one of BK, BN, RD, OG, YE, GN, BU, '
                "VT, GY, WH, PK, GD, TQ, SR, GNYE, and describe any other colour in the title"
            ],
        ),
        (
            HEAD + f"[[run]]\nid = '{'W' * 33}'\ntitle = 'x'\n",
            [
                f'line 4: run {"W" * 33}: "{"W" * 33}" cannot be an id; it is longer than 32 characters; '
                f'write "{"W" * 32}"'
            ],
        ),
        (
            HEAD + MAST + "aliases = ['a',\n \"b\\tc\", 'a ']\nwithin = ['x']\n",
            [
                "line 7: subassembly MAST: aliases holds a text with line breaks or tabs; write it on one line",
                'line 7: subassembly MAST: aliases names "a" twice; remove one',
                'line 8: subassembly MAST: within must be text in quotes, not a list; write within = "…"',
            ],
        ),
        (
            HEAD + MAST + "[[step]]\nid = 'S1'\ntitle = 's'\nsubassembly = 'MAST'\norder = -1\n"
            "[[step]]\nid = 'S2'\ntitle = 's'\nsubassembly = 'MAST'\norder = 99999999999999999\nruns = 5\n",
            [
                "line 10: step S1: order is -1; it must be 0 or more",
                "line 15: step S2: order is far too large; write a smaller number",
                'line 16: step S2: runs must be a list of texts in quotes, not a number (5); write runs = ["…"]',
            ],
        ),
        (
            HEAD + "[[run]]\nid = 'W1'\ntitle = 'x'\ncolour = 'RD'\ntracer = 'rd'\n",
            ['line 7: run W1: tracer and colour are both "RD"; leave the tracer out or correct it'],
        ),
        (HEAD + "zone = 'Europe'\n", None),
        (HEAD + "zone = '../../etc/passwd'\n", None),
        (HEAD + "zone = 'A B'\n", None),
    ],
)
def test_faults_of_one_kind(text: str, expected: list[str] | None) -> None:
    found = faults(text)
    if expected is None:
        assert len(found) == 1
        assert found[0].startswith("line 3: build: zone ")
    else:
        assert list(found) == expected


@pytest.mark.parametrize("text", ["\ufeff" + LV40, LV40.replace("\n", "\r\n"), "\ufeff" + LV40.replace("\n", "\r\n")])
def test_byte_order_mark_and_line_ends_of_other_systems_do_not_matter(text: str) -> None:
    assert parse_plan(text, "plan.toml") == parse_plan(LV40, "plan.toml")


def test_lines_are_right_with_line_ends_of_other_systems() -> None:
    text = (DATA / "plan-faulty.toml").read_text(encoding="utf-8")
    assert faults(text.replace("\n", "\r\n")) == faults(text)


def test_other_layouts_of_the_same_plan() -> None:
    inline = (
        'build.name = "LV-40"\n'
        'subassembly = [{id = "MAST", title = "Lantern mast"}]\n'
        'run = [{id = "W03", title = "Lantern plus", colour = "wh", from = "TB.3", subassemblies = ["mast"]}]\n'
    )
    plan = parse_plan(inline, "plan.toml")
    assert plan.runs == (Run("W03", "Lantern plus", colour="WH", source="TB.3", subassemblies=("MAST",)),)
    assert faults(inline.replace('"mast"', '"mats"'))[0].startswith("line 3: run W03: subassemblies names")


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=60))
def test_any_text_is_a_plan_or_a_plan_error(text: str) -> None:
    found = faults_or_none(HEAD + text)
    assert found is None or all(fault.startswith("line ") for fault in found)
    assert found != ()


JUNK = st.sampled_from(['"x"', "1", "-1", "1.5", "nan", "true", "[]", '["a"]', "[1]", '{a = "b"}', "1979-05-27", '""'])
KEYS = st.sampled_from([*BUILD_KEYS, *dict.fromkeys(key for keys in KEYS_OF.values() for key in keys)])


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["subassembly", "opening", "step", "run", "part"]), st.dictionaries(KEYS, JUNK, max_size=6)
        ),
        max_size=4,
    )
)
def test_values_of_any_type_are_faults_not_crashes(tables: list[tuple[str, dict[str, str]]]) -> None:
    text = HEAD
    for kind, values in tables:
        text += f"[[{kind}]]\n" + "".join(f"{key} = {value}\n" for key, value in values.items())
    for fault in faults_or_none(text) or ():
        assert 1 <= int(fault.split(":")[0].removeprefix("line ")) <= text.count("\n")


def test_five_hundred_runs_are_read_well_under_a_second() -> None:
    runs = "".join(
        f"[[run]]\nid = 'W{n}'\ntitle = 'run {n}'\ncolour = 'RD'\ngauge_awg = 30\nfrom = 'a'\nto = 'b'\n"
        f"cut_length_mm = 10\nloop_mm = 1\nsubassemblies = ['MAST']\naliases = ['r{n}']\n"
        for n in range(500)
    )
    started = time.perf_counter()
    assert len(parse_plan(HEAD + MAST + runs, "plan.toml").runs) == 500
    assert time.perf_counter() - started < 0.9
