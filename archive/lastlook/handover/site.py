"""The record as pages that work from a memory stick: no network, no server, readable without JavaScript.

index.html and one page a chapter; one page a picture; a search over a small index built beforehand.
"""

from __future__ import annotations

import json
import re
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from lastlook.handover import metadata, tables
from lastlook.handover.content import Chapter, Content, PictureEntry, Section
from lastlook.plan import colours
from lastlook.progress import Progress, Report, Stage, silent

PAGE_OF_LIST = 200
"""Pictures on one page of the list: a page of 200 thumbnails that are loaded when they come into view."""


def write(content: Content, folder: Path, *, extras: Sequence[tuple[str, str]] = (), report: Report = silent) -> None:
    """Write the pages into `folder`; copies lie in `folder/pictures` and `folder/small` under `<id>.jpg`.

    `extras`: (words, path) of other files of the record to link to.
    """
    pages = _Pages(content, extras)
    (folder / "picture").mkdir(parents=True, exist_ok=True)
    (folder / "assets").mkdir(exist_ok=True)
    for name in ("record.css", "search.js"):
        with resources.as_file(resources.files("lastlook.handover") / "static" / name) as source:
            shutil.copyfile(source, folder / "assets" / name)
    _put(folder / "index.html", pages.index())
    for chapter in content.chapters:
        _put(folder / f"{chapter.id}.html", pages.chapter(chapter))
    _put(folder / "search.html", pages.search())
    _put(folder / "assets" / "index.js", _index(content))
    for number, listed in enumerate(pages.lists):
        _put(folder / list_name(number), pages.listing(number, listed))
    for number, entry in enumerate(pages.ordered):
        if number % 50 == 0:
            report(Progress(Stage.PAGES, number, len(pages.ordered)))
        _put(folder / "picture" / f"{entry.id}.html", pages.picture(number, entry))


def list_name(number: int) -> str:
    return "pictures.html" if number == 0 else f"pictures-{number + 1}.html"


class _Pages:
    def __init__(self, content: Content, extras: Sequence[tuple[str, str]]) -> None:
        self.content = content
        self.ordered = tables.in_order(content)
        self.lists = [self.ordered[at : at + PAGE_OF_LIST] for at in range(0, len(self.ordered), PAGE_OF_LIST)]
        self._lists = [list_name(number) for number in range(len(self.lists))]
        environment = Environment(
            loader=PackageLoader("lastlook.handover", "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        sections = {section.id: chapter.id for chapter in content.chapters for section in chapter.sections}
        environment.globals.update(
            content=content,
            labels=content.labels,
            pictures=content.pictures,
            swatch=swatch,
            extras=extras,
            lists=self._lists,
            page_of=lambda anchor: f"{sections[anchor]}.html#{anchor}" if anchor in sections else "",
        )
        self._templates = {
            name: environment.get_template(f"{name}.html")
            for name in ("index", "chapter", "search", "listing", "picture")
        }
        self._mentions = _mentions(content.chapters)

    def _made(self, name: str, **values: object) -> str:
        template: Template = self._templates[name]
        return template.render(**{"root": "", "here": "", **values})

    def index(self) -> str:
        return self._made("index", here="index")

    def chapter(self, chapter: Chapter) -> str:
        return self._made("chapter", chapter=chapter, here=chapter.id)

    def search(self) -> str:
        return self._made("search", here="search")

    def listing(self, number: int, listed: Sequence[PictureEntry]) -> str:
        return self._made("listing", listed=listed, number=number, here="pictures")

    def picture(self, number: int, entry: PictureEntry) -> str:
        before = self.ordered[number - 1] if number else None
        after = self.ordered[number + 1] if number + 1 < len(self.ordered) else None
        return self._made(
            "picture", entry=entry, before=before, after=after, root="../", mentions=self._mentions.get(entry.id, ())
        )


def swatch(code: str, tracer: str) -> Markup:
    """A piece of insulation as it looks, its code is in the text beside it: base colour, a spiral of the tracer."""
    base = colours.BY_CODE.get(code)
    line = colours.BY_CODE.get(tracer)
    fill = base.srgb if base else "none"
    second = line.srgb if line else "#f1cf3c" if code == "GNYE" else ""
    fill = "#34864a" if code == "GNYE" else fill
    stripes = "".join(f'<path d="M{x} 1l6 8" stroke="{second}" stroke-width="3"/>' for x in (5, 17, 29) if second)
    return Markup(
        '<svg class="swatch" width="44" height="10" viewBox="0 0 44 10" aria-hidden="true" focusable="false">'
        '<rect x=".5" y=".5" width="43" height="9" rx="2" fill="{}" stroke="currentColor"/>{}</svg>'
    ).format(fill, Markup(stripes))


def _mentions(chapters: Sequence[Chapter]) -> dict[str, list[tuple[str, str, str]]]:
    """For each picture, (address, title, what is said) of everything that leads to it."""
    found: dict[str, list[tuple[str, str, str]]] = {}

    def note(id: str, chapter: Chapter, section: Section, text: str) -> None:
        entry = (f"{chapter.id}.html#{section.id}", section.title, text)
        if entry not in found.setdefault(id, []):
            found[id].append(entry)

    for chapter in chapters:
        for section in chapter.sections:
            for figure in section.figures:
                note(figure.picture, chapter, section, figure.role)
            for statement in section.statements:
                for id in statement.pictures:
                    note(
                        id,
                        chapter,
                        section,
                        f"{statement.label}: {statement.text}" if statement.label else statement.text,
                    )
            for table in section.tables:
                for row in table.rows:
                    for cell in row:
                        for id in cell.pictures:
                            note(id, chapter, section, row[0].text)
    return found


# ------------------------------------------------------------------------------------------------ the search's index


def folded(text: str) -> list[str]:
    """Words as the search compares them: lower case, without accents. The script folds what is typed likewise."""
    plain = unicodedata.normalize("NFKD", text.lower().replace("ß", "ss"))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return re.findall(r"[^\W_]+(?:-[^\W_]+)*", plain)


def _index(content: Content) -> str:
    """`window.recordIndex = {docs: [[title, address, text]…], words: {word: [doc…]}}`: a script, since a page from a
    memory stick may not fetch a file."""
    docs: list[list[str]] = []
    words: dict[str, list[int]] = {}
    for title, address, text in _documents(content):
        number = len(docs)
        docs.append([title, address, text[:160]])
        parts = set(folded(f"{title} {text}"))
        for word in sorted(parts | {piece for part in parts for piece in part.split("-")}):
            words.setdefault(word, []).append(number)
    body = json.dumps({"docs": docs, "words": words}, ensure_ascii=True, separators=(",", ":"), sort_keys=True)
    closed = body.replace("</", "<\\/")  # nothing in it may end the script, should somebody put it into a page
    return f"window.recordIndex = {closed};\n"


def _documents(content: Content) -> Iterator[tuple[str, str, str]]:
    for chapter in content.chapters:
        for section in chapter.sections:
            texts = [f"{one.label} {one.text}" for one in section.statements if not one.caution]
            if not section.id.startswith("access-items"):
                texts += [cell.text for table in section.tables for row in table.rows for cell in row]
            yield section.title, f"{chapter.id}.html#{section.id}", " ".join(texts)
    for entry in tables.in_order(content):
        said = f"{entry.caption} {entry.shows} {entry.spoken} {entry.time} {entry.file} {entry.id}"
        yield entry.title, f"picture/{entry.id}.html", said.strip()


def _put(path: Path, text: str) -> None:
    path.write_bytes(metadata.clean(text).encode("utf-8"))
