"""Bench cards: their text, their check digits, where things lie on them, the printed sheet."""

from __future__ import annotations

import shutil
import subprocess
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_97_10

from lastlook.cards import Card, decode, encode, is_ours, layout
from lastlook.cards.payload import check_digits
from lastlook.cards.plane import planes
from lastlook.cards.sheet import PER_PAGE, Paper, Titled, drawable, lost, to_pdf
from lastlook.records import Code, CodeKind, Dimension

IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,31}", fullmatch=True)
DPI = 300
PIXELS = DPI / 25.4


@given(st.sampled_from(list(Dimension)), IDS)
def test_what_is_written_is_read(dimension: Dimension, id: str) -> None:
    assert decode(encode(Card(dimension, id))) == Card(dimension, id)


@given(st.from_regex(r"[A-Z0-9:.+-]{1,40}", fullmatch=True))
def test_check_digits_are_those_of_iso_7064(body: str) -> None:
    # python-stdnum is the reference for ISO/IEC 7064 MOD 97-10.
    hexadecimal = body.encode().hex().upper()
    assert mod_97_10.is_valid(hexadecimal + check_digits(body))


LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789:.-"


def digits(letter: str) -> str:
    """A letter's decimal digits in the sum: its two hexadecimal ones, A to F counted as 10 to 15."""
    return "".join(str(int(one, 16)) for one in letter.encode().hex())


def told_apart(one: str, other: str) -> bool:
    """As many digits, and no multiple of 97 between them (which among capitals only M and Z have)."""
    return len(digits(one)) == len(digits(other)) and (int(digits(one)) - int(digits(other))) % 97 != 0


@given(st.sampled_from(list(Dimension)), IDS, st.data())
def test_one_wrong_letter_is_no_card(dimension: Dimension, id: str, data: st.DataObject) -> None:
    text = encode(Card(dimension, id))
    at = data.draw(st.integers(0, len(text) - 1))
    letter = data.draw(st.sampled_from([one for one in LETTERS if told_apart(one, text[at])]))
    assert decode(text[:at] + letter + text[at + 1 :]) is None


def test_a_wrong_letter_that_shifts_the_sum_is_nearly_never_a_card() -> None:
    """Where a wrong letter has more or fewer digits than the right one, chance decides: fewer than one in 97 of all."""
    slips = passed = 0
    for number in range(100):
        text = encode(Card(list(Dimension)[number % 4], f"{'WSPAK'[number % 5]}{number:02}"))
        for at, letter in product(range(len(text)), LETTERS):
            if letter != text[at]:
                slips += 1
                passed += decode(text[:at] + letter + text[at + 1 :]) is not None
    assert slips > 40_000
    assert passed / slips < 1 / 97


@pytest.mark.parametrize(
    "text", ["", "LL1:S:S03:00", "LL2:S:S03:84", "https://example.org", "LL1:X:S03:84", "WIFI:S:x;;"]
)
def test_what_is_no_card(text: str) -> None:
    assert decode(text) is None


def test_a_damaged_or_later_card_is_told_from_other_codes() -> None:
    assert is_ours("LL1:S:S03:00")
    assert is_ours("LL2:S:S03:84")
    assert not is_ours("LASTLOOK")
    with pytest.raises(ValueError, match="no id"):
        encode(Card(Dimension.STEP, "mast foot"))


def test_markers_are_those_of_the_published_family() -> None:
    # OpenCV's copy of the tag25h9 table is the reference.
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_25H9)
    for id in layout.MARKER_BITS:
        drawn = cv2.aruco.generateImageMarker(family, id, 7) > 127
        assert drawn.astype(int).tolist() == [list(row) for row in layout.bits_of_marker(id)]


def test_nothing_lies_on_another() -> None:
    """Markers and code keep the white around them that they need: one module, and four (ISO/IEC 18004)."""
    quiet = layout.MARKER / 7
    for x, y in layout.MARKER_AT.values():
        assert quiet <= x <= layout.WIDTH - layout.MARKER - quiet
        assert quiet <= y <= layout.HEIGHT - layout.MARKER - quiet
    code = layout.corners_of_code()
    module = layout.CODE / 25  # version 2, what the longest usual ids need
    for id in layout.MARKER_AT:
        marker = layout.corners_of_marker(id)
        apart_x = max(marker[0][0] - code[1][0], code[0][0] - marker[1][0])
        apart_y = max(marker[0][1] - code[3][1], code[0][1] - marker[3][1])
        assert max(apart_x, apart_y) >= 4 * module - 1e-9


LIGHTSHIP = [
    Titled(Card(Dimension.SUBASSEMBLY, "MAST"), "Lantern mast"),
    Titled(Card(Dimension.STEP, "S08"), "Loom pulled through bulkhead 11 and landed in TB, all five runs labelled"),
    Titled(Card(Dimension.RUN, "W03"), "Lantern plus"),
]


def rendered(data: bytes, folder: Path, paper: str = "cards") -> np.ndarray:
    """The first page as poppler draws it, grey, at DPI."""
    tool = shutil.which("pdftoppm")
    assert tool is not None, "the sheet is looked at with pdftoppm: install poppler-utils"
    (folder / f"{paper}.pdf").write_bytes(data)
    subprocess.run(
        [tool, "-gray", "-r", str(DPI), "-singlefile", str(folder / f"{paper}.pdf"), str(folder / paper)], check=True
    )
    page = cv2.imread(str(folder / f"{paper}.pgm"), cv2.IMREAD_GRAYSCALE)
    assert page is not None
    return page


@pytest.mark.parametrize("paper", list(Paper))
def test_a_printed_sheet_is_read_and_has_its_size(paper: Paper, tmp_path: Path) -> None:
    page = rendered(to_pdf(LIGHTSHIP, paper=paper, build="Lightship LV-40"), tmp_path)
    read = {str(code.text): code for code in zxingcpp.read_barcodes(page)}
    assert {decode(text) for text in read} == {titled.card for titled in LIGHTSHIP}
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_25H9)
    corners, ids, _ = cv2.aruco.ArucoDetector(family).detectMarkers(page)
    assert sorted(np.ravel(ids).tolist()) == sorted([*layout.MARKER_AT] * len(LIGHTSHIP))
    for quad in corners:
        sides = np.linalg.norm(quad[0] - np.roll(quad[0], 1, axis=0), axis=1) / PIXELS
        assert sides == pytest.approx([layout.MARKER] * 4, abs=0.2)  # OpenCV's unrefined corners: a pixel or two
    # The markers of each card lie to one another as the layout says.
    codes = [
        Code(CodeKind.MARKER, f"25h9:{id}", tuple((float(x), float(y)) for x, y in quad[0]), 1.0)
        for id, quad in zip(np.ravel(ids).tolist(), corners, strict=True)
    ]
    for code in read.values():
        at = code.position
        square = tuple((float(p.x), float(p.y)) for p in (at.top_left, at.top_right, at.bottom_right, at.bottom_left))
        codes.append(Code(CodeKind.QR, str(code.text), square, 1.0))
    found = planes(codes)
    assert {decode(each.text) for each in found} == {titled.card for titled in LIGHTSHIP}
    for each in found:
        assert len(each.pixels) == 16
        pixels, millimetres = np.array(each.pixels), np.array(each.millimetres)
        offset = (pixels - millimetres * PIXELS).mean(axis=0)
        assert pixels == pytest.approx(millimetres * PIXELS + offset, abs=3)


def test_all_cards_are_printed_and_the_same_ones_give_the_same_bytes() -> None:
    many = [Titled(Card(Dimension.RUN, f"W{n:02}"), f"Run {n}") for n in range(1, PER_PAGE + 2)]
    made = to_pdf(many)
    assert made.count(b"/Type /Page\n") == 2
    assert made == to_pdf(many)
    with pytest.raises(ValueError, match="no cards"):
        to_pdf([])


@pytest.mark.parametrize(
    ("text", "drawn"), [("Mât de misaine", "Mât de misaine"), ("Łódź ž", "?ódz ž"), ("船", "?"), ("a  b\n", "a b")]
)
def test_letters_that_the_font_lacks(text: str, drawn: str) -> None:
    assert drawable(text) == drawn


def test_titles_in_other_alphabets_are_printed_and_what_cannot_be_is_known(tmp_path: Path) -> None:
    """Against poppler, which reads the letters back."""
    titles = ("Фонарная мачта", "Κύριο κατάστρωμα", "Łódź żółć → ok", "الصاري", "मस्तूल", "What?")
    (tmp_path / "cards.pdf").write_bytes(to_pdf([Titled(Card(Dimension.STEP, "S1"), title) for title in titles]))
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "cards.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    for title in (*titles[:2], "Łódź żółć ? ok", "??????", "What?"):
        assert title in text
    assert [lost(title) for title in titles] == [False, False, True, True, True, False]


def test_a_plane_belongs_to_its_own_card() -> None:
    def square(kind: CodeKind, text: str, x: float, y: float, side: float) -> Code:
        return Code(kind, text, ((x, y), (x + side, y), (x + side, y + side), (x, y + side)), 1.0)

    first, second = encode(LIGHTSHIP[0].card), encode(LIGHTSHIP[2].card)
    codes = [
        square(CodeKind.QR, first, 220, 205, 250),
        square(CodeKind.MARKER, "25h9:31", 40, 40, 140),
        square(CodeKind.QR, second, 2220, 205, 250),
        square(CodeKind.MARKER, "25h9:31", 2040, 40, 140),
        square(CodeKind.MARKER, "25h9:7", 300, 300, 140),  # no marker of a card
        square(CodeKind.MARKER, "25h9:33", 6000, 6000, 140),  # far from both
    ]
    found = {each.text: each for each in planes(codes)}
    assert set(found) == {first, second}
    assert found[first].pixels[0] == (40, 40)
    assert found[second].pixels[0] == (2040, 40)
    assert len(found[second].millimetres) == 4
    assert planes(codes[1:2]) == ()
