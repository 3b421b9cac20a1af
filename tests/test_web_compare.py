"""Before and after: a pair that can be laid over each other and one that cannot, without script and in a browser."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from PIL import Image, ImageDraw
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from lastlook import archive, deciding, planning
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target, tag
from lastlook.ingest import ingest
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import browser
from tests.media import bench_picture, exif_block, write_photo
from tests.webarchive import PLAN

HERE = "http://127.0.0.1:4043"
SIZE = (1200, 900)
SHIFT = (24, -16)  # pixels by which the camera moved between the two looks
HOLE = (500, 360, 640, 470)  # where something was put in, in pixels of the earlier look


@dataclass(frozen=True)
class Looks:
    archive: Archive
    before: str
    after: str
    other: str


def bench_with_things(seed: int) -> Image.Image:
    """A bench strewn with many small things, so that two looks of it can be matched."""
    random = np.random.default_rng(seed)
    picture = bench_picture(SIZE[0] + 80, SIZE[1] + 80, seed)
    pen = ImageDraw.Draw(picture)
    for _ in range(260):
        x, y = (int(v) for v in random.integers(0, [SIZE[0] + 60, SIZE[1] + 60]))
        w, h = (int(v) for v in random.integers(6, 40, 2))
        colour = tuple(int(v) for v in random.integers(0, 255, 3))
        if random.random() < 0.5:
            pen.rectangle((x, y, x + w, y + h), fill=colour)
        else:
            pen.ellipse((x, y, x + w, y + h), fill=colour, outline=(20, 20, 20), width=2)
    return picture


@pytest.fixture(scope="module")
def looks(tmp_path_factory: pytest.TempPathFactory) -> Looks:
    root = tmp_path_factory.mktemp("compare")
    folder = root / "bench"
    scene = bench_with_things(40)
    changed = scene.copy()
    pen = ImageDraw.Draw(changed)
    at = (HOLE[0] + 40, HOLE[1] + 40, HOLE[2] + 40, HOLE[3] + 40)
    pen.rectangle(at, fill=(235, 235, 230))
    for n in range(4):  # a plate with holes, so that there is structure where there was other structure
        x = at[0] + 18 + n * 32
        pen.ellipse((x, at[1] + 40, x + 16, at[1] + 56), fill=(15, 15, 15))
    for name, picture, (dx, dy), day in (
        ("before.jpg", scene, (0, 0), 20),
        ("after.jpg", changed, SHIFT, 28),
        ("other.jpg", bench_with_things(77), (0, 0), 29),
    ):
        view = picture.crop((40 + dx, 40 + dy, 40 + dx + SIZE[0], 40 + dy + SIZE[1]))
        exif = exif_block(original=f"2026:03:{day} 10:00:00", offset="+01:00")
        write_photo(folder / name, view, exif=exif, quality=93)
    made = archive.create(root / "build", name="Lightship LV-40", zone="Europe/Copenhagen", scale="1:40")
    with Store(made, by="Ines", create=True) as store:
        planning.load(store, PLAN.read_text(encoding="utf-8"), "plan.toml")
        with ThreadPoolExecutor(2) as executor:
            ingest(store, [folder], executor=executor)
        ids = {
            medium.file: pictures.of_medium(store.catalogue, medium.sha256)[0].id
            for medium in media.every(store.catalogue, "photo")
        }
        tag(store, [ids["before.jpg"], ids["after.jpg"]], [Target(Dimension.SUBASSEMBLY, "MAST")])
        now = datetime.fromisoformat("2026-04-20T12:00:00+02:00")
        deciding.close(store, "O4", "2026-03-27 16:10", "epoxy", now)
    return Looks(made, ids["before.jpg"], ids["after.jpg"], ids["other.jpg"])


@pytest.fixture(scope="module")
def client(looks: Looks) -> FlaskClient:
    app = create_app(ViewerConfig(looks.archive, by="Ines"))
    app.testing = True
    return app.test_client()


def get(client: FlaskClient, path: str) -> Any:
    return client.get(path, base_url=HERE, buffered=True)


def laid(client: FlaskClient, before: str, after: str) -> Any:
    end = time.monotonic() + 60
    while not (answer := get(client, f"/compare/{before}/{after}/laid").get_json())["done"]:
        assert time.monotonic() < end
        time.sleep(0.05)
    return answer


# ------------------------------------------------------------------------------------------------ without script


def test_the_pair_comes_at_once_and_what_changed_when_it_is_known(client: FlaskClient, looks: Looks) -> None:
    path = f"/compare/{looks.before}/{looks.after}"
    first = get(client, path).text
    assert "Not laid over each other yet" in first
    assert first.count("<img ") == 2
    assert "<polygon" not in first
    answer = laid(client, looks.before, looks.after)
    assert answer["aligned"] is True
    # The place that changed is where the plate was drawn; the strongest one is listed first.
    left, top, wide, high = answer["places"][0]["box"]
    want = np.array([HOLE[0] / SIZE[0], HOLE[1] / SIZE[1], HOLE[2] / SIZE[0], HOLE[3] / SIZE[1]])
    assert np.abs(np.array([left, top, left + wide, top + high]) - want).max() < 0.03
    later = get(client, path).text
    assert "Aligned by" in later
    assert later.count("<polygon") >= 3
    assert "style=" not in later


def test_the_later_picture_lies_on_the_earlier_one(client: FlaskClient, looks: Looks) -> None:
    answer = laid(client, looks.before, looks.after)
    over = Image.open(io.BytesIO(get(client, answer["src"]).data)).convert("L")
    with Store(looks.archive) as store:
        page = store.archive.derived / pictures.find(store.catalogue, looks.before).page
    first = Image.open(page).convert("L").resize(over.size)
    a, b = np.asarray(first, dtype=float), np.asarray(over, dtype=float)
    x, y = over.width // 8, over.height // 8
    there = np.abs(a - b)[y:-y, x:-x]
    # Had the shift been left in, a fifth of it would differ by more than 40 levels.
    assert (there > 40).mean() < 0.06
    assert (np.abs(a - np.roll(a, 24, 1))[y:-y, x:-x] > 40).mean() > 0.1


def test_what_cannot_be_laid_over_says_why(client: FlaskClient, looks: Looks) -> None:
    answer = laid(client, looks.before, looks.other)
    assert answer["aligned"] is False
    assert answer["why"]
    page = get(client, f"/compare/{looks.before}/{looks.other}").text
    assert "<b>Not aligned:</b>" in page
    assert "What would help" in page
    assert get(client, f"/compare/{looks.before}/{looks.other}/after.jpg").status_code == 404


def test_asked_for_without_script_it_is_tried(client: FlaskClient, looks: Looks) -> None:
    page = get(client, f"/compare/{looks.after}/{looks.other}?lay=1").text
    assert "Load the page again" in page or "Not aligned" in page
    assert "was taken after the second" not in page
    assert "was taken after the second" in get(client, f"/compare/{looks.after}/{looks.before}").text


@pytest.mark.parametrize(
    "path",
    ["/compare/{0}/{0}", "/compare/p000000000000/{0}", "/compare/{0}/..%2f..%2fetc", "/compare/{0}/p0/laid",
     "/compare/{0}/{0}/laid", "/compare/opening/O99", "/compare/opening/%00", "/compare/{0}"],
)  # fmt: skip
def test_other_addresses_are_told(client: FlaskClient, looks: Looks, path: str) -> None:
    assert get(client, path.format(looks.before)).status_code in (400, 404)


@pytest.mark.parametrize(
    ("path", "code"),
    [("/compare/{0}/{0}", 400), ("/compare?before={0}", 200), ("/ties?a={0}&b={0}", 400), ("/ties?a={0}", 200)],
)
def test_without_a_second_picture_one_can_be_chosen(client: FlaskClient, looks: Looks, path: str, code: int) -> None:
    answer = get(client, path.format(looks.before))
    assert answer.status_code == code
    assert f'value="{looks.before}"' in answer.text
    (offered, *_) = re.findall(r'<a href="(/(?:compare|ties)\?[^"]+)"', answer.text)
    assert looks.after in offered, "the next in time"
    chosen = client.get(offered.replace("&amp;", "&"), base_url=HERE, follow_redirects=True)
    assert chosen.status_code == 200


def test_an_unknown_picture_of_a_pair_is_named_and_the_other_kept(client: FlaskClient, looks: Looks) -> None:
    answer = get(client, f"/ties?a=p000000000000&b={looks.after}")
    assert answer.status_code == 404
    assert "p000000000000" in answer.text
    assert f'value="{looks.after}"' in answer.text
    assert "Which two pictures is not said" in get(client, "/ties").text


def test_an_opening_lists_its_pairs_and_what_is_missing(client: FlaskClient, looks: Looks) -> None:
    page = get(client, "/compare/opening/O4").text
    assert f'href="/compare/{looks.before}/{looks.after}"' in page
    assert "closed 27 Mar 2026" in page
    assert "No picture of S10" in page
    # What is kept of it goes when anything is said that may change it.
    with Store(looks.archive, by="Ines") as store:
        done, _ = tag(store, [looks.after], [Target(Dimension.STEP, "S10")])
        assert "No picture of S10" not in get(client, "/compare/opening/O4").text
        deciding.undo(store, done.uid)
    assert "No picture of S10" in get(client, "/compare/opening/O4").text
    assert get(client, "/compare/opening/o4").headers["Location"] == "/compare/opening/O4"
    assert 'href="/compare/opening/O4"' in get(client, "/closings").text
    assert f'href="/compare/{looks.before}/{looks.after}"' in get(client, "/sub/MAST").text


def test_the_pages_are_quick_and_light(client: FlaskClient, looks: Looks) -> None:
    for path in (f"/compare/{looks.before}/{looks.after}", "/compare/opening/O4"):
        took = []
        for _ in range(5):
            begun = time.thread_time()  # what the server does, whatever else the machine does
            answer = get(client, path)
            took.append(time.thread_time() - begun)
        assert min(took) < 0.1
        assert len(answer.data) < 150_000


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as made:
        yield made


@pytest.fixture(scope="module")
def address(looks: Looks) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(looks.archive, by="Ines"))) as where:
        yield where


@pytest.fixture
def watched(driver: Chrome) -> Iterator[Chrome]:
    browser.look(driver)
    driver.get("about:blank")
    browser.complaints(driver)
    yield driver
    assert browser.complaints(driver) == []
    driver.get("about:blank")


def wait_for(what: Any, seconds: float = 30) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.05)


def opened(driver: Chrome, address: str, width: int, before: str, after: str) -> str:
    browser.size(driver, width)
    browser.open_page(driver, f"{address}/compare/{before}/{after}")
    wait_for(lambda: "ligned" in browser.one(driver, "#verdict").text)
    assert browser.overflow(driver) <= 0
    return browser.one(driver, "#verdict").text


def boxes(driver: Chrome) -> Any:
    """The part that each frame's drawing shows, as shares of its picture."""
    return driver.execute_script(
        "return [...document.querySelectorAll('.zoom')].map((frame) => {"
        " const v = frame.querySelector('svg').viewBox.baseVal; const {width: w, height: h} = frame.dataset;"
        " return [v.x / w, v.y / h, v.width / w, v.height / h]})"
    )


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_side_by_side_both_look_at_the_same_part(watched: Chrome, address: str, looks: Looks, width: int) -> None:
    assert "Aligned by" in opened(watched, address, width, looks.before, looks.after)
    first, second = browser.every(watched, ".zoom")
    wait_for(lambda: not browser.every(watched, ".coming"))
    assert not watched.execute_script(
        "return performance.getEntriesByType('resource').some((one) => one.name.includes('/tile/'))"
    ), "the whole picture is no more than its preview"
    for frame in (first, second):
        frame.send_keys("+", "+", "+", Keys.ARROW_RIGHT)
    wait_for(lambda: boxes(watched)[0][2] < 0.3)
    one, two = boxes(watched)
    assert np.abs(np.array(one) - np.array(two)).max() < 0.01
    first.send_keys("0")
    wait_for(lambda: boxes(watched)[1][2] > 0.9)
    for dark in (False, True):
        browser.look(watched, dark=dark)
        assert browser.axe(watched) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_wiping_by_keyboard_uncovers_the_later_picture(watched: Chrome, address: str, looks: Looks, width: int) -> None:
    opened(watched, address, width, looks.before, looks.after)
    browser.one(watched, "[data-mode=wipe]").send_keys(Keys.ENTER)
    edge = browser.one(watched, "#edge")
    assert edge.is_displayed()
    top = browser.every(watched, ".pair-stack .zoom")
    assert len(top) == 2
    assert abs(top[0].rect["x"] - top[1].rect["x"]) < 1.5
    assert abs(top[0].rect["width"] - top[1].rect["width"]) < 2.5
    before = str(watched.execute_script("return arguments[0].style.clipPath", top[1]))
    edge.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    after = str(watched.execute_script("return arguments[0].style.clipPath", top[1]))
    assert ("50%" in before, "52%" in after) == (True, True)
    assert edge.get_attribute("aria-valuetext") == "52 % before, 48 % after"
    assert browser.overflow(watched) <= 0
    line, far = browser.one(watched, ".wipe-line"), -top[1].rect["width"] / 5
    ActionChains(watched).click_and_hold(line).move_by_offset(round(far), 0).release().perform()
    assert edge.get_attribute("value") in ("31", "32", "33"), "the line is drawn by hand too"
    watched.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    assert len(browser.every(watched, ".pair-looks > figure > .zoom")) == 2, "on paper both, whatever is shown"
    watched.execute_script("window.dispatchEvent(new Event('afterprint'))")
    assert len(browser.every(watched, ".pair-stack .zoom")) == 2
    browser.one(watched, "[data-mode=side]").click()
    assert len(browser.every(watched, ".pair-looks > figure > .zoom")) == 2, "and back again"


@pytest.mark.browser
def test_blinking_is_slow_stops_and_never_begins_by_itself(watched: Chrome, address: str, looks: Looks) -> None:
    opened(watched, address, 1280, looks.before, looks.after)
    browser.one(watched, "[data-mode=blink]").click()
    shown = "return document.querySelectorAll('.pair-stack .zoom')[1].style.visibility"
    time.sleep(1.5)
    assert watched.execute_script(shown) == ""
    watched.execute_script(
        "window.turns = []; new MutationObserver(() => turns.push(performance.now()))"
        ".observe(document.querySelectorAll('.pair-stack .zoom')[1], {attributes: true, attributeFilter: ['style']})"
    )
    browser.one(watched, "#blinking").click()
    wait_for(lambda: watched.execute_script("return turns.length") >= 3)
    browser.one(watched, "#blinking").click()
    count = watched.execute_script("return turns.length")
    gaps = np.diff(watched.execute_script("return turns"))
    # WCAG 2.2, 2.3.1: no more than three flashes in a second; ours turns less than once a second.
    assert gaps.min() > 1000
    time.sleep(1.6)
    assert watched.execute_script("return turns.length") == count
    browser.one(watched, "#turn").click()
    assert watched.execute_script("return turns.length") == count + 1


@pytest.mark.browser
def test_who_wants_less_movement_is_told_first(watched: Chrome, address: str, looks: Looks) -> None:
    reduce = [{"name": "prefers-reduced-motion", "value": "reduce"}]
    watched.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": reduce})
    opened(watched, address, 1280, looks.before, looks.after)
    browser.one(watched, "[data-mode=blink]").click()
    assert "turns by hand" in browser.one(watched, "#blink-said").text


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_stepping_through_what_changed(watched: Chrome, address: str, looks: Looks, width: int) -> None:
    opened(watched, address, width, looks.before, looks.after)
    frame = browser.every(watched, ".zoom")[0]
    frame.send_keys("n")
    wait_for(lambda: "changed place 1 of" in browser.one(watched, "#which-place").text)
    wait_for(lambda: boxes(watched)[0][2] < 0.9)
    x, y, w, h = boxes(watched)[0]
    middle = ((HOLE[0] + HOLE[2]) / 2 / SIZE[0], (HOLE[1] + HOLE[3]) / 2 / SIZE[1])
    assert abs(x + w / 2 - middle[0]) < 0.05
    assert abs(y + h / 2 - middle[1]) < 0.05
    assert browser.every(watched, "svg .here polygon")
    frame.send_keys("p")
    taken = browser.one(watched, "#taken")
    taken.click()
    assert taken.get_attribute("aria-pressed") == "true"
    assert "/page/" in str(browser.every(watched, ".zoom img")[1].get_attribute("src"))


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_a_pair_that_does_not_fit_is_compared_all_the_same(
    watched: Chrome, address: str, looks: Looks, width: int
) -> None:
    assert "Not aligned:" in opened(watched, address, width, looks.before, looks.other)
    assert not browser.one(watched, "#next").is_enabled()
    browser.one(watched, "[data-mode=wipe]").click()
    assert browser.one(watched, "#edge").is_displayed()
    assert "Not aligned:" in browser.one(watched, "#verdict").text
    assert browser.overflow(watched) <= 0


@pytest.mark.browser
def test_without_script_both_are_side_by_side_with_what_changed(
    watched: Chrome, address: str, looks: Looks, client: FlaskClient
) -> None:
    opened(watched, address, 1280, looks.before, looks.after)  # the server knows the answer now
    watched.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        watched.get(f"{address}/compare/{looks.before}/{looks.after}")
        one, two = browser.every(watched, ".zoom img")
        assert one.rect["y"] == two.rect["y"]
        shape = browser.one(watched, ".zoom svg polygon").rect
        share = (shape["x"] + shape["width"] / 2 - one.rect["x"]) / one.rect["width"]
        assert share == pytest.approx((HOLE[0] + HOLE[2]) / 2 / SIZE[0], abs=0.04)
        assert not browser.one(watched, "#how").is_displayed()
    finally:
        watched.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
