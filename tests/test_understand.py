"""Questions as builders ask them, read into narrowings and words. The plan is the lightship LV-40."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lastlook.plan.parse import parse_plan
from lastlook.records import Build, PictureKind, Plan, Question, Sort
from lastlook.textindex import parse
from lastlook.understand import understand

ZONE = "Europe/Copenhagen"
NOW = datetime(2026, 5, 20, 12, tzinfo=UTC)  # a Wednesday
PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan-lv40.toml")


MARCH = "time:2026-02-28T23:00:00+00:00/2026-03-31T21:59:59.999+00:00"
EARLY_MARCH = "time:2026-02-28T23:00:00+00:00/2026-03-10T22:59:59.999+00:00"
THIRD_TO_TENTH = "time:2026-03-02T23:00:00+00:00/2026-03-10T22:59:59.999+00:00"
TWELFTH = "time:2026-03-11T23:00:00+00:00/2026-03-12T22:59:59.999+00:00"

# The question, the keys of what is understood, the words that are left.
QUESTIONS: list[tuple[str, set[str], str]] = [
    ("W03 before mast foot closed", {"run:W03", "before-closing:O4"}, ""),
    ("w-3 before the mast foot was closed", {"run:W03", "before-closing:O4"}, ""),
    (
        "What did the wire run to the lantern look like before the mast foot was closed?",
        {"run:W03,W04", "before-closing:O4"},
        "",
    ),
    ("what did the run to the lantern look like just before O4", {"run:W03,W04", "before-closing:O4"}, ""),
    ("lantern before O4", {"subassembly:LAN", "before-closing:O4"}, ""),
    ("lantern after O4 was closed", {"subassembly:LAN", "after-closing:O4"}, ""),
    ("the white wire at the terminal block", {"run:W03", "part:TB"}, ""),
    ("The orange wire at the terminal block: what is it?", {"run:W05", "part:TB"}, ""),
    ("black wire", {"run:W02,W08"}, ""),
    ("where is the red wire", {"run:W01"}, ""),
    ("wires from the base", {"run:W01,W02"}, ""),
    ("lantern wires", {"run:W03,W04"}, ""),
    ("LAN.LED+", {"run:W03"}, ""),
    ("what is at TB.3?", {"run:W03"}, ""),
    ("w-3 or w 4", {"run:W03", "run:W04"}, ""),
    ("W03 W04 splice", {"run:W03", "run:W04"}, "splice"),
    ("before the deck went on", {"before-closing:O2"}, ""),
    ("hull before bonding the main deck", {"before-closing:O2"}, "hull"),
    ("before bonding the hull joint", {"before-closing:O1"}, ""),
    ("solder joint before the hull halves were joined", {"before-closing:O1"}, "solder joint"),
    ("after the base plate was screwed on", {"after-closing:O5"}, ""),
    ("deckhouse before the deckhouse roof was closed", {"subassembly:DKH", "before-closing:O3"}, ""),
    ("Where does W07 pass on this photo of the finished hull?", {"run:W07"}, "pass on the finished hull"),
    ("Which runs cross the hull joint?", set(), "runs cross the hull joint"),
    ("When was the deck bonded, and with what?", set(), "deck bonded"),
    ("Was the lantern polarity checked?", {"subassembly:LAN"}, "polarity checked"),
    ("How much slack is stowed at the mast foot?", set(), "much slack is stowed at the mast foot"),
    ("Why was W03 re-routed?", {"run:W03"}, "re-routed"),
    ("Which photos show the splice in W09?", {"run:W09"}, "splice"),
    ("What was fitted between 3 and 10 March in the fore hull?", {THIRD_TO_TENTH, "subassembly:HULL-F"}, "fitted"),
    ("fore hull, 3–10 March 2026", {THIRD_TO_TENTH, "subassembly:HULL-F"}, ""),
    ("How do I get to the lantern motor?", {"part:MOT"}, ""),
    ("W07 early March", {"run:W07", EARLY_MARCH}, ""),
    ("photos only of the fore hull in March", {"kind:photo", "subassembly:HULL-F", MARCH}, ""),
    ("photos of the fore hull in March", {"subassembly:HULL-F", MARCH}, ""),
    ("on 12 March", {TWELFTH}, ""),
    ("12 Mar 2026", {TWELFTH}, ""),
    ("2026-03-12 W05", {TWELFTH, "run:W05"}, ""),
    ("before 9 April", {"time:/2026-04-08T21:59:59.999+00:00"}, ""),
    ("since 9 April", {"time:2026-04-08T22:00:00+00:00/"}, ""),
    ("last week", {"time:2026-05-10T22:00:00+00:00/2026-05-17T21:59:59.999+00:00"}, ""),
    ("yesterday", {"time:2026-05-18T22:00:00+00:00/2026-05-19T21:59:59.999+00:00"}, ""),
    ("in May I drilled it", {"time:2026-04-30T22:00:00+00:00/2026-05-31T21:59:59.999+00:00"}, "drilled"),
    ("may I drill here", set(), "may i drill here"),
    ("30 February", set(), "30 February"),
    ("stills of W03", {"kind:still", "run:W03"}, ""),
    ("video of the loom", {"kind:still"}, "loom"),
    (
        "Find the video moment when the loom was pulled through bulkhead 11.",
        {"kind:still", "subassembly:BHD-11"},
        "loom was pulled",
    ),
    ("is the loom still loose", set(), "loom still loose"),
    ("newest W03", {"sort:newest", "run:W03"}, ""),
    ("oldest first: deckhouse", {"sort:oldest", "subassembly:DKH"}, ""),
    ("last look at bulkhead 11", {"sort:newest", "subassembly:BHD-11"}, ""),
    ("last photo of the lantern", {"sort:newest", "subassembly:LAN"}, ""),
    ("first light", set(), "light"),
    ("through frame 11", {"subassembly:BHD-11"}, ""),
    ("show me the port lights", set(), "port lights"),
    ("step S60", {"step:S60"}, ""),
    ('"mast foot" W03', {"run:W03"}, '"mast foot"'),
    ("W03 -lantern", {"run:W03"}, "-lantern"),
    ("DKH not W09", {"subassembly:DKH"}, "not W09"),
    ("Did the dark-room test show any leak at the wheelhouse seam?", {"subassembly:DKH"}, "dark-room test leak seam"),
    ("Which photos show W09's splice", {"run:W09"}, "splice"),
    ("grey or white wire", {"run:W04,W03"}, ""),
    ("W03 before and after O4", {"run:W03", "around-closing:O4"}, ""),
    ("deck after it was bonded", {"after-closing:O2"}, "deck"),
    ("pictures from last Tuesday", {"time:2026-05-18T22:00:00+00:00/2026-05-19T21:59:59.999+00:00"}, ""),
    ("loom through BHD-11 (before deck)", {"subassembly:BHD-11", "before-closing:O2"}, "loom"),
    ("show W03, W04 and W05 at the terminal block", {"run:W03", "run:W04", "run:W05", "part:TB"}, ""),
    ("the port lights' yellow wire in March", {"run:W07", MARCH}, "port lights'"),
    ("loom", set(), "loom"),
    ("", set(), ""),
    ("???", set(), ""),
]  # fmt: skip


@pytest.mark.parametrize(("text", "keys", "left"), QUESTIONS, ids=[text[:50] or "nothing" for text, _, _ in QUESTIONS])
def test_reading(text: str, keys: set[str], left: str) -> None:
    found = understand(text, PLAN, NOW, ZONE)
    assert {narrowing.key for narrowing in found.narrowings} == keys
    assert found.left.casefold() == left.casefold()
    assert found.question.words == found.left


def test_the_question_holds_what_was_understood() -> None:
    found = understand("newest photos only of the white wire at the mast in March before O4", PLAN, NOW, ZONE)
    assert found.question == Question(
        words="",
        subassemblies=found.question.subassemblies,
        runs=("W03",),
        before_closing="O4",
        since=datetime(2026, 2, 28, 23, tzinfo=UTC),
        until=datetime(2026, 3, 31, 21, 59, 59, 999000, tzinfo=UTC),
        kind=PictureKind.PHOTO,
        sort=Sort.NEWEST,
    )


def test_each_narrowing_says_what_it_is_and_where_it_was_read() -> None:
    found = understand("W03 in early March before the mast foot was closed", PLAN, NOW, ZONE)
    assert [(one.kind, one.words, one.label) for one in found.narrowings] == [
        ("run", "W03", "run W03 (Lantern plus)"),
        ("time", "in early March", "between 1 Mar 2026 and 10 Mar 2026"),
        ("before-closing", "before the mast foot was closed", "before O4 (Mast foot) was closed"),
    ]


@pytest.mark.parametrize(
    ("text", "labels"),
    [
        ("on 12 March", ["on 12 Mar 2026"]),
        ("since 20 March", ["from 20 Mar 2026 on"]),
        ("until 1 April", ["up to 1 Apr 2026"]),
        ("12 March at 10:41", ["12 Mar 2026, between 10:41:00 and 10:41:59 +01:00"]),
        # Two of one kind: pictures of either answer, and that is said.
        ("W03 and W04 at the mast", ["run W03 (Lantern plus)", "or run W04 (Lantern return)", "subassembly MAST"]),
    ],
)
def test_a_narrowing_speaks_as_a_builder_would(text: str, labels: list[str]) -> None:
    found = [one.label for one in understand(text, PLAN, NOW, ZONE).narrowings]
    assert len(found) == len(labels)
    assert all(want in label for want, label in zip(labels, found, strict=True)), found


def test_what_is_left_of_two_runs_needs_no_or() -> None:
    found = understand("W03 and W04", PLAN, NOW, ZONE, without=frozenset({"run:W03"}))
    assert [one.label for one in found.narrowings] == ["run W04 (Lantern return)"]


def test_a_narrowing_taken_off_becomes_words_again() -> None:
    text = "W03 before mast foot closed"
    assert understand(text, PLAN, NOW, ZONE, without=frozenset({"run:W03"})).left == "W03"
    bare = understand(text, PLAN, NOW, ZONE, without=frozenset({"run:W03", "before-closing:O4"}))
    assert bare.narrowings == ()
    assert bare.question == Question(words=text)


def test_a_closing_of_a_thing_seen_through_one_opening() -> None:
    found = understand("the deckhouse before it was closed up", PLAN, NOW, ZONE)
    assert {one.key for one in found.narrowings} == {"subassembly:DKH", "before-closing:O3"}
    # W10 is seen through three openings: which of them is meant is not guessed.
    found = understand("W10 before it was closed in", PLAN, NOW, ZONE)
    assert {one.key for one in found.narrowings} == {"run:W10"}


def test_the_zone_and_the_day_settle_relative_dates() -> None:
    there = understand("yesterday", PLAN, datetime(2026, 5, 19, 23, 30, tzinfo=UTC), "Asia/Tokyo").question
    assert (there.since, there.until) == (
        datetime(2026, 5, 18, 15, tzinfo=UTC),
        datetime(2026, 5, 19, 14, 59, 59, 999000, tzinfo=UTC),
    )


def test_without_a_plan_all_is_words_but_times_and_kinds() -> None:
    found = understand("W03 photos only in March", Plan(Build("empty")), NOW, ZONE)
    assert {one.kind for one in found.narrowings} == {"time", "kind"}
    assert found.left == "W03"


_words = st.sampled_from(
    [
        *("W03", "w-4", "before", "after", "closed", "the", "mast", "foot", "deck", "O4", "between", "and", "3", "10"),
        *(
            "March",
            "early",
            "in",
            "last",
            "first",
            "newest",
            "photos",
            "still",
            "video",
            '"mast',
            'foot"',
            "-",
            "-hull",
        ),
        *(
            "not",
            "or",
            "to",
            "wires",
            "from",
            "lantern",
            "LAN.LED+",
            "TB.3",
            "?",
            ":",
            ",",
            "it",
            "was",
            "until",
            "May",
        ),
        *(
            "since",
            "2026-03-12",
            "week",
            "through",
            "(",
            ")",
            "*",
            "31",
            "February",
            "of",
            "bulkhead",
            "11",
            "2 days ago",
        ),
    ]
)


@settings(deadline=None)
@given(st.one_of(st.text(max_size=500), st.lists(_words, max_size=14).map(" ".join)))
@example("before " * 60)
@example("\x00;;;; W03 ;;;")
@example('"' * 401)
@example("from 99 March to 0 May")
@example("999 months ago")
@example("since 0000-00-00")
def test_any_question_is_read(text: str) -> None:
    found = understand(text, PLAN, NOW, ZONE)
    for narrowing in found.narrowings:
        assert narrowing.label
        assert narrowing.words in text
    parse(found.left)
    everything_off = understand(text, PLAN, NOW, ZONE, without=frozenset(one.key for one in found.narrowings))
    assert not {one.key for one in everything_off.narrowings} & {one.key for one in found.narrowings}


@settings(deadline=None)
@given(st.lists(_words, max_size=10).map(" ".join))
def test_reading_is_the_same_each_time(text: str) -> None:
    assert understand(text, PLAN, NOW, ZONE) == understand(text, PLAN, NOW, ZONE)
