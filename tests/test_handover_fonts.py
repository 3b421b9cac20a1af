"""The fonts of the print: every language's letters, in the forms they take beside others, or a word that they lack."""

from __future__ import annotations

import dataclasses
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uharfbuzz as harfbuzz
from babel import Locale, localedata
from fontTools.unicodedata import script
from fpdf.enums import Align, TextDirection
from fpdf.fonts import TTFFont
from PIL import Image, ImageColor

from lastlook import approvals, stating
from lastlook.archive import Archive
from lastlook.errors import UsageError
from lastlook.handing_over import Options, preview
from lastlook.handover import fonts, printed
from lastlook.handover.compose import LABELS
from lastlook.handover.content import Cell, Chapter, Content, Figure, PictureEntry, Section, Statement, Table
from lastlook.handover.pages import Pages, side
from lastlook.handover.words import words_of
from lastlook.plan import colours
from lastlook.store import Store
from tests import lightship

SAID = {  # our own words: "before the mast foot is closed", and the like
    "ar": "قبل إغلاق قاعدة الصاري",
    "fa": "پیش از بستن پایهٔ دکل",
    "he": "לפני סגירת תושבת התורן",
    "th": "ก่อนปิดฐานเสากระโดง",
    "hi": "मस्तूल के पाँव को बंद करने से पहले",
    "bn": "মাস্তুলের গোড়া বন্ধ করার আগে",
    "ta": "பாய்மரத்தின் அடி",
    "vi": "Trước khi đóng chân cột buồm",
}


def packaged_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fonts, "_of_machine", lambda letter, lacking: None)


def content(*texts: str) -> Content:
    picture = PictureEntry(
        *("p1", "photo", "title", texts[0], texts[0], "", "12 Mar", "2026", "", "", "b", "b", "a.jpg", None, ""),
        *("00" * 32, 400, 300, "W03"),
    )
    words = words_of("en", "UTC")
    section = Section("s", texts[0], tuple(Statement(text) for text in texts), figures=(Figure("p1", texts[0]),))
    labels = {key: words(text) for key, text in LABELS.items()}
    chapters = (Chapter("c", texts[0], "", (section,)),)
    return Content("en", texts[0], "", "LV-40", "", "", "", "", chapters, {"p1": picture}, (), (), labels)


def print_(made: Content, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    Image.new("RGB", (400, 300), "#555577").save(folder / "p1.jpg")
    printed.write(made, folder / "record.pdf", folder, datetime(2026, 3, 1, tzinfo=UTC))
    return folder / "record.pdf"


def run(*command: str | Path) -> str:
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_every_language_that_many_speak_is_printed_with_fonts_of_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    # Each language's name in its own letters: Unicode's CLDR, as babel ships it.
    packaged_only(monkeypatch)
    lacking: dict[str, str] = {}
    codes = sorted(code for code in localedata.locale_identifiers() if "_" not in code)
    for code in codes:
        name = Locale.parse(code).get_display_name() or ""
        missing = fonts.look([name]).missing
        if missing and not all(hint == fonts.EAST_ASIAN_HINT for hint in fonts.hints(missing)):
            lacking[code] = name
    assert len(codes) > 250
    assert not lacking


@pytest.mark.parametrize("code", sorted(SAID))
def test_letters_are_in_the_print_in_the_forms_they_take_together(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged_only(monkeypatch)
    made = content(SAID[code])
    found = fonts.look(printed.texts(made))
    assert not found.missing
    pdf = print_(made, tmp_path)
    run("qpdf", "--check", pdf)
    listed = run("pdffonts", pdf).splitlines()[2:]
    assert all(" yes yes yes " in line for line in listed), listed  # embedded, subset, with letters for search
    # Read back by poppler: the letters, in whatever order its own reading of both directions puts them.
    read = set(run("pdftotext", pdf, "-"))
    assert {letter for letter in SAID[code] if letter.isalpha()} <= read
    assert "[?]" not in run("pdftotext", pdf, "-")


def names_of_languages() -> list[str]:
    """A language's name for itself in each script: Unicode's CLDR, as babel ships it."""
    names: dict[str, str] = {}
    for code in sorted(localedata.locale_identifiers()):
        name = Locale.parse(code).languages.get(code.split("_")[0]) or ""
        for letter in filter(str.isalpha, name):
            names.setdefault(script(letter), name)
    return [name for name in sorted(set(names.values())) if not fonts.look([name]).missing]


def test_the_letters_of_every_script_are_printed_and_read_back_as_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged_only(monkeypatch)
    names = names_of_languages()
    assert len(names) > 38
    without_form: list[str] = []
    shape = TTFFont.perform_harfbuzz_shaping

    def watched(self: Any, text: str, *more: Any) -> Any:
        found = shape(self, text, *more)
        without_form.extend(text for glyph in found[0] if glyph.codepoint == 0 and text != "\n")
        return found

    monkeypatch.setattr(TTFFont, "perform_harfbuzz_shaping", watched)
    pdf = print_(content(*names), tmp_path)
    assert not without_form  # glyph 0 is .notdef (OpenType specification, "glyf")
    listed = run("pdffonts", pdf).splitlines()[2:]
    assert len(listed) > 20
    assert all(" yes yes yes " in line for line in listed), listed
    # In the order of what is written, with no space that is not; poppler swaps Thaana's vowels with their letters.
    read = run("pdftotext", pdf, "-")
    assert [name for name in names if name not in read] == ["ދިވެހިބަސް"]


# Conjuncts with joiners of Devanagari, Bengali and Sinhala, vowels of Thai, Lao and Khmer that are two glyphs, stacks
# of Tibetan, kinzi of Burmese, marks of Arabic and Hebrew (The Unicode Standard, chapters 9, 12, 13 and 16).
WORDS = "क्षत्रिय क्‍ष র‍্য ක්‍ෂ ශ්‍රී กำปั่น ที่ ຄໍາ ຄຳ ស្ត្រី ធ្វើ បៀ བསྒྲུབས ကျွန်ုပ် င်္ဂ ଓଡ଼ିଆ العربيَّة می‌خواهم שָׁלוֹם ହୋ ஸ்ரீ"


def test_a_word_takes_the_forms_that_the_whole_font_gives_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packaged_only(monkeypatch)
    letters = fonts.look(WORDS)
    drawn = printed._Print(content(WORDS), tmp_path, datetime(2026, 3, 1, tzinfo=UTC), "A4", lambda progress: None)
    drawn.load(letters, tmp_path)
    drawn.pdf.set_font(fonts.SANS, "", 10)
    for word in WORDS.split():
        (piece,) = drawn.pdf._preload_bidirectional_text(word, False)
        assert isinstance(piece.font, TTFFont)
        _, found = piece.font.perform_harfbuzz_shaping(word, 10, piece.text_shaping_parameters)
        # HarfBuzz itself, with the font as it is published and the word in one piece.
        has = (face for face in letters.faces if all(ord(one) in fonts._coverage(face) for one in word.strip("\u200d")))
        whole = harfbuzz.Font(fonts._opened(next(has)))
        whole.set_variations({"wght": 400})
        buffer = harfbuzz.Buffer()
        buffer.add_str(word)
        buffer.guess_segment_properties()
        harfbuzz.shape(whole, buffer)
        shapes = [
            [figure for glyph in glyphs for figure in (glyph.x_advance, glyph.x_offset, glyph.y_offset)]
            for glyphs in (found, buffer.glyph_positions)
        ]
        assert shapes[0] == pytest.approx(shapes[1], abs=2), word
    for font in drawn.pdf.fonts.values():
        assert isinstance(font, TTFFont)
        font.ttfont.close()


def test_arabic_letters_join_and_hebrew_runs_from_the_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packaged_only(monkeypatch)
    # U+0628 thrice: its forms at the beginning, in the middle and at the end are glyphs of their own (Unicode 9.2), so
    # that three joined letters take less room than three that stand alone.
    joined, apart = "\u0628\u0628\u0628", "\u0628\u200c\u0628\u200c\u0628"
    widths = []
    for number, text in enumerate((joined, apart)):
        pdf = print_(content(text), tmp_path / str(number))
        boxes = [line.split('"') for line in run("pdftotext", "-bbox", pdf, "-").splitlines() if "<word" in line]
        first = [box for box in boxes if "\u0628" in box[8] and box[3] == boxes[0][3]]
        widths.append(max(float(box[5]) for box in first) - min(float(box[1]) for box in first))
    assert widths[0] < widths[1] * 0.8, widths
    # The first word of a Hebrew text stands to the right of its last (UAX #9).
    pdf = print_(content(SAID["he"]), tmp_path / "he")
    begin, last = SAID["he"].split()[0], SAID["he"].split()[-1]
    places: dict[str, float] = {}
    for line in run("pdftotext", "-bbox", pdf, "-").splitlines():
        if "<word" not in line:
            continue
        for word in (begin, last):
            if f">{word}<" in line or f">{word[::-1]}<" in line:
                places.setdefault(word, float(line.split('"')[1]))
    assert places[begin] > places[last], places


def test_text_from_the_left_is_parted_as_the_rules_for_both_directions_part_it() -> None:
    pages = Pages("A4")
    pages.set_text_shaping(True)
    pages.add_font(fonts.SANS, "", fonts.packaged()[0].path)
    pages.set_font(fonts.SANS, "", 10)
    said = ("W03", "+5 V (2×)", "12", "1 מ", "(تا) 12", "\u0663", "\u2067W\u2069 b", "\u202eW\u202c", "\n", "")
    turned = set()
    for text in (f"{one}{between}{other}" for one in said for other in said for between in (" ", " [")):
        parts = [
            [(part.string, part.fragment_direction) for part in of(text, False)]
            for of in (pages._preload_bidirectional_text, super(Pages, pages)._preload_bidirectional_text)
        ]
        assert parts[0] == parts[1], text
        turned |= {direction for _, direction in parts[0]}
    assert turned == {TextDirection.LTR, TextDirection.RTL}
    for font in pages.fonts.values():
        assert isinstance(font, TTFFont)
        font.ttfont.close()


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("W03 תורן", Align.L),
        ("12 תורן mast", Align.R),
        ("\u2068תורן\u2069 mast", Align.L),
        ("\u2067mast\u2069 תורן", Align.R),
        ("\u2069 תורן", Align.R),
        ("\u2066תורן", Align.L),
        ("", Align.L),
    ],
)
def test_a_paragraph_begins_where_its_first_strong_letter_outside_isolates_says(text: str, where: Align) -> None:
    # UAX #9, rules P2 and P3.
    assert side(text) is where


def test_no_word_of_a_wide_table_is_broken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packaged_only(monkeypatch)
    heads = ("Leitung", "Isolierung", "Drahtmaß", "Von", "Nach", "Zuschnittlänge", "Reserveschlaufe", "Milliampere")
    cells = ("W08 Port lights common", "BK schwarz", "AWG 30 (0,25 mm)", "BHD-11.TB.2", "HULL-F.PORTLTS-", "300 mm")
    rows = (*cells, "40 mm", "5 V, 120 mA", "eingebaut", "Bild 28, 29")
    table = Table("t", (*heads, "Zustand", "Blick"), (tuple(Cell(text) for text in rows),))
    section = Section("s", "Schedule", (), tables=(table,))
    made = dataclasses.replace(content("Schedule"), chapters=(Chapter("c", "Schedule", "", (section,)),))
    found = set(run("pdftotext", print_(made, tmp_path), "-").split())
    assert {word for text in (*table.heads, *rows) for word in text.split()} <= found


def test_what_is_written_from_the_right_begins_at_the_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packaged_only(monkeypatch)
    made = content("Schedule")
    table = Table("t", ("Run", "Insulation"), ((Cell("W03"), Cell("אדום")), (Cell("W04"), Cell("blue"))))
    said = (Statement("תורן"), Statement("W03 mast"))
    section = Section("s", "Schedule", said, tables=(table,))
    pdf = print_(dataclasses.replace(made, chapters=(Chapter("c", "Schedule", "", (section,)),)), tmp_path)
    boxes: dict[str, tuple[float, float]] = {}
    for line in run("pdftotext", "-bbox", "-f", "3", "-l", "3", pdf, "-").splitlines():
        if "<word" in line:
            parts = line.split('"')
            boxes.setdefault(parts[8][1:].split("<")[0], (float(parts[1]), float(parts[5])))
    # poppler lists a word's letters here as they stand, from the left
    points, margin = 72 / 25.4, 18  # A4 is 210 mm wide (ISO 216)
    assert boxes["תורן"[::-1]][1] == pytest.approx((210 - margin) * points, abs=5)
    assert boxes["אדום"[::-1]][1] == pytest.approx((210 - margin) * points, abs=8)
    assert boxes["blue"][1] < 180 * points  # what is written from the left keeps to it
    assert boxes["W03"][0] < 30 * points


def test_a_letter_that_no_font_has_is_told_and_never_an_empty_box(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged_only(monkeypatch)  # a computer may have a font of signs of its own there
    made = content("Mast \ue0f1 foot")  # private use: no standard says how it looks
    found = fonts.look(printed.texts(made))
    assert found.missing == "\ue0f1"
    assert fonts.hints(found.missing) == (fonts.OTHER_HINT,)
    assert fonts.hints("漢") == (fonts.EAST_ASIAN_HINT,)
    assert "Mast [?] foot" in run("pdftotext", print_(made, tmp_path), "-")


def test_a_font_of_the_computer_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    first, arabic = fonts.packaged()[:2]
    face = dataclasses.replace(arabic, of_machine=True, title="Some Font 1.000")
    monkeypatch.setattr(fonts, "packaged", lambda: (first,))
    monkeypatch.setattr(fonts, "_of_machine", lambda letter, lacking: face)
    found = fonts.look([SAID["ar"]])
    assert not found.missing
    assert found.of_machine == ("Some Font 1.000",)


def test_a_pack_whose_wording_the_print_cannot_show_is_not_sent(
    lightship_archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged_only(monkeypatch)
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="builder") as store, pytest.raises(UsageError, match="no letters for \ue0f1"):
        approvals.send(store, tmp_path / "pack.pdf", point="foot", wording="May \ue0f1?", picture_ids=["p27ee"])
    assert not (tmp_path / "pack.pdf").exists()


def test_what_the_print_cannot_show_is_said_in_the_record(
    lightship_archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged_only(monkeypatch)
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="builder") as store:
        stating.state(store, "supply", "5 V \ue0f1, קוטב חיובי במרכז")
        seen = preview(store, Options(language="de"))
    assert seen.unprintable == "\ue0f1"
    limits = seen.content.chapters[-1].sections[-1].statements
    assert any("keine Zeichen für \ue0f1 (U+E0F1)" in said.text for said in limits)


def test_insulation_is_drawn_with_its_tracer_beside_its_code(tmp_path: Path) -> None:
    made = content("Schedule")
    cells = (
        (Cell("W01"), Cell("RD red + YE yellow", swatch=("RD", "YE"))),
        (Cell("W02"), Cell("BU blue", swatch=("BU", ""))),
    )
    section = Section("s", "Schedule", tables=(Table("Schedule", ("Run", "Insulation"), cells),))
    pdf = print_(dataclasses.replace(made, chapters=(Chapter("c", "Schedule", "", (section,)),)), tmp_path)
    run("pdftoppm", "-r", "150", "-f", "3", "-l", "3", "-png", pdf, tmp_path / "page")
    (page,) = tmp_path.glob("page*.png")
    with Image.open(page) as image:
        counts = {colour: count for count, colour in image.convert("RGB").getcolors(1 << 20) or []}
    places = {code: colours.BY_CODE[code].srgb for code in ("RD", "YE", "BU", "GN")}
    found = {code: counts.get(ImageColor.getrgb(place)[:3], 0) for code, place in places.items()}
    # 11 × 2.2 mm at 150 dpi are some 840 pixels; about a third of the first is tracer, less its softened edges.
    assert found["GN"] == 0
    assert 200 < found["YE"] < 450
    assert 300 < found["RD"] < 650
    assert 700 < found["BU"] < 900
    assert "RD red + YE yellow" in run("pdftotext", "-layout", pdf, "-")
