"""The pages of find-on-exterior: read without script, point and tie with it, at both widths, in both lights."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from lastlook import archive, marking
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
    assert re.search(r'id="q"[^>]* value=""', page), "the question box is not this form's"
    assert "Change it in the plan" not in page, "its depth was said by hand"


def test_point_here_lists_what_is_under_it(client: FlaskClient, scene: Scene) -> None:
    true = scene.truth(0)
    x, y = true[len(true) // 2]
    page = get(client, f"/locate?what={scene.ids['inside-1']}&on={scene.ids['closed']}&x={x:.1f}&y={y:.1f}")
    assert page.index("inside the band") < page.index("outside</td>")
    assert "W07" in page
    assert "no depth is known" in page
    assert "Give it under “How deep it lies”" in page
    assert "'lastlook" not in page, "a page has ways of its own"
    assert re.search(r">W03 ±\d+\.\d to \d+\.\d mm<", page), "where the band is widest stands at the line too"


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
    untraced = client.get(f"/locate?what=W05&on={scene.ids['closed']}", base_url="http://127.0.0.1:4043")
    assert untraced.status_code == 400
    assert "and trace it there" in untraced.text
    assert "'lastlook" not in untraced.text


def test_marks_are_drawn_listed_and_taken_back(client: FlaskClient, scene: Scene) -> None:
    path = f"/draw/{scene.ids['inside-2']}"
    assert post(client, path, form=path, act="mark", shape="dimension", points="100,100 400,100", of="W05") == 303
    assert "W05" in get(client, path)
    found = re.search(r'name="uid" value="([0-9a-f]+)" aria-label="Take back dimension', get(client, path))
    assert found is not None
    assert post(client, path, form=path, uid=found[1]) == 303
    page = get(client, path)
    assert "Take back dimension" not in page
    again = re.search(r'name="uid" value="([0-9a-f]+)">Set it again', page)
    assert again is not None
    assert post(client, path, form=path, uid=again[1]) == 303
    assert "Take back dimension" in get(client, path)
    assert post(client, path, form=path, uid=found[1]) == 303


def sent(client: FlaskClient, path: str, **fields: str) -> tuple[int, str]:
    token = re.search(r'name="token" value="([^"]+)"', get(client, "/runs"))
    assert token is not None
    headers = {"Origin": "http://127.0.0.1:4043"}
    answer = client.post(path, data={"token": token[1], **fields}, base_url=headers["Origin"], headers=headers)
    return answer.status_code, answer.get_data(as_text=True)


@pytest.mark.parametrize(
    ("fields", "wrong"),
    [
        ({"act": "mark", "shape": "trace", "points": "100,100 99999,5", "label": "mine"}, "lies outside"),
        ({"act": "mark", "shape": "trace", "points": "100,100 5;x", "label": "mine"}, "is no point"),
        ({"act": "known", "ends": "10,10 400,10", "mm": "20 cm", "within": "0.3"}, "Give it in mm"),
        ({"act": "known", "ends": "10,10 400,10", "mm": "1,200", "within": "0.3"}, "1200 or 1.200"),
        ({"act": "known", "ends": "10,10 400,10", "mm": "", "within": "0.3"}, "the length is not said"),
        ({"uid": "0123456789abcdef"}, "nothing drawn"),
    ],
)
def test_what_cannot_be_drawn_comes_back_as_it_was_typed(
    client: FlaskClient, scene: Scene, fields: dict[str, str], wrong: str
) -> None:
    code, page = sent(client, f"/draw/{scene.ids['other']}", **fields)
    assert code == 400
    assert wrong.lower() in page.lower()
    assert 'role="alert"' in page
    assert all(value in page for name, value in fields.items() if name not in ("act", "uid"))
    assert 'id="draw"' in page


def test_a_wrong_question_comes_back_in_its_form(client: FlaskClient, scene: Scene) -> None:
    here = {"base_url": "http://127.0.0.1:4043"}
    answer = client.get(f"/locate?what=W99&on={scene.ids['closed']}", **here)
    page = answer.get_data(as_text=True)
    assert answer.status_code == 404
    assert 'value="W99"' in page
    assert "lastlook plan" not in page
    for x, said in (("a", "is &#39;a&#39;, which is no number"), ("99999", "lies outside")):
        answer = client.get(f"/locate?what=W03&on={scene.ids['closed']}&x={x}&y=5", **here)
        page = answer.get_data(as_text=True)
        assert answer.status_code == 400
        assert said in page
        assert f'value="{x}"' in page
        assert "up to" in page, "the answer itself stays"


def test_depth_is_said_on_the_page_and_taken_back(client: FlaskClient, scene: Scene) -> None:
    path = f"/locate?what=W07&on={scene.ids['closed']}"
    page = get(client, path)
    assert "4 to 15 mm by the plan" in page or "no depth known" in page
    code, page = sent(client, path, of="W07", mm="9 inch", within="1")
    assert code == 400
    assert 'value="9 inch"' in page
    assert "Give it in mm" in page
    assert sent(client, path, of="W07", mm="9,5 mm", within="1")[0] == 303
    page = get(client, path)
    assert "9.5 ± 1 mm" in page
    found = re.search(r'name="uid" value="([0-9a-f]+)" aria-label="Take back the depth of W07"', page)
    assert found is not None
    assert sent(client, path, uid=found[1])[0] == 303
    assert "Set the depth of W07 again" in get(client, path)


def test_a_tie_is_kept_moved_and_set_again(client: FlaskClient, scene: Scene) -> None:
    a, b = scene.ids["inside-2"], scene.ids["other"]
    path = f"/ties?a={a}&b={b}"
    code, page = sent(client, path, p="100,100", q="nowhere")
    assert code == 400
    assert 'value="nowhere"' in page
    for n in range(2):
        assert sent(client, path, p=f"{100 + n * 300},100", q=f"{120 + n * 300},110.5")[0] == 303
    page = get(client, f"{path}&move=2")
    assert 'value="420,110.5"' in page
    fields = {name: str(re.search(rf'name="{name}" value="([^"]*)"', page)[1]) for name in ("instead", "n")}  # type: ignore[index]
    fit = client.get(f"/ties/fit.json?a={a}&b={b}&p=401,100&q=421,110&n=1", base_url="http://127.0.0.1:4043").get_json()
    assert len(fit["residuals"]) == 2
    assert sent(client, path, p="401,100", q="421,110", **fields)[0] == 303
    with Store(scene.archive) as store:
        one, two, _ = marking.ties(store, a, b)
    assert one.tolist() == [[100, 100], [401, 100]]
    assert two.tolist() == [[120, 110.5], [421, 110]]
    code, page = sent(client, path, p="402,100", q="422,110", **fields)
    assert code == 400, "that tie was moved already"
    assert 'value="402,100"' in page
    assert client.get(f"{path}&move=9", base_url="http://127.0.0.1:4043").status_code == 404


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.mark.parametrize("left", ["nothing", "damaged"])
def test_pictures_that_are_gone_are_named_where_they_are_needed(scene: Scene, tmp_path: Path, left: str) -> None:
    """As when the disk of the originals is not plugged in and nothing made of them is left, or both are damaged."""
    root = tmp_path / "build"
    shutil.copytree(scene.archive.root, root)
    for file in (file for folder in ("originals", "derived") for file in (root / folder).rglob("*") if file.is_file()):
        file.unlink()
        if left == "damaged":
            file.write_bytes(b"no picture")
    app = create_app(ViewerConfig(archive=archive.open_at(root), by="ada"))
    app.testing = True
    a, b = scene.ids["inside-1"], scene.ids["closed"]
    for path, code in ((f"/locate?what=W03&on={b}", 404), (f"/ties?a={a}&b={b}", 200)):
        answer = app.test_client().get(path, base_url="http://127.0.0.1:4043")
        assert answer.status_code == code, path
        assert re.search(
            r"(closed|inside-1)\S* (is not where it was|is not the file|cannot be)", answer.get_data(as_text=True)
        ), path
    # A picture itself is refused, and whoever opens its address reads why (RFC 9110, 15.5.10).
    over = f"what=W03&on={b}&inside={a}"
    for path in (
        *(f"/locate/{name}?{over}" for name in ("overlay.png", "overlay.svg", "overlay.pdf", "through.jpg")),
        f"/large/{b}.jpg",
        f"/original/{b}",
        *([f"/page/{b}.jpg", f"/thumb/{b}.jpg"] if left == "nothing" else []),
    ):
        answer = app.test_client().get(path, base_url="http://127.0.0.1:4043")
        assert answer.status_code == 409, path
        assert "from a backup" in answer.get_data(as_text=True), path
    fit = app.test_client().get(f"/ties/fit.json?a={a}&b={b}&p=10,10&q=12,12", base_url="http://127.0.0.1:4043")
    assert fit.json is not None
    assert fit.json["said"][0].startswith("How they fit cannot be told: ")
    with Store(archive.open_at(root), by="ada") as store:
        marking.know_marker(store, "card", 14, picture=b)  # to be looked for in the picture
    for path in (f"/draw/{b}", f"/picture/{b}/marks"):  # what is drawn is listed all the same
        assert app.test_client().get(path, base_url="http://127.0.0.1:4043").status_code == 200, path


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
    _until(driver, lambda: bool(browser.every(driver, "#over .here circle")))
    assert "x=" in driver.current_url
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


@pytest.mark.browser
def test_the_keyboard_points_asks_and_ties(driver: Chrome, address: str, scene: Scene) -> None:
    browser.size(driver, 1280)
    where = f"{address}/locate?what={scene.ids['inside-1']}&on={scene.ids['closed']}"
    browser.open_page(driver, where)
    frame = browser.one(driver, ".pointing")
    driver.execute_script("arguments[0].focus()", frame)
    keys = ActionChains(driver)
    keys.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_UP, Keys.ENTER).perform()
    _until(driver, lambda: "from its line" in browser.one(driver, "#cross").text)
    assert "x=" in driver.current_url
    assert browser.every(driver, "#over .here circle")
    driver.back()
    _until(driver, lambda: not driver.find_elements(By.CSS_SELECTOR, "#over .here circle"))
    assert driver.current_url == where
    driver.forward()
    _until(driver, lambda: bool(driver.find_elements(By.CSS_SELECTOR, "#over .here circle")))
    browser.open_page(driver, f"{address}/ties?a={scene.ids['inside-1']}&b={scene.ids['closed']}")
    first, second = browser.every(driver, ".pointing")
    driver.execute_script("arguments[0].focus()", first)
    ActionChains(driver).send_keys(Keys.ARROW_LEFT, Keys.ARROW_LEFT, Keys.ENTER).perform()
    assert driver.switch_to.active_element == second
    ActionChains(driver).send_keys(Keys.ARROW_LEFT).perform()
    _until(driver, lambda: "This pair" in browser.one(driver, "#fit").text)
    ActionChains(driver).send_keys(Keys.ARROW_LEFT, Keys.ENTER).perform()
    assert driver.switch_to.active_element == browser.one(driver, "#tie button")
    assert browser.axe(driver) == []
    assert browser.complaints(driver) == []
