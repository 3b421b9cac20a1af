"""Titles and names in a script that runs from right to left: they never turn the order of what stands beside them.

UAX #9 (Unicode Bidirectional Algorithm) 3.1.2 and the HTML standard's `bdi`: text of unknown direction is isolated, or
digits and ids that follow it on the line change their side.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree.ElementTree import Element

import html5lib
import pytest
from flask.testing import FlaskClient

from lastlook import planning
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import webarchive
from tests.webarchive import PLAN, Filled

HEBREW = "\u05ea\u05d5\u05e8\u05df"
BLOCKS = {
    "body",
    "td",
    "th",
    "p",
    "li",
    "dd",
    "dt",
    "div",
    "h1",
    "h2",
    "h3",
    "label",
    "figcaption",
    "summary",
    "section",
}
PLAIN = {"option", "title", "textarea", "text"}
"""Elements that hold text alone, where nothing can be isolated (`text` of an SVG: nothing stands beside it)."""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    """The plan's subassemblies, runs, openings, steps and parts all have Hebrew titles."""
    made = webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path_factory.mktemp("bidi"))
    text = re.sub(r'^(title = )"[^"]*"', rf'\1"{HEBREW}"', PLAN.read_text(encoding="utf-8"), flags=re.MULTILINE)
    with Store(made.archive, by=HEBREW) as store:
        planning.load(store, text, PLAN.name)
    return made


@pytest.fixture(scope="module")
def client(filled: Filled) -> FlaskClient:
    return create_app(ViewerConfig(filled.archive, by="Ines")).test_client()


def loose(element: Element, block: Element, isolated: bool, path: str) -> Iterator[str]:
    """Where Hebrew stands before other text of its block and nothing isolates it."""
    name = element.tag.rsplit("}", 1)[-1]
    if name in PLAIN:
        return
    block = element if name in BLOCKS else block
    isolated = isolated or name == "bdi"
    path = f"{path}/{name}"
    parts = [(element.text, isolated, block)]
    for child in element:
        if isinstance(child.tag, str):
            yield from loose(child, block, isolated, path)
        parts.append((child.tail, isolated, block))
    for text, safe, around in parts:
        # At the end of its line, or before a full stop, it turns nothing.
        follows = "".join(around.itertext()).partition(HEBREW)[2]
        if text and HEBREW in text and not safe and re.search(r"\w", follows):
            yield f"{path}: {' '.join(''.join(around.itertext()).split())[:160]}"


@pytest.mark.parametrize(
    "address",
    [
        "/",
        "/?q=W03+before+mast+foot+closed",
        "/sub/MAST",
        "/plan",
        "/runs",
        "/run/W03",
        "/closings",
        "/closing/O4",
        "/queue",
        "/bench",
        "/handover",
        "PICTURE",
        "CLIP",
    ],
)
def test_names_are_isolated(client: FlaskClient, filled: Filled, address: str) -> None:
    address = address.replace("PICTURE", f"/picture/{filled.last_before_o4}").replace("CLIP", f"/clip/{filled.clip}")
    answer = client.get(address)
    assert answer.status_code == 200, address
    assert HEBREW in answer.text
    root = html5lib.parse(answer.text)
    body = next(each for each in root.iter() if each.tag.endswith("}body"))
    found = list(loose(body, body, False, ""))
    assert not found, "\n".join(found)
