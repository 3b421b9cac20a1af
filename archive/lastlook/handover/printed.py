"""The record for printing: PDF, A4 or Letter, with contents, page numbers, bookmarks, captions and alt text.

Text can be selected and searched; the fonts are embedded, cut down to the letters that are used (see `fonts`). Letters
that join, carry marks or run from the right are set by HarfBuzz and the Unicode rules for both directions.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from fpdf.enums import Align, TableBordersLayout, TextEmphasis, WrapMode, XPos, YPos
from fpdf.fonts import FontFace
from fpdf.outline import TableOfContents

from lastlook.handover import fonts
from lastlook.handover.content import Cell, Chapter, Content, Section, Statement, Table
from lastlook.handover.pages import GREY, INK, Pages, Swatched, side
from lastlook.progress import Progress, Report, Stage, silent

PAPERS = {"a4": "A4", "letter": "Letter"}
_ACCENT = (138, 59, 0)
_CELL_MM = 1.2
_SLACK_MM = 0.2  # what rounding may take; a word that fits by a hair is broken


def write(
    content: Content,
    target: Path,
    pictures: Path,
    issued: datetime,
    *,
    paper: str = "a4",
    letters: fonts.Letters | None = None,
    report: Report = silent,
) -> None:
    """Write the PDF. `pictures` holds the copies to print, `<id>.jpg`; `letters` the fonts, where they were looked for
    already. The same content gives the same bytes with the same fonts."""
    with tempfile.TemporaryDirectory(prefix="lastlook-fonts-") as folder:
        drawn = _Print(content, pictures, issued, PAPERS[paper], report)
        drawn.load(letters or fonts.look(texts(content)), Path(folder))
        try:
            drawn.write(target)
        finally:
            for font in drawn.pdf.fonts.values():  # read from files that the library leaves open
                opened = getattr(font, "ttfont", None)
                if opened is not None:
                    opened.close()


def texts(content: Content) -> Iterator[str]:
    """Everything that is said in a record, in any of its forms."""
    yield from (content.title, content.subtitle, content.build, content.client, content.issued, content.scope)
    yield from content.labels.values()
    for entry in content.pictures.values():
        yield from (entry.title, entry.caption, entry.spoken, entry.time, entry.basis_words, entry.file, entry.place)
        yield from (entry.shows, entry.camera)
    for chapter in content.chapters:
        yield from chapter_texts(chapter)


def chapter_texts(chapter: Chapter) -> Iterator[str]:
    yield from (chapter.title, chapter.lead)
    for section in chapter.sections:
        yield section.title
        for said in section.statements:
            yield from (said.text, said.label, said.source)
        for table in section.tables:
            yield from (table.caption, *table.heads)
            yield from (cell.text for row in table.rows for cell in row)
        yield from (figure.role for figure in section.figures)


class _Print:
    def __init__(self, content: Content, pictures: Path, issued: datetime, paper: str, report: Report) -> None:
        self.content = content
        self.pictures = pictures
        self.report = report
        self.said = fonts.plain
        self.pdf = pdf = Pages(paper)
        pdf.set_margins(18, 16)
        pdf.set_auto_page_break(True, margin=20)
        pdf.set_lang({"en": "en-GB", "de": "de-DE"}[content.language])
        pdf.set_title(fonts.plain(content.title))
        pdf.set_subject(fonts.plain(content.subtitle))
        pdf.set_creator("lastlook")
        pdf.set_creation_date(issued)
        # What a figure's number is: pictures are named by it where a statement leads to them.
        self.numbers: dict[str, int] = {}
        self.links: dict[str, int] = {}

    def load(self, letters: fonts.Letters, folder: Path) -> None:
        """Take the fonts; their files stay in `folder` until all is written."""
        self.said = letters.printable
        self.pdf.foot = (self.said(self.content.title), self.said(self.content.labels["page"]))
        used = set().union(*map(letters.printable, texts(self.content)))
        names = [fonts.SANS, *(f"more{number}" for number in range(1, len(letters.faces)))]
        for name, face in zip(names, letters.faces, strict=True):
            for style, weight in (("", 400), ("B", 700)):
                cut = fonts.cut(face, folder, weight, used, name)
                self.pdf.add_font(name, style, str(cut))
        self.pdf.set_fallback_fonts(names[1:], exact_match=False)
        self.pdf.set_text_shaping(letters.shaped)

    def write(self, target: Path) -> None:
        pdf, content = self.pdf, self.content
        self._number()
        pdf.add_page()
        self._cover()
        pdf.add_page()
        pdf.set_font(fonts.SANS, "B", 16)
        pdf.cell(text=self.said(content.labels["contents"]), new_x=XPos.LMARGIN, new_y=YPos.NEXT, h=12)
        contents = TableOfContents(text_style=self._style(10), line_spacing=1.25)
        pdf.insert_toc_placeholder(contents.render_toc, pages=1, allow_extra_pages=True)
        for number, chapter in enumerate(content.chapters):
            self.report(Progress(Stage.PAGES, number, len(content.chapters), note=chapter.title))
            if number:
                self._room(pdf.eph * 0.6)
                pdf.ln(8 if pdf.get_y() > pdf.t_margin + 1 else 0)
            self._chapter(chapter)
        pdf.add_page()
        self._list_of_pictures()
        pdf.output(str(target))

    def _number(self) -> None:
        """Figures are numbered in the order in which they first appear; the others follow in the list."""
        for chapter in self.content.chapters:
            for section in chapter.sections:
                for figure in section.figures:
                    self._take(figure.picture)
        for id in sorted(self.content.pictures, key=lambda id: (self.content.pictures[id].taken_at, id)):
            self._take(id)

    def _take(self, id: str) -> None:
        if id in self.content.pictures and id not in self.numbers:
            self.numbers[id] = len(self.numbers) + 1

    def _link(self, id: str) -> int:
        if id not in self.links:
            self.links[id] = self.pdf.add_link()
        return self.links[id]

    def _style(self, size: float) -> Any:
        from fpdf import TextStyle

        return TextStyle(font_family=fonts.SANS, font_size_pt=size)

    # ------------------------------------------------------------------------------------------------ text

    def _text(self, text: str, size: float = 9.5, *, bold: bool = False, colour: tuple[int, int, int] = INK) -> None:
        pdf = self.pdf
        pdf.set_font(fonts.SANS, "B" if bold else "", size)
        pdf.set_text_color(*colour)
        pdf.multi_cell(w=0, h=size * 0.5, text=self.said(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align=side(text))

    def _cover(self) -> None:
        pdf, content = self.pdf, self.content
        pdf.set_y(60)
        self._text(content.title, 24, bold=True)
        pdf.ln(4)
        self._text(content.subtitle, 12, colour=GREY)
        pdf.ln(10)
        for label, value in (("client", content.client), ("scope", content.scope), ("issued", content.issued)):
            if value:
                self._text(f"{content.labels[label]}: {value}", 11)
        first = next(
            (figure for chapter in content.chapters for each in chapter.sections for figure in each.figures), None
        )
        if first is not None and first.picture in content.pictures:
            pdf.ln(8)
            self._image(first.picture, pdf.l_margin, pdf.get_y(), 120, 90)

    def _chapter(self, chapter: Chapter) -> None:
        self.pdf.start_section(self.said(chapter.title), level=0)
        self._text(chapter.title, 16, bold=True)
        if chapter.lead:
            self._text(chapter.lead, 9.5, colour=GREY)
        self.pdf.ln(2)
        for section in chapter.sections:
            self._section(chapter, section)

    def _section(self, chapter: Chapter, section: Section) -> None:
        self._room(26)
        if len(chapter.sections) > 1:
            self.pdf.start_section(self.said(section.title), level=1)
        self.pdf.ln(2)
        self._text(section.title, 11.5, bold=True)
        for statement in section.statements:
            self._statement(statement)
        for table in section.tables:
            self._table(table)
        self._figures([(figure.picture, figure.role) for figure in section.figures])

    def _room(self, height: float) -> None:
        """Begin a new page where less than so many millimetres are left."""
        if self.pdf.get_y() + height > self.pdf.page_break_trigger:
            self.pdf.add_page()

    def _statement(self, said: Statement) -> None:
        pdf = self.pdf
        self._room(10)
        pdf.ln(0.8)
        left = pdf.l_margin
        pdf.set_left_margin(left + 4)
        pdf.set_x(left + 4)
        top, page = pdf.get_y(), pdf.page_no()
        label = f"{self.content.labels['caution']}: " if said.caution else f"{said.label}: " if said.label else ""
        pdf.set_text_color(*(_ACCENT if said.caution else INK))
        pdf.set_font(fonts.SANS, "B", 9.5)
        if label:
            pdf.write(4.7, self.said(label))
        pdf.set_font(fonts.SANS, "", 9.5)
        if side(said.text) == Align.R:  # in lines of its own, from the right
            if label:
                pdf.ln(4.7)
            pdf.multi_cell(w=0, h=4.7, text=self.said(said.text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align=Align.R)
        else:
            pdf.write(4.7, self.said(said.text))
        pdf.set_text_color(*GREY)
        if said.source:
            pdf.set_font_size(8.5)
            pdf.write(4.7, self.said(f"  — {said.source}"))
        known = [id for id in said.pictures if id in self.numbers]
        for id in known:
            pdf.set_font(fonts.SANS, "B", 8.5)
            pdf.write(4.7, "  ")
            pdf.write(4.7, self.said(f"{self.content.labels['picture']} {self.numbers[id]}"), link=self._link(id))
        pdf.ln(5 if pdf.get_x() > pdf.l_margin + 0.1 else 0.3)
        pdf.set_left_margin(left)
        pdf.set_x(left)
        if pdf.page_no() == page:
            pdf.set_draw_color(*(_ACCENT if said.caution else (190, 194, 196)))
            pdf.set_line_width(0.6 if said.caution else 0.3)
            if said.missing:
                pdf.set_dash_pattern(dash=1, gap=1)
            pdf.line(left + 1.5, top + 0.5, left + 1.5, pdf.get_y() - 0.8)
            pdf.set_dash_pattern()

    def _cell(self, cell: Cell) -> str:
        known = [str(self.numbers[id]) for id in cell.pictures if id in self.numbers]
        pictures = f" {self.content.labels['picture']} {', '.join(known)}" if known else ""
        return self.said(f"{cell.text}{pictures}".strip())

    def _table(self, table: Table) -> None:
        pdf = self.pdf
        if not table.rows:
            return
        self._room(24)
        many = len(table.heads) > 6
        shown = [[self._cell(cell) for cell in row] for row in table.rows]
        pdf.set_font(fonts.SANS, "", 6.6 if many else 8.5)
        pdf.set_text_color(*INK)
        pdf.set_draw_color(170, 174, 176)
        pdf.set_line_width(0.2)
        pdf.ln(1)
        with pdf.table(
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis=TextEmphasis.B),
            text_align=Align.L,
            padding=(0.8, _CELL_MM),
            line_height=3.2 if many else 4.2,
            first_row_as_headings=True,
            wrapmode=WrapMode.WORD,
            col_widths=self._widths([self.said(head) for head in table.heads], shown),
        ) as drawn:
            heads = drawn.row()
            for head in table.heads:
                heads.cell(self.said(head), align=side(head))
            for row, texts_ in zip(table.rows, shown, strict=True):
                line = drawn.row()
                for cell, text in zip(row, texts_, strict=True):
                    line.cell(Swatched.of(text, *cell.swatch) if cell.swatch else text, align=side(text))
        pdf.ln(2)

    def _widths(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[float, ...]:
        """Widths in mm, in the font that is set: each column first what its longest word takes, so that none is broken
        where they all find room; what is left goes by how much is written in each."""
        pdf = self.pdf
        taken = cache(pdf.get_string_width)
        pdf.set_font(style="B")
        needed = [max(map(pdf.get_string_width, head.split()), default=0.0) for head in heads]
        pdf.set_font(style="")
        margins = 2 * _CELL_MM + _SLACK_MM
        wanted = []
        for number in range(len(heads)):
            column = [row[number] for row in rows]
            words = {word for text in column for word in text.split()}
            needed[number] = max(needed[number], *map(taken, words), 4.0) + margins
            wanted.append(max(needed[number], min(sum(map(taken, column)) / len(column), 60.0) + margins))
        left = pdf.epw - sum(needed)
        more = sum(wanted) - sum(needed)
        if left <= 0 or more <= 0:
            return tuple(needed)
        return tuple(need + left * (want - need) / more for need, want in zip(needed, wanted, strict=True))

    # ------------------------------------------------------------------------------------------------ pictures

    def _figures(self, figures: Sequence[tuple[str, str]], columns: int = 3, *, facts: bool = False) -> None:
        """Pictures in rows; each with its number, role, caption and time, never parted from it."""
        pdf = self.pdf
        shown = [(id, role) for id, role in figures if id in self.content.pictures]
        gap = 4.0
        wide = (pdf.epw - gap * (columns - 1)) / columns
        tall = wide * 0.75
        for at in range(0, len(shown), columns):
            row = shown[at : at + columns]
            captions = [self._caption(id, role, facts=facts) for id, role in row]
            pdf.set_font(fonts.SANS, "", 7)
            lines = [
                pdf.multi_cell(w=wide, h=3.1, text=text, dry_run=True, output="LINES", align=Align.L)
                for text in captions
            ]
            height = tall + 2 + 3.1 * max(len(each) for each in lines if isinstance(each, list))
            self._room(height + 3)
            pdf.ln(1.5)
            top = pdf.get_y()
            for number, (id, _) in enumerate(row):
                x = pdf.l_margin + number * (wide + gap)
                self._image(id, x, top, wide, tall)
                pdf.set_xy(x, top + tall + 0.8)
                pdf.set_font(fonts.SANS, "", 7)
                pdf.set_text_color(*INK)
                pdf.multi_cell(w=wide, h=3.1, text=captions[number], align=Align.L, new_x=XPos.LMARGIN, new_y=YPos.TOP)
            pdf.set_xy(pdf.l_margin, top + height)

    def _caption(self, id: str, role: str, *, facts: bool) -> str:
        entry = self.content.pictures[id]
        parts = [f"{self.numbers[id]}", role, entry.caption, entry.time]
        if facts:
            parts += [entry.shows, entry.basis_words, entry.file + (f" {entry.place}" if entry.place else "")]
            parts.append(f"SHA-256 {entry.sha256}")
        # Where some words run from the right, each part has a line of its own, or their order could not be told.
        return (" · " if self.pdf.text_shaping is None else "\n").join(self.said(part) for part in parts if part)

    def _image(self, id: str, x: float, y: float, wide: float, tall: float) -> None:
        entry = self.content.pictures[id]
        self.pdf.image(
            str(self.pictures / f"{id}.jpg"),
            x=x,
            y=y,
            w=wide,
            h=tall,
            keep_aspect_ratio=True,
            alt_text=fonts.plain(entry.alt),
        )

    def _list_of_pictures(self) -> None:
        """Every picture with its checksum, its time and how that is known; where statements lead to."""
        pdf = self.pdf
        title = self.said(self.content.labels["all_pictures"])
        pdf.start_section(title, level=0)
        self._text(title, 16, bold=True)
        by_number = sorted(self.numbers, key=self.numbers.__getitem__)
        columns = 4
        for at in range(0, len(by_number), columns):
            if at % 40 == 0:
                self.report(Progress(Stage.PAGES, at, len(by_number)))
            row = by_number[at : at + columns]
            self._figures([(id, "") for id in row], columns, facts=True)
            for id in row:
                pdf.set_link(self._link(id), page=pdf.page_no())
