"""Insulation colours against the list of IEC 60757 and contrast against worked values of WCAG 2.2."""

from __future__ import annotations

from itertools import combinations

import pytest

from lastlook.plan import colours

# IEC 60757:2021 (the list of 1983 unchanged): code and colour, in the order of its table.
IEC_60757 = {
    "BK": "black",
    "BN": "brown",
    "RD": "red",
    "OG": "orange",
    "YE": "yellow",
    "GN": "green",
    "BU": "blue",
    "VT": "violet",
    "GY": "grey",
    "WH": "white",
    "PK": "pink",
    "GD": "gold",
    "TQ": "turquoise",
    "SR": "silver",
    "GNYE": "green-and-yellow",
}


def test_codes_names_and_order_are_those_of_the_standard() -> None:
    assert list(IEC_60757.items()) == [(colour.code, colour.name) for colour in colours.COLOURS]


@pytest.mark.parametrize("wrong", ["BL", "OR", "GR", "GN-YE", "bk", "CLEAR", ""])
def test_other_codes_are_refused(wrong: str) -> None:
    # Codes in use that the standard does not have; the standard writes capitals.
    assert not colours.is_code(wrong)


@pytest.mark.parametrize(
    ("colour", "tracer", "code"),
    [
        # IEC 60757: red and blue is RDBU, never BURD; green and yellow is GNYE.
        ("RD", "BU", "RDBU"),
        ("BU", "RD", "RDBU"),
        ("GN", "YE", "GNYE"),
        ("YE", "GN", "GNYE"),
        ("WH", "", "WH"),
        ("", "", ""),
        ("GNYE", "", "GNYE"),
    ],
)
def test_two_colours_on_one_conductor_are_joined_in_table_order(colour: str, tracer: str, code: str) -> None:
    assert colours.standard_code(colour, tracer) == code


def test_several_conductors_are_joined_by_plus() -> None:
    # The example of IEC 60757 for a five-core cable.
    assert colours.bundle_code("BK", "BK", "BN", "BU", "GNYE") == "BK+BK+BN+BU+GNYE"


@pytest.mark.parametrize(
    ("said", "code"),
    [
        # Words and abbreviations met in workshops: common practice, no source.
        *[(name, code) for code, name in IEC_60757.items()],
        ("Red", "RD"),
        ("gray", "GY"),
        ("purple", "VT"),
        ("light blue", "BU"),
        ("blk", "BK"),
        (" wht ", "WH"),
        ("rd", "RD"),
        ("GN-YE", "GNYE"),
        ("green/yellow", "GNYE"),
        ("yellow and green", None),
        ("BL", None),
        ("GR", None),
        ("or", None),
        ("tan", None),
        ("", None),
    ],
)
def test_words_builders_use(said: str, code: str | None) -> None:
    assert colours.code_of(said) == code


@pytest.mark.parametrize(
    ("said", "codes"),
    [
        ("red", ("RD",)),
        ("RED", ("RD",)),
        ("BL", ("BK", "BU")),
        ("GR", ("GN", "GY")),
        ("OR", ("OG",)),
        ("GN-YE", ("GNYE",)),
        ("turkoise", ("TQ",)),
        ("yelow", ("YE",)),
        ("magenta", ()),
        ("clear", ()),
        ("", ()),
    ],
)
def test_suggestions(said: str, codes: tuple[str, ...]) -> None:
    assert colours.suggest(said) == codes


@pytest.mark.parametrize(
    ("said", "pair"),
    [
        ("WHBU", ("WH", "BU")),
        ("WH/BU", ("WH", "BU")),
        ("wh-bu", ("WH", "BU")),
        ("BU/WH", ("BU", "WH")),
        ("white with blue tracer", ("WH", "BU")),
        ("white blue", ("WH", "BU")),
        ("white", ("WH", "")),
        ("GNYE", ("GNYE", "")),
        ("green/yellow", ("GNYE", "")),
        ("WH/WH", None),
        ("WH/XX", None),
        ("WH/BU/RD", None),
        ("", None),
    ],
)
def test_tracer_pairs(said: str, pair: tuple[str, str] | None) -> None:
    assert colours.split_pair(said) == pair


def test_colours_for_people() -> None:
    assert colours.label("WH", "BU") == "WH/BU"
    assert colours.spoken("WH", "BU") == "white with blue tracer"
    assert (colours.label("GY"), colours.spoken("GY")) == ("GY", "grey")
    assert colours.label("") == colours.spoken("") == ""


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # Computed from the definitions of WCAG 2.2, the well-known border cases of 4.5 and 3.
        ("#000000", "#ffffff", 21.0),
        ("#767676", "#ffffff", 4.542),
        ("#777777", "#ffffff", 4.478),
        ("#949494", "#ffffff", 3.033),
        ("#ff0000", "#ffffff", 3.998),
        ("#0000ff", "#ffffff", 8.592),
    ],
)
def test_contrast(one: str, other: str, ratio: float) -> None:
    assert colours.contrast(one, other) == pytest.approx(ratio, abs=6e-4)


def test_the_code_can_be_read_on_every_colour_and_no_two_look_the_same() -> None:
    for colour in colours.COLOURS:
        assert colours.contrast(colour.srgb, colour.ink) >= 4.5  # WCAG 2.2, 1.4.3 (AA)
    for one, other in combinations(colours.COLOURS, 2):
        steps = [abs(int(one.srgb[at : at + 2], 16) - int(other.srgb[at : at + 2], 16)) for at in (1, 3, 5)]
        assert sum(steps) >= 40, (one.code, other.code)
