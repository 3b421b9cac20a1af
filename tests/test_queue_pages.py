"""The queue in a real browser: keys settle groups, an answer is taken back, the place is kept; sessions on the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait

from lastlook import sessions
from lastlook.archive import Archive
from lastlook.catalogue import decisions, pictures
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web.app import create_app
from lastlook_web.config import ViewerConfig
from tests import archives, browser

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as made:
        yield made


@pytest.fixture
def filled(tmp_path: Path) -> Archive:
    made = archives.make(tmp_path / "a")
    bench = tmp_path / "in"
    for number in range(1, 5):
        archives.photo(bench / "mast foot" / f"M{number}.jpg", number, f"2026:03:20 13:0{number}:00")
    archives.photo(bench / "main deck" / "D1.jpg", 5, "2026:03:21 13:06:00")
    archives.photo(bench / "IMG_20260325_100000.jpg", 8, "2026:03:25 10:00:00")
    archives.take(made, bench)
    return made


@pytest.fixture
def site(filled: Archive) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(filled, by="Ada"))) as address:
        yield address


def press(driver: Chrome, key: str) -> None:
    """Press a key and wait for the page that follows."""
    leave(driver, lambda: ActionChains(driver).send_keys(key).perform())


def click(driver: Chrome, selector: str) -> None:
    """Press a button and wait for the page that follows."""
    leave(driver, browser.one(driver, selector).click)


def leave(driver: Chrome, act: Callable[[], object]) -> None:
    page = driver.find_element(By.TAG_NAME, "html")
    act()
    WebDriverWait(driver, 20, poll_frequency=0.05).until(
        lambda it: (
            it.find_element(By.TAG_NAME, "html") != page
            and it.execute_script("return document.readyState") == "complete"
        )
    )


def said(filled: Archive, file: str) -> tuple[str, ...]:
    with Store(filled) as store:
        found = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        return next(one for one in found if one.file == file).said(Dimension.SUBASSEMBLY)


def head(driver: Chrome) -> str:
    return browser.one(driver, "#queue-head").text


def test_by_keyboard(driver: Chrome, site: str, filled: Archive) -> None:
    browser.size(driver, 1200)
    browser.open_page(driver, f"{site}/queue?all=1")
    assert "group 1 of 3" in browser.one(driver, ".queue-where").text
    while "4 pictures" not in head(driver):
        press(driver, "\ue014")  # →: left for later
    where = browser.one(driver, ".queue-where").text
    press(driver, "1")
    assert said(filled, "M3.jpg") == ("MAST",)
    assert "4 pictures: MAST." in browser.one(driver, ".said").text
    press(driver, "u")
    assert said(filled, "M3.jpg") == ()
    assert browser.one(driver, ".queue-where").text == where  # back at the group
    press(driver, "x")
    assert said(filled, "M3.jpg") == ()
    browser.open_page(driver, f"{site}/queue?all=1")
    assert "group 1 of 2" in browser.one(driver, ".queue-where").text
    while not browser.every(driver, ".absence"):
        press(driver, "\ue014")
    ActionChains(driver).send_keys("t").perform()
    assert driver.switch_to.active_element.get_attribute("id") == "typed"
    press(driver, "dkx\n")  # letters in the field are no keys
    field = browser.one(driver, "#typed")
    assert field.get_attribute("value") == "dkx"
    assert "'dkx'" in browser.one(driver, "#typed-wrong").text
    assert all("404" in line for line in browser.complaints(driver))
    leave(driver, lambda: field.send_keys("\ue009a\ue000dkh\n"))
    assert said(filled, "IMG_20260325_100000.jpg") == ("DKH",)
    press(driver, "1")
    assert head(driver) == "Nothing waits for you"
    assert browser.complaints(driver) == []


def test_an_answer_to_what_has_changed_is_refused(driver: Chrome, site: str, filled: Archive) -> None:
    browser.open_page(driver, f"{site}/queue?all=1")
    while "4 pictures" not in head(driver):
        press(driver, "\ue014")
    with Store(filled, by="Bo") as store:
        sessions.add(store, [Target(Dimension.STEP, "S80")], "2026-03-20 13:00", "2026-03-20 14:00")
        before = decisions.last_seq(store.catalogue)
    press(driver, "1")
    assert "Nothing was recorded: that group is not as it was" in browser.one(driver, ".said").text
    assert "4 pictures" in head(driver)  # as it is now
    with Store(filled) as store:
        assert decisions.last_seq(store.catalogue) == before
    assert browser.complaints(driver) == []


def test_a_second_window_settles_nothing_twice(driver: Chrome, site: str, filled: Archive) -> None:
    browser.open_page(driver, f"{site}/queue?all=1")
    while "4 pictures" not in head(driver):
        press(driver, "\ue014")
    address, first = driver.current_url, driver.current_window_handle
    driver.switch_to.new_window("tab")
    browser.open_page(driver, address)
    press(driver, "1")
    assert said(filled, "M3.jpg") == ("MAST",)
    with Store(filled) as store:
        before = decisions.last_seq(store.catalogue)
    second = driver.current_window_handle
    driver.switch_to.window(first)
    press(driver, "1")
    told = browser.one(driver, ".said").text
    assert "Nothing was recorded: that group was settled meanwhile, its first picture as MAST" in told
    with Store(filled) as store:
        assert decisions.last_seq(store.catalogue) == before
    driver.switch_to.window(second)
    address = driver.current_url
    driver.switch_to.new_window("tab")
    browser.open_page(driver, address)
    press(driver, "u")
    assert said(filled, "M3.jpg") == ()
    driver.close()
    driver.switch_to.window(second)
    press(driver, "u")
    assert "taken back already: nothing was changed" in browser.one(driver, ".said").text
    driver.close()
    driver.switch_to.window(first)
    assert browser.complaints(driver) == []


def test_a_whole_session_and_working_on(driver: Chrome, site: str, filled: Archive) -> None:
    with Store(filled, by="Ada") as store:
        made = sessions.add(store, [Target(Dimension.STEP, "S80")], "2026-03-20 13:00", "2026-03-20 14:00")
    browser.open_page(driver, f"{site}/queue/session/{made.uid}")
    assert "4 pictures that nobody has placed are put to S80 and MAST" in browser.one(driver, "main").text
    click(driver, "main form button")
    assert said(filled, "M4.jpg") == ("MAST",)
    press(driver, "u")
    assert said(filled, "M4.jpg") == ()
    driver.execute_script("document.getElementById('work-step').value = 'S80';")
    click(driver, ".work button")
    assert "S80" in browser.one(driver, "#working p").text
    with Store(filled) as store:
        going = sessions.under_way(store)
    assert going is not None
    click(driver, "#working button[name=stop]")
    with Store(filled) as store:
        assert sessions.under_way(store) is None
    assert browser.complaints(driver) == []


@pytest.mark.parametrize("width", [320, 768, 1400])
def test_nothing_runs_over(driver: Chrome, site: str, width: int) -> None:
    browser.size(driver, width)
    for path in ("/queue?all=1", "/queue"):
        browser.open_page(driver, site + path)
        assert browser.overflow(driver) <= 0
    browser.size(driver, 1200)


def test_without_pictures(driver: Chrome, tmp_path: Path) -> None:
    made = archives.make(tmp_path / "empty")
    with browser.served(create_app(ViewerConfig(made))) as address:
        browser.open_page(driver, f"{address}/queue")
        assert head(driver) == "Nothing to place yet"
        browser.open_page(driver, f"{address}/queue/session/ffffffff")
        assert "no session" in browser.one(driver, "main").text
    browser.complaints(driver)
