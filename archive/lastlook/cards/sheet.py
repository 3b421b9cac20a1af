"""The printed sheet of bench cards: PDF, A4 or Letter, eight a page."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import util
from pathlib import Path
from typing import Any

from lastlook.cards import layout
from lastlook.cards.payload import Card, encode
from lastlook.records import Dimension

COLUMNS, ROWS = 2, 4
PER_PAGE = COLUMNS * ROWS
_MM = 72 / 25.4
_KINDS = {
    Dimension.SUBASSEMBLY: "subassembly",
    Dimension.STEP: "step",
    Dimension.RUN: "run",
    Dimension.PART: "part",
}
_PLAIN, _BOLD, _OTHER = "Helvetica", "Helvetica-Bold", "Other alphabets"


class Paper(StrEnum):
    A4 = "a4"
    LETTER = "letter"


_SIZES = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A


@dataclass(frozen=True, slots=True)
class Titled:
    """A card and what stands on it in words."""

    card: Card
    title: str


def to_pdf(cards: Sequence[Titled], *, paper: Paper = Paper.A4, build: str = "") -> bytes:
    """The cards as a PDF file, in their order. `build` stands at the foot of each card. The same cards give the same
    bytes. Raises ValueError without cards."""
    if not cards:
        raise ValueError("no cards")
    from reportlab.pdfgen.canvas import Canvas  # takes its time to load

    held = io.BytesIO()
    width, height = _SIZES[paper]
    canvas = Canvas(held, pagesize=(width * _MM, height * _MM), invariant=1, pageCompression=1)
    canvas.setTitle(f"Bench cards{': ' + build if build else ''}")
    canvas.setCreator("lastlook")
    left = (width - COLUMNS * layout.WIDTH) / 2
    top = (height - ROWS * layout.HEIGHT) / 2
    for number, titled in enumerate(cards):
        place = number % PER_PAGE
        if number and not place:
            canvas.showPage()
        column, row = place % COLUMNS, place // COLUMNS
        _Drawn(canvas, left + column * layout.WIDTH, top + row * layout.HEIGHT, height).draw(titled, build)
    canvas.showPage()
    canvas.save()
    return held.getvalue()


class _Drawn:
    """One card on a canvas, in the card's own millimetres, y down."""

    def __init__(self, canvas: Any, x: float, y: float, page_height: float) -> None:
        self._canvas = canvas
        self._x, self._y, self._page = x, y, page_height

    def draw(self, titled: Titled, build: str) -> None:
        self._cut_marks()
        for id, (x, y) in layout.MARKER_AT.items():
            self._modules(layout.bits_of_marker(id), x, y, layout.MARKER)
        self._code(titled.card)
        middle, room = layout.WIDTH / 2, layout.WIDTH - 2 * (layout.EDGE + layout.MARKER) - 4
        self._words(titled.title, middle, 5.0, room, lines=2, size=14, font=_BOLD)
        right = layout.CODE_AT[0] + layout.CODE + 4.0
        across = layout.WIDTH - layout.EDGE - right
        self._words(_KINDS[titled.card.dimension], right + across / 2, 20.5, across, size=8, font=_PLAIN)
        self._words(titled.card.id, right + across / 2, 24.0, across, size=25, font=_BOLD)
        self._arrow(right + 1.0, right + across - 1.0, 39.5)
        self._scale()
        if build:
            self._words(build, middle, 48.6, room, size=6.5, font=_PLAIN)

    def _rect(self, x: float, y: float, width: float, height: float) -> None:
        self._canvas.rect(
            (self._x + x) * _MM,
            (self._page - self._y - y - height) * _MM,
            width * _MM,
            height * _MM,
            stroke=0,
            fill=1,
        )

    def _line(self, x: float, y: float, to_x: float, to_y: float, width: float) -> None:
        self._canvas.setLineWidth(width * _MM)
        flip = self._page - self._y
        self._canvas.line((self._x + x) * _MM, (flip - y) * _MM, (self._x + to_x) * _MM, (flip - to_y) * _MM)

    def _cut_marks(self) -> None:
        """Short hairlines at the corners: where to cut, without ink near a marker."""
        for x in (0.0, layout.WIDTH):
            for y in (0.0, layout.HEIGHT):
                inward = 1.2 if x == 0 else -1.2
                self._line(x, y, x + inward, y, 0.1)
                self._line(x, y, x, y + (1.2 if y == 0 else -1.2), 0.1)

    def _modules(self, rows: Sequence[Sequence[int]], x: float, y: float, side: float, *, white: int = 1) -> None:
        """Dark modules, joined along a row so that no hairline shows between them."""
        step = side / len(rows)
        for number, row in enumerate(rows):
            at = 0
            while at < len(row):
                end = at
                while end < len(row) and row[end] != white:
                    end += 1
                if end > at:
                    # A little taller than its row, for the same reason; the last row keeps its edge.
                    tall = step * (1.02 if number < len(rows) - 1 else 1.0)
                    self._rect(x + at * step, y + number * step, (end - at) * step, tall)
                at = end + 1

    def _code(self, card: Card) -> None:
        import segno

        made = segno.make_qr(encode(card), error="m", boost_error=True)
        rows = [[0 if dark else 1 for dark in row] for row in made.matrix]
        self._modules(rows, *layout.CODE_AT, layout.CODE)

    def _words(
        self, text: str, middle: float, top: float, room: float, *, size: float, font: str, lines: int = 1
    ) -> None:
        """Words centred at `middle`, made smaller until they fit `room` on so many lines."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        font, text = written(text, font)

        def wide(part: str, at: float) -> float:
            return float(stringWidth(part, font, at)) / _MM

        split = [text]
        while size > 5 and max(wide(part, size) for part in split) > room:
            if lines > 1 and size > 9 and " " in text:
                split = _halved(text)
                if max(wide(part, size) for part in split) <= room:
                    break
            size -= 0.5
        if max(wide(part, size) for part in split) > room:
            split = [_cut(part, room, lambda part: wide(part, size)) for part in split]
        self._canvas.setFont(font, size)
        for number, part in enumerate(split):
            baseline = top + (number + 0.8) * size / _MM * 1.08
            self._canvas.drawCentredString((self._x + middle) * _MM, (self._page - self._y - baseline) * _MM, part)

    def _arrow(self, left: float, right: float, y: float) -> None:
        """Which way is forward: an arrow to the right, FORE at its head."""
        self._canvas.setFont(_PLAIN, 7)
        self._line(left, y, right - 3, y, 0.7)
        path = self._canvas.beginPath()
        flip = self._page - self._y
        points = ((right - 4, y - 2), (right, y), (right - 4, y + 2))
        path.moveTo((self._x + points[0][0]) * _MM, (flip - points[0][1]) * _MM)
        for x, at in points[1:]:
            path.lineTo((self._x + x) * _MM, (flip - at) * _MM)
        path.close()
        self._canvas.drawPath(path, stroke=0, fill=1)
        self._canvas.drawString((self._x + left) * _MM, (flip - y - 4.4) * _MM, "AFT")
        self._canvas.drawRightString((self._x + right) * _MM, (flip - y - 4.4) * _MM, "FORE")

    def _scale(self) -> None:
        """Millimetres, numbered each ten: what shows that the sheet was printed at its own size."""
        x, y = layout.SCALE_AT
        self._line(x, y, x + layout.SCALE, y, 0.15)
        self._canvas.setFont(_PLAIN, 5.5)
        flip = self._page - self._y
        for mm in range(int(layout.SCALE) + 1):
            long = 3.2 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.3
            self._line(x + mm, y, x + mm, y - long, 0.15)
            if mm % 10 == 0:
                words = f"{mm} mm" if mm == int(layout.SCALE) else str(mm)
                self._canvas.drawCentredString((self._x + x + mm) * _MM, (flip - y - 2.6) * _MM, words)


def lost(text: str) -> bool:
    """Whether letters of `text` cannot be printed on a card, and '?' stands for them."""
    return written(text, _PLAIN)[1].count("?") > text.count("?")


def written(text: str, font: str) -> tuple[str, str]:
    """`text` as it is printed, and in which font: `font`, or where that lacks letters, that of other alphabets for all
    letters that stand side by side as they are, so that nothing needs shaping (Greek, Cyrillic, all of Latin)."""
    text = " ".join(unicodedata.normalize("NFC", text).split())
    plain = drawable(text)
    if plain == text:
        return font, plain
    has = _letters()
    other = "".join(letter if letter == " " or (letter in has and not _shaped(letter)) else "?" for letter in text)
    return (_OTHER, other) if other.count("?") <= plain.count("?") else (font, plain)


def _shaped(letter: str) -> bool:
    return unicodedata.category(letter)[0] == "M" or "DEVANAGARI" in unicodedata.name(letter, "")


@cache
def _letters() -> frozenset[str]:
    """The letters of the font of other alphabets, which is made known to the print; none where it is not there."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    package = util.find_spec("fontpkg_noto_sans")
    if package is None or package.origin is None:
        return frozenset()
    try:
        made = TTFont(_OTHER, str(Path(package.origin).parent / "files" / "NotoSans[wdth,wght].ttf"))
    except (TTFError, OSError):
        return frozenset()
    pdfmetrics.registerFont(made)
    return frozenset(map(chr, made.face.charToGlyph))


def drawable(text: str) -> str:
    """`text` in letters that every PDF reader has without a font of ours: others lose their accents, or become '?'."""
    made = ""
    for letter in unicodedata.normalize("NFC", text):
        for form in (letter, *unicodedata.normalize("NFKD", letter)[:1]):
            try:
                form.encode("cp1252")
            except UnicodeEncodeError:
                continue
            made += form
            break
        else:
            made += "?"
    return " ".join(made.split())


def _halved(text: str) -> list[str]:
    """On two lines, split at the space nearest to the middle."""
    spaces = [at for at, letter in enumerate(text) if letter == " "]
    at = min(spaces, key=lambda at: abs(at - len(text) / 2))
    return [text[:at], text[at + 1 :]]


def _cut(text: str, room: float, wide: Any) -> str:
    while len(text) > 1 and wide(text + "…") > room:
        text = text[:-1]
    return text + "…"
