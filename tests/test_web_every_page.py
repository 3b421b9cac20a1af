"""What holds for every page the viewer has: no barrier, no sideways scrolling, nothing inline, light, calm, printable.

Addresses are walked from the application's own map of them: a page that comes later fails here until it is listed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import html5lib
import pytest
from flask import Flask
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from lastlook import sessions
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, dressing
from tests import browser, webarchive
from tests.browser import open_page, size
from tests.webarchive import Filled

LARGEST = 150_000
"""Bytes of a page with its styles and modules, unpacked, before its pictures."""

PAPER = 720
"""CSS pixels across A4 upright (210 mm at 96 a inch) between margins of 10 mm."""

PASSCODE = "lantern-40"


@dataclass(frozen=True)
class Bench:
    """The archive with what the addresses name."""

    filled: Filled
    session: str
    still: str
    other: str

    @property
    def picture(self) -> str:
        return self.filled.last_before_o4


def _pair(bench: Bench) -> str:
    return f"{bench.picture}/{bench.filled.ids['IMG_20260330_090000.jpg']}"


# By endpoint: the addresses at which its page is looked at.
PAGES: dict[str, Callable[[Bench], list[str]]] = {
    "ask.page": lambda b: [
        "/",
        "/?since=20260320T000000Z&until=20260328T000000Z&sub=MAST",
        "/?since=20260308T000000Z&until=20260309T000000Z",
        "/?q=W03",
        "/?q=W03+before+mast+foot+closed",
        "/?q=W07+after+O2+closed",
        "/?q=splise",
    ],
    "pictures.page": lambda b: [f"/picture/{b.picture}", f"/picture/{b.still}", "/picture/p000000000000"],
    "subassemblies.page": lambda b: ["/sub/MAST", "/sub/DECK-M", "/sub/HULL"],
    "clips.page": lambda b: [f"/clip/{b.filled.clip}?at=6000"],
    "clockcard.page": lambda b: ["/clock"],
    "closings.overview": lambda b: ["/closings"],
    "closings.check": lambda b: ["/closing/O3", "/closing/O4"],
    "closings.say": lambda b: ["/closing/O3/say/DKH"],
    "closings.look": lambda b: ["/look/O4", "/look/W03"],
    "closing_forms.page": lambda b: ["/closing/O3/record?act=test&of=W09"],
    "comparing.page": lambda b: [f"/compare/{_pair(b)}"],
    "comparing.choose": lambda b: [f"/compare?before={b.picture}"],
    "comparing.opening": lambda b: ["/compare/opening/O4"],
    "handover.page": lambda b: ["/handover"],
    "jobs.page": lambda b: ["/work"],
    "locating.page": lambda b: ["/locate"],
    "drawing.page": lambda b: [f"/draw/{b.picture}"],
    "tying.page": lambda b: [f"/ties?a={b.picture}&b={b.other}"],
    "queue.page": lambda b: ["/queue"],
    "queue.session": lambda b: [f"/queue/session/{b.session}"],
    "runs.page": lambda b: ["/runs"],
    "runs.run": lambda b: ["/run/W03"],
    "sheets.plan": lambda b: ["/plan"],
    "sheets.problems": lambda b: ["/not-used"],
    "sheets.help": lambda b: ["/help"],
    "bench.page": lambda b: ["/bench"],
    "joining.page": lambda b: ["/join"],
    "joining.asked": lambda b: ["/join/none"],
    "joining.visit": lambda b: ["/visit"],
}
# Shown only where a passcode is asked for.
LOCKED = {"security.enter": "/enter"}
# Answers that are no page: files, data, parts of a page, and what only leads on to a page.
NO_PAGES: dict[str, Callable[[Bench], str]] = {
    "static": lambda b: f"{dressing.address()}/sheet.css",
    "ask.words": lambda b: "/ask/words.json",
    "build.drawing": lambda b: "/build/drawing",
    "bench.look": lambda b: "/bench/look?of=W03",
    "bench.state": lambda b: "/bench/state",
    "clips.words": lambda b: f"/clip/{b.filled.clip}/words.vtt",
    "clips.row": lambda b: f"/clip/{b.filled.clip}/row?at=6000",
    "clips.line": lambda b: f"/clip/{b.filled.clip}/line",
    "clockcard.cards": lambda b: "/clock/cards.json",
    "comparing.laid": lambda b: f"/compare/{_pair(b)}/laid",
    "comparing.over": lambda b: f"/compare/{_pair(b)}/after.jpg",
    # Records have pages of their own kind, without a viewer around them: their tests are with the record.
    "handover.record": lambda b: "/handover/records/none/",
    "handover.packed": lambda b: "/handover/records/none.zip",
    "jobs.state": lambda b: "/work/state",
    "locating.drawing": lambda b: "/locate/overlay.svg",
    "locating.through": lambda b: "/locate/through.jpg",
    "tying.fit": lambda b: f"/ties/fit.json?a={b.picture}&b={b.other}&p=1,1&q=1,1",
    "marks.now": lambda b: f"/picture/{b.picture}/marks",
    "marks.length": lambda b: f"/picture/{b.picture}/mm?points=1,1+5,5",
    "media.thumb": lambda b: f"/thumb/{b.picture}.jpg",
    "media.page": lambda b: f"/page/{b.picture}.jpg",
    "media.large": lambda b: f"/large/{b.picture}.jpg",
    "media.original": lambda b: f"/original/{b.picture}",
    "media.play": lambda b: f"/play/{b.filled.clip}",
    "pictures.place": lambda b: f"/picture/{b.picture}/place",
    "runs.csv": lambda b: "/runs.csv",
    "tiles.tile": lambda b: f"/tile/{b.picture}/0-0-0.jpg",
}
# Made by what a job leaves behind: the page of one job is the page of all of them with one in it.
ALIKE = {"jobs.one": "jobs.page"}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    filled = webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path_factory.mktemp("every"))
    with Store(filled.archive, by="Ines") as store:
        still = webarchive.stills(store)[1].id
        at, to = datetime(2026, 3, 20, 12, tzinfo=UTC), datetime(2026, 3, 20, 13, tzinfo=UTC)
        begun = sessions.add(store, [Target(Dimension.SUBASSEMBLY, "MAST")], at.isoformat(), to.isoformat())
    return Bench(filled, begun.uid, still, filled.ids["K1000152.JPG"])


@pytest.fixture(scope="module")
def app(bench: Bench) -> Flask:
    return create_app(ViewerConfig(bench.filled.archive, by="Ines"))


@pytest.fixture(scope="module")
def url(app: Flask) -> Iterator[str]:
    with browser.served(app) as url:
        yield url


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


def asked(app: Flask) -> set[str]:
    """The endpoints that answer a GET."""
    return {rule.endpoint for rule in app.url_map.iter_rules() if "GET" in (rule.methods or ())}


def test_no_page_is_forgotten(app: Flask) -> None:
    assert asked(app) - PAGES.keys() - LOCKED.keys() - NO_PAGES.keys() - ALIKE.keys() == set()


def test_what_is_said_to_be_no_page_is_none(app: Flask, bench: Bench) -> None:
    client = app.test_client()
    for endpoint, address in NO_PAGES.items():
        if endpoint not in app.view_functions:
            continue
        answer = client.get(address(bench), buffered=True)
        whole = answer.status_code < 300 and b"<html" in answer.data
        assert not whole, endpoint


# ------------------------------------------------------------------------------------------------ what is sent


def test_nothing_is_inline_and_every_page_has_one_heading_of_the_first_rank(app: Flask, bench: Bench) -> None:
    # A policy without 'unsafe-inline' (CSP level 3) would refuse it; here it is seen whatever a browser does.
    client = app.test_client()
    for endpoint, addresses in PAGES.items():
        if endpoint not in app.view_functions:
            continue
        for address in addresses(bench):
            answer = client.get(address)
            assert answer.mimetype == "text/html", address
            tree = html5lib.parse(answer.text, namespaceHTMLElements=False)
            for node in tree.iter():
                assert node.tag != "style", address
                assert (
                    node.tag != "script" or node.attrib.get("src") or node.attrib.get("type") == "application/json"
                ), address
                strange = [name for name in node.attrib if name == "style" or str(name).startswith("on")]
                assert not strange, (address, node.tag, strange)
            assert len(tree.findall(".//h1")) == 1, address
            assert "'unsafe" not in answer.headers["Content-Security-Policy"]


def test_pictures_are_kept_by_what_they_are_made_of(app: Flask, bench: Bench) -> None:
    client = app.test_client()
    answer = client.get(f"/thumb/{bench.picture}.jpg", buffered=True)
    # RFC 9111 and RFC 8246: kept for a year and never asked for again, since the id is made from the content.
    assert "immutable" in answer.headers["Cache-Control"]
    seconds = re.search(r"max-age=(\d+)", answer.headers["Cache-Control"])
    assert seconds
    assert int(seconds[1]) >= 31_536_000
    again = client.get(f"/thumb/{bench.picture}.jpg", headers={"If-None-Match": answer.headers["ETag"]}, buffered=True)
    assert again.status_code == 304


# ------------------------------------------------------------------------------------------------ what is seen


_BYTES = """
const sent = performance.getEntriesByType('resource').filter((one) => ['script', 'link', 'css', 'other'].includes(
  one.initiatorType) && !/\\.(jpg|png|svg)$/.test(new URL(one.name).pathname));
const page = performance.getEntriesByType('navigation')[0].decodedBodySize;
return sent.reduce((sum, one) => sum + one.decodedBodySize, page);
"""
_UNSEEN = """
const shown = (node) => node.checkVisibility({visibilityProperty: true}) && node.getBoundingClientRect().width > 0;
const found = [];
const all = 'a[href], button:not([disabled]), input:not([type=hidden]):not([disabled]), select, textarea, summary,'
  + ' [tabindex="0"]';
for (const node of document.querySelectorAll(all)) {
  if (!shown(node) || node.closest('details:not([open]) > :not(summary)')) continue;
  node.focus({preventScroll: true});
  if (document.activeElement !== node || !node.matches(':focus-visible')) continue;
  const style = getComputedStyle(node);
  if (style.outlineStyle === 'none' || parseFloat(style.outlineWidth) < 2) found.push(node.outerHTML.slice(0, 140));
}
return found;
"""
_EMPTY_IN_PRINT = """
  const bare = (text) => text.replace(/\\s+/g, "");
  return [...document.querySelectorAll("main section")].filter((part) => {
    const heads = [...part.querySelectorAll("h1, h2, h3, nav")].map((each) => bare(each.innerText)).join("");
    const pictured = [...part.querySelectorAll("img, svg")].some((each) => each.checkVisibility());
    return heads && !pictured && bare(part.innerText).length <= heads.length;
  }).map((part) => part.innerText.trim())
"""
"""Headings of parts of which print leaves nothing."""

_IN_PRINT = (
    "return [...document.querySelectorAll('button, .ask, .block-nav')].filter((it) => it.checkVisibility()).length"
)


# What can differ by the width of a page; the rest of axe-core's rules is about what is on it, the same at any width.
_BY_LAYOUT = (
    "color-contrast",
    "target-size",
    "scrollable-region-focusable",
    "aria-hidden-focus",
    "link-in-text-block",
    "region",
    "heading-order",
    "landmark-unique",
    "label",
    "link-name",
    "button-name",
    "svg-img-alt",
)


def look_at(driver: Chrome, address: str) -> list[str]:
    """Everything that is wrong with a page, in words."""
    wrong: list[str] = []
    for width in (1280, 390):
        size(driver, width)
        browser.look(driver)
        open_page(driver, address)
        wrong += [f"{width}: {move}" for move in browser.moves(driver)]
        if browser.overflow(driver) > 0:
            wrong.append(f"{width}: {browser.overflow(driver)} pixels too wide")
        wrong += [f"{width}: {line}" for line in browser.axe(driver, rules=() if width == 1280 else _BY_LAYOUT)]
        browser.look(driver, dark=True)
        wrong += [f"{width}, dark: {line}" for line in browser.axe(driver, rules=("color-contrast",))]
        browser.look(driver)
    if (sent := int(driver.execute_script(_BYTES))) > LARGEST:
        wrong.append(f"{sent} bytes before its pictures")
    size(driver, 1280)
    driver.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)  # from now on the focus is one of the keyboard
    wrong += [f"the focus is not seen: {node}" for node in driver.execute_script(_UNSEEN)]
    browser.look(driver, medium="print")
    size(driver, PAPER)
    if browser.overflow(driver) > 0:
        wrong.append(f"{browser.overflow(driver)} pixels too wide for the paper")
    if driver.execute_script(_IN_PRINT):
        wrong.append("controls are printed")
    wrong += [f"printed with nothing under it: {words}" for words in driver.execute_script(_EMPTY_IN_PRINT)]
    if driver.execute_script("return getComputedStyle(document.body).backgroundColor") != "rgb(255, 255, 255)":
        wrong.append("the paper is not white in print")
    browser.look(driver)
    said = [line for line in browser.complaints(driver) if "404" not in line or "p000000000000" not in line]
    return wrong + [f"the console says {line}" for line in said if "404 (NOT FOUND)" not in line]


@pytest.mark.browser
@pytest.mark.parametrize("endpoint", sorted(PAGES))
def test_every_page_is_without_barriers_calm_and_light(
    driver: Chrome, url: str, app: Flask, bench: Bench, endpoint: str
) -> None:
    assert endpoint in app.view_functions
    browser.complaints(driver)
    for address in PAGES[endpoint](bench):
        wrong = "\n".join(look_at(driver, url + address))
        assert not wrong, f"{address}\n{wrong}"


@pytest.mark.browser
def test_so_is_the_page_that_asks_for_the_passcode(driver: Chrome, bench: Bench) -> None:
    locked = create_app(ViewerConfig(bench.filled.archive, passcode=PASSCODE))
    with browser.served(locked) as url:
        browser.complaints(driver)
        assert not look_at(driver, f"{url}/enter")
        driver.get("about:blank")
