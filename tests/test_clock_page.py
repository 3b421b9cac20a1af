"""The viewer's clock card: what it hands out, and that a picture of the screen tells the time."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from selenium.webdriver import Chrome
from selenium.webdriver.support.ui import WebDriverWait

from lastlook import archive
from lastlook.archive import Archive
from lastlook.clocks import card, qr
from lastlook.clocks.reference import EXPOSURE
from lastlook.intake import codes
from lastlook.records import CodeKind
from lastlook.store import Store
from lastlook_web import ViewerConfig, clockcard, create_app
from tests import browser
from tests.browser import one, open_page, overflow, size


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = archive.create(tmp_path_factory.mktemp("card") / "build", name="LV-40", zone="Europe/Copenhagen")
    Store(made, create=True).close()
    return made


def test_cards_are_those_of_the_next_seconds(empty: Archive) -> None:
    client = create_app(ViewerConfig(empty)).test_client()
    before = time.time()
    said = client.get("/clock/cards.json").get_json()
    assert before * 1000 <= said["now"] <= time.time() * 1000
    seconds = [one["at"] / 1000 for one in said["cards"]]
    assert seconds == list(range(int(seconds[0]), int(seconds[0]) + len(seconds)))
    assert seconds[0] <= before + 1
    for each in said["cards"]:
        instant = datetime.fromtimestamp(each["at"] / 1000, UTC)
        assert each["path"] == qr.path(card.compose(instant, 1.3))[1]
        local = instant + timedelta(minutes=60 * int(each["offset"].removeprefix("UTC")[:3]))
        assert each["time"] == f"{local:%H:%M:%S}"


def test_the_page_asks_nobody_else(empty: Archive) -> None:
    answer = create_app(ViewerConfig(empty)).test_client().get("/clock")
    policy = answer.headers["Content-Security-Policy"]
    assert "connect-src 'self'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(r"(src|href)=\"(https?:)?//", answer.text)


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_a_picture_of_the_screen_tells_the_time(empty: Archive, driver: Chrome, width: int, tmp_path: Path) -> None:
    with browser.served(create_app(ViewerConfig(empty))) as url:
        size(driver, width, 800)
        open_page(driver, f"{url}/clock")
        WebDriverWait(driver, 20).until(lambda driver: ":" in one(driver, ".clock-time").text)
        assert overflow(driver) <= 0
        assert browser.moves(driver) == []
        read = 0
        until = time.monotonic() + 60
        while read < 2 and time.monotonic() < until:
            before = datetime.now(UTC)
            data = driver.get_screenshot_as_png()
            after = datetime.now(UTC)
            with Image.open(BytesIO(data)) as picture:
                found = codes.read_codes(np.asarray(picture.convert("L")))
            texts = [code.text for code in found if code.kind is CodeKind.QR]
            if not texts:
                continue  # the page had taken a late card away: this machine is busy
            shown = card.read(texts[0])
            assert shown is not None
            # The screen was pictured at some time between before and after.
            assert shown.earliest - EXPOSURE <= after
            assert shown.latest >= before - timedelta(milliseconds=300)
            read += 1
            time.sleep(0.4)
        assert read == 2
        assert browser.complaints(driver) == []


@pytest.mark.browser
def test_a_card_without_its_computer_is_taken_away(
    empty: Archive, driver: Chrome, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stopped card tells a wrong time for ever; so it goes as soon as no further card comes."""
    monkeypatch.setattr(clockcard, "AHEAD", 3)
    with browser.served(create_app(ViewerConfig(empty))) as url:
        size(driver, 1280, 800)
        open_page(driver, f"{url}/clock")
        WebDriverWait(driver, 20).until(lambda driver: ":" in one(driver, ".clock-time").text)
    WebDriverWait(driver, 40).until(lambda driver: "No answer" in one(driver, ".clock-state").text)
    assert one(driver, ".clock-code path").get_attribute("d") in ("", None)
    browser.complaints(driver)  # the browser says that nobody answers
