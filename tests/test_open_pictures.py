"""Open pictures in parts: what is followed is what would be made anew, and only touched parts are made anew."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import open_pictures
from lastlook.catalogue.review import Claimed, Open
from lastlook.open_pictures import PAUSE_MS, Key, Opened
from lastlook.records import Dimension
from lastlook.tagging.sessions import Session

START = datetime(2026, 3, 20, 8, tzinfo=UTC)
START_MS = int(START.timestamp() * 1000)
MINUTE = 60_000


def _open(rid: int, minute: int | None, clip: bool = False, place: str = "", sure: bool = False, wide: int = 0) -> Open:
    at = None if minute is None else START_MS + minute * MINUTE
    claims = (Claimed(Dimension.SUBASSEMBLY, place, 0.97 if sure else 0.6, sure, "folder"),) if place else ()
    low, high = (None, None) if at is None else (at - wide * MINUTE, at + wide * MINUTE)
    sha256 = f"{'clip' if clip else rid}"
    return Open(rid, f"p{rid}", sha256, f"{rid}.jpg", 0 if clip else None, at, low, high, None, claims, False)


def _session(uid: str, start: int, minutes: int) -> Session:
    began = START + timedelta(minutes=start)
    return Session(uid, began, began + timedelta(minutes=minutes), True, ((Dimension.SUBASSEMBLY, "MAST"),), "Ada")


MINUTES = st.integers(0, 200)
PICTURES = st.lists(
    st.builds(
        _open,
        st.integers(1, 30),
        st.none() | MINUTES,
        st.booleans(),
        st.sampled_from(("", "MAST", "BASE")),
        st.booleans(),
        st.integers(0, 30),
    ),
    max_size=25,
    unique_by=lambda one: one.rid,
)
SESSIONS = st.lists(
    st.builds(_session, st.sampled_from("abc"), MINUTES, st.integers(1, 90)),
    max_size=3,
    unique_by=lambda each: each.uid,
).map(lambda found: tuple(sorted(found, key=lambda each: each.start)))


@settings(max_examples=150)
@given(PICTURES, PICTURES, st.sets(st.integers(1, 30)), SESSIONS, SESSIONS, st.booleans())
def test_what_is_followed_is_what_would_be_made_anew(
    before: list[Open],
    new: list[Open],
    gone: set[int],
    were: tuple[Session, ...],
    sessions: tuple[Session, ...],
    everything: bool,
) -> None:
    changed = gone | {one.rid for one in new}
    after = [*(one for one in before if one.rid not in changed), *new]
    was = open_pictures.opened_of(were, _ordered(before))
    anew = open_pictures.opened_of(sessions, _ordered(after))
    followed = open_pictures.updated(was, sessions, sorted(changed), new)
    assert [part.entries for part in followed.timed] == [part.entries for part in anew.timed]
    assert {where: part.entries for where, part in followed.apart.items()} == {
        where: part.entries for where, part in anew.apart.items()
    }
    for part, same in zip(followed.timed, anew.timed, strict=True):
        assert (part.rids, part.earliest_ms, part.latest_ms) == (same.rids, same.earliest_ms, same.latest_ms)
    low, high = START_MS + 40 * MINUTE, START_MS + 80 * MINUTE
    assert followed.between(low, high) == [
        one
        for one in _ordered(after)
        if one.earliest_ms is not None
        and one.latest_ms is not None
        and one.latest_ms >= low
        and one.earliest_ms <= high
    ]
    assert _gathered(followed, everything) == _plainly(followed, everything)


def _ordered(ones: list[Open]) -> list[Open]:
    return sorted(ones, key=lambda one: (one.taken_ms is None, one.taken_ms or 0, one.rid))


def _gathered(opened: Opened, everything: bool) -> list[list[Open]]:
    found = [ones for part in opened.parts() for _, ones in part.stretches(everything=everything)]
    sessions: dict[Key, list[Open]] = defaultdict(list)
    for part in opened.parts():
        for key, ones in part.of_sessions(everything=everything).items():
            sessions[key] += ones
    return sorted([*found, *sessions.values()], key=lambda ones: ones[0].rid)


def _plainly(opened: Opened, everything: bool) -> list[list[Open]]:
    """The rule in its plainest form, over all pictures at once: a stretch ends where no photo was taken for longer than
    a pause."""
    entries = sorted(
        (entry for part in opened.parts() for entry in part.entries if everything or not entry.sure),
        key=lambda entry: entry.after,
    )
    found: dict[tuple[Key, int], list[Open]] = defaultdict(list)
    stretch, last = 0, None
    for entry in entries:
        if entry.timed_ms is not None:
            stretch += last is not None and entry.timed_ms - last > PAUSE_MS
            last = entry.timed_ms
        found[entry.key, stretch if entry.key[0] == "stretch" else 0].append(entry.one)
    return sorted(found.values(), key=lambda ones: ones[0].rid)


def test_only_the_parts_that_a_change_touches_are_made_anew() -> None:
    first, second, third = (_open(rid, minute) for rid, minute in ((1, 0), (2, 30), (3, 300)))
    clip = _open(4, 60, clip=True)
    was = open_pictures.opened_of((), [first, second, clip, third])
    assert [len(part.entries) for part in was.timed] == [1, 1, 1]
    later = open_pictures.updated(was, (), [2], [replace(second, claims=_open(2, 30, place="MAST").claims)])
    assert [now is before for now, before in zip(later.timed, was.timed, strict=True)] == [True, False, True]
    assert later.apart["clip clip"] is was.apart["clip clip"]
    joined = open_pictures.updated(was, (), [5], [_open(5, 15)])
    assert [len(part.entries) for part in joined.timed] == [3, 1]
    assert joined.timed[1] is was.timed[2]
    session = _session("a", 290, 20)
    during = open_pictures.updated(was, (session,), [], [])
    assert [now is before for now, before in zip(during.timed, was.timed, strict=True)] == [True, True, False]
    assert during.timed[2].entries[0].key[0] == "session a"
    still = open_pictures.updated(during, (session,), [4], [])
    assert (still.apart, [now is before for now, before in zip(still.timed, during.timed, strict=True)]) == (
        {},
        [True] * 3,
    )


def test_a_pause_of_what_is_sure_parts_only_where_that_is_left_out() -> None:
    ones = [_open(1, 0, place="MAST"), _open(2, 15, place="MAST", sure=True), _open(3, 30, place="MAST")]
    (part,) = open_pictures.opened_of((), ones).timed
    assert [[one.rid for one in each] for _, each in part.stretches(everything=False)] == [[1], [3]]
    assert sorted([one.rid for one in each] for _, each in part.stretches(everything=True)) == [[1, 3], [2]]
