"""Plans as a builder may write them, for property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from lastlook.plan import colours
from lastlook.plan.ids import id_key
from lastlook.plan.read import REQUIREMENT_KEYS
from lastlook.records import (
    Build,
    HoldKind,
    Opening,
    OpeningKind,
    Part,
    Plan,
    Requirement,
    RequirementKind,
    Run,
    RunStatus,
    Step,
    Subassembly,
)

LINE = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=20).map(str.strip)
TITLE = LINE.filter(bool) | st.sampled_from(
    [
        "=cmd|' /C calc'!A0",
        "+W03",
        "-5",
        "@x",
        "'quoted",
        "a;b",
        'say "on"',
        "1,5",
        "# no comment",
        "back\\slash",
        "Ω½°",
    ]
)
IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,31}", fullmatch=True)
ALIASES = st.lists(TITLE, max_size=3, unique=True).map(tuple)
LENGTH = st.none() | st.floats(0, 5000, allow_nan=False) | st.integers(0, 5000).map(float)
NUMBER = st.none() | st.floats(-100, 100, allow_nan=False)


def some(ids: list[str]) -> st.SearchStrategy[tuple[str, ...]]:
    return st.lists(st.sampled_from(ids), max_size=3, unique=True).map(tuple) if ids else st.just(())


TESTS = st.lists(st.sampled_from(["continuity", "polarity", "soak-30-min"]), max_size=2, unique=True).map(tuple)
MAYBE = st.none() | st.booleans()


@st.composite
def requirements(draw: st.DrawFn) -> tuple[Requirement, ...]:
    """Tables of what must be on record, each kind once, in their order."""
    found = []
    for kind in RequirementKind:
        if not draw(st.booleans()):
            continue
        given = {
            key: draw(MAYBE) for key in REQUIREMENT_KEYS[kind] if key not in ("tests", "bend_factor", "retest_percent")
        }
        tests = draw(st.none() | TESTS)
        percent = draw(st.none() | st.integers(0, 100).map(float))
        found.append(Requirement(kind, tests=tests, retest_percent=percent, **given))
    return tuple(found)


def _in_order(two: tuple[float | None, float | None]) -> tuple[float | None, float | None]:
    least, most = two
    return (min(least, most), max(least, most)) if least is not None and most is not None else (least, None)


DEPTHS = st.tuples(LENGTH, LENGTH).map(_in_order)


@st.composite
def run(draw: st.DrawFn, name: str, subs: list[str], openings: list[str]) -> Run:
    codes = [code for code in colours.BY_CODE if code != "GNYE"]
    colour = draw(st.sampled_from(["", *colours.BY_CODE]))
    free = [code for code in codes if code != colour]
    tracer = draw(st.sampled_from(["", *free])) if colour and colour != "GNYE" else ""
    cut, loop = draw(LENGTH), draw(LENGTH)
    if cut is not None and loop is not None:
        loop, cut = min(cut, loop), max(cut, loop)
    return Run(
        id=name,
        title=draw(TITLE),
        colour=colour,
        tracer=tracer,
        gauge_awg=draw(st.none() | st.integers(24, 36)),
        source=draw(LINE),
        target=draw(LINE),
        cut_length_mm=cut,
        loop_mm=loop,
        polarity=draw(st.sampled_from(["", "+", "-", "common"])),
        volts=draw(NUMBER),
        milliamps=draw(LENGTH),
        subassemblies=draw(some(subs)),
        aliases=draw(ALIASES),
        status=draw(st.sampled_from(RunStatus)),
        crosses=draw(some(openings)),
        outer_mm=draw(LENGTH),
    )


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Valid plans: every reference leads somewhere, nothing lies within itself."""
    names = draw(st.lists(IDS, min_size=2, max_size=12, unique_by=id_key))
    kinds = draw(st.lists(st.integers(0, 4), min_size=len(names), max_size=len(names)))
    of = [[name for name, kind in zip(names, kinds, strict=True) if kind == wanted] for wanted in range(5)]
    subs, openings, steps, runs, parts = of
    if not subs:  # a step or a part must lie somewhere
        steps, parts = [], []
    seen = [*subs, *runs, *parts]
    return Plan(
        build=Build(draw(TITLE), draw(st.sampled_from(["UTC", "Europe/Copenhagen"])), draw(LINE), draw(LINE)),
        subassemblies=tuple(
            Subassembly(name, draw(TITLE), draw(st.sampled_from(["", *subs[:place]])), draw(ALIASES), *draw(DEPTHS))
            for place, name in enumerate(subs)
        ),
        openings=tuple(
            Opening(
                *(name, draw(TITLE), draw(st.sampled_from(OpeningKind)), draw(some(seen)), draw(ALIASES)),
                reaches=draw(some(seen)),
                replaces=draw(some(seen)),
                depth_mm=depth,
                depth_to_mm=to,
            )
            for name in openings
            for depth, to in [draw(DEPTHS)]
        ),
        steps=tuple(
            Step(
                id=name,
                title=draw(TITLE),
                subassembly=draw(st.sampled_from(subs)),
                kind=draw(st.sampled_from(["", "fit", "test"])),
                order=draw(st.integers(0, 1000)),
                before=draw(some(openings)),
                hold=draw(st.sampled_from(HoldKind)),
                runs=draw(some(runs)),
                aliases=draw(ALIASES),
                tests=draw(TESTS),
            )
            for name in steps
        ),
        runs=tuple(draw(run(name, subs, openings)) for name in runs),
        parts=tuple(Part(name, draw(TITLE), draw(st.sampled_from(subs)), draw(ALIASES)) for name in parts),
        requirements=draw(requirements()),
    )
