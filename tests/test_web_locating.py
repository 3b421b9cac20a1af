"""The pages of find-on-exterior: read without script, point and tie with it, at both widths, in both lights."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By

from lastlook import marking
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import browser, scene_archive
from tests.scene_archive import Scene


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    made = scene_archive.make(tmp_path_factory.mktemp("scene"))
    with Store(made.archive, by="ada") as store:
        inside, closed = made.ids["inside-1"], made.ids["closed"]
        marking.mark(store, inside, "outline", made.outline("inside-1"))
        marking.mark(store, closed, "outline", made.outline("closed"))
        for n, run in enumerate(scene_archive.RUNS):
            marking.mark(store, inside, "trace", made.run("inside-1", n), run)
        x, y = np.array(made.model.half) * 0.9
        corners = made.skin("closed", np.array([[-x, -y], [x, -y], [x, y]]))
        marking.know_length(store, closed, corners[:2], 2 * x)
        marking.know_length(store, closed, corners[1:], 2 * y)
        marking.know_depth(store, "W03", -float(made.model.wires[0].path[0, 2]), 0.5)
    return made


@pytest.fixture(scope="module")
def client(scene: Scene) -> FlaskClient:
    app = create_app(ViewerConfig(archive=scene.archive, by="ada"))
    app.testing = True
    return app.test_client()


def get(client: FlaskClient, path: str) -> str:
    answer = client.get(path, base_url="http://127.0.0.1:4043")
    assert answer.status_code == 200, (path, answer.status_code)
    return answer.get_data(as_text=True)


def post(client: FlaskClient, path: str, **fields: str) -> int:
    form = get(client, "/locate" if "locate" in path else fields.pop("form"))
    token = re.search(r'name="token" value="([^"]+)"', form)
    assert token is not None
    fields.pop("form", None)
    answer = client.post(
        path,
        data={"token": token[1], **fields},
        base_url="http://127.0.0.1:4043",
        headers={"Origin": "http://127.0.0.1:4043"},
    )
    return answer.status_code


def test_the_page_asks_what_and_on_which_picture(client: FlaskClient) -> None:
    page = get(client, "/locate")
    assert "W03" in page
    assert "use a depth stop" in page


def test_a_run_is_drawn_on_the_skin_without_script(client: FlaskClient, scene: Scene) -> None:
    page = get(client, f"/locate?what=W03&on={scene.ids['closed']}")
    assert "<path" in page
    assert re.search(r"\d\.\d mm, up to", page)
    assert "use a depth stop and confirm by another means" in page
    assert re.search(r"\bsafe\b", page) is None
    assert "style=" not in page


def test_point_here_lists_what_is_under_it(client: FlaskClient, scene: Scene) -> None:
    true = scene.truth(0)
    x, y = true[len(true) // 2]
    page = get(client, f"/locate?what={scene.ids['inside-1']}&on={scene.ids['closed']}&x={x:.1f}&y={y:.1f}")
    assert page.index("inside the band") < page.index("outside</td>")
    assert "W07" in page


@pytest.mark.parametrize(("kind", "begins"), [("png", b"\x89PNG"), ("svg", b"<svg"), ("pdf", b"%PDF")])
def test_overlay_and_template_are_files_to_keep(client: FlaskClient, scene: Scene, kind: str, begins: bytes) -> None:
    answer = client.get(f"/locate/overlay.{kind}?what=W03&on={scene.ids['closed']}", base_url="http://127.0.0.1:4043")
    assert answer.status_code == 200
    assert answer.data.startswith(begins)
    assert "attachment" in answer.headers["Content-Disposition"]


def test_a_pair_without_support_says_what_would_help(client: FlaskClient, scene: Scene) -> None:
    page = get(client, f"/locate?what=W03&on={scene.ids['other']}")
    assert "Not registered" in page
    assert "What would help" in page


def test_unknown_ids_are_told_and_bad_points_too(client: FlaskClient, scene: Scene) -> None:
    for path in (
        "/locate?what=W99&on=p000000000000",
        f"/locate?what=W03&on={scene.ids['closed']}&x=a&y=b",
        "/draw/p000000000000",
        "/ties?a=p1&b=p2",
    ):
        answer = client.get(path, base_url="http://127.0.0.1:4043")
        assert answer.status_code in (400, 404), path


def test_marks_are_drawn_listed_and_taken_back(client: FlaskClient, scene: Scene) -> None:
    path = f"/draw/{scene.ids['inside-2']}"
    assert post(client, f"{path}/mark", form=path, shape="dimension", points="100,100 400,100", of="W05") == 303
    assert "W05" in get(client, path)
    found = re.search(r'name="uid" value="([0-9a-f]+)" aria-label="Take back dimension', get(client, path))
    assert found is not None
    assert post(client, "/draw/undo", form=path, uid=found[1]) == 303
    assert "Take back dimension" not in get(client, path)
    assert post(client, f"{path}/mark", form=path, shape="trace", points="100,100 99999,5", of="W05") == 400


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def address(scene: Scene) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(archive=scene.archive, by="ada"))) as where:
        yield where


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as made:
        yield made


def shot(driver: Chrome, name: str) -> None:
    folder = os.environ.get("LASTLOOK_SHOTS")
    if folder:
        browser.shot(driver, str(Path(folder) / f"{name}.png"))


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_pointing_at_the_skin_answers(driver: Chrome, address: str, scene: Scene, width: int) -> None:
    browser.size(driver, width)
    browser.open_page(driver, f"{address}/locate?what=W03&on={scene.ids['closed']}")
    assert browser.overflow(driver) <= 0
    shot(driver, f"locate-{width}")
    picture = browser.one(driver, "#over")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", picture)
    ActionChains(driver).move_to_element(picture).click().perform()
    _until(driver, lambda: "x=" in driver.current_url)
    assert "From its line" in str(browser.one(driver, "table").get_attribute("textContent"))
    slider = browser.one(driver, "#see")
    driver.execute_script("arguments[0].value = 60; arguments[0].dispatchEvent(new Event('input'))", slider)
    assert browser.one(driver, "#through").get_attribute("opacity") == "0.6"
    # The picture to see through comes from the server when it is first asked for.
    came = "return performance.getEntriesByType('resource').some((one) => one.name.includes('through.jpg'))"
    _until(driver, lambda: driver.execute_script(came))
    time.sleep(0.2)
    shot(driver, f"locate-through-{width}")
    assert browser.complaints(driver) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_a_tie_shows_how_it_fits_before_it_is_kept(driver: Chrome, address: str, scene: Scene, width: int) -> None:
    browser.size(driver, width)
    pair = (scene.ids["inside-1"], scene.ids["closed"])
    browser.open_page(driver, f"{address}/ties?a={pair[0]}&b={pair[1]}")
    assert browser.overflow(driver) <= 0
    for side in ("#side-a", "#side-b"):
        element = browser.one(driver, side)
        driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        ActionChains(driver).move_to_element(element).click().perform()
    _until(driver, lambda: "This pair" in browser.one(driver, "#fit").text)
    assert browser.one(driver, "#p").get_attribute("value")
    shot(driver, f"ties-{width}")
    assert browser.complaints(driver) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_points_gather_while_drawing(driver: Chrome, address: str, scene: Scene, width: int) -> None:
    browser.size(driver, width)
    browser.open_page(driver, f"{address}/draw/{scene.ids['inside-1']}")
    assert browser.overflow(driver) <= 0
    picture = browser.one(driver, "#draw")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", picture)
    for dx in (-20, 25):
        ActionChains(driver).move_to_element_with_offset(picture, dx, 0).click().perform()
    assert len(str(browser.one(driver, "#points").get_attribute("value")).split()) == 2
    assert len(driver.find_elements(By.CSS_SELECTOR, "#pending path")) == 4
    browser.look(driver, dark=True)
    shot(driver, f"draw-{width}")
    browser.look(driver)
    assert browser.complaints(driver) == []


def _until(driver: Chrome, true: object, seconds: float = 20) -> None:
    assert callable(true)
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, driver.current_url
        time.sleep(0.1)
