"""What holds for every closing check, whatever was recorded: nothing stale or undetermined ever counts as a pass."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastlook import bonding, closing_check, deciding, recording
from lastlook.acts import Act
from lastlook.archive import Archive
from lastlook.catalogue import decisions, pictures
from lastlook.closing import records as r
from lastlook.closing.check import check, retests
from lastlook.closing.records import Facts, Line, State
from lastlook.deciding import Target
from lastlook.errors import LastlookError
from lastlook.records import CaptureTime, Closing, Decision, Dimension, HoldKind, Plan
from lastlook.store import Store
from tests import bench_archive
from tests import closing_facts as f
from tests.closing_facts import EVERYTHING, O4, UNKNOWN, at

TIMES = st.builds(at, st.integers(0, 40).map(lambda n: n / 4), st.sampled_from([0.0, 0.25, 1.0])) | st.just(UNKNOWN)
KNOWN = st.builds(at, st.integers(0, 40).map(lambda n: n / 4), st.sampled_from([0.0, 0.25, 1.0]))
SHOWS = st.lists(st.sampled_from(["from", "to", "crossing:O4"]), unique=True)


def _seen(number: int, time: CaptureTime, kind: r.ViewKind, shows: list[str], sharp: bool | None, size: int) -> r.Seen:
    return f.seen(f"p{number:x}", time, "W03", kind, shows, sharp=sharp, sharpness=float(size), phash=size % 3)


SEEN = st.builds(
    _seen,
    st.integers(1, 9),
    TIMES,
    st.sampled_from(r.ViewKind),
    SHOWS,
    st.sampled_from([True, False, None]),
    st.integers(1, 400),
)
CHANGES = st.lists(
    st.builds(
        lambda time, kind: r.Change("W03", kind, time, "", "ada", "c"), KNOWN, st.sampled_from(list(r.ChangeKind))
    ),
    max_size=4,
)
TESTS = st.lists(
    st.builds(
        lambda time, kind, passed: r.Test("W03", kind, time, passed, "ada", "t", 4.9, "V", instrument="m"),
        KNOWN,
        st.sampled_from(["polarity", "continuity", "current"]),
        st.booleans(),
    ),
    max_size=5,
)
MEASURES = st.lists(
    st.builds(
        lambda time, kind: r.Measure("W03", kind, 100.0, time, "ada", "m"), KNOWN, st.sampled_from(r.MeasureKind)
    ),
    max_size=5,
)


@st.composite
def acts(draw: st.DrawFn) -> tuple[Closing, ...]:
    """Closings and reopenings of one opening, in order."""
    hours = sorted(draw(st.lists(st.integers(0, 40), max_size=4, unique=True)))
    moments = [at(hour / 4, draw(st.sampled_from([0.0, 0.1]))) for hour in hours]
    return tuple(
        f.closing("O4", shut, moments[n + 1] if n + 1 < len(moments) else None)
        for n, shut in enumerate(moments)
        if n % 2 == 0
    )


@given(
    seen=st.lists(SEEN, max_size=8, unique_by=lambda one: one.picture.id),
    changes=CHANGES,
    tests=TESTS,
    measures=MEASURES,
    closings=acts(),
    when=KNOWN,
    rank=st.dictionaries(st.sampled_from([f"p{n:x}" for n in range(1, 10)]), st.floats(0.01, 1)),
)
@settings(max_examples=300, deadline=None)
def test_nothing_stale_or_undetermined_counts_as_a_pass(
    seen: list[r.Seen],
    changes: list[r.Change],
    tests: list[r.Test],
    measures: list[r.Measure],
    closings: tuple[Closing, ...],
    when: CaptureTime,
    rank: dict[str, float],
) -> None:
    facts = replace(
        EVERYTHING,
        seen={**EVERYTHING.seen, "W03": tuple(seen)},
        changes={"W03": tuple(changes)},
        tests={**EVERYTHING.tests, "W03": tuple(tests)},
        measures={"W03": tuple(measures)},
        closings={"O4": closings} if closings else {},
        rank=rank,
    )
    times = {one.picture.id: one for one in seen}
    for line in check(facts, O4, when).lines:
        if line.subject != "W03" or line.state is not State.PASSED:
            continue
        if line.pictures:
            for id in line.pictures:
                surely_proves(times[id], line, changes, closings, when)
        elif line.what.startswith("test:"):
            kind = line.what.removeprefix("test:")
            assert any(one.kind == kind and one.passed and surely_between(one.time, changes, when) for one in tests), (
                line
            )
        elif line.what == "length":
            assert any(surely_between(one.time, [c for c in changes if c.kind is not r.ChangeKind.RECOLOURED], when)
                       for one in measures), line  # fmt: skip


def surely_proves(
    one: r.Seen, line: Line, changes: list[r.Change], closings: tuple[Closing, ...], when: CaptureTime
) -> None:
    """The rule, written down once more in terms of the ends of the intervals."""
    assert surely_between(one.picture.time, changes, when), line
    assert one.view.sharp is not False, line
    if line.what in ("from", "to", "crossing:O4"):
        assert line.what in one.view.shows
    assert one.view.kind is (r.ViewKind.CONTEXT if line.what == "context" else r.ViewKind.CLOSE)
    taken = one.picture.time
    assert taken.earliest is not None
    assert taken.latest is not None
    for closing in closings:
        shut, again = closing.time.earliest, closing.reopened.latest if closing.reopened else None
        assert shut is not None
        assert taken.latest < shut or (again is not None and taken.earliest > again), "it may have been hidden then"


def surely_between(time: CaptureTime, changes: list[r.Change], when: CaptureTime) -> bool:
    if time.earliest is None or time.latest is None or when.earliest is None or when.latest is None:
        return False
    return time.latest < when.earliest and all(
        change.time.latest is not None and change.time.earliest is not None
        and (time.earliest > change.time.latest or change.time.earliest > when.latest)
        for change in changes
    )  # fmt: skip


@given(st.lists(SEEN, max_size=6, unique_by=lambda one: one.picture.id), CHANGES, KNOWN)
@settings(max_examples=100, deadline=None)
def test_one_more_change_never_turns_anything_into_a_pass(
    seen: list[r.Seen], changes: list[r.Change], when: CaptureTime
) -> None:
    def passed(some: list[r.Change]) -> set[str]:
        facts = Facts(f.PLAN, changes={"W03": tuple(some)}, seen={"W03": tuple(seen)})
        return {line.key for line in check(facts, O4, when).lines if line.state is State.PASSED and line.pictures}

    for place in range(len(changes)):
        assert passed(changes) <= passed(changes[:place] + changes[place + 1 :])


# ------------------------------------------------------------------------------------------------ closer times

RELEASES = st.lists(st.builds(lambda time: r.Release("S11", time, "M. Holm", "", "r"), KNOWN), max_size=3)
OF_OPENING = st.lists(
    st.builds(
        lambda time, keys: r.Release("O4", time, "M. Holm", "", "r", tuple(keys)),
        KNOWN,
        st.lists(st.sampled_from(["W03:to", "W03:length", "S11:hold"]), max_size=3),
    ),
    max_size=3,
)
DONE = st.lists(st.builds(lambda time: r.Done("S11", time, "ada", "d"), KNOWN), max_size=3)
WITNESSES = st.lists(
    st.builds(lambda time, came: r.Witness("S11", time, "the client", came, "w"), KNOWN, st.booleans()), max_size=3
)
ANSWERS = st.lists(
    st.builds(
        lambda verdict, time, shown: r.Answer("S11", verdict, time, shown, "the museum", "so", "a"),
        st.sampled_from(["yes", "no", "changes"]), KNOWN, KNOWN,
    ), max_size=3,
)  # fmt: skip
WAIVERS = st.lists(
    st.builds(
        lambda time, item, what: r.Waiver("O4", item, what, time, "none", "M. Holm", "w"),
        KNOWN,
        st.sampled_from(["W03", "S11", "O4"]),
        st.sampled_from(["", "to", "length", "hold", "test:polarity", "test:foreign-object", "release"]),
    ),
    max_size=3,
)
LENGTHS = st.lists(
    st.builds(
        lambda time, kind, mm: r.Measure("W03", kind, mm, time, "ada", "m"),
        KNOWN,
        st.sampled_from(r.MeasureKind),
        st.sampled_from([200.0, 330.0, 500.0, 700.0]),
    ),
    max_size=8,
)
CUTS = st.lists(
    st.builds(
        lambda time, kind, mm: r.Change("W03", kind, time, "", "ada", "c", mm),
        KNOWN,
        st.sampled_from(list(r.ChangeKind)),
        st.sampled_from([None, 500.0, 700.0]),
    ),
    max_size=4,
)
READINGS = st.lists(
    st.builds(
        lambda time, value: r.Test("P-FOOT", "cure-temperature", time, True, "ada", "t", value, "°C"),
        KNOWN,
        st.sampled_from([10.0, 15.0, 20.0, 25.0]),
    ),
    max_size=3,
)
GLUE = r.Adhesive("epoxy", "two-part epoxy", full_cure_h=3, reference_c=25, minimum_c=12)


@st.composite
def worlds(draw: st.DrawFn) -> Facts:
    """Whatever may be on record of the mast foot, in any order and doubt."""
    step = replace(
        f.PLAN.steps[0],
        hold=draw(st.sampled_from(HoldKind)),
        kind=draw(st.sampled_from(["test", "approval"])),
        tests=draw(st.sampled_from([(), ("polarity",)])),
    )
    tests = draw(TESTS)
    joined = draw(st.lists(KNOWN, max_size=1))
    return replace(
        EVERYTHING,
        plan=replace(f.PLAN, steps=(step,)),
        seen={**EVERYTHING.seen, "W03": tuple(draw(st.lists(SEEN, max_size=5, unique_by=lambda one: one.picture.id)))},
        changes={"W03": tuple(draw(CUTS))},
        tests={**EVERYTHING.tests, "W03": tuple(tests), "P-FOOT": tuple(draw(READINGS))},
        measures={"W03": tuple(draw(LENGTHS))},
        closings={"O4": draw(acts())},
        done={"S11": tuple(draw(DONE))},
        releases={"S11": tuple(draw(RELEASES)), "O4": tuple(draw(OF_OPENING))},
        witnesses={"S11": tuple(draw(WITNESSES))},
        answers={"S11": tuple(draw(ANSWERS))},
        waivers={"O4": tuple(draw(WAIVERS))},
        adhesives={"epoxy": GLUE},
        bonds=tuple(r.Bond("P-FOOT", "epoxy", time, "ada", "b1", temperature_c=25.0) for time in joined),
    )


def closer(draw: st.DrawFn, value: Any) -> Any:
    """The same record with every time brought down to one moment within what was known of it."""
    if isinstance(value, CaptureTime):
        if value.earliest is None or value.latest is None:
            return value
        share = draw(st.sampled_from([0.0, 0.31, 0.5, 0.77, 1.0]))
        moment = value.earliest + share * (value.latest - value.earliest)
        return replace(value, instant=moment, earliest=moment, latest=moment)
    if isinstance(value, tuple):
        return tuple(closer(draw, one) for one in value)
    if isinstance(value, dict):
        return {key: closer(draw, one) for key, one in value.items()}
    if isinstance(value, r.Seen):
        return r.Seen(value.view, replace(value.picture, time=closer(draw, value.picture.time)))
    if is_dataclass(value) and not isinstance(value, type) and not isinstance(value, Plan):
        timed = [one.name for one in fields(value) if isinstance(getattr(value, one.name), CaptureTime)]
        return replace(value, **{name: closer(draw, getattr(value, name)) for name in timed})
    return value


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_what_passes_passes_in_every_order_that_the_times_allow(data: st.DataObject) -> None:
    """Were anything let pass on an order that is not known, some closer times would take the pass away again."""
    facts, when = data.draw(worlds()), data.draw(KNOWN)
    sure = data.draw(st.composite(lambda draw: closer(draw, when))())
    known: Facts = data.draw(
        st.composite(
            lambda draw: replace(
                facts,
                **{
                    one.name: closer(draw, getattr(facts, one.name))
                    for one in fields(Facts)
                    if one.name not in ("plan", "adhesives", "rank", "candidates", "in_region")
                },
            )
        )()
    )
    before, after = check(facts, O4, when), check(known, O4, sure)
    then = {line.key: line for line in after.lines}
    for line in before.lines:
        if line.open or line.key not in then:
            continue
        if line.key == "O4:release" and not before.ready:
            continue  # it must have known of what is waived, and what is open may turn out to be waived
        assert not then[line.key].open, (line, then[line.key])
        if line.state is State.PASSED:
            assert then[line.key].state is State.PASSED, (line, then[line.key])
    again = {line.key: line for line in retests(known, O4, replace(after, at=sure))}
    for line in retests(facts, O4, replace(before, at=when)):
        if not line.open and line.key in again:
            assert not again[line.key].open, (line, again[line.key])


@given(worlds(), st.integers(0, 40))
@settings(max_examples=100, deadline=None)
def test_what_passes_is_newer_than_all_it_speaks_of(facts: Facts, quarter: int) -> None:
    """The rules for words and lengths, written down once more in terms of the ends of the intervals."""
    when = at(quarter / 4)
    limit = when.earliest
    assert limit is not None
    changes = [one for one in facts.changes["W03"] if _end(one.time, 0) <= limit]
    for line in check(facts, O4, when).lines:
        if line.state is not State.PASSED:
            continue
        if line.key in ("S11:hold", "S11:review"):
            said: list[Any] = list(facts.releases["S11"])
        elif line.key == "S11:witness":
            said = list(facts.witnesses["S11"])
        elif line.key == "O4:release":
            said = list(facts.releases["O4"])
        else:
            continue
        events = [_end(one.time, 1) for one in changes]
        if line.key != "S11:witness":
            failed = [one for one in facts.tests["W03"] if not one.passed and _end(one.time, 0) <= limit]
            events += [_end(one.time, 1) for one in failed]
            events += [_end(one.time, 1) for one in facts.done["S11"] if _end(one.time, 0) <= limit]
        assert any(_end(one.time, 1) < limit and all(_end(one.time, 0) > event for event in events) for one in said), (
            line
        )
    for line in check(facts, O4, when).lines:
        if line.key == "W03:length" and line.state is State.PASSED:
            for kind in (r.MeasureKind.TAIL, r.MeasureKind.FAR_SIDE):
                some = [one for one in facts.measures["W03"] if one.kind is kind and _end(one.time, 0) <= limit]
                lasting = [one for one in changes if one.kind is not r.ChangeKind.RECOLOURED]
                assert any(
                    _end(one.time, 1) < limit and all(_end(one.time, 0) > _end(change.time, 1) for change in lasting)
                    for one in some
                ), line


def _end(time: CaptureTime, which: int) -> datetime:
    end = (time.earliest, time.latest)[which]
    assert end is not None
    return end


LATE = st.builds(at, st.integers(26, 39).map(lambda n: n / 4), st.sampled_from([0.0, 0.25, 0.5]))


@given(
    st.lists(st.tuples(LATE, st.sampled_from(["tail", "far-side"]), st.sampled_from([250.0, 330.0])), max_size=4),
    st.lists(st.tuples(LATE, st.sampled_from([680.0, 500.0, None])), max_size=2),
    st.data(),
)
@settings(max_examples=300, deadline=None)
def test_a_wire_that_reaches_does_so_by_whichever_figures_are_the_last(
    lengths: list[tuple[CaptureTime, str, float]], cuts: list[tuple[CaptureTime, float | None]], data: st.DataObject
) -> None:
    """Many lengths within some hours: only what reaches by every order that the times allow passes."""
    some = (f.measure(9, "tail", 330), f.measure(9, "far-side", 250), f.measure(9, "route", 600))
    drawn = tuple(r.Measure("W03", r.MeasureKind(kind), mm, time, "ada", "m") for time, kind, mm in lengths)
    told = tuple(r.Measure("W03", r.MeasureKind.CUT, mm, time, "ada", "m") for time, mm in cuts if mm is not None)
    changes = EVERYTHING.changes["W03"]
    if any(mm is None for _, mm in cuts):
        changes = (*changes, f.change(6.2, "shortened"))
    measures = (*some, *drawn, *told)
    closer_by = data.draw(st.composite(lambda draw: closer(draw, measures))())

    def length(given_: tuple[r.Measure, ...]) -> State:
        facts = replace(EVERYTHING, measures={"W03": given_}, changes={"W03": changes})
        return next(line.state for line in check(facts, O4, at(10)).lines if line.key == "W03:length")

    if length(measures) is State.PASSED:
        assert length(closer_by) is State.PASSED
        tail, far, route, cut = (_last(closer_by, kind) for kind in ("tail", "far-side", "route", "cut"))
        assert min(tail) >= max(far) + 80
        assert min(cut or [700.0]) >= max(route) + 80


def _last(measures: tuple[r.Measure, ...], kind: str) -> list[float]:
    """The figures of a kind at the last moment before the closing at which there is one."""
    of_kind = [one for one in measures if one.kind.value == kind and _end(one.time, 0) < _end(at(10), 0)]
    end = max((_end(one.time, 0) for one in of_kind), default=None)
    return [one.mm for one in of_kind if _end(one.time, 0) == end]


# ------------------------------------------------------------------------------------------------ on a real archive

HOURS = ["2026-03-20 12:00", "2026-03-20 13:02", "2026-03-22", "2026-03-24 14:50", "2026-03-25 10:00", "2026-03-28"]
OPS = st.lists(
    st.one_of(
        st.tuples(st.just("change"), st.sampled_from(HOURS), st.just(0)),
        st.tuples(st.just("view"), st.sampled_from(["from", "to", ""]), st.integers(0, 3)),
        st.tuples(st.just("reject"), st.just(""), st.integers(0, 3)),
        st.tuples(st.just("undo"), st.just(""), st.just(0)),
        st.tuples(st.just("waive"), st.sampled_from(["to", "from"]), st.just(0)),
    ),
    min_size=2,
    max_size=9,
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return bench_archive.make(tmp_path_factory.mktemp("always"))


@given(OPS)
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
def test_no_sequence_of_decisions_lets_an_old_picture_through(bench: Archive, ops: list[tuple[str, str, int]]) -> None:
    with Store(bench, by="ada") as store:
        ids = [picture.id for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))]
        for op, text, number in ops:
            _do(store, op, text, ids[number])
        when = "2026-03-26 12:00"
        lines = closing_check.check(store, "O2", when).lines
        live: list[dict[str, Any]] = [dict(one.body) for one in decisions.live(store.catalogue, "change")]
        known = {
            picture.id: picture for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        }
        limit = closing_check.moment(store, when).earliest
        assert limit is not None
        for line in lines:
            for id in line.pictures if line.state is State.PASSED else ():
                taken = known[id].time
                assert taken.earliest is not None
                assert taken.latest is not None
                assert taken.latest < limit
                assert any(tag.target == line.subject and tag.counts for tag in known[id].tags)
                for body in live:
                    if body["item"] == line.subject:
                        after = datetime.fromisoformat(body["latest"])
                        assert taken.earliest > after or datetime.fromisoformat(body["earliest"]) > limit


def _do(store: Store, op: str, text: str, picture: str) -> None:
    try:
        if op == "change":
            recording.change(store, "W03", "re-routed", Act(text))
        elif op == "view":
            kind = r.ViewKind.CLOSE if text else r.ViewKind.CONTEXT
            ends = [text] if text else []
            recording.view(store, [picture], [Target(Dimension.RUN, "W03")], kind, ends=ends, sharp=True)
        elif op == "reject":
            deciding.untag(store, [picture], [Target(Dimension.RUN, "W03")])
        elif op == "waive":
            recording.waive(store, "O2", "W03", Act("2026-03-26", "M. Holm"), reason="none", what=text)
        else:
            deciding.undo(store)
    except LastlookError:
        pass  # refused, as it may be


# ------------------------------------------------------------------------------------------------ taking back


@pytest.fixture(scope="module")
def other_bench(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = bench_archive.make(tmp_path_factory.mktemp("taking-back"))
    with Store(made, by="ada") as store:
        deciding.close(store, "O1", "2026-03-31 11:15")
    return made


def _every_kind(store: Store) -> list[Decision]:
    """One decision of every kind that a check reckons with, and the closing with its reopening."""
    ids = [picture.id for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))]
    run = [Target(Dimension.RUN, "W03")]
    hold = next(step for step in store.plan.steps if step.hold is HoldKind.HOLD)
    made = [
        recording.view(store, [ids[1]], run, r.ViewKind.CLOSE, ends=["to"], sharp=True)[0],
        recording.view(store, [ids[0]], run, r.ViewKind.CONTEXT, sharp=True)[0],
        recording.change(store, "W03", "re-terminated", Act("2026-03-24 13:30")),
        recording.measure(store, "W03", "cut", 690, Act("2026-03-26 08:00")),
        recording.measure(store, "W03", "route", 600, Act("2026-03-26 08:10")),
        recording.record_test(store, "W03", "polarity", False, Act("2026-03-26 09:00"), value=-5, unit="V"),
        recording.record_test(
            store, "W03", "polarity", True, Act("2026-03-26 10:00"), value=5, unit="V", instrument="m"
        ),
        recording.done(store, hold.id, Act("2026-03-26 11:00")),
        recording.release(store, hold.id, Act("2026-03-26 12:00", "M. Holm")),
        recording.witness(store, hold.id, Act("2026-03-26", "the client"), attended=False),
        bonding.adhesive(store, "EPOXY", {"full_cure_h": 24, "minimum_c": 12}),
        bonding.bond(store, "MAST", "EPOXY", "2026-03-27 08:00", figures={"temperature_c": 20.0}),
        recording.record_test(store, "MAST", "cure-temperature", True, Act("2026-03-27 23:00"), value=11.0),
        recording.waive(store, "O2", "W10", Act("2026-04-01", "M. Holm"), reason="no line of sight")[0],
        deciding.untag(store, [ids[0]], run)[0],
    ]
    closed = closing_check.close(store, "O2", "2026-04-09 11:44", with_gaps=True).decision
    assert closed is not None
    return [*made, closed, deciding.reopen(store, "O2", "2026-04-10")]


def _state(store: Store) -> object:
    """All that the check and what surrounds it say."""
    told = [closing_check.check(store, id, "2026-04-12").lines for id in ("O2", "O4")]
    states = [(item.id, item.sight, item.reach) for item in closing_check.hidden(store, "2026-04-12").items]
    looks = [closing_check.last_look(store, id).looks for id in ("O2", "W03")]
    return told, states, looks, closing_check.waivers(store), closing_check.item_history(store, "W03")[2]


@given(st.data())
@settings(max_examples=5, deadline=None, suppress_health_check=list(HealthCheck))
def test_taking_back_in_any_order_leaves_what_stands_and_having_it_again_what_stood(
    other_bench: Archive, data: st.DataObject
) -> None:
    with Store(other_bench, by="ada") as store:
        empty = _state(store)
        made = _every_kind(store)
        full = _state(store)
        assert full != empty
        undone = []
        for place in data.draw(st.permutations(range(len(made)))):
            undone.append(deciding.undo(store, made[place].uid)[1])
            _state(store)
        assert _state(store) == empty, "whatever is taken back leaves nothing behind"
        for place in data.draw(st.permutations(range(len(undone)))):
            deciding.undo(store, undone[place].uid)
        assert _state(store) == full, "and had again, in any order, all is as it was"
        for one in made:  # for the next example
            deciding.undo(store, one.uid)
