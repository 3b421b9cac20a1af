"""The pages in a real Chromium: each page's main act at a bench screen's and a phone's width, by keyboard, in print."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from lastlook.history import show
from lastlook.records import TagState
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import browser, webarchive
from tests.browser import every, one, open_page, overflow, size
from tests.webarchive import Filled

pytestmark = pytest.mark.browser
WIDTHS = (1280, 390)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    """A copy of the archive that these tests may change."""
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path_factory.mktemp("browser"))


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.fixture(scope="module")
def url(filled: Filled) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(filled.archive, by="Ines"))) as url:
        yield url


@pytest.fixture(autouse=True)
def nothing_to_complain_of(driver: Chrome) -> Iterator[None]:
    """No line in the console: no error, nothing refused by the page's own policy."""
    browser.look(driver)
    browser.complaints(driver)
    yield
    assert browser.complaints(driver) == []


def pages(filled: Filled) -> dict[str, str]:
    with Store(filled.archive) as store:
        still = webarchive.stills(store)[1].id
    return {
        "build": "/",
        "answers": "/?q=W03+before+mast+foot+closed",
        "absent": "/?q=W07+after+O2+closed",
        "misspelt": "/?q=splise",
        "photo": f"/picture/{filled.last_before_o4}",
        "still": f"/picture/{still}",
        "sub": "/sub/MAST",
        "clip": f"/clip/{filled.clip}",
        "plan": "/plan",
        "not used": "/not-used",
        "help": "/help",
    }


NAMES = ("build", "answers", "absent", "misspelt", "photo", "still", "sub", "clip", "plan", "not used", "help")


def wait(driver: Chrome, condition: str) -> None:
    WebDriverWait(driver, 10).until(lambda driver: driver.execute_script(f"return {condition}"))


# ------------------------------------------------------------------------------------------------ every page


_SMALL = """
const inline = (node) => {
  const parent = node.closest('p, li, dd, td, th, h1, h2, h3, summary');
  return getComputedStyle(node).display === 'inline' && parent && parent.textContent.trim() !== node.textContent.trim();
};
return [...document.querySelectorAll('a, button, input:not([type=hidden]), select, textarea, summary')]
  .filter((node) => node.checkVisibility() && !node.classList.contains('skip') && !inline(node))
  .map((node) => [node.outerHTML.slice(0, 120), node.getBoundingClientRect()])
  .filter(([, box]) => box.width && (box.width < 23.5 || box.height < 23.5))
  .map(([words, box]) => `${Math.round(box.width)}×${Math.round(box.height)} ${words}`);
"""


@pytest.mark.parametrize("name", NAMES)
def test_a_page_fits_every_width_and_all_of_it_can_be_pressed_and_named(
    driver: Chrome, url: str, filled: Filled, name: str
) -> None:
    size(driver, 1280)
    open_page(driver, url + pages(filled)[name])
    for width in (1280, 768, 390, 320):
        size(driver, width)
        # WCAG 2.2, 1.4.10 (AA): reflow down to 320 CSS pixels, no scrolling sideways.
        assert overflow(driver) <= 0, width
        # WCAG 2.2, 2.5.8 (AA): 24 by 24 CSS pixels, links inside a sentence excepted.
        assert driver.execute_script(_SMALL) == [], width
    # WCAG 2.2, 4.1.2 (A): every control has a name.
    unnamed = [
        element.get_attribute("outerHTML")
        for element in every(driver, "a, button, input:not([type=hidden]), select, textarea, svg[role=img]")
        if element.is_displayed()
        and not driver.execute_script("return arguments[0].closest('[aria-hidden=true]')", element)
        and not element.accessible_name.strip()
    ]
    assert unnamed == []


@pytest.mark.parametrize("name", ["build", "answers", "photo", "clip"])
def test_all_is_reached_by_keyboard_and_the_focus_is_seen(driver: Chrome, url: str, filled: Filled, name: str) -> None:
    size(driver, 1280)
    open_page(driver, url + pages(filled)[name])
    controls = every(driver, "a, button, input:not([type=hidden]), select, textarea, summary, video")
    count = sum(each.is_displayed() and each.get_attribute("tabindex") != "-1" for each in controls)
    seen: set[str] = set()
    body = one(driver, "body")
    body.send_keys(Keys.TAB)
    assert driver.switch_to.active_element.get_attribute("class") == "skip"
    for _ in range(count + 5):
        active = driver.switch_to.active_element
        if active.tag_name == "body":
            break
        seen.add(active.id)
        width = driver.execute_script("return getComputedStyle(document.activeElement).outlineWidth")
        assert active.tag_name == "video" or float(width.removesuffix("px")) >= 2, active.get_attribute("outerHTML")
        active.send_keys(Keys.TAB)
    hidden = len(every(driver, "details:not([open]) a"))
    assert len(seen) >= count - hidden - 1


@pytest.mark.parametrize("name", ["build", "answers", "photo", "sub", "plan"])
def test_in_print_the_record_stays_and_the_controls_go(driver: Chrome, url: str, filled: Filled, name: str) -> None:
    size(driver, 794)  # A4 at 96 pixels to the inch
    browser.look(driver, medium="print")
    open_page(driver, url + pages(filled)[name])
    shown = driver.execute_script(
        "return [...document.querySelectorAll('button, .ask, .block-nav')].filter((it) => it.checkVisibility()).length"
    )
    assert shown == 0
    assert driver.execute_script("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert one(driver, "h1").is_displayed() or name == "answers"


def test_everything_is_read_without_javascript(url: str, filled: Filled, driver: Chrome) -> None:
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        for address in pages(filled).values():
            driver.get(url + address)
            assert one(driver, "main").text.strip()
        driver.get(url + f"/picture/{filled.ids['K1000101.JPG']}")
        one(driver, "#typed").send_keys("W09")
        one(driver, "#typed").send_keys(Keys.ENTER)
        assert "It shows W09." in one(driver, ".said").text
    finally:
        driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


# ------------------------------------------------------------------------------------------------ main acts


@pytest.mark.parametrize("width", WIDTHS)
def test_a_question_is_asked_narrowed_and_widened(driver: Chrome, url: str, filled: Filled, width: int) -> None:
    size(driver, width)
    open_page(driver, url)
    one(driver, "body").send_keys("/")
    box = driver.switch_to.active_element
    assert box.get_attribute("id") == "q"
    box.send_keys("W03 before mast foot closed", Keys.ENTER)
    wait(driver, "document.querySelector('.entries') !== null")
    assert [slip.text.split("\n")[0].split(" as words")[0] for slip in every(driver, ".slip")] == [
        "run W03 (Lantern plus)",
        "before O4 (Mast foot) was closed",
    ]
    assert one(driver, ".entry").get_attribute("id") == filled.last_before_o4
    shared = driver.current_url
    one(driver, ".slip:nth-child(2) .slip-off").click()
    wait(driver, "document.querySelectorAll('.slip').length === 1")
    driver.back()
    wait(driver, "document.querySelectorAll('.slip').length === 2")
    assert driver.current_url == shared
    Select(one(driver, "select[name=sort]")).select_by_value("oldest")
    one(driver, ".order button").click()
    wait(driver, "location.search.includes('sort=oldest')")
    assert one(driver, ".entry").get_attribute("id") == filled.ids["K1000140.JPG"]


@pytest.mark.parametrize("width", WIDTHS)
def test_from_the_build_to_a_subassembly_to_its_last_look(driver: Chrome, url: str, filled: Filled, width: int) -> None:
    size(driver, width)
    open_page(driver, url)
    driver.find_element(By.LINK_TEXT, "MAST Lantern mast").click()
    wait(driver, "location.pathname === '/sub/MAST'")
    opening = next(item for item in every(driver, ".moment-opening") if "O4" in item.text)
    opening.find_element(By.CSS_SELECTOR, ".look a").click()
    wait(driver, f"location.pathname === '/picture/{filled.last_before_o4}'")


def test_the_shut_line_runs_over_the_rows_it_hides(driver: Chrome, url: str) -> None:
    size(driver, 1280)
    open_page(driver, url)
    for row in every(driver, ".row:not(.row-dates)"):
        name = row.find_element(By.CSS_SELECTOR, "h2 .id").text
        solid = row.find_elements(By.CSS_SELECTOR, "line.shut:not(.shut-over)")
        # O1 and O2 show these three; O2 was the last to be closed, and hatches what follows.
        assert len(solid) == (2 if name in {"HULL-F", "HULL-A", "BHD-11"} else 0), name
        assert len(row.find_elements(By.CSS_SELECTOR, "rect.hidden")) == (1 if solid else 0)
        for line in solid:
            box = line.rect
            assert box["height"] >= row.find_element(By.CSS_SELECTOR, ".strip").rect["height"] - 1


@pytest.mark.parametrize("width", WIDTHS)
def test_a_proposal_is_accepted_and_taken_back(driver: Chrome, url: str, filled: Filled, width: int) -> None:
    size(driver, width)
    id = filled.ids["K1000127.JPG"]
    open_page(driver, f"{url}/picture/{id}")
    one(driver, "button[name=yes][value='run:W07']").click()
    wait(driver, "document.querySelector('.said') !== null")
    with Store(filled.archive) as store:
        assert any(tag.target == "W07" and tag.state is TagState.SET for tag in show(store, id).picture.tags)
    one(driver, ".log form button").click()
    wait(driver, "document.querySelector('.said')?.textContent.includes('Taken back')")
    with Store(filled.archive) as store:
        assert any(tag.target == "W07" and tag.state is TagState.PROPOSED for tag in show(store, id).picture.tags)


def test_arrows_go_through_time_but_not_while_typing(driver: Chrome, url: str, filled: Filled) -> None:
    size(driver, 1280)
    open_page(driver, f"{url}/picture/{filled.last_before_o4}")
    one(driver, "body").send_keys(Keys.ARROW_LEFT)
    wait(driver, f"location.pathname === '/picture/{filled.ids['IMG_20260324_145018.heic']}'")
    one(driver, "body").send_keys(Keys.ARROW_RIGHT)
    wait(driver, f"location.pathname === '/picture/{filled.last_before_o4}'")
    one(driver, "#caption").send_keys(Keys.ARROW_LEFT, "?/")
    assert driver.current_url.endswith(filled.last_before_o4)
    assert driver.switch_to.active_element.get_attribute("id") == "caption"


def test_letter_keys_can_be_turned_off(driver: Chrome, url: str) -> None:
    # WCAG 2.2, 2.1.4 (A): single-character keys can be turned off.
    size(driver, 1280)
    open_page(driver, url)
    one(driver, "body").send_keys("?")
    wait(driver, "location.pathname === '/help'")
    one(driver, "#keys-switch button").click()
    try:
        assert one(driver, "#keys-switch button").get_attribute("aria-pressed") == "false"
        one(driver, "body").send_keys("/")
        assert driver.switch_to.active_element.get_attribute("id") != "q"
    finally:
        driver.execute_script("localStorage.clear()")


@pytest.mark.parametrize("width", WIDTHS)
def test_a_clip_plays_from_the_stills_second_and_a_word_seeks(
    driver: Chrome, url: str, filled: Filled, width: int
) -> None:
    size(driver, width)
    open_page(driver, f"{url}/clip/{filled.clip}?at=6000")
    wait(driver, "document.getElementById('player').readyState >= 2")
    assert driver.execute_script("return document.getElementById('player').currentTime") == pytest.approx(6, abs=0.15)
    word = next(link for link in every(driver, ".stretch-words .seek") if "Splice" in link.text)
    word.click()
    wait(driver, "!document.getElementById('player').seeking && document.getElementById('player').currentTime > 12")
    assert driver.execute_script("return document.getElementById('player').currentTime") == pytest.approx(13, abs=0.15)
    assert one(driver, "#moment").get_attribute("value") == "0:13"
    assert "Splice" in one(driver, ".stretch.now").text
    driver.execute_script("const p = document.getElementById('player'); p.muted = true; return p.play()")
    wait(driver, "document.getElementById('player').currentTime > 13.4")
    driver.execute_script("document.getElementById('player').pause()")


def test_a_moment_is_kept_from_where_the_player_stands(driver: Chrome, url: str, filled: Filled) -> None:
    size(driver, 1280)
    open_page(driver, f"{url}/clip/{filled.clip}")
    wait(driver, "document.getElementById('player').readyState >= 1")
    driver.execute_script("document.getElementById('player').currentTime = 9.5")
    wait(driver, "document.getElementById('moment').value === '0:09.5'")
    one(driver, ".clip-side button").click()
    wait(driver, "document.getElementById('at-9500') !== null")
    assert "0:09.5" in one(driver, "#at-9500").text


def test_several_paused_players_leave_the_viewer_free(driver: Chrome, url: str, filled: Filled) -> None:
    size(driver, 1280)
    first = driver.current_window_handle
    opened = []
    for _ in range(5):  # one more than the server has threads
        driver.switch_to.new_window("tab")
        opened.append(driver.current_window_handle)
        driver.get(f"{url}/clip/{filled.clip}")
    open_page(driver, f"{url}/help")
    assert one(driver, "h1").text
    for handle in opened:
        driver.switch_to.window(handle)
        driver.close()
    driver.switch_to.window(first)


def test_an_address_that_is_not_there_says_so(driver: Chrome, url: str) -> None:
    size(driver, 390)
    open_page(driver, f"{url}/picture/p000000000000")
    assert one(driver, "h1").text == "Not here"
    assert overflow(driver) <= 0
    complaints = browser.complaints(driver)
    assert len(complaints) == 1
    assert "404" in complaints[0]


def test_dark_is_dark(driver: Chrome, url: str, tmp_path: Path) -> None:
    size(driver, 1280)
    browser.look(driver, dark=True)
    open_page(driver, url)
    red, green, blue = (
        int(part)
        for part in driver.execute_script("return getComputedStyle(document.body).backgroundColor")[4:-1].split(",")
    )
    assert max(red, green, blue) < 60


def test_the_passcode_stands_before_everything(driver: Chrome, filled: Filled) -> None:
    size(driver, 390)
    app = create_app(ViewerConfig(filled.archive, passcode="lantern-40"))
    with browser.served(app) as locked:
        open_page(driver, f"{locked}/?q=W03")
        one(driver, "#passcode").send_keys("lantern-40", Keys.ENTER)
        wait(driver, "document.querySelector('.entries') !== null && document.readyState === 'complete'")
        assert "q=W03" in driver.current_url
        driver.get("about:blank")  # pictures further down would still be asked for when the server has gone
