"""Questions against a plain reading of the rules: each picture is looked at by itself, with Python's own comparisons.

The archive is made of rows alone: forty pictures whose times are moments, stretches, only "not later than", or unknown,
all within half an hour around two closings, so that every way in which two intervals can lie occurs.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import archive, deciding, history, planning
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.find import closing_in_force, find
from lastlook.records import Camera, CaptureTime, Closing, Dimension, Picture, PictureKind, Question, Sort
from lastlook.store import Store

PLAN = (Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8")
START = datetime(2026, 3, 27, 10, tzinfo=UTC)
CLOSED = {"O4": "2026-03-27 11:10", "O2": "2026-03-27 11:20"}  # local time: ten and twenty minutes after START
SUBS = ("HULL-F", "MAST", "LAN", "DKH")
RUNS = ("W03", "W04", "W07")


def moments(dice: random.Random) -> CaptureTime:
    at = START + timedelta(minutes=dice.randrange(30), seconds=dice.choice((0, 0, 30, 59)))
    kind = dice.randrange(20)
    if kind == 0:
        return CaptureTime(None, None, None, "unknown", "nothing tells")
    if kind == 1:
        return CaptureTime(at, None, at, "file-system", "not later than")
    if kind < 10:
        return CaptureTime(at, at, at, "exif", "to the second")
    early, late = dice.randrange(8), dice.randrange(8)
    return CaptureTime(at, at - timedelta(minutes=early), at + timedelta(minutes=late), "exif", "a stretch")


def add(store: Store, number: int, time: CaptureTime) -> str:
    sha256 = hashlib.sha256(str(number).encode()).hexdigest()
    media.add(
        store.catalogue,
        media.Medium(
            sha256=sha256, kind="photo", format="JPEG", file=f"{number}.jpg", stored=f"originals/{number}.jpg",
            in_place=False, size_bytes=1, mtime_ns=0, width=40, height=30, orientation=1, camera=Camera(), claims=(),
            facts={}, warnings=(), duration_ms=None, pair_id="", belongs_to="", shown=True,
        ),
    )  # fmt: skip
    rid = pictures.add_photo(store.catalogue, sha256, width=40, height=30, time=time, quality=None, thumb="", page="")
    return pictures.by_rids(store.catalogue, [rid])[0].id


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    made = archive.create(tmp_path_factory.mktemp("find") / "lv40", name="LV-40", zone="Europe/Copenhagen")
    dice = random.Random(40)
    with Store(made, by="Ada", create=True) as opened:
        planning.load(opened, PLAN, "plan.toml")
        with opened.catalogue.writing():
            ids = [add(opened, number, moments(dice)) for number in range(40)]
            opened.catalogue.count_up("times")
        for id in ids:
            tags = [Target(Dimension.SUBASSEMBLY, sub) for sub in SUBS if dice.random() < 0.4]
            tags += [Target(Dimension.RUN, run) for run in RUNS if dice.random() < 0.4]
            if tags:
                deciding.tag(opened, [id], tags)
        for opening, at in CLOSED.items():
            deciding.close(opened, opening, at)
        yield opened


def everything(store: Store) -> list[Picture]:
    return [hit.picture for hit in find(store, Question(limit=1000)).hits]


def inside(store: Store, sub: str) -> set[str]:
    """A subassembly and what is built into it, by walking upward from each."""
    within = {item.id: item.within for item in store.plan.subassemblies}

    def way(id: str) -> list[str]:
        return [id, *(way(within[id]) if within[id] else [])]

    return {id for id in within if sub in way(id)}


def shows(picture: Picture, dimension: Dimension, ids: set[str]) -> bool:
    """By a person's word, or by a proposal that counts: what neighbours show is proposed."""
    return any(tag.dimension is dimension and tag.target in ids and tag.counts for tag in picture.tags)


def surely(time: CaptureTime, closing: Closing) -> str:
    """ "before", "after", or "" where the intervals leave it open; intervals are closed at both ends."""
    first, last = closing.time.earliest, closing.time.latest
    assert first is not None
    assert last is not None
    if time.earliest is None or time.latest is None:
        return ""
    return "before" if time.latest < first else "after" if time.earliest > last else ""


def expected(store: Store, question: Question) -> tuple[set[str], set[str]]:
    """(surely inside, left open)."""
    sure: set[str] = set()
    left_open: set[str] = set()
    closings = {id: closing_in_force(store, id) for id in CLOSED}
    for picture in everything(store):
        subs = {id for sub in question.subassemblies for id in inside(store, sub)}
        if subs and not shows(picture, Dimension.SUBASSEMBLY, subs):
            continue
        if question.runs and not shows(picture, Dimension.RUN, set(question.runs)):
            continue
        time = picture.time
        told: list[str] = []
        for opening, wanted in ((question.before_closing, "before"), (question.after_closing, "after")):
            if opening:
                closing = closings[opening]
                assert closing is not None
                told.append({wanted: "yes", "": "open"}.get(surely(time, closing), "no"))
        for bound, is_since in ((question.since, True), (question.until, False)):
            if bound is None:
                continue
            if time.earliest is None or time.latest is None:
                told.append("open")
            elif time.earliest >= bound if is_since else time.latest <= bound:
                told.append("yes")
            else:
                told.append("no" if (time.latest < bound if is_since else time.earliest > bound) else "open")
        if "no" in told:
            continue
        (left_open if "open" in told else sure).add(picture.id)
    return sure, left_open


openings = st.sampled_from(["", *CLOSED])
bounds = st.none() | st.integers(-2, 32).map(lambda minutes: START + timedelta(minutes=minutes))
questions = st.builds(
    Question,
    subassemblies=st.lists(st.sampled_from(SUBS), max_size=2, unique=True).map(tuple),
    runs=st.lists(st.sampled_from(RUNS), max_size=2, unique=True).map(tuple),
    before_closing=openings,
    after_closing=openings,
    since=bounds,
    until=bounds,
    sort=st.sampled_from([None, Sort.NEWEST, Sort.OLDEST]),
    limit=st.just(1000),
).filter(lambda question: not (question.since and question.until and question.until < question.since))


@given(questions)
def test_an_answer_is_what_the_rules_say(store: Store, question: Question) -> None:
    answer = find(store, question)
    sure, left_open = expected(store, question)
    assert {hit.picture.id for hit in answer.hits} == sure
    assert {hit.picture.id for hit in answer.undetermined} == left_open
    assert (answer.total, answer.undetermined_total) == (len(sure), len(left_open))
    assert bool(answer.said) == (not sure and not left_open), "only an empty answer needs words"


@given(questions)
def test_the_order_never_says_more_than_is_known(store: Store, question: Question) -> None:
    hits = [hit.picture.time for hit in find(store, question).hits]
    known = [time for time in hits if time.instant is not None]
    assert hits[: len(known)] == known, "pictures of unknown time come last"
    oldest = question.sort is Sort.OLDEST or (
        question.sort is None and bool(question.after_closing) and not question.before_closing
    )
    if oldest:
        latest = [time.latest for time in known if time.latest is not None]
        assert latest == sorted(latest)
    else:
        earliest = [time.earliest for time in known if time.earliest is not None]
        assert earliest == sorted(earliest, reverse=True)
        # Of which only "not later than" is known is no newest one.
        assert [time.earliest is None for time in known] == sorted(time.earliest is None for time in known)


@given(questions, st.integers(1, 7))
def test_sheets_put_together_are_the_whole_answer(store: Store, question: Question, size: int) -> None:
    whole = [hit.picture.id for hit in find(store, question).hits]
    sheets: list[str] = []
    for offset in range(0, len(whole) + 1, size):
        answer = find(store, replace(question, limit=size, offset=offset))
        assert answer.total == len(whole)
        sheets += [hit.picture.id for hit in answer.hits]
    assert sheets == whole


def test_several_ids_of_one_kind_widen_and_kinds_narrow(store: Store) -> None:
    one, other = find(store, Question(runs=("W03",))).total, find(store, Question(runs=("W07",))).total
    both = find(store, Question(runs=("W03", "W07"))).total
    assert max(one, other) < both < one + other
    subs = find(store, Question(subassemblies=("HULL-F", "MAST"))).total
    assert subs > find(store, Question(subassemblies=("MAST",))).total
    narrowed = find(store, Question(runs=("W03", "W07"), subassemblies=("HULL-F", "MAST"))).total
    assert narrowed < min(both, subs)


def test_absence_names_what_and_when_and_the_last_time_it_was_seen(store: Store) -> None:
    told = []
    for sub in SUBS:
        for some in (*combinations(RUNS, 1), *combinations(RUNS, 2)):
            about = Question(runs=some, subassemblies=(sub,), limit=1)
            answer = find(store, replace(about, since=START + timedelta(days=1)))
            assert answer.total == 0
            if answer.undetermined_total:  # pictures of unknown time are left open, and are an answer
                continue
            newest = find(store, replace(about, sort=Sort.NEWEST)).hits[0].picture
            assert answer.said[0].startswith(f"No picture of {' or '.join(some)} with {sub} since 28 Mar 2026")
            assert answer.said[1].startswith("Last seen 27 Mar 2026")
            assert newest.id in answer.said[1]
            told.append(sub)
    assert told


def test_an_opening_that_was_never_closed(store: Store) -> None:
    before = find(store, Question(before_closing="O1", limit=1000))
    assert before.total == len(everything(store))
    assert before.said == ("O1 is not closed on record: every picture so far counts as before it.",)
    after = find(store, Question(after_closing="O1"))
    assert (after.total, after.undetermined_total) == (0, 0)
    assert "nothing can be after it" in after.said[0]


def test_what_cannot_be_asked(store: Store) -> None:
    with pytest.raises(NoSuchId):
        find(store, Question(runs=("W99",)))
    for wrong in (Question(limit=0), Question(limit=1001), Question(offset=-1)):
        with pytest.raises(UsageError):
            find(store, wrong)
    with pytest.raises(UsageError, match="before 'since'"):
        find(store, Question(since=START, until=START - timedelta(seconds=1)))


def test_kinds_are_told_apart(store: Store) -> None:
    assert find(store, Question(kind=PictureKind.PHOTO)).total == len(everything(store))
    assert find(store, Question(kind=PictureKind.STILL)).total == 0


# ------------------------------------------------------------------------------------------------ time line


@pytest.mark.parametrize("sub", SUBS)
def test_a_time_line_shows_only_what_is_sure(store: Store, sub: str) -> None:
    line = history.timeline(store, sub)
    shown = [picture for picture in everything(store) if shows(picture, Dimension.SUBASSEMBLY, inside(store, sub))]
    assert line.total == len(shown)
    for moment in line.moments:
        if moment.closing is None:
            continue
        times = {picture.id: surely(picture.time, moment.closing) for picture in shown}
        before = [one.time.earliest for one in shown if times[one.id] == "before" and one.time.earliest]
        after = [one.time.latest for one in shown if times[one.id] == "after" and one.time.latest]
        assert (moment.before.time.earliest if moment.before else None) == max(before, default=None)
        assert (moment.after.time.latest if moment.after else None) == min(after, default=None)
        assert moment.undetermined == sum(not side for side in times.values())
        gaps = [not before and "before", not after and "after"]
        assert [word for word in gaps if word] == [gap.split(" surely ")[1].split()[0] for gap in moment.gaps]
