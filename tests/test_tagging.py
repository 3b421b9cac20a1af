"""Proposals for tags: from folder names, from speech, from the plan; and how they are weighed."""

from __future__ import annotations

import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.records import (
    Build,
    Cue,
    Dimension,
    Opening,
    Part,
    Plan,
    Proposal,
    ProposalSource,
    Run,
    Step,
    Subassembly,
    Tag,
    TagState,
)
from lastlook.tagging import (
    DEFAULT,
    Context,
    Lexicon,
    Weighed,
    consequence,
    folders,
    propose_all,
    spoken,
    weigh,
)
from lastlook.tagging.context import SessionOverlap, clock
from lastlook.tagging.weigh import combined
from lastlook.tagging.words import name_words, words_of

PLAN = Plan(
    Build("LV-40"),
    subassemblies=(
        Subassembly("HULL-F", "Fore hull"),
        Subassembly("BHD-11", "Bulkhead 11", within="HULL-F"),
        Subassembly("DECK-M", "Main deck", aliases=("deck",)),
        Subassembly("DKH", "Deckhouse"),
        Subassembly("MAST", "Lantern mast"),
        Subassembly("LAN", "Lantern", within="MAST"),
    ),
    openings=(Opening("O1", "Hull joint"), Opening("O4", "Mast foot")),
    steps=(
        Step("S04", "Mast motor test", "MAST"),
        Step("S05", "Loom through bulkhead 11", "BHD-11"),
        Step("11", "Soak test", "DECK-M"),
    ),
    runs=(
        Run("W02", "Feed common", colour="BK", subassemblies=("HULL-F", "BHD-11")),
        Run("W03", "Lantern plus", colour="WH", subassemblies=("BHD-11", "MAST", "LAN")),
        Run("W05", "Motor plus", colour="OG", subassemblies=("MAST",)),
        Run("W07", "Port lights plus", colour="YE", subassemblies=("HULL-F",)),
        Run("W08", "Port lights common", colour="BK", subassemblies=("HULL-F",)),
        Run("W10", "Spare", colour="VT", subassemblies=("BHD-11", "MAST")),
        Run("W11", "Feuerzündung", colour="GN"),
    ),
    parts=(Part("P-TB", "Terminal block", "BHD-11", aliases=("TB",)),),
)
LEXICON = Lexicon.of(PLAN)


def said(*lines: str, at: int = 2_000) -> Context:
    """A still at `at` ms, over cues of four seconds each, without pauses."""
    cues = tuple(Cue(4_000 * index, 4_000 * index + 4_000, line) for index, line in enumerate(lines))
    return Context(PLAN, LEXICON, file="bench.mp4", clip_ms=at, cues=cues)


def heard(*lines: str, at: int = 2_000) -> dict[str, float]:
    return {one.target: one.confidence for one in spoken.propose(said(*lines, at=at))}


def filed(*path: str, file: str = "IMG_0412.JPG") -> dict[str, float]:
    return {one.target: one.confidence for one in folders.propose(Context(PLAN, LEXICON, file=file, folders=path))}


# ---------------------------------------------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("W03", ["w", "3"]),
        ("w-03", ["w", "3"]),
        ("double u zero three", ["w", "0", "3"]),
        ("Double-U three", ["w", "3"]),
        ("W three", ["w", "3"]),
        ("twenty one, thirty-nine and ninety nine", ["21", "39", "and", "99"]),
        ("twenty, one", ["20", "1"]),
        ("Masts’ bulkheads", ["mast", "bulkhead"]),
        ("Tür am Großmast", ["tur", "am", "grossmast"]),
        ("plus positive +", ["+", "+", "+"]),
        ("2026-03-05 deck", ["", "deck"]),
        ("20260305_104100 deck", ["", "deck"]),
        ("IMG_20260305_104100", ["img", ""]),
        ("5.3.2026 deck", ["", "deck"]),
        ("10:41 deck", ["", "deck"]),
        ("0012345 deck", ["", "deck"]),
        ("", []),
    ],
)
def test_words_meet_in_one_form(text: str, words: list[str]) -> None:
    assert [word.text for word in words_of(text)] == words


def test_a_capital_inside_a_name_starts_a_word() -> None:
    assert [word.text for word in name_words("MastFoot_wiring2")] == ["mast", "foot", "wiring", "2"]


@given(st.text(max_size=80))
def test_any_text_has_words_in_order(text: str) -> None:
    words = words_of(text)
    assert [word.start for word in words] == sorted(word.start for word in words)
    assert [word.clause for word in words] == sorted(word.clause for word in words)
    LEXICON.find(words)


def test_a_very_long_caption_takes_linear_time() -> None:
    def seconds(repeats: int) -> float:
        words = words_of("mast foot lantern mast " * repeats)
        began = time.process_time()
        assert len(LEXICON.find(words)) >= 2 * repeats
        return time.process_time() - began

    # Five times the words: 5 if linear, 25 if every word were held against every other one.
    assert seconds(15_000) < 12 * max(seconds(3_000), seconds(3_000))


# ---------------------------------------------------------------------------------------------------- spoken


@pytest.mark.parametrize(
    ("line", "target"),
    [
        ("the white one, W03, goes down", "W03"),
        ("double u zero three goes down", "W03"),
        ("double you oh three goes down", "W03"),
        ("w oh three", "W03"),
        ("W three", "W03"),
        ("w-03", "W03"),
        ("w03s", "W03"),
        ("run three", "W03"),
        ("run number three", "W03"),
        ("wire ten", "W10"),
        ("W one zero", "W10"),
        ("w ten", "W10"),
        ("the white wire", "W03"),
        ("bulkhead eleven", "BHD-11"),
        ("bulkhead 11's grommets", "BHD-11"),
        ("B H D eleven", "BHD-11"),
        ("the lantern masts", "MAST"),
        ("port lights positive", "W07"),
        ("the feuerzundung", "W11"),
        ("step eleven", "11"),
        ("the deck house", "DKH"),
        ("terminal-block", "P-TB"),
        ("W03 came out too short yesterday", "W03"),
        ("when I push W03 through", "W03"),
        ("it lies next to the lantern mast", "MAST"),
        ("don't forget W03", "W03"),
        ("not only W03 but the rest", "W03"),
        ("not W05, W03", "W03"),
        ("not that, but W03", "W03"),
    ],
)
def test_a_plain_naming_is_applied(line: str, target: str) -> None:
    assert heard(line)[target] >= DEFAULT.threshold


@pytest.mark.parametrize(
    ("line", "target", "reason"),
    [
        ("not W03", "W03", "'not'"),
        ("that isn't W03", "W03", "'isnt'"),
        ("without the lantern mast", "MAST", "'without'"),
        ("we'll do the lantern mast later", "MAST", "'later'"),
        ("the lantern mast is for next week", "MAST", "'next week'"),
        ("before the lantern mast goes on", "MAST", "'before'"),
        ("before we put the lantern mast on", "MAST", "'before'"),
        ("once the main deck is bonded", "DECK-M", "'once'"),
        ("after the main deck went on", "DECK-M", "'after'"),
        ("the main deck isn't on yet", "DECK-M", "'isnt'"),
        ("the main deck is not on yet", "DECK-M", "'not'"),
        ("instead of W07 we take the spare", "W07", "'instead'"),
        ("yesterday the deck", "DECK-M", "'yesterday'"),
        ("the lantern mast I do next", "MAST", "'next'"),
        ("it leads up to the lantern", "LAN", "'to'"),
    ],
)
def test_a_mere_mention_is_not_applied_and_says_why(line: str, target: str, reason: str) -> None:
    proposal = next(one for one in spoken.propose(said(line)) if one.target == target)
    assert proposal.confidence < DEFAULT.threshold
    assert reason in proposal.evidence
    quoted = proposal.evidence.split('"')[1].strip("…")
    assert quoted in line
    assert len(quoted.split()) >= min(4, len(line.split()))


@pytest.mark.parametrize(
    "line",
    [
        "mastic and lanterned deckhand",  # names inside longer words
        "W03b",
        "W3.5",
        "run thirty three",
        "one of them, and eleven more",  # a bare number is no id
        "oh, one more thing",  # no opening O1, and no tag for it
        "oh one",
        "the bulk head of eleven",
        "lantern, plus",  # LAN, not the run "lantern plus"
    ],
)
def test_what_only_looks_like_a_name_is_none(line: str) -> None:
    assert set(heard(line)) <= {"LAN"}


def test_the_longest_name_wins() -> None:
    assert set(heard("the lantern mast")) == {"MAST"}
    assert heard("lantern plus")["W03"] >= DEFAULT.threshold > heard("lantern plus")["LAN"]
    assert set(heard("lantern mast and lantern")) == {"MAST", "LAN"}


def test_a_name_inside_another_kinds_name_counts_less() -> None:
    plan = Plan(PLAN.build, subassemblies=(Subassembly("MAST", "Mast"),), openings=PLAN.openings)
    lexicon = Lexicon.of(plan)
    inside, alone = (
        spoken.propose(Context(plan, lexicon, clip_ms=0, cues=(Cue(0, 1_000, line),)))[0].confidence
        for line in ("the mast foot", "the mast")
    )
    assert inside < DEFAULT.threshold <= alone


def test_an_id_inside_a_longer_name_is_meant() -> None:
    plan = Plan(PLAN.build, runs=PLAN.runs, parts=(Part("P-SPL", "Splice in W03", "MAST"),))
    context = Context(plan, Lexicon.of(plan), clip_ms=0, cues=(Cue(0, 1_000, "the splice in W03"),))
    assert {one.target: one.confidence >= DEFAULT.threshold for one in spoken.propose(context)} == {
        "P-SPL": True,
        "W03": True,
    }


def test_a_quote_never_cuts_an_id() -> None:
    line = "W03, W05, W07, W08, W10 and W11"
    for one in spoken.propose(said(line)):
        quoted = one.evidence.split('"')[1].strip("…")
        assert all(word.strip(",") in line.replace(",", "").split() for word in quoted.split())


def test_a_part_of_one_steps_title_points_to_it() -> None:
    steps = (Step("S01", "Dry fit of the hull halves", "HULL-F"), Step("S14", "Bond the hull halves", "HULL-F"))
    plan = Plan(PLAN.build, subassemblies=PLAN.subassemblies, steps=steps)
    lexicon = Lexicon.of(plan)

    def named(folder: str) -> dict[str, float]:
        return {one.target: one.confidence for one in folders.propose(Context(plan, lexicon, folders=(folder,)))}

    assert named("2026-03-02 dry fit") == {"S01": DEFAULT.folder.partial}
    assert named("hull halves") == {}  # both steps say so
    assert named("fit of the") == {}
    assert named("dry fit of the hull halves") == {"S01": DEFAULT.folder.phrase}


def test_a_name_that_fits_two_things_is_shared_out() -> None:
    shares = heard("the black wire")
    assert set(shares) == {"W02", "W08"}
    assert max(shares.values()) < DEFAULT.threshold


def test_a_name_broken_over_two_cues_is_heard() -> None:
    assert "MAST" in heard("so this is the lantern", "mast with its foot")
    apart = Context(
        PLAN, LEXICON, clip_ms=0, cues=(Cue(0, 1_000, "this is the lantern"), Cue(5_000, 6_000, "plus a lamp"))
    )
    assert "W03" not in {one.target for one in spoken.propose(apart)}


def test_words_near_the_still_count_more() -> None:
    lines = ["W03 here", "nothing", "nothing", "nothing", "nothing"]
    near, far = heard(*lines, at=4_000)["W03"], heard(*lines, at=18_000)["W03"]
    assert near > far
    assert far < near * (DEFAULT.far + 0.1)


def test_saying_it_again_helps_only_where_it_was_meant() -> None:
    assert heard("W03 in, W03 down")["W03"] > heard("W03 in")["W03"]
    assert heard("not W03, never W03, not W03")["W03"] == heard("not W03")["W03"]
    assert heard(*["here is W03, W03, W03, W03, W03, W03, W03"] * 3)["W03"] <= DEFAULT.spoken_most


def test_pointing_words_help() -> None:
    assert heard("here is W03")["W03"] > heard("W03")["W03"]


def test_the_evidence_quotes_the_words_and_their_moment() -> None:
    cue = Cue(40_000, 46_000, "now then look, the white one, W03, goes down here to its end")
    proposals = spoken.propose(Context(PLAN, LEXICON, clip_ms=44_000, cues=(cue,)))
    evidence = next(one.evidence for one in proposals if one.target == "W03")
    assert evidence == 'said at 0:43: "…then look, the white one, W03, goes down here to its…"'


def test_a_photo_and_silence_propose_nothing() -> None:
    assert spoken.propose(Context(PLAN, LEXICON, cues=(Cue(0, 1_000, "W03"),))) == []
    assert spoken.propose(Context(PLAN, LEXICON, clip_ms=0)) == []


@given(st.lists(st.text(max_size=60), max_size=4))
def test_any_narration_gives_sound_proposals(lines: list[str]) -> None:
    for one in spoken.propose(said(*lines)):
        assert DEFAULT.floor <= one.confidence <= 1
        assert one.target in PLAN.ids
        assert one.evidence.startswith("said at ")


@pytest.mark.parametrize(("ms", "text"), [(0, "0:00"), (42_999, "0:42"), (3_723_004, "1:02:03"), (-5, "0:00")])
def test_the_clock_of_a_clip(ms: int, text: str) -> None:
    assert clock(ms) == text


# ---------------------------------------------------------------------------------------------------- folders


@pytest.mark.parametrize(
    ("folder", "target"),
    [
        ("2026-03-05 bulkhead 11", "BHD-11"),
        ("20260305_bulkhead11", "BHD-11"),
        ("bhd-11", "BHD-11"),
        ("W-03 rerouted", "W03"),
        ("run_03", "W03"),
        ("wires W03,W05", "W05"),
        ("LanternMast", "MAST"),
        ("mast2", "MAST"),
        ("Deck House", "DKH"),
        ("de\u0301ckhouse", "DKH"),  # an accent as the file systems of some phones write it
        ("TB", "P-TB"),
    ],
)
def test_a_folder_that_names_something_is_applied(folder: str, target: str) -> None:
    assert filed(folder)[target] >= DEFAULT.threshold


@pytest.mark.parametrize(
    "folder",
    [
        "2026-03-05",
        "2026-03-11",
        "05.03.2026",
        "20260311",
        "100APPLE",
        "DCIM",
        "IMG_0003",
        "mastic",
        "TBone",
        "03",
        "11",
    ],
)
def test_dates_counters_and_other_words_name_nothing(folder: str) -> None:
    assert filed(folder) == {}


def test_the_nearest_folder_counts_most() -> None:
    shares = filed("deck", "W05", "W03")
    assert shares["W03"] > shares["W05"] > shares["DECK-M"]


def test_a_file_name_counts_and_its_counter_less() -> None:
    assert filed(file="W03_before.jpg")["W03"] >= DEFAULT.threshold
    assert filed(file="run_03.jpg")["W03"] < DEFAULT.threshold
    assert filed(file="run_03_close.jpg")["W03"] >= DEFAULT.threshold


def test_a_folder_of_what_is_not_there_counts_less() -> None:
    assert filed("before deck")["DECK-M"] < DEFAULT.threshold <= filed("deck")["DECK-M"]


def test_the_evidence_names_the_folder() -> None:
    (one,) = folders.propose(Context(PLAN, LEXICON, file="IMG_1.JPG", folders=("2026-03-05 bulkhead 11",)))
    assert one == Proposal(
        Dimension.SUBASSEMBLY, "BHD-11", ProposalSource.FOLDER, DEFAULT.folder.phrase, 'folder "2026-03-05 bulkhead 11"'
    )


@given(st.lists(st.text(max_size=40), max_size=4), st.text(max_size=40))
def test_any_path_gives_sound_proposals(path: list[str], file: str) -> None:
    for one in folders.propose(Context(PLAN, LEXICON, file=file, folders=tuple(path))):
        assert DEFAULT.floor <= one.confidence <= 1
        assert one.target in PLAN.ids


# ---------------------------------------------------------------------------------------------------- consequences


def spoke(dimension: Dimension, target: str, confidence: float = 0.7) -> Proposal:
    return Proposal(dimension, target, ProposalSource.SPOKEN, confidence, f"said {target}")


def follows(*so_far: Proposal, tags: tuple[Tag, ...] = ()) -> dict[str, float]:
    found = consequence.propose(Context(PLAN, LEXICON, so_far=so_far, tags=tags))
    assert all(one.dimension is Dimension.SUBASSEMBLY and one.source is ProposalSource.STEP for one in found)
    return {one.target: one.confidence for one in found}


def test_a_step_and_a_part_lie_in_one_subassembly() -> None:
    assert follows(spoke(Dimension.STEP, "S04")) == {"MAST": pytest.approx(0.7 * DEFAULT.step_place)}
    assert follows(spoke(Dimension.PART, "P-TB")) == {"BHD-11": pytest.approx(0.7 * DEFAULT.step_place)}


def test_a_run_that_crosses_several_fixes_none() -> None:
    assert follows(spoke(Dimension.RUN, "W03")) == {}
    assert follows(spoke(Dimension.RUN, "W05")) == {"MAST": pytest.approx(0.7 * DEFAULT.run_place)}


def test_what_a_person_set_leads_on_and_what_a_person_rejected_does_not() -> None:
    kept = Tag(Dimension.STEP, "S04", TagState.SET, "anna", "")
    assert follows(tags=(kept,)) == {"MAST": DEFAULT.person_place}
    assert follows(tags=(Tag(Dimension.STEP, "S04", TagState.REJECTED, "anna", ""),)) == {}


def test_no_conclusion_is_drawn_from_an_unknown_target() -> None:
    assert follows(spoke(Dimension.STEP, "S99")) == {}


# ---------------------------------------------------------------------------------------------------- weighing

SUB = Dimension.SUBASSEMBLY


def test_a_place_named_with_a_step_in_one_session_is_where_the_step_is_done() -> None:
    start = datetime(2026, 3, 20, 12, tzinfo=UTC)
    both = SessionOverlap("a", start, ((SUB, "MAST"), (Dimension.STEP, "S05")), 1.0, "ada")
    found = {each.target: each for each in propose_all(Context(PLAN, LEXICON, sessions=(both,)))}
    assert found["MAST"].applies
    assert found["S05"].applies
    assert "BHD-11" not in found, "the plan has S05 at the bulkhead; the builder said otherwise"
    alone = SessionOverlap("a", start, ((Dimension.STEP, "S05"),), 1.0, "ada")
    assert {each.target for each in propose_all(Context(PLAN, LEXICON, sessions=(alone,)))} == {"S05", "BHD-11"}


def claim(target: str, source: ProposalSource, confidence: float, dimension: Dimension = SUB) -> Proposal:
    return Proposal(dimension, target, source, confidence, f"{source.value} {target}")


def by_target(found: list[Weighed]) -> dict[str, Weighed]:
    return {one.target: one for one in found}


def test_independent_sources_add_up_by_noisy_or() -> None:
    """1 − (1 − 0.4)(1 − 0.4) = 0.64, by hand."""
    two = [claim("MAST", ProposalSource.FOLDER, 0.4), claim("MAST", ProposalSource.SPOKEN, 0.4)]
    assert combined(two) == pytest.approx(0.64)
    (one,) = weigh(two)
    assert one.applies
    assert one.proposal.evidence == "folder MAST; spoken MAST"


def test_one_family_counts_once_and_consequences_do_not_add() -> None:
    names = [claim("MAST", ProposalSource.FOLDER, 0.4), claim("MAST", ProposalSource.FILE_NAME, 0.3)]
    assert combined(names) == pytest.approx(0.4)
    assert combined([*names, claim("MAST", ProposalSource.STEP, 0.39)]) == pytest.approx(0.4)
    assert combined([*names, claim("MAST", ProposalSource.STEP, 0.6)]) == pytest.approx(0.6)


@given(st.lists(st.tuples(st.sampled_from(ProposalSource), st.floats(0, 1)), min_size=1, max_size=8))
def test_the_sum_is_never_certain_and_never_below_its_strongest(claims: list[tuple[ProposalSource, float]]) -> None:
    group = [claim("MAST", source, confidence) for source, confidence in claims]
    total = combined(group)
    assert total <= DEFAULT.most
    assert total >= min(max(one.confidence for one in group), DEFAULT.family_most) - 1e-4
    # More evidence never lowers it, and the order in which it comes in does not matter.
    assert combined([*group, claim("MAST", ProposalSource.SPOKEN, 0.5)]) >= total
    assert combined(group[::-1]) == total


def test_two_sources_that_contradict_are_both_shown() -> None:
    found = by_target(weigh([claim("MAST", ProposalSource.FOLDER, 0.6), claim("DECK-M", ProposalSource.SPOKEN, 0.55)]))
    assert found["MAST"].conflicts == ("DECK-M",)
    assert found["DECK-M"].conflicts == ("MAST",)
    # Of 100 pictures, 0.6 · 0.45 are MAST alone and 0.4 · 0.55 DECK-M alone; both cannot be.
    assert found["MAST"].confidence == pytest.approx(0.6 * 0.45 / (1 - 0.6 * 0.55), abs=1e-4)
    assert found["DECK-M"].confidence == pytest.approx(0.55 * 0.4 / (1 - 0.6 * 0.55), abs=1e-4)
    assert not found["MAST"].applies
    assert not found["DECK-M"].applies
    assert found["MAST"].proposal.evidence == "folder MAST — other evidence says DECK-M"


def test_what_is_no_contradiction() -> None:
    folder, speech = ProposalSource.FOLDER, ProposalSource.SPOKEN
    both = [claim("MAST", speech, 0.6), claim("DECK-M", speech, 0.6)]  # named in one breath
    uneven = [claim("MAST", folder, 0.8), claim("DECK-M", speech, 0.3)]
    nested = [claim("MAST", folder, 0.6), claim("LAN", speech, 0.6)]  # the lantern is on the mast
    runs = [claim("W03", folder, 0.6, Dimension.RUN), claim("W05", speech, 0.6, Dimension.RUN)]
    for proposals in (both, uneven, nested, runs):
        assert all(one.conflicts == () for one in weigh(proposals, plan=PLAN))
    assert all(one.conflicts for one in weigh(nested))


def test_a_persons_word_wins() -> None:
    proposals = [claim("MAST", ProposalSource.FOLDER, 0.8), claim("DECK-M", ProposalSource.SPOKEN, 0.8)]
    rejected = Tag(SUB, "MAST", TagState.REJECTED, "anna", "")
    assert set(by_target(weigh(proposals, tags=(rejected,)))) == {"DECK-M"}
    kept = Tag(SUB, "MAST", TagState.SET, "anna", "")
    found = by_target(weigh(proposals, tags=(kept,)))
    assert set(found) == {"DECK-M"}
    assert not found["DECK-M"].applies
    earlier = Tag(SUB, "MAST", TagState.PROPOSED, "folder", "")
    proposals = proposals[:1]
    assert by_target(weigh(proposals, tags=(earlier,)))["MAST"].applies


def test_below_the_threshold_is_offered_and_not_applied() -> None:
    (one,) = weigh([claim("MAST", ProposalSource.FOLDER, DEFAULT.threshold - 0.01)])
    assert not one.applies
    (one,) = weigh([claim("MAST", ProposalSource.FOLDER, DEFAULT.threshold)])
    assert one.applies


def test_all_together() -> None:
    context = Context(
        PLAN,
        LEXICON,
        file="2026-03-05 loom.mp4",
        folders=("2026", "bulkhead 11"),
        clip_ms=2_000,
        cues=(Cue(0, 4_000, "here W03 comes through bulkhead eleven, not W05"),),
    )
    found = by_target(propose_all(context))
    assert {target for target, one in found.items() if one.applies} == {"W03", "BHD-11"}
    assert found["BHD-11"].confidence > max(one.confidence for one in found["BHD-11"].evidence)
    assert {one.source for one in found["BHD-11"].evidence} == {ProposalSource.FOLDER, ProposalSource.SPOKEN}
    assert found["W05"].confidence < 0.25


def test_an_empty_plan_proposes_nothing() -> None:
    plan = Plan(Build("empty"))
    context = Context(plan, Lexicon.of(plan), "W03.jpg", ("mast",), 0, (Cue(0, 1_000, "the mast, W03"),))
    assert propose_all(context) == []
