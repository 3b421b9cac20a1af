"""Pages of the print: head and foot, pieces of insulation in cells, and lines in which letters take their forms.

The library breaks a line where the script changes, and takes marks and joiners, which belong to every script, for one
of their own: a conjunct falls apart there. Here a mark stays with its letter, in one font with it (UAX #24, 5.2).
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate, groupby, pairwise
from operator import itemgetter
from typing import Any

from fontTools.unicodedata import script
from fpdf import FPDF
from fpdf.enums import Align, TextDirection
from fpdf.fonts import TTFFont
from fpdf.line_break import Fragment

from lastlook.handover import fonts
from lastlook.plan import colours

GREY, INK = (90, 96, 100), (20, 24, 27)
_SWATCH = (11.0, 2.2)  # millimetres
_TURNED = frozenset(map(chr, (*range(0x0590, 0x07C0), *range(0xFB1D, 0xFDFE), *range(0xFE70, 0xFEFD))))
"""Hebrew, Arabic, Syriac, Thaana: readers take these to stand as they look, and turn them into order themselves."""
_FROM_RIGHT = frozenset(["R", "AL", "AN", "RLE", "RLO", "RLI", "LRE", "LRO", "LRI", "FSI", "PDF", "PDI"])
"""Classes of letters (UAX #9, table 4) that turn a text, or part it."""
_ANY_SCRIPT = {"Zyyy", "Zinh", "Zzzz"}


class Swatched(str):
    """The text of a cell with a piece of insulation drawn above it: `code` and `tracer` as IEC 60757 has them."""

    code: str
    tracer: str

    @classmethod
    def of(cls, text: str, code: str, tracer: str) -> Swatched:
        made = cls(text)
        made.code, made.tracer = code, tracer
        return made


class Pages(FPDF):
    """Head and foot of each page, pieces of insulation in cells, text in runs of one script and font."""

    foot = ("", "")  # what stands at the left, and the word for a page

    def __init__(self, paper: str) -> None:
        super().__init__(format=paper)

    def multi_cell(self, w: float, h: float | None = None, text: str = "", *given: Any, **more: Any) -> Any:
        """As the library's, and the piece of insulation of a text that has one, in a line of its own."""
        if isinstance(text, Swatched) and text.code in colours.BY_CODE:
            if not more.get("dry_run"):
                self._insulation(text.code, text.tracer, self.x + 1.2, self.y + 0.9)
            text = "\n" + text
        return super().multi_cell(w, h, text, *given, **more)

    def _insulation(self, code: str, tracer: str, x: float, y: float) -> None:
        """Base colour with a spiral of the tracer; green-and-yellow is two colours of its own (IEC 60445, 6.3.2)."""
        base, line = colours.BY_CODE[code].srgb, colours.BY_CODE.get(tracer)
        second = line.srgb if line else ""
        if code == "GNYE":
            base, second = "#34864a", second or "#f1cf3c"
        kept = self.fill_color, self.draw_color, self.line_width
        wide, tall = _SWATCH
        self.set_fill_color(*_rgb(base))
        self.rect(x, y, wide, tall, style="F")
        if second:
            self.set_fill_color(*_rgb(second))
            with self.rect_clip(x, y, wide, tall):
                for at in (0.6, 3.4, 6.2, 9.0):
                    self.polygon(
                        [(x + at, y), (x + at + 1, y), (x + at + 2, y + tall), (x + at + 1, y + tall)], style="F"
                    )
        self.set_draw_color(*INK)
        self.set_line_width(0.15)
        self.rect(x, y, wide, tall)
        for put, colour in ((self.set_fill_color, kept[0]), (self.set_draw_color, kept[1])):
            if colour is not None:
                put(colour)
        self.set_line_width(kept[2])

    def footer(self) -> None:
        if self.page_no() == 1:
            return
        self.set_y(-14)
        self.set_font(fonts.SANS, size=8)
        self.set_text_color(*GREY)
        self.cell(w=self.epw / 2, text=self.foot[0])
        self.cell(w=self.epw / 2, text=f"{self.foot[1]} {self.page_no()}", align=Align.R)

    def _preload_bidirectional_text(self, text: str, markdown: bool) -> Any:
        """As the library's, whose rules for both directions take the square of a text's length: what has nothing of
        the right in it is one stretch from the left (UAX #9, W7, N1 and I1)."""
        if markdown or not self.text_shaping or not _FROM_RIGHT.isdisjoint(map(unicodedata.bidirectional, text)):
            return super()._preload_bidirectional_text(text, markdown)
        for of in ("paragraph_direction", "fragment_direction"):
            self.text_shaping[of] = TextDirection.LTR
        return tuple(self._preload_font_styles(text, markdown)) if text else ()

    def _parse_chars(self, text: str, markdown: bool, **more: Any) -> Iterator[Fragment]:
        """`text`, all in one direction, in runs of one script and one font."""
        if markdown or not self.text_shaping:
            yield from super()._parse_chars(text, markdown, **more)
            return
        run, font, writing = "", "", ""
        for cluster in _clusters(text):
            of = script(cluster[0])
            has = font if run and cluster.isspace() and self._has(font, cluster) else self._font_of(cluster)
            if run and (has != font or (writing and of not in _ANY_SCRIPT and of != writing)):
                yield self._run(run, font)
                run, writing = "", ""
            run, font = run + cluster, has
            writing = writing if of in _ANY_SCRIPT else of
        if run:
            yield self._run(run, font)

    def _font_of(self, cluster: str) -> str:
        """The first font with all of the letters, or with the first of them. It is named as the library does, by
        family and style."""
        style = "B" if "B" in self.font_style else ""
        names = [
            self.font_family + style,
            *(name for name in self._fallback_font_ids if name.endswith("B") == bool(style)),
        ]
        whole = next((name for name in names if self._has(name, cluster)), None)
        return whole or next((name for name in names if self._has(name, cluster[0])), names[0])

    def _has(self, font: str, cluster: str) -> bool:
        known = self.fonts[font]
        assert isinstance(known, TTFFont)
        return all(letter in fonts.JOINERS or letter == "\n" or ord(letter) in known.cmap for letter in cluster)

    def _run(self, text: str, font: str) -> Fragment:
        state = self._get_current_graphics_state()
        state.font_family, state.font_style = font.removesuffix("B"), "B" if font.endswith("B") else ""
        state.current_font = self.fonts[font]
        return _Run(list(text), state, self.k)


class _Run(Fragment):
    """Text that is shaped, word by word, each with its letters beside it for search and reading aloud: what is written
    where glyphs alone do not tell it (ISO 32000-1, 14.9.4)."""

    def render_with_text_shaping(self, pos_x: float, pos_y: float, h: float, word_spacing: float) -> str:
        words = re.findall(r"\s+|\S+", self.string)
        if self.fragment_direction == TextDirection.RTL:
            words.reverse()
        made: list[str] = []
        for word in words:
            piece = Fragment(list(word), self.graphics_state, self.k)
            if any(letter in _TURNED for letter in word) and self.fragment_direction == TextDirection.RTL:
                made += self._letter_by_letter(word, pos_x, pos_y, h)
            elif drawn := piece.render_with_text_shaping(pos_x, pos_y, h, word_spacing):
                drawn = f"{self._at(pos_x, pos_y, h)} {drawn}"
                made.append(_saying(word, drawn) if fonts.shaped(word) else drawn)
            pos_x += piece.get_width()
        return " ".join(made)

    def _letter_by_letter(self, word: str, x: float, y: float, h: float) -> Iterator[str]:
        """The glyphs of a word from the right, each letter's in one piece with what it says. Dots and marks that are
        glyphs of their own say nothing by themselves: they stand above others, and would be taken for letters there."""
        font = self.font
        assert isinstance(font, TTFFont)
        found, _ = font.perform_harfbuzz_shaping(word, self.font_size_pt, self.text_shaping_parameters)
        glyphs = font.shape_text(word, self.font_size_pt, self.text_shaping_parameters)
        # A joiner is no mark of its letter, but stands beside it.
        joiners = (at for at, letter in enumerate(word) if letter in fonts.JOINERS)
        starts = sorted({*accumulate((len(cluster) for cluster in _clusters(word)), initial=0), *joiners})
        of = [starts[bisect_right(starts, glyph.cluster) - 1] for glyph in found]
        ends = dict(pairwise([*sorted(set(of)), len(word)]))
        scale = font.scale * self.font_size_pt / 1000 / self.k
        for start, group in groupby(zip(of, glyphs, strict=True), key=itemgetter(0)):
            placed = []
            for _, glyph in group:
                at = self._at(x + glyph["x_offset"] * scale, y - glyph["y_offset"] * scale, h)
                placed.append((glyph["x_advance"], f"{at} ({font.escape_text(chr(glyph['mapped_char']))}) Tj"))
                x += glyph["x_advance"] * scale
            body = max(placed)
            for piece in placed:
                yield _saying(word[start : ends[start]] if piece is body else "", piece[1])

    def _at(self, x: float, y: float, h: float) -> str:
        return f"1 0 0 1 {x * self.k:.2f} {(h - y) * self.k:.2f} Tm"


def _saying(text: str, drawn: str) -> str:
    return f"/Span <</ActualText <FEFF{text.encode('utf-16-be').hex().upper()}>>> BDC {drawn} EMC"


def side(text: str) -> Align:
    """Where a paragraph begins: at the right if its first strong letter is written from there, isolates left out
    (UAX #9, P2 and P3)."""
    depth = 0
    for kind in map(unicodedata.bidirectional, text):
        if kind in {"LRI", "RLI", "FSI"}:
            depth += 1
        elif kind == "PDI":
            depth = max(0, depth - 1)
        elif kind in {"L", "R", "AL"} and not depth:
            return Align.L if kind == "L" else Align.R
    return Align.L


def _clusters(text: str) -> Iterator[str]:
    """Each letter with the marks and joiners that follow it."""
    cluster = ""
    for letter in text:
        if cluster and not cluster.isspace() and (letter in fonts.JOINERS or unicodedata.category(letter)[0] == "M"):
            cluster += letter
            continue
        if cluster:
            yield cluster
        cluster = letter
    if cluster:
        yield cluster


def _rgb(value: str) -> tuple[int, int, int]:
    return int(value[1:3], 16), int(value[3:5], 16), int(value[5:7], 16)
