"""What holds for every closing check, whatever was recorded: nothing stale or undetermined ever counts as a pass."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastlook import closing_check, deciding, recording
from lastlook.archive import Archive
from lastlook.catalogue import decisions, pictures
from lastlook.closing import records as r
from lastlook.closing.check import check
from lastlook.closing.records import Facts, Line, State
from lastlook.deciding import Target
from lastlook.errors import LastlookError
from lastlook.recording import Act
from lastlook.records import CaptureTime, Closing, Dimension
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
