"""The question box: how "before" and "after" are read, answers parted by closings, words offered while one is written,
and what a page that is not there offers instead."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from selenium.webdriver import Chrome
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from lastlook import times
from lastlook.find import closing_in_force
from lastlook.history import show
from lastlook.plan.parse import parse_plan
from lastlook.store import Store
from lastlook.times.phrases import find_time_phrases
from lastlook.understand import understand
from lastlook_web import ViewerConfig, completing, create_app
from tests import browser, webarchive
from tests.browser import every, one, open_page, size
from tests.webarchive import PLAN, Filled
from tests.webreading import links, text_of

LV40 = parse_plan(PLAN.read_text(encoding="utf-8"), "plan.toml")
NOW = datetime(2026, 4, 20, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture(scope="module")
def client(filled: Filled) -> FlaskClient:
    return create_app(ViewerConfig(filled.archive, by="Ines")).test_client()


# ------------------------------------------------------------------------------------------------ reading


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("before the mast foot", {"before-closing:O4"}),
        ("W03 before the mast foot", {"run:W03", "before-closing:O4"}),
        ("after main deck", {"after-closing:O2"}),
        ("before the mast", {"before-closing:O4"}),
        ("before the deck", {"before-closing:O2"}),
        ("before and after the mast foot", {"around-closing:O4"}),
        # "After the lantern" may be a place in a list: no opening is called so, nor has one the word in its title.
        ("mast after the lantern", {"subassembly:MAST", "subassembly:LAN"}),
        ("the mast foot", {"subassembly:MAST"}),
    ],
)
def test_before_a_name_means_before_its_closing(text: str, keys: set[str]) -> None:
    found = understand(text, LV40, NOW, "Europe/Copenhagen")
    assert {narrowing.key for narrowing in found.narrowings} == keys


# ------------------------------------------------------------------------------------------------ answers in groups


def groups(page: str) -> dict[str, list[str]]:
    """The pictures of each section of an answer, by the section's heading."""
    return {
        text_of(section.split("<h2", 1)[1].split("</h2>")[0].split(">", 1)[1]): re.findall(
            r'class="entry" id="([^"]+)"', section
        )
        for section in page.split("<section")[1:]
        if "<h2" in section
    }


def test_what_is_hidden_is_parted_by_the_closing_that_hid_it(client: FlaskClient, filled: Filled) -> None:
    page = client.get("/?q=W03").text
    found = groups(page)
    # W03 is shown by O2 and O4; O2 was the last to be closed, on 8 April.
    assert "Parted by the closing that hid W03: O2 on 8 Apr 2026." in text_of(page)
    assert [heading.rsplit(" ", 1)[0] for heading in found] == ["Surely before O2 was closed", "Cannot be told"]
    assert filled.ids["from the client.png"] in list(found.values())[1]
    with Store(filled.archive) as store:
        closing = closing_in_force(store, "O2")
        assert closing is not None
        for heading, ids in found.items():
            order = times.Order.BEFORE if "before" in heading else times.Order.UNDETERMINED
            assert ids
            for id in ids:
                assert times.compare(show(store, id).picture.time, closing.time) is order


def test_before_and_after_are_both_shown_with_the_reason_of_each(client: FlaskClient, filled: Filled) -> None:
    page = client.get("/?q=mast+before+and+after+O4+closed").text
    found = groups(page)
    assert [heading.rsplit(" ", 1)[0] for heading in found] == [
        "Surely before O4 was closed",
        "Surely after O4 was closed",
        "Cannot be told",
    ]
    before, after, open_ = found.values()
    assert filled.last_before_o4 == before[0], "the last look first"
    assert after == [filled.ids["IMG_20260330_090000.jpg"]]
    assert filled.ids["from the client.png"] in open_
    assert page.count('class="why"') == len(before) + len(after) + len(open_)
    assert "after O4 was closed (27 Mar 2026 16:10" in text_of(page)


def test_a_question_about_one_side_leads_to_the_other(client: FlaskClient, filled: Filled) -> None:
    page = client.get("/?q=mast+before+mast+foot+closed").text
    assert "On the other side: 1 surely after O4 was closed" in text_of(page)
    other = next(link for link in links(page.split('class="parted"')[1]) if "after" in link)
    turned = client.get(other).text
    assert next(iter(groups(turned).values())) == [filled.ids["IMG_20260330_090000.jpg"]]
    assert "surely before O4 was closed" in text_of(turned)


def test_a_part_of_a_group_leads_to_all_of_it(client: FlaskClient) -> None:
    page = client.get("/?q=before+and+after+O4+closed&limit=12").text
    first = next(iter(groups(page).values()))
    more = re.search(r'<p class="notes"><a href="([^"]+)">All (\d+)', page)
    assert len(first) <= 12
    if more:
        assert "Read as before O4" in text_of(client.get(more[1].replace("&amp;", "&")).text)


def test_what_was_never_closed_parts_nothing(client: FlaskClient) -> None:
    assert "Parted by" not in text_of(client.get("/?q=DKH").text)
    assert client.get("/?q=before+and+after+O3+closed").status_code == 200


# ------------------------------------------------------------------------------------------------ words offered


def test_every_word_offered_is_understood() -> None:
    for text, about in completing.offers(LV40):
        found = understand(text, LV40, NOW, "Europe/Copenhagen")
        if about.startswith("opening"):
            continue  # an opening is named by what was before or after it
        assert found.narrowings, (text, about)
        assert not found.left, (text, about)


def test_every_time_that_the_help_writes_is_understood_whole(client: FlaskClient) -> None:
    table = client.get("/help").text.split("<tbody>")[1].split("</tbody>")[0]
    heads = re.findall(r"<th scope=\"row\">(.*?)</th><td>(?:only from|from the)", table)
    written = re.findall(r"<q>(.*?)</q>", " ".join(heads))
    assert len(written) > 15
    for text in written:
        (phrase,) = find_time_phrases(text, "Europe/Copenhagen", NOW)
        assert (phrase.start, phrase.end) == (0, len(text)), text


def test_the_list_is_kept_small_and_needs_no_script(client: FlaskClient) -> None:
    page = client.get("/help").text
    offered = re.findall(r'<option value="([^"]+)">', page.split('id="q-words"')[1])
    assert "before mast foot closed" in offered
    assert "W03" in offered
    assert len(offered) <= completing.LISTED
    assert [text for text, _ in client.get("/ask/words.json").json or []].count("W03") == 1


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.fixture(scope="module")
def url(filled: Filled) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(filled.archive, by="Ines"))) as url:
        yield url


def wait(driver: Chrome, condition: str) -> None:
    WebDriverWait(driver, 10).until(lambda driver: driver.execute_script(f"return {condition}"))


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_words_are_completed_by_keyboard_as_the_pattern_of_a_combobox_has_it(
    driver: Chrome, url: str, width: int
) -> None:
    # WAI-ARIA 1.2, combobox: the focus stays in the box, aria-activedescendant names what is chosen, Escape closes.
    size(driver, width)
    open_page(driver, f"{url}/help")
    height = driver.execute_script("return document.body.scrollHeight")
    box = one(driver, "#q")
    box.send_keys("W03 before mast f")
    wait(driver, "!document.getElementById('q-list').hidden")
    assert driver.execute_script("return document.body.scrollHeight") == height, "nothing moves"
    assert browser.overflow(driver) <= 0
    assert box.get_attribute("role") == "combobox"
    assert box.get_attribute("aria-expanded") == "true"
    assert next(item.text.split("\n")[0] for item in every(driver, "#q-list li")).startswith("before mast foot closed")
    box.send_keys(Keys.ARROW_DOWN)
    chosen = one(driver, f"#{box.get_attribute('aria-activedescendant')}")
    assert chosen.get_attribute("aria-selected") == "true"
    box.send_keys(Keys.ENTER)
    assert box.get_attribute("value") == "W03 before mast foot closed"
    assert box.get_attribute("aria-expanded") == "false"
    assert driver.current_url.endswith("/help"), "the first Enter chose a word"
    box.send_keys(" w0")
    wait(driver, "!document.getElementById('q-list').hidden")
    box.send_keys(Keys.ESCAPE)
    assert not one(driver, "#q-list").is_displayed()
    box.send_keys(Keys.BACKSPACE * 3, Keys.ENTER)
    wait(driver, "document.querySelector('.entries') !== null")
    assert "q=W03+before+mast+foot+closed" in driver.current_url
    assert browser.complaints(driver) == []


# ------------------------------------------------------------------------------------------------ not here


def test_the_beginning_of_an_id_offers_what_begins_so(client: FlaskClient, filled: Filled) -> None:
    whole = filled.last_before_o4
    answer = client.get(f"/picture/{whole[:6]}")
    assert answer.status_code == 404
    assert f'href="/picture/{whole}"' in answer.text
    assert f'href="/clip/{filled.clip}"' in client.get(f"/clip/{filled.clip[:5]}").text
    page = client.get("/sub/HULL").text
    assert 'href="/sub/HULL-F"' in page
    assert 'href="/sub/HULL-A"' in page
    assert 'href="/closing/O1"' in client.get("/closing/O").text


@pytest.mark.parametrize("address", ["/picture/p0000", "/sub/NOPE", "/clip/c0000", "/closing/O99", "/nowhere"])
def test_a_page_that_is_not_there_names_no_command_and_takes_a_question(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert "lastlook plan" not in text_of(answer.text)
    assert "'lastlook" not in text_of(answer.text)
    assert 'role="search"' in answer.text


def test_offers_lead_where_they_say(client: FlaskClient, tmp_path: Path) -> None:
    page = client.get("/sub/MAS").text
    offered = links(page.split('class="lines"')[1].split("</ul>")[0])
    assert offered
    for link in offered:
        assert client.get(link).status_code == 200
