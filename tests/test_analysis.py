"""Words cut and folded: the same for a caption and for a question."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook.plan.ids import fold_id as plan_fold_id
from lastlook.textindex import analysis
from lastlook.textindex.analysis import BORDER, fold_id, index_term, normalise, tokenise


@pytest.mark.parametrize(
    ("text", "tokens"),
    [
        ("W-017 and w_017, W017; W17", ["w17", "and", "w17", "w17", "w17"]),
        ("W‑03 W–03 W—03 W−03", ["w3"] * 4),  # hyphen, en and em dash, minus sign
        ("0.5 mm 0,5mm .5 mm 0.50 mm 0.5 millimetres", ["0.5mm"] * 5),
        ("µ: 5 µm 5μm 5um", ["u", "5um", "5um", "5um"]),  # micro sign U+00B5 and Greek mu U+03BC
        ("AWG 30, 30 AWG, 30-gauge, awg30", ["30awg"] * 4),
        ("26 AWG 3.2 mm, AWG 3.2 mm", ["26awg", "3.2mm", "awg", "3.2mm"]),
        ("470 Ω 470Ω 470 ohms 10 kΩ", ["470ohm", "470ohm", "470ohm", "10kohm"]),  # Ω U+03A9, Ω U+2126
        ("5 V, 5V, 5 volts; 20 mA; 5 A; 5 amps", ["5v", "5v", "5v", "20ma", "5a", "5a"]),
        ("25 °C 60 % 24 hours", ["25degc", "60pct", "24h"]),
        ("1:48 1/48 1∕48 1⁄48", ["1/48"] * 4),
        ("at 12:31", ["at", "12", "31"]),  # a time of day is no scale
        ("1,200 mm and 0,125 mm", ["1200mm", "and", "0.125mm"]),
        ("café Übergröße naïve Ærø", ["cafe", "ubergrosse", "naive", "aero"]),
        ("“mast” ‘foot’ mast's mast’s", ["mast", "foot", "mast", "mast"]),
        ("BHD-11.TB.1", ["bhd11", "tb1"]),
        ("BASE.J1.2 LAN.LED+", ["base", "j1", "2", "lan", "led"]),
        ("HULL-F pre-drilled", ["hull", "f", "pre", "drilled"]),
        ("color colors gray greys center", ["colour", "colours", "grey", "greys", "centre"]),
        ("2026-03-12 IMG_0412.JPG", ["2026-03-12", "img412", "jpg"]),
        ("mast foot\n\ndeck . hatch", ["mast", "foot", BORDER, "deck", BORDER, "hatch"]),
        ("٣ mm W٠٣", ["3mm", "w3"]),  # Arabic-Indic digits
        ("", []),
        ("\n . \n", []),
    ],
)
def test_tokens(text: str, tokens: list[str]) -> None:
    assert tokenise(text) == tokens


@pytest.mark.parametrize("text", ["W03 mm", "W-03 mm long", "BHD-11 in place", "O4 m", "TB.1 v"])
def test_a_unit_is_never_joined_to_an_id(text: str) -> None:
    first, second, *_ = tokenise(text)
    assert first == fold_id(text.split()[0])
    assert second == text.split()[1]


def test_a_unit_that_is_also_a_word_is_not_joined_across_a_space() -> None:
    assert tokenise("frame 11 in the hull") == ["frame", "11", "in", "the", "hull"]
    assert tokenise("a 12in tube") == ["a", "12in", "tube"]


@pytest.mark.parametrize(
    "forms",
    [
        ("closing", "closed", "closes", "close"),
        ("wire", "wires", "wired", "wiring"),
        ("bonded", "bonding", "bonds"),
        ("solder", "soldered", "soldering"),
        ("foot", "feet"),
        ("half", "halves"),
        ("wind", "wound", "winding"),
        ("colour", "color", "colored", "colours"),
        ("photo", "photos"),
    ],
)
def test_forms_of_a_word_share_one_term(forms: tuple[str, ...]) -> None:
    assert len({index_term(token) for form in forms for token in tokenise(form)}) == 1


@pytest.mark.parametrize("token", ["w17", "0.5mm", "1/48", "30awg", "2026-03-12", "bhd11", "led", "tb1"])
def test_ids_and_measures_are_never_stemmed(token: str) -> None:
    assert index_term(token) == token


def test_stems_are_those_of_the_snowball_project() -> None:
    """Against another implementation of the same published algorithm: the one Whoosh carries (from NLTK)."""
    from whoosh.lang.snowball.english import EnglishStemmer

    reference = EnglishStemmer()
    text = """relational conditional rational valency hesitancy digitizer conformably radically differently
        predication operator decisiveness hopefulness callousness formality sensitivity sensibility triplicate
        formative formalize electricity electrical hopeful goodness revival allowance inference airliner gyroscopic
        adjustable defensible irritant replacement adjustment dependent adoption communism activate angularity
        effective probate rate cease controlling rolling caresses ponies ties caress cats agreed plastered homologous
        motoring sing conflated troubled sized hopping tanned falling hissing fizzed failing filing happy sky
        soldering sleeved insulated clamped resistors polarity photographed bulkheads terminals lacing crimped wiring"""
    words = text.split()
    assert len(words) > 60
    assert [index_term(word) for word in words] == [reference.stem(word) for word in words]


@settings(deadline=None)
@given(
    letters=st.text("ABCdefW", min_size=1, max_size=4),
    dash=st.sampled_from(["", "-", "_", ".", "–"]),
    zeros=st.text("0", max_size=2),
    number=st.integers(1, 999),
)
def test_ids_fold_as_the_plan_folds_them(letters: str, dash: str, zeros: str, number: int) -> None:
    typed = f"{letters}{dash}{zeros}{number}"
    assert fold_id(typed) == plan_fold_id(typed) == f"{letters}{number}".lower()
    assert tokenise(typed) == [fold_id(typed)]


@settings(deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_cut(text: str) -> None:
    tokens = tokenise(text)
    assert all(token == BORDER or 0 < len(token) <= 2 * analysis.LONGEST for token in tokens)
    assert tokens[:1] != [BORDER]
    assert tokens[-1:] != [BORDER]
    for token in tokens:
        assert index_term(token)


@settings(deadline=None)
@given(st.text(max_size=80))
def test_a_normal_text_stays_as_it_is(text: str) -> None:
    once = normalise(text)
    assert tokenise(once) == analysis.tokens_of(once) or normalise(once) != once


@settings(deadline=None)
@given(st.lists(st.sampled_from(["W-017", "0.5 mm", "1:48", "café", "pre-drilled", "AWG 30", "mast's", "HULL-F"])))
def test_capitals_do_not_count(parts: list[str]) -> None:
    text = ", ".join(parts)
    assert tokenise(text.upper().replace("MM", "mm")) == tokenise(text.lower())
