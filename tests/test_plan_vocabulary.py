"""The plan's own words, as builders type and say them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.plan.ids import fold_id, is_id, nearest
from lastlook.plan.parse import parse_plan
from lastlook.plan.structure import Kind
from lastlook.plan.vocabulary import build_vocabulary, lookup_id
from lastlook.records import Build, Dimension, Plan, Run, Subassembly
from tests.plan_strategies import IDS, plans

PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan.toml")
WORDS = build_vocabulary(PLAN)


@pytest.mark.parametrize("typed", ["W03", "w03", "w3", "W-03", "w 3", "W_3", "W.003", "W–03", " w03 ", "Ｗ03"])
def test_one_id_however_it_is_typed(typed: str) -> None:
    assert fold_id(typed) == fold_id("W03")
    assert lookup_id(PLAN, Dimension.RUN, typed) == "W03"


@pytest.mark.parametrize(
    ("one", "other"),
    [("W1", "W10"), ("W1", "W01-1"), ("J1.1", "J11"), ("MOT+", "MOT-"), ("MOT+", "MOT"), ("W0", "W"), ("1-1", "11")],
)
def test_ids_that_differ(one: str, other: str) -> None:
    assert fold_id(one) != fold_id(other)


@given(IDS)
def test_folding_is_settled_and_never_empty_for_an_id_with_letters_or_digits(name: str) -> None:
    assert is_id(name)
    assert fold_id(name)
    assert fold_id(fold_id(name)) == fold_id(name)
    assert fold_id(name.upper()) == fold_id(name.lower())


@pytest.mark.parametrize("name", ["", "W 03", "-W", "+", "W/3", "Wé", "W\n", "W" * 33, "W\u0663"])
def test_what_cannot_be_an_id(name: str) -> None:
    assert not is_id(name)


@pytest.mark.parametrize(
    ("kind", "typed", "found"),
    [
        (None, "hullf", "HULL-F"),
        (None, "Hull F", "HULL-F"),
        (None, "bhd 11", "BHD-11"),
        (None, "mast foot", "O4"),
        (None, "wheelhouse", "DKH"),
        (None, "Lantern Positive", "W03"),
        ("opening", "main deck", "O2"),
        (Dimension.SUBASSEMBLY, "main deck", "DECK-M"),
    ],
)
def test_lookup_by_id_title_and_alias(kind: Kind | None, typed: str, found: str) -> None:
    assert lookup_id(PLAN, kind, typed) == found


def test_lookup_says_what_is_near_or_that_more_than_one_fits() -> None:
    with pytest.raises(NoSuchId) as missing:
        lookup_id(PLAN, Dimension.RUN, "W33")
    assert missing.value.nearest[0] == "W03"
    assert missing.value.message == "there is no run 'W33'"
    with pytest.raises(NoSuchId) as title:
        lookup_id(PLAN, "opening", "mast fot")
    assert title.value.nearest == ("O4",)
    with pytest.raises(AmbiguousId) as both:
        lookup_id(PLAN, None, "main deck")
    assert both.value.message == "'main deck' fits more than one item of the plan: DECK-M, O2"
    assert both.value.hint == "Give the id as the plan writes it."
    with pytest.raises(NoSuchId):
        lookup_id(PLAN, None, "")


def test_an_id_written_exactly_beats_one_that_only_folds_alike() -> None:
    plan = replace(PLAN, runs=(Run("W1", "one"), Run("W01", "other")))
    assert (lookup_id(plan, None, "w1"), lookup_id(plan, None, "w01")) == ("W1", "W01")
    with pytest.raises(AmbiguousId):
        lookup_id(plan, None, "W-1")
    words = build_vocabulary(plan)
    assert [term.id for term in words.find("see W01.")[0].terms] == ["W01"]
    assert [term.id for term in words.find("see w 1")[0].terms] == ["W1", "W01"]


@given(plans(), st.data())
def test_every_id_and_title_finds_its_item(plan: Plan, data: st.DataObject) -> None:
    words = build_vocabulary(plan)
    for name in plan.ids:
        assert lookup_id(plan, None, name.swapcase()) == name
        found = words.find(f"the {name} here")
        assert any(term.id == name and term.how == "id" for hit in found for term in hit.terms)


def said(text: str) -> list[tuple[str, list[str]]]:
    return [(text[hit.start : hit.end], [term.id for term in hit.terms]) for hit in WORDS.find(text)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("run W03 before the mast foot was closed", [("W03", ["W03"]), ("mast foot", ["O4"])]),
        ("where does w-3 go", [("w-3", ["W03"])]),
        ("W 03, W1 and w010", [("W 03", ["W03"]), ("W1", ["W01"]), ("w010", ["W10"])]),
        ("W100 W11 W030", []),
        ("the white wire", [("white wire", ["W03"])]),
        ("black wires", [("black wires", ["W02", "W08"])]),
        ("GY lead", [("GY lead", ["W04"])]),
        ("grey paint", []),
        ("main deck", [("main deck", ["DECK-M", "O2"])]),
        ("the deck", [("deck", ["O2"])]),
        (
            "bulkhead 11: terminal blocks, deckhouse's",
            [("bulkhead 11", ["BHD-11"]), ("terminal blocks", ["TB"]), ("deckhouse's", ["DKH"])],
        ),
        ("hull-f/hullf", [("hull-f", ["HULL-F"]), ("hullf", ["HULL-F"])]),
        ("the LANTERN MAST!", [("LANTERN MAST", ["MAST"])]),
        ("lantern", [("lantern", ["LAN"])]),
        ("we looked at the mast. Foot of it later", [("mast", ["MAST"])]),
        ("the hull. F was next, W - 03", [("W - 03", ["W03"])]),
        ("lands masts", [("masts", ["MAST"])]),
        ("", []),
    ],
)
def test_what_a_sentence_names(text: str, expected: list[tuple[str, list[str]]]) -> None:
    assert [(words, ids) for words, ids in said(text) if words] == expected


def test_accents_do_not_matter() -> None:
    plan = Plan(Build("x"), subassemblies=(Subassembly("K", "Kajüte, vorn"),))
    (hit,) = build_vocabulary(plan).find("in der kajute vorn")
    assert hit.terms[0].id == "K"


def test_tracers() -> None:
    plan = Plan(Build("x"), runs=(Run("W1", "a", colour="WH", tracer="BU"), Run("W2", "b", colour="WH")))
    words = build_vocabulary(plan)

    def ids(text: str) -> list[list[str]]:
        return [[term.id for term in hit.terms] for hit in words.find(text)]

    assert ids("white/blue wire") == ids("white with blue lead") == ids("WHBU wire") == ids("WH/BU core") == [["W1"]]
    assert ids("white wire") == [["W2"]]
    alone = build_vocabulary(replace(plan, runs=plan.runs[:1]))
    assert [term.id for hit in alone.find("white wire") for term in hit.terms] == ["W1"]


def test_how_and_kind_are_said() -> None:
    terms = {(term.id, term.how): term for term in WORDS.terms}
    assert terms["O4", "title"].kind == "opening"
    assert terms["DKH", "alias"].words == ("wheelhouse",)
    assert terms["W03", "colour+run"].kind is Dimension.RUN


@given(st.text(max_size=60))
def test_any_text_is_searched_and_spans_are_its_own(text: str) -> None:
    end = 0
    for hit in WORDS.find(text):
        assert end <= hit.start < hit.end <= len(text)
        end = hit.end


def test_nearest() -> None:
    assert nearest("lanturn", ["lantern", "mast", "deck"]) == ("lantern",)
    assert nearest("", ["lantern"]) == ()
    assert nearest("qqq", ["lantern"]) == ()
