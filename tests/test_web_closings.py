"""The pages of closings: what is open and shut, the check and its sheet, the last look; in a browser too."""

from __future__ import annotations

import html
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import html5lib
import pytest
from flask.testing import FlaskClient
from selenium.webdriver import Chrome
from werkzeug.test import TestResponse

from lastlook import archive, bonding, closing_check, deciding, recording
from lastlook.acts import Act
from lastlook.archive import Archive
from lastlook.catalogue import decisions
from lastlook.closing.records import ViewKind
from lastlook.closing_check import hidden
from lastlook.closing_facts import gather
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from lastlook_web.closing_drawing import NARROW, WIDE, draw
from lastlook_web.closing_forms import RECORDED
from tests import bench_archive, browser

PAGES = ["/closings", "/closings?at=2026-03-30", "/closings?at=nonsense", "/closing/O1", "/closing/O2", "/closing/O4",
         "/closing/O2?at=2026-04-01", "/closing/O2/say/W03", "/closing/O2/record", "/closing/O3/record",
         "/closing/O2/record?act=test&of=W03", "/look/O2", "/look/O4", "/look/W03",
         "/look/HULL-F"]  # fmt: skip


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = bench_archive.make(tmp_path_factory.mktemp("closings"))
    with Store(made, by="ada") as store:
        deciding.close(store, "O1", "2026-03-31 11:15")
        from lastlook.catalogue import pictures

        ids = [one.id for one in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))]
        recording.view(store, [ids[1]], [Target(Dimension.RUN, "W03")], ViewKind.CLOSE, ends=["to"])
        recording.record_test(store, "W03", "polarity", True, Act("2026-03-26"), value=4.98, unit="V", instrument="m")
        recording.waive(store, "O2", "W10", Act("2026-04-01", "M. Holm"), reason="no line of sight")
        bonding.adhesive(store, "EPOXY-SLOW", {"kind": "two-part epoxy", "full_cure_h": 72})
        bonding.bond(store, "MAST", "EPOXY-SLOW", "now", figures={"temperature_c": 23.0})
        closing_check.close(store, "O2", "2026-04-09 11:44", "epoxy", with_gaps=True)
    return made


@pytest.fixture
def client(filled: Archive) -> FlaskClient:
    return create_app(ViewerConfig(filled, by="ada")).test_client()


@pytest.mark.parametrize("address", PAGES)
def test_each_page_is_valid_and_its_links_lead_somewhere(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    tree = html5lib.HTMLParser(strict=True).parse(answer.text)
    ids = [node.attrib["id"] for node in tree.iter() if "id" in node.attrib]
    assert len(ids) == len(set(ids))
    assert "'lastlook " not in html.unescape(answer.text), "a form of these pages instead of a command of the terminal"
    for link in set(re.findall(r'href="(/(?:closing|look|picture|closings)[^"#]*)"', answer.text)):
        assert client.get(link).status_code in (200, 301), link


def test_a_page_has_one_address(client: FlaskClient) -> None:
    assert client.get("/closing/o2").headers["Location"].endswith("/closing/O2")
    assert client.get("/look/w-03").headers["Location"].endswith("/look/W03")
    assert client.get("/closing/O9").status_code == 404
    assert client.get("/closing/O2?at=yesterweek").status_code == 400
    assert "Cannot read the time" in client.get("/closings?at=yesterweek").text


def test_the_check_says_each_state_in_words(client: FlaskClient) -> None:
    page = client.get("/closing/O2").text
    assert "Not ready" in page
    for word in ("passed", "gap", "waived"):
        assert f'mark-word-{word}"' in page
        assert f"</svg>{word}</span>" in page, "by shape and by word"
    assert "M. Holm" in page
    assert "After closing" in page
    assert "Released by, time" in page
    assert "certificate of electrical or structural safety" in page


def test_pictures_to_look_at_first_are_offered_once_for_an_item(client: FlaskClient) -> None:
    page = client.get("/closing/O2").text
    of_run = page[page.index('<span class="id">W03</span>') : page.index('<span class="id">W04</span>')]
    offered = re.findall(r"aria-label=\"Maybe: (\w+)", of_run)
    assert offered
    assert len(offered) == len(set(offered))


def test_the_last_look_says_whether_it_was_kept(client: FlaskClient) -> None:
    assert "Kept at the closing." in client.get("/look/O2").text
    assert "no check was kept" in client.get("/look/O4").text
    assert "lines open" in client.get("/look/O2").text


def test_a_hold_is_counted_down(client: FlaskClient) -> None:
    page = client.get("/closings").text
    assert "No-load holds" in page
    assert re.search(r'<time datetime="[^"]+Z?"[^>]* data-left>', page)
    assert re.search(r"(2 days 23|3 days 0) h left", page)


def test_the_drawing_nests_and_keeps_within_its_sheet(filled: Archive) -> None:
    with Store(filled) as store:
        found = hidden(store, now=datetime(2026, 4, 10, tzinfo=UTC))
    for width in (WIDE, NARROW):
        drawing = draw(found, width)
        areas = {area.id: area for area in drawing.areas}
        assert set(areas) == {sub.id for sub in found.plan.subassemblies}
        for sub in found.plan.subassemblies:
            area = areas[sub.id]
            assert area.x >= 0
            assert area.x + area.width <= width + 0.01
            assert area.y + area.height <= drawing.height
            for chip in area.chips:
                assert area.x < chip.x
                assert chip.x + chip.width <= area.x + area.width
            if sub.within:
                outer = areas[sub.within]
                assert outer.x < area.x
                assert outer.y < area.y
                assert area.y + area.height < outer.y + outer.height
        drawn = {gap.id: gap.state for area in drawing.areas for gap in area.gaps}
        assert drawn == {each.opening.id: each.shut.value for each in found.openings}
        for area in drawing.areas:
            for gap in area.gaps:
                assert not any(left < gap.x + 1 < right for left, right in area.walls), "a gap breaks its wall"


def test_a_view_is_said_from_the_check(filled: Archive, tmp_path: Path) -> None:
    shutil.copytree(filled.root, tmp_path / "own")
    own = archive.open_at(tmp_path / "own")
    client = create_app(ViewerConfig(own, by="ada")).test_client()
    address = "/closing/O2/say/W03"
    page = client.get(address).text
    html5lib.HTMLParser(strict=True).parse(page)
    id = re.findall(r'name="picture" value="([^"]+)"', page)[0]
    form = {"picture": id, "view": "close", "shows": ["from", "to"], "sharp": "yes"}
    assert client.post(address, data=form).status_code in (400, 403), "not without the token of this visit"
    token = re.findall(r'name="token" value="([^"]+)"', page)[0]
    headers = {"Origin": "http://localhost"}
    answer = client.post(address, data={**form, "token": token}, headers=headers, follow_redirects=True)
    assert answer.status_code == 200
    assert f"{id}: close view of W03." in answer.text
    listed = client.get(re.findall(r'href="(/closing/O2/record)#recorded"', answer.text)[0]).text
    assert f"Take back: {id}" in listed.split('id="recorded"')[1]
    with Store(own) as store:
        view = next(one.view for one in gather(store, ["W03"]).seen["W03"] if one.picture.id == id)
    assert (view.shows, view.sharp, view.person) == (("from", "to"), True, "ada")
    assert "said it is a close view of W03, from, to" in client.get(f"/picture/{id}").text
    assert client.post(address, data={**form, "view": "", "token": token}, headers=headers).status_code == 400
    assert client.get("/closing/O2/say/S80").status_code == 404
    assert "Recorded at the closing:" in client.get("/closing/O2").text


# ------------------------------------------------------------------------------------------------ forms


class Visit:
    """A viewer on an archive of its own, and forms sent as its page would send them."""

    def __init__(self, made: Archive) -> None:
        self.archive = made
        self.client = create_app(ViewerConfig(made, by="ada")).test_client()

    def token(self) -> str:
        page = self.client.get("/closing/O2/record").text
        return str(re.findall(r'name="token" value="([^"]+)"', page)[0])

    def send(self, act: str, opening: str = "O2", **typed: str) -> TestResponse:
        data = {"act": act, "token": self.token(), **typed}
        return self.client.post(
            f"/closing/{opening}/record", data=data, headers={"Origin": "http://localhost"}, follow_redirects=True
        )

    def live(self) -> list[str]:
        with Store(self.archive) as store:
            return [one.uid for kind in RECORDED for one in decisions.live(store.catalogue, kind)]


def _open_deck(folder: Path) -> Archive:
    made = bench_archive.make(folder)
    with Store(made, by="ada") as store:
        deciding.close(store, "O1", "2026-03-31 11:15")
    return made


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Visit:
    """For tests that leave the archive as they found it, by taking back what they record."""
    return Visit(_open_deck(tmp_path_factory.mktemp("visit")))


SAID: list[tuple[str, dict[str, str], str]] = [
    ("test", {"subject": "W03", "kind": "polarity", "passed": "yes", "value": "4,98", "unit": "V", "at": "2026-03-26"},
     "W03 polarity passed 4.98 V"),
    ("change", {"item": "W03", "kind": "lengthened", "length": "690", "why": "taut"}, "W03 lengthened: taut"),
    ("measure", {"item": "W03", "kind": "cut", "mm": "690"}, "W03 cut 690 mm"),
    ("done", {"step": "S30"}, "S30 done, ada"),
    ("witness", {"step": "S30", "person": "the client", "attended": "no"}, "S30: the client was told"),
    ("waive", {"line": "W10|to", "reason": "no line of sight", "person": "M. Holm"}, "O2: W10 to waived by M. Holm"),
    ("adhesive", {"id": "EPOXY", "full_cure_h": "24"}, "Data sheet of EPOXY copied"),
    ("close", {"at": "2026-04-09 11:44", "with_gaps": "yes"}, "O2 closed"),
]  # fmt: skip


@pytest.mark.parametrize(("act", "typed", "said"), SAID, ids=[one[0] for one in SAID])
def test_each_form_records_and_what_it_recorded_is_taken_back(
    visit: Visit, act: str, typed: dict[str, str], said: str
) -> None:
    before = visit.live()
    told = visit.send(act, **typed)
    assert told.status_code == 200, told.text
    assert said in told.text
    html5lib.HTMLParser(strict=True).parse(told.text)
    new = [uid for uid in visit.live() if uid not in before]
    assert len(new) == 1
    undone = visit.client.post(
        "/closing/O2/undo", data={"uid": new[0], "token": visit.token()}, headers={"Origin": "http://localhost"},
        follow_redirects=True,
    )  # fmt: skip
    assert "Taken back:" in undone.text
    assert visit.live() == before
    again = visit.client.post(
        "/closing/O2/undo", data={"uid": new[0], "token": visit.token()}, headers={"Origin": "http://localhost"}
    )
    assert again.status_code == 400, "once"


def test_a_bond_a_release_and_a_reopening_by_form(tmp_path: Path) -> None:
    visit = Visit(_open_deck(tmp_path))
    visit.send("adhesive", id="EPOXY", full_cure_h="24")
    told = visit.send("bond", target="O2", adhesive="EPOXY", joined="now", temperature="23", clamp_on="now")
    assert "O2 bonded now with EPOXY" in told.text
    assert "Do not move, load, clamp elsewhere" in told.text, "the caution stands where it belongs"
    assert "sensitise skin" in told.text
    refused = visit.send("release", target="O2", person="M. Holm")
    assert refused.status_code == 400
    assert "cannot be released" in refused.text
    assert "O2 closed" in visit.send("close", at="2026-04-09 11:44", with_gaps="yes").text
    assert 'id="close"' not in visit.client.get("/closing/O2/record").text, "it is shut"
    assert "O2 opened again" in visit.send("reopen", at="2026-04-10").text


@pytest.mark.parametrize(
    ("act", "typed", "said"),
    [
        ("test", {"subject": "W03", "kind": "polarity", "value": "5"}, "Whether it passed is not said"),
        ("test", {"subject": "W03", "kind": "polarity", "passed": "yes", "value": "5 V"}, "which is no number"),
        ("test", {"subject": "W99", "kind": "polarity", "passed": "yes"}, "W99"),
        ("change", {"item": "W03", "kind": "polished"}, "There is no kind of change"),
        ("change", {"item": "W03", "kind": "lengthened", "at": "yesterweek"}, "yesterweek"),
        ("measure", {"item": "W03", "kind": "cut"}, "The length is not said"),
        ("measure", {"item": "W03", "kind": "route", "mm": "1,200"}, "is that 1200 or 1.200?"),
        ("witness", {"step": "S80", "person": "the client"}, "Whether the witness came is not said"),
        ("witness", {"step": "S80", "attended": "yes"}, "Nobody is named"),
        ("waive", {"line": "W10|to", "person": "M. Holm"}, "A waiver needs a reason"),
        ("waive", {"line": "W10|to", "reason": "none"}, "Nobody is named"),
        ("bond", {"target": "O2", "adhesive": "GLUE", "joined": "now"}, "There is no adhesive"),
        ("close", {"at": "2026-04-09 11:44", "method": "epoxy <b>"}, "Nothing was recorded:"),
        ("reopen", {"at": "now"}, "O2 is not closed"),
    ],
)
def test_what_cannot_be_recorded_comes_back_with_what_was_typed(
    visit: Visit, act: str, typed: dict[str, str], said: str
) -> None:
    before = visit.live()
    told = visit.send(act, **typed)
    assert told.status_code == 400
    assert said in told.text
    assert "lastlook " not in html.unescape(told.text).split('role="alert"')[1].split("</p>")[0]
    html5lib.HTMLParser(strict=True).parse(told.text)
    if act not in ("reopen", "bond"):
        assert re.search(rf'<details class="recorder" id="{act}" open>', told.text)
        assert 'role="alert" id="wrong" tabindex="-1" autofocus' in told.text
        for value in typed.values():
            if value not in ("W99", "polished"):
                assert f'value="{html.escape(value)}"' in told.text
    assert visit.live() == before


def test_no_form_is_taken_without_the_token_of_this_visit(visit: Visit) -> None:
    before = visit.live()
    for address in ("/closing/O2/record", "/closing/O2/undo"):
        answer = visit.client.post(address, data={"act": "done", "step": "S80", "uid": before[0] if before else "x"})
        assert answer.status_code in (400, 403)
    assert visit.send("nothing").status_code == 400
    assert visit.live() == before


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as chrome:
        yield chrome


@pytest.fixture(scope="module")
def url(filled: Archive) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(filled, by="ada"))) as address:
        yield address


@pytest.mark.browser
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_the_pages_fit_and_the_browser_has_nothing_to_say(driver: Chrome, url: str, width: int) -> None:
    browser.size(driver, width)
    browser.look(driver)
    for address in ("/closings", "/closing/O2", "/look/O2", "/closing/O2/say/W03", "/closing/O2/record?act=bond"):
        browser.open_page(driver, url + address)
        assert browser.overflow(driver) == 0, address
        assert not browser.complaints(driver), address
    browser.open_page(driver, url + "/closings")
    shown = [one.is_displayed() for one in browser.every(driver, ".build-drawing")]
    assert shown == ([True, False] if width == 1280 else [False, True])


@pytest.mark.browser
def test_in_print_there_are_boxes_to_tick_and_lines_to_sign(driver: Chrome, url: str, tmp_path: Path) -> None:
    browser.size(driver, 794)
    browser.look(driver, medium="print")
    browser.open_page(driver, url + "/closing/O2")
    assert browser.one(driver, ".signs").is_displayed()
    assert browser.one(driver, ".tick").is_displayed()
    browser.look(driver)
    assert not browser.one(driver, ".signs").is_displayed()
