"""A real Chromium for the tests of the pages, and a viewer for it to look at.

Every page a test opens is watched: a line in the browser's console, a refused resource or a breach of the page's own
content security policy makes the test fail.
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast
from urllib.parse import urlsplit

from flask import Flask
from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from waitress.server import create_server

from tests.serving import running

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
CHROMEDRIVER = shutil.which("chromedriver")

_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-extensions",
    "--disable-sync",
    "--no-first-run",
    "--mute-audio",
    "--force-color-profile=srgb",
    "--hide-scrollbars",
)


@contextmanager
def chromium() -> Iterator[Chrome]:
    """A browser of its own, without profile, that keeps its console and network log."""
    if CHROMIUM is None or CHROMEDRIVER is None:
        raise RuntimeError("the pages are tested in Chromium: install chromium and chromium-driver")
    options = ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in _FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = Chrome(options=options, service=Service(CHROMEDRIVER))
    try:
        driver.set_page_load_timeout(30)
        yield driver
    finally:
        driver.quit()


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """`app` behind a real server on a free port of this machine; yields its address without a slash."""
    server: Any = create_server(app, host="127.0.0.1", port=0, threads=4)
    with running(server):
        yield f"http://127.0.0.1:{server.effective_port}"


def size(driver: Chrome, width: int, height: int = 900) -> None:
    """Make the page `width` CSS pixels wide, also below the narrowest window there can be."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )


_MOVES = """
const done = arguments[0];
new PerformanceObserver((list) => done(list.getEntries().filter((one) => !one.hadRecentInput)
  .map((one) => [one.value, ...one.sources.map((source) => source.node?.outerHTML?.slice(0, 120) ?? '')])))
  .observe({type: 'layout-shift', buffered: true});
setTimeout(() => done([]), 120);
"""


def moves(driver: Chrome) -> list[str]:
    """What of the page moved by itself since it was opened, in words: the share of the window, and what it was."""
    shifts: Any = driver.execute_async_script(_MOVES)
    return [f"it moves by {shift[0]:.3f}: {shift[1:]}" for shift in shifts if shift[0] >= 0.001]


def look(driver: Chrome, *, dark: bool = False, medium: str = "") -> None:
    """Ask for the dark colours, or for those of print."""
    driver.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"media": medium, "features": [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]},
    )


def open_page(driver: Chrome, address: str) -> None:
    """Open a page and wait until what is on it has come. A page of another server is left first, and what it says of
    that server, which may have ended since, is nothing of this page's."""
    if urlsplit(driver.current_url).port not in (None, urlsplit(address).port):
        driver.get("about:blank")
        complaints(driver)
    driver.get(address)
    driver.execute_async_script(
        "const done = arguments[0];"
        "for (const image of document.images) image.loading = 'eager';"
        "Promise.all([...document.images].map((image) => image.decode().catch(() => null))).then(() => done());"
    )


def complaints(driver: Chrome) -> list[str]:
    """What the browser has said since last asked: errors, refused loads, breaches of policy."""
    return [json.dumps(entry["message"]) for entry in cast(Any, driver).get_log("browser")]


def one(driver: Chrome | WebElement, selector: str) -> WebElement:
    return driver.find_element(By.CSS_SELECTOR, selector)


def every(driver: Chrome | WebElement, selector: str) -> list[WebElement]:
    return driver.find_elements(By.CSS_SELECTOR, selector)


def overflow(driver: Chrome) -> int:
    """By how many pixels the page is wider than its window."""
    return cast(
        int,
        driver.execute_script("return document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth;"),
    )


AXE_TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")


def axe(driver: Chrome, *, rules: tuple[str, ...] = ()) -> list[str]:
    """What axe-core finds wrong with the page as it stands; `rules` asks for some of its rules only.

    axe-core 4.14.1 of Deque Systems (npm, MPL 2.0, unchanged in tests/axe_core): WCAG 2.0 to 2.2, A and AA.
    """
    if not driver.execute_script("return 'axe' in window"):
        driver.execute_script((Path(__file__).parent / "axe_core" / "axe.min.js").read_text(encoding="utf-8"))
    only: dict[str, object] = {"type": "rule", "values": rules} if rules else {"type": "tag", "values": AXE_TAGS}
    found = driver.execute_async_script(
        "const done = arguments[1];"
        "axe.run(document, {preload: false, runOnly: arguments[0]}).then((found) => done(found.violations));",
        only,
    )
    return [f"{one['id']}: {node['html'][:200]}" for one in cast(Any, found) for node in one["nodes"]]


def shot(driver: Chrome, path: str, *, whole: bool = True) -> None:
    """A picture of the page, all of it or what the window shows."""
    found = driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png", "captureBeyondViewport": whole})
    Path(path).write_bytes(base64.b64decode(found["data"]))
