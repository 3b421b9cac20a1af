"""The picture page: the original's pixels as tiles, marks as decisions, lengths in mm, and each act in a browser."""

from __future__ import annotations

import html
import io
import logging
import os
import re
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from lastlook import archive, deciding, marking, planning, same_views, tiling
from lastlook.archive import Archive
from lastlook.catalogue import decisions, media, pictures
from lastlook.deciding import Target, tag
from lastlook.errors import ArchiveError, OriginalUnreadable
from lastlook.ingest import ingest
from lastlook.intake import tiles
from lastlook.records import Dimension, PictureKind
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, dressing
from lastlook_web.asides import Asides
from tests import browser
from tests.clipmedia import write_frames
from tests.media import as_stored, bench_picture, exif_block, jpeg_bytes, write_photo, write_raw
from tests.webarchive import PLAN

HERE = "http://127.0.0.1:4043"
WIDE, HIGH = 1990, 1490
CLIP = (1280, 720)


@dataclass(frozen=True)
class Bench:
    """The archive, ids by file name, and the upright picture each file holds, as other programs read it."""

    archive: Archive
    ids: dict[str, str]
    truth: dict[str, Image.Image]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    root = tmp_path_factory.mktemp("picture")
    folder = root / "bench"
    folder.mkdir()
    whole = bench_picture(WIDE, HIGH, 40)
    truth = {}

    def exif(day: int, orientation: int | None = None) -> Image.Exif:
        return exif_block(original=f"2026:03:{day:02} 10:00:00", offset="+01:00", orientation=orientation)

    write_photo(folder / "flat.jpg", whole, exif=exif(2))
    write_photo(folder / "turned.jpg", as_stored(whole, 6), exif=exif(3, 6))
    write_photo(folder / "phone.heic", whole, exif=exif(4), quality=90)
    write_photo(folder / "small.png", bench_picture(600, 400, 41), exif=exif(5))
    write_raw(folder / "sensor.nef", jpeg_bytes(whole))
    view = np.asarray(bench_picture(*CLIP, 42))
    write_frames(folder / "walk.mp4", lambda n: view, 12, rate=4, key_every=4)
    # What the files hold by Pillow alone, which turns by Exif itself; of the clip, what was encoded.
    for name in ("flat.jpg", "turned.jpg", "phone.heic"):
        with Image.open(folder / name) as image:
            truth[name] = ImageOps.exif_transpose(image).convert("RGB")
    truth["sensor.nef"] = Image.open(io.BytesIO(jpeg_bytes(whole))).convert("RGB")
    truth["walk.mp4"] = Image.fromarray(view)
    made = archive.create(root / "build", name="Lightship LV-40", zone="Europe/Copenhagen", scale="1:40")
    with Store(made, by="Ines", create=True) as store:
        planning.load(store, PLAN.read_text(encoding="utf-8"), "plan.toml")
        with ThreadPoolExecutor(2) as executor:
            ingest(store, [folder], executor=executor)
        ids = {
            medium.file: pictures.of_medium(store.catalogue, medium.sha256)[0].id
            for medium in media.every(store.catalogue)
            if medium.shown
        }
        tag(store, [ids["flat.jpg"], ids["turned.jpg"], ids["phone.heic"]], [Target(Dimension.SUBASSEMBLY, "MAST")])
    return Bench(made, ids, truth)


@pytest.fixture
def app(bench: Bench) -> Flask:
    made = create_app(ViewerConfig(bench.archive, by="Ines"))
    made.testing = True
    return made


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def get(client: FlaskClient, path: str) -> Any:
    return client.get(path, base_url=HERE, buffered=True)


def tile(client: FlaskClient, id: str, level: int, x: int, y: int, seconds: float = 30) -> Image.Image:
    """A tile, asked for until it is cut, as a script does."""
    end = time.monotonic() + seconds
    while True:
        answer = get(client, f"/tile/{id}/{level}-{x}-{y}.jpg")
        if answer.status_code == 200:
            assert answer.mimetype == "image/jpeg"
            assert "immutable" in answer.headers["Cache-Control"]
            return Image.open(io.BytesIO(answer.data))
        assert answer.status_code == 202
        assert answer.data == b""
        assert answer.headers["Cache-Control"] == "no-store"
        assert time.monotonic() < end
        time.sleep(0.02)


def post(client: FlaskClient, path: str, fields: dict[str, str], *, script: bool = True) -> Any:
    page = get(client, re.sub(r"/(mark|known)(/undo)?$", "", path)).get_data(as_text=True)
    token = re.search(r'name="token" value="([^"]+)"', page)
    assert token is not None
    headers = {"Origin": HERE, "Accept": "application/json" if script else "text/html"}
    return client.post(path, data={"token": token[1], **fields}, base_url=HERE, headers=headers)


# ------------------------------------------------------------------------------------------------ tiles


@pytest.mark.parametrize("name", ["flat.jpg", "turned.jpg", "phone.heic", "sensor.nef", "walk.mp4"])
def test_tiles_put_together_are_the_original(client: FlaskClient, bench: Bench, name: str) -> None:
    truth = bench.truth[name]
    with Store(bench.archive) as store:
        picture = pictures.find(store.catalogue, bench.ids[name])
        assert (picture.kind is PictureKind.STILL) == name.endswith("mp4")
        levels = tiling.of(store, picture).levels
    assert levels == tiles.levels(*truth.size, 960) >= 1
    for level in range(levels):
        size = tiles.size_at(*truth.size, level)
        whole = Image.new("RGB", size)
        across, down = tiles.counts(*truth.size, level)
        for x in range(across):
            for y in range(down):
                whole.paste(tile(client, bench.ids[name], level, x, y), (x * tiles.TILE, y * tiles.TILE))
        want = truth if level == 0 else truth.resize(size, Image.Resampling.BOX)
        away = np.abs(np.asarray(whole, dtype=float) - np.asarray(want, dtype=float))
        # Coded once more, and a clip's colours are halved: some levels of 255 off, and never another place.
        assert away.mean() < (7 if name == "walk.mp4" else 4), (level, away.mean())
        assert np.quantile(away, 0.99) < 40, level


@given(st.integers(1, 20000), st.integers(1, 20000), st.integers(100, 2000))
def test_levels_reach_from_the_preview_to_the_pixels(width: int, height: int, shown: int) -> None:
    count = tiles.levels(width, height, shown)
    for level in range(count):
        w, h = tiles.size_at(width, height, level)
        assert max(w, h) > shown
        across, down = tiles.counts(width, height, level)
        assert (across - 1) * tiles.TILE < w <= across * tiles.TILE
        assert (down - 1) * tiles.TILE < h <= down * tiles.TILE
    if count < 12:
        assert max(tiles.size_at(width, height, count)) <= shown


def test_tiles_lie_under_content_and_whole(client: FlaskClient, bench: Bench) -> None:
    tile(client, bench.ids["flat.jpg"], 0, 0, 0)
    with Store(bench.archive) as store:
        sha = pictures.find(store.catalogue, bench.ids["flat.jpg"]).sha256
    folder = bench.archive.derived / "tile" / sha[:2] / sha
    assert (folder / "0-0-0.jpg").is_file()
    end = time.monotonic() + 20
    while list(folder.glob(".*.part")) and time.monotonic() < end:
        time.sleep(0.02)
    assert all(re.fullmatch(r"\d+-\d+-\d+\.jpg", each.name) for each in folder.iterdir())


def test_a_picture_the_preview_shows_whole_has_no_tiles(client: FlaskClient, bench: Bench) -> None:
    assert 'data-levels="0"' in get(client, f"/picture/{bench.ids['small.png']}").text
    assert get(client, f"/tile/{bench.ids['small.png']}/0-0-0.jpg").status_code == 404


@pytest.mark.parametrize(
    "place",
    ["0-99-0", "0-0-99", "9-0-0", "99-9999-9999", "0--1-0", "-1-0-0", "0-0", "0-0-0-0", "0-00000-0", "x-y-z",
     "0-0-0%00", "99999999999999999999-0-0", "0-" + "9" * 5000 + "-0", "٠-٠-٠", "../../../catalogue.db",
     "..%2f..%2fcatalogue.db",
     "%2e%2e/%2e%2e/etc/passwd", "0-0-1e1", "0-0- 1", "0x0-0-0"],
)  # fmt: skip
def test_no_other_address_is_a_tile(client: FlaskClient, bench: Bench, place: str) -> None:
    before = sorted(str(each) for each in bench.archive.root.rglob("*") if "tile" not in each.parts)
    for id in (bench.ids["flat.jpg"], "p000000000000", "..", "%2e%2e"):
        answer = get(client, f"/tile/{id}/{place}.jpg")
        assert answer.status_code in (404, 400), (id, place)
    after = sorted(str(each) for each in bench.archive.root.rglob("*") if "tile" not in each.parts)
    assert before == after


def test_a_flood_of_tiles_waits_in_a_short_line_and_pages_go_on(
    app: Flask, client: FlaskClient, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = threading.Event()
    cut: list[tuple[int, int, int]] = []

    def slow(self: tiling.Tiling, level: int, x: int, y: int) -> None:
        held.wait(20)
        cut.append((level, x, y))

    monkeypatch.setattr(tiling.Tiling, "cut", slow)
    monkeypatch.setattr(tiling.Tiling, "at", lambda self, *place: Path("/nowhere/at/all"))
    monkeypatch.setattr(tiles, "BLOCK", 1)
    across, down = tiles.counts(WIDE, HIGH, 0)
    asked = [(x, y) for x in range(across) for y in range(down)]
    assert 3 * len(asked) > 25
    begun = time.monotonic()
    for name in ("flat.jpg", "turned.jpg", "phone.heic"):
        for x, y in asked:
            assert get(client, f"/tile/{bench.ids[name]}/0-{x}-{y}.jpg").status_code == 202
    assert get(client, f"/picture/{bench.ids['flat.jpg']}").status_code == 200
    assert time.monotonic() - begun < 10, "none of them may wait for the cutting"
    line: Asides[None] = app.extensions["lastlook-asides-tiles"]
    assert line.waiting() <= 25
    held.set()
    end = time.monotonic() + 10
    while line.waiting() and time.monotonic() < end:
        time.sleep(0.01)
    # The one under way when the line filled up, and the newest of the others, the newest of all first.
    assert len(cut) <= 25
    assert cut[1] == (0, *asked[-1])


def test_a_file_written_over_since_gives_no_tile_of_another_picture(
    client: FlaskClient, bench: Bench, tmp_path: Path
) -> None:
    with Store(bench.archive) as store:
        tiled = tiling.of(store, pictures.find(store.catalogue, bench.ids["flat.jpg"]))
    other = tmp_path / "other.jpg"
    write_photo(other, bench_picture(WIDE, HIGH, 77))
    length = other.stat().st_size  # of the same length; and of another, where no clip is hashed
    for stands_for, size_bytes in ((None, length), (0, length + 1)):
        changed = tiling.Tiling(
            str(other), "0" * 64, stands_for, tiled.size, tiled.levels, tiled.settings, "other.jpg", size_bytes
        )
        with pytest.raises(OriginalUnreadable, match="is not the file that was taken in"):
            changed.cut(0, 0, 0)
        assert not changed.at(0, 0, 0).exists()


def test_what_cannot_be_cut_is_told(client: FlaskClient, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiling.Tiling, "at", lambda self, *place: Path("/nowhere/at/all"))
    monkeypatch.setattr("lastlook.originals.where", lambda store, medium: Path("/nowhere/gone.jpg"))
    end = time.monotonic() + 20
    while (answer := get(client, f"/tile/{bench.ids['flat.jpg']}/0-0-0.jpg")).status_code == 202:
        assert time.monotonic() < end
        time.sleep(0.02)
    assert answer.status_code == 409
    assert "flat.jpg is not where it was" in answer.text


def test_tiles_looked_at_longest_ago_make_room(tmp_path: Path) -> None:
    for n, name in enumerate(("aa/one", "bb/two", "cc/three")):
        folder = tmp_path / "tile" / name
        folder.mkdir(parents=True)
        (folder / "0-0-0.jpg").write_bytes(bytes(1000))
        os.utime(folder / "0-0-0.jpg", (1000 + n, 1000 + n))
    assert tiling.make_room(tmp_path, 5000) == 0
    assert tiling.make_room(tmp_path, 2500) == 1000
    assert [each.name for each in sorted((tmp_path / "tile").glob("*/*"))] == ["two", "three"]


def test_asides_do_the_newest_first_and_survive_a_fault() -> None:
    line: Asides[int] = Asides(most_waiting=3, most_kept=2)
    begun, held = threading.Event(), threading.Event()
    order: list[int] = []

    def first() -> int:
        begun.set()
        held.wait(10)
        return -1

    def work(n: int) -> int:
        order.append(n)
        if n == 4:
            raise RuntimeError("a fault")
        return n

    logging.getLogger("lastlook_web.asides").disabled = True
    assert line.ask(-1, first) is None
    assert begun.wait(10), "what is asked for from here waits behind it"
    for n in range(6):
        assert line.ask(n, lambda n=n: work(n)) is None  # type: ignore[misc]
    held.set()
    end = time.monotonic() + 10
    while line.waiting() and time.monotonic() < end:
        time.sleep(0.005)
    logging.getLogger("lastlook_web.asides").disabled = False
    assert order == [5, 4, 3]
    kept = line.known(4)
    assert kept is not None
    assert kept.error is not None
    done = line.ask(9, lambda: 9, wait=5)
    assert done is not None
    assert done.value == 9


# ------------------------------------------------------------------------------------------------ marks


@pytest.fixture
def fresh(client: FlaskClient, bench: Bench) -> Iterator[str]:
    """A picture on which nothing is drawn, before and after."""
    id = bench.ids["flat.jpg"]
    yield id
    with Store(bench.archive, by="Ines") as store:
        drawn = [each.decision for each in marking.marks(store, id)]
        for uid in drawn + [each.decision for each in marking.knowns(store, id)]:
            deciding.undo(store, uid)


def test_a_mark_is_a_decision_in_pixels_of_the_picture(client: FlaskClient, bench: Bench, fresh: str) -> None:
    fields = {"shape": "trace", "points": "0.1,0.2 0.5,0.5 1,1", "of": "w03", "label": "behind  the foot"}
    answer = post(client, f"/picture/{fresh}/mark", fields)
    assert answer.status_code == 200
    with Store(bench.archive) as store:
        (mark,) = marking.marks(store, fresh)
        # Shares count from the picture's edge, the record's pixels from the middle of the first one.
        want = np.array([[0.1, 0.2], [0.5, 0.5], [1, 1]]) * [WIDE, HIGH] - 0.5
        assert np.abs(mark.points - want).max() < 0.01
        assert (mark.of, mark.label, mark.by, mark.shape) == ("W03", "behind the foot", "Ines", "trace")
    said = answer.get_json()
    assert said["uid"] == mark.decision
    page = get(client, f"/picture/{fresh}").text
    for text in (said["svg"], page):  # without script it is drawn all the same
        assert f'points="{0.1 * WIDE:.1f},{0.2 * HIGH:.1f} ' in text
        assert ">W03</text>" in text
    assert "behind the foot" in page
    assert "WH white" in page, "a colour is never said by colour alone"
    assert "drew a trace of W03" in page


def test_take_back_and_again_are_decisions_too(client: FlaskClient, bench: Bench, fresh: str) -> None:
    made = post(client, f"/picture/{fresh}/mark", {"shape": "point", "points": "0.5,0.5"}).get_json()
    back = post(client, f"/picture/{fresh}/mark/undo", {"uid": made["uid"]}).get_json()
    assert "Nothing is drawn" in back["list"]
    again = post(client, f"/picture/{fresh}/mark/undo", {"uid": back["uid"]}).get_json()
    assert "<circle" in again["svg"]
    assert post(client, f"/picture/{fresh}/mark/undo", {"uid": back["uid"]}).status_code == 400, "once only"
    with Store(bench.archive) as store:
        assert [each.decision for each in marking.marks(store, fresh)] == [made["uid"]]


def test_a_form_without_script_leads_back_to_the_page(client: FlaskClient, fresh: str) -> None:
    answer = post(client, f"/picture/{fresh}/mark", {"shape": "point", "points": "0.5,0.5"}, script=False)
    assert answer.status_code == 303
    assert answer.headers["Location"] == f"/picture/{fresh}#marks"


@pytest.mark.parametrize(
    "fields",
    [{"shape": "trace", "points": "0.1,0.1"}, {"shape": "point", "points": "0.1,0.1 0.2,0.2"},
     {"shape": "", "points": "0,0"},
     {"shape": "ring", "points": "0,0"}, {"shape": "point", "points": "nan,0"}, {"shape": "point", "points": "1.1,0"},
     {"shape": "point", "points": "-0.1,0"}, {"shape": "point", "points": "inf,0"}, {"shape": "point", "points": "a,b"},
     {"shape": "point", "points": ""}, {"shape": "point", "points": "0.5"},
     {"shape": "point", "points": "0.5,0.5", "of": "W99"},     {"shape": "trace", "points": "0.5,0.5 " * 3000}],
)  # fmt: skip
def test_what_is_no_mark_is_told_and_not_kept(client: FlaskClient, bench: Bench, fresh: str, fields: Any) -> None:
    with Store(bench.archive) as store:
        before = decisions.last_seq(store.catalogue)
    answer = post(client, f"/picture/{fresh}/mark", fields)
    assert answer.status_code == 400
    assert answer.get_json()["said"].count(".") >= 1
    with Store(bench.archive) as store:
        assert decisions.last_seq(store.catalogue) == before


def test_marks_need_the_token_and_only_their_own_picture_is_changed(
    client: FlaskClient, bench: Bench, fresh: str
) -> None:
    bare = client.post(f"/picture/{fresh}/mark", data={"shape": "point", "points": "0,0"}, base_url=HERE)
    assert bare.status_code == 403
    made = post(client, f"/picture/{fresh}/mark", {"shape": "point", "points": "0.5,0.5"}).get_json()
    other = bench.ids["turned.jpg"]
    assert post(client, f"/picture/{other}/mark/undo", {"uid": made["uid"]}).status_code == 400
    with Store(bench.archive) as store:
        plan = decisions.last_live(store.catalogue, "plan")
        assert plan is not None
    assert post(client, f"/picture/{fresh}/mark/undo", {"uid": plan.uid}).status_code == 400


@pytest.mark.parametrize(
    ("act", "fields", "typed"),
    [("mark", {"shape": "ring", "points": "0,0"}, ()),
     ("known", {"card": "1", "mm": "forty <b>"}, ("forty &lt;b&gt;",)),
     ("known", {"points": "0.1,0.1 0.4,0.1", "mm": "1,200", "within": "0,3"}, ("1,200", "0,3")),
     ("mark/undo", {"uid": "none"}, ())],
)  # fmt: skip
def test_a_form_that_cannot_be_kept_comes_back_as_typed(
    client: FlaskClient, fresh: str, act: str, fields: dict[str, str], typed: tuple[str, ...]
) -> None:
    answer = post(client, f"/picture/{fresh}/{act}", fields, script=False)
    assert answer.status_code == 400
    assert answer.text.count('role="alert"') == 1
    assert 'id="zoom"' in answer.text, "the picture's own page, not a bare one"
    for words in typed:
        assert f'value="{words}"' in answer.text
    by_script = post(client, f"/picture/{fresh}/{act}", fields)
    assert by_script.status_code == 400
    assert by_script.get_json()["said"]


def test_words_of_a_mark_stay_words(client: FlaskClient, fresh: str) -> None:
    wicked = '"><script>alert(1)</script><text'
    said = post(client, f"/picture/{fresh}/mark", {"shape": "point", "points": "0.5,0.5", "label": wicked}).get_json()
    page = get(client, f"/picture/{fresh}").text
    for text in (said["svg"], said["list"], page):
        assert "<script>alert" not in text
    assert "style=" not in page, "the policy takes no style in a page"
    assert re.search(r"\son[a-z]+=", page) is None


# ------------------------------------------------------------------------------------------------ in mm


def test_without_a_scale_the_page_says_how_to_get_one(client: FlaskClient, fresh: str) -> None:
    page = get(client, f"/picture/{fresh}").text
    assert "No scale here" in page
    assert "Draw a dimension between two points whose distance you know" in page
    assert get(client, f"/picture/{fresh}/mm?points=0.1,0.1+0.2,0.2").get_json() == {"said": ""}


def test_a_known_length_measures_others_with_their_error(client: FlaskClient, fresh: str) -> None:
    # Across the picture's middle 260 pixels are said to be 40 mm; 520 pixels beside it are 80 mm (similar figures).
    line = f"{0.45},0.5 {0.45 + 260 / WIDE},0.5"
    assert post(client, f"/picture/{fresh}/known", {"points": line, "mm": "40", "within": "0,2"}).status_code == 200
    twice = f"0.4,0.52 {0.4 + 520 / WIDE},0.52"
    said = post(client, f"/picture/{fresh}/mark", {"shape": "dimension", "points": twice, "label": "twice"}).get_json()
    found = re.search(r"([\d.]+) mm ± ([\d.]+) mm", said["list"])
    assert found is not None
    assert abs(float(found[1]) - 80) < 0.5
    assert 0.1 < float(found[2]) < 20
    assert "the plane of a length of 40 mm" in said["mm"]
    # A right angle of two equal legs at the middle of the view is 90°.
    corner = f"0.5,{0.5 - 200 / HIGH} 0.5,0.5 {0.5 + 200 / WIDE},0.5"
    live = get(client, f"/picture/{fresh}/mm?points={corner.replace(' ', '+')}").get_json()["said"]
    angle = re.search(r"angle ([\d.]+)° ± ([\d.]+)°", live)
    assert angle is not None
    assert abs(float(angle[1]) - 90) < 1
    # The page itself does not wait for it; asked for, it gives the lengths without script too.
    assert "80." in get(client, f"/picture/{fresh}?mm=1").text


def test_known_lengths_that_contradict_each_other_measure_nothing(client: FlaskClient, fresh: str) -> None:
    line, across = "0.2,0.5 0.5,0.5", "0.5,0.2 0.5,0.7"
    mm = 0.5 * HIGH * 100 / (0.3 * WIDE)  # looked at squarely, what lies across is so long
    post(client, f"/picture/{fresh}/mark", {"shape": "dimension", "points": line, "label": "rule"})
    post(client, f"/picture/{fresh}/known", {"points": line, "mm": "100"})
    said = post(client, f"/picture/{fresh}/known", {"points": across, "mm": f"{mm / 10:.2f}"}).get_json()
    for text in (said["mm"], get(client, f"/picture/{fresh}?mm=1").text, get(client, f"/draw/{fresh}").text):
        text = html.unescape(text)
        assert "contradict each other" in text.lower()
        assert "take it back" in text
        assert "the plane of" not in text
    assert " mm ± " not in said["list"].replace("within ± ", "")
    assert "nothing is measured by it yet" in said["said"]
    post(client, f"/picture/{fresh}/mark/undo", {"uid": said["uid"]})
    said = post(client, f"/picture/{fresh}/known", {"points": across, "mm": f"{mm:.2f}"}).get_json()
    assert "the plane of 2 known lengths" in said["mm"]


@pytest.mark.parametrize("mm", ["", "0", "-3", "nan", "wide", "1e9"])
def test_a_length_that_cannot_be_is_refused(client: FlaskClient, fresh: str, mm: str) -> None:
    answer = post(client, f"/picture/{fresh}/known", {"points": "0.1,0.1 0.5,0.5", "mm": mm})
    assert answer.status_code == 400
    assert "mm" in answer.get_json()["said"] or "millimetres" in answer.get_json()["said"]


# ------------------------------------------------------------------------------------------------ the same place


def test_the_strip_says_what_it_rests_on(client: FlaskClient, bench: Bench) -> None:
    page = get(client, f"/picture/{bench.ids['turned.jpg']}").text
    assert "No picture is known to be of the same view. These are of the same subassembly" in page
    flat, turned, phone = (bench.ids[name] for name in ("flat.jpg", "turned.jpg", "phone.heic"))
    strip = page[page.index('class="strip-list"') :]
    assert strip.index(flat) < strip.index("this picture") < strip.index(phone), "in order of time"
    assert f"/compare/{flat}/{turned}" in strip
    assert f"/compare/{turned}/{phone}" in strip, "the earlier one is always the one before"
    assert "No other picture of this place is known" in get(client, f"/picture/{bench.ids['small.png']}").text


def test_looking_for_the_same_view_goes_on_beside_the_page(client: FlaskClient, bench: Bench) -> None:
    id = bench.ids["flat.jpg"]
    assert "Load the page again to see." in get(client, f"/picture/{id}?look=1").text
    end = time.monotonic() + 60
    while not (answer := get(client, f"/picture/{id}/place").get_json())["done"]:
        assert time.monotonic() < end
        assert answer["words"].startswith("Looking")
        time.sleep(0.1)
    # turned.jpg, phone.heic and sensor.nef hold the very same view.
    assert bench.ids["phone.heic"] in answer["html"]
    assert "places agree" in answer["html"]
    assert "Of the same view" in get(client, f"/picture/{id}").text


def test_what_cannot_be_looked_for_is_told_once_and_tried_again(
    client: FlaskClient, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*given: object, **named: object) -> None:
        raise ArchiveError("the disk is full", "Make room.")

    monkeypatch.setattr(same_views, "same_view", fails)
    id = bench.ids["sensor.nef"]
    for _ in range(2):
        end = time.monotonic() + 20
        while not (answer := get(client, f"/picture/{id}/place").get_json())["done"]:
            assert time.monotonic() < end
            time.sleep(0.02)
        assert answer["words"] == "The disk is full. Make room."
    assert "Of the same view" not in get(client, f"/picture/{id}").text


def test_the_page_is_quick_and_light(client: FlaskClient, bench: Bench) -> None:
    path = f"/picture/{bench.ids['flat.jpg']}"
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
def address(bench: Bench) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(bench.archive, by="Ines"))) as where:
        yield where


@pytest.fixture
def watched(driver: Chrome) -> Iterator[Chrome]:
    """The browser, which must have nothing to complain of afterwards."""
    browser.look(driver)
    driver.get("about:blank")
    browser.complaints(driver)
    yield driver
    assert browser.complaints(driver) == []
    driver.get("about:blank")


def until(driver: Chrome, script: str, seconds: float = 20) -> Any:
    end = time.monotonic() + seconds
    while not (value := driver.execute_script(f"return {script}")):
        assert time.monotonic() < end, script
        time.sleep(0.05)
    return value


def zoomed(driver: Chrome) -> float:
    return float(driver.execute_async_script(
        f"const done = arguments[0]; import('{dressing.address()}/zoom.js').then((all) => done(all.viewer.view.zoom))"
    ))  # fmt: skip


def tiled(driver: Chrome) -> int:
    return int(driver.execute_async_script(
        f"const done = arguments[0]; import('{dressing.address()}/zoom.js').then((all) => done(all.viewer.tiles.size))"
    ))  # fmt: skip


def seen(driver: Chrome, x: float, y: float) -> Any:
    """The colour on the screen at a share of the frame, as the canvas holds it."""
    return driver.execute_script(
        "const c = document.querySelector('#zoom canvas'); const [x, y] = arguments;"
        "return [...c.getContext('2d').getImageData(c.width * x, c.height * y, 1, 1).data].slice(0, 3)",
        x,
        y,
    )


def wait_for(what: Any, seconds: float = 20) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.05)


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_looking_closer_by_keyboard_shows_the_originals_pixels(
    watched: Chrome, address: str, bench: Bench, width: int
) -> None:
    browser.size(watched, width)
    browser.open_page(watched, f"{address}/picture/{bench.ids['turned.jpg']}")
    assert browser.overflow(watched) <= 0
    frame = browser.one(watched, "#zoom")
    watched.execute_script("arguments[0].focus()", frame)
    for _ in range(7):
        frame.send_keys("+")
    wait_for(lambda: tiled(watched) > 0)
    wait_for(lambda: "coming" not in str(frame.get_attribute("class")))
    # The middle of the screen is the middle of the picture, in the picture's own colour.
    want = np.asarray(bench.truth["turned.jpg"], dtype=float)[HIGH // 2, WIDE // 2]
    wait_for(lambda: np.abs(np.array(seen(watched, 0.5, 0.5)) - want).max() < 30)
    until(watched, "/^#0\\.5\\d*,0\\.5\\d*,/.test(location.hash)")
    frame.send_keys(Keys.ARROW_RIGHT)
    until(watched, "Number(location.hash.slice(1).split(',')[0]) > 0.5")
    shared = str(watched.current_url)
    frame.send_keys("0")
    until(watched, "location.hash === ''")
    assert zoomed(watched) == pytest.approx(1)
    browser.open_page(watched, f"{address}/help")
    browser.open_page(watched, shared)  # an address carries the view
    assert zoomed(watched) > 3
    assert browser.overflow(watched) <= 0


@pytest.mark.browser
def test_wheel_buttons_and_double_click_look_closer(watched: Chrome, address: str, bench: Bench) -> None:
    browser.size(watched, 1280)
    browser.open_page(watched, f"{address}/picture/{bench.ids['flat.jpg']}")
    frame = browser.one(watched, "#zoom")
    ActionChains(watched).move_to_element(frame).move_by_offset(5, 5).perform()
    watched.execute_cdp_cmd(
        "Input.dispatchMouseEvent", {"type": "mouseWheel", "x": 400, "y": 500, "deltaX": 0, "deltaY": -240}
    )
    wait_for(lambda: zoomed(watched) > 1.1)
    browser.one(watched, "[data-zoom=whole]").click()
    wait_for(lambda: zoomed(watched) == pytest.approx(1))
    assert not browser.one(watched, "[data-zoom=left]").is_enabled()
    ActionChains(watched).double_click(frame).perform()
    wait_for(lambda: zoomed(watched) > 2)
    assert browser.one(watched, "[data-zoom=left]").is_enabled()
    browser.one(watched, "[data-zoom=pixels]").click()
    wait_for(lambda: "100 %" in browser.one(watched, "[data-said]").text)
    browser.one(watched, "[data-zoom=window]").click()
    wait_for(lambda: frame.size["height"] > 600)
    assert watched.execute_script("return document.querySelector('.block').inert")
    ActionChains(watched).send_keys(Keys.ESCAPE).perform()
    wait_for(lambda: not watched.execute_script("return document.querySelector('.block').inert"))


@pytest.mark.browser
def test_two_fingers_look_closer_on_a_phone(watched: Chrome, address: str, bench: Bench) -> None:
    browser.size(watched, 390)
    watched.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 2})
    try:
        browser.open_page(watched, f"{address}/picture/{bench.ids['flat.jpg']}")
        frame = browser.one(watched, "#zoom")
        watched.execute_script("arguments[0].scrollIntoView({block: 'center'})", frame)
        box = watched.execute_script(
            "const b = arguments[0].getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]", frame
        )

        def touch(kind: str, *offsets: float) -> None:
            points = [{"x": box[0] + offset, "y": box[1], "id": n} for n, offset in enumerate(offsets)]
            watched.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", -20)
        touch("touchStart", -20, 20)
        for reach in (30, 45, 60, 80):
            touch("touchMove", -reach, reach)
        touch("touchEnd")
        wait_for(lambda: zoomed(watched) > 2)
        wait_for(lambda: tiled(watched) > 0)
        browser.one(watched, "[data-zoom=whole]").click()
        for _ in range(2):  # a double tap
            touch("touchStart", 10)
            touch("touchEnd")
        wait_for(lambda: zoomed(watched) > 2)
    finally:
        watched.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_drawing_with_the_pointer_and_taking_it_back(
    watched: Chrome, address: str, bench: Bench, fresh: str, width: int
) -> None:
    browser.size(watched, width)
    browser.open_page(watched, f"{address}/picture/{fresh}")
    watched.execute_script("document.querySelector('[name=shape][value=trace]').click()")
    browser.one(watched, "#of").send_keys("W03")
    frame = browser.one(watched, "#zoom")
    watched.execute_script("arguments[0].scrollIntoView({block: 'center'})", frame)
    half = frame.size["width"] / 2
    for share in (-0.5, 0.0, 0.5):
        ActionChains(watched).move_to_element_with_offset(frame, int(half * share), 10).click().perform()
    assert "3 points" in browser.one(watched, "[data-draft]").text
    ActionChains(watched).key_down(Keys.CONTROL).send_keys("z").key_up(Keys.CONTROL).perform()
    assert "2 points" in browser.one(watched, "[data-draft]").text
    browser.one(watched, "[name=again]").click()
    browser.one(watched, "[name=keep]").click()
    wait_for(lambda: "Kept: trace of W03" in browser.one(watched, "[data-told]").text)
    with Store(bench.archive) as store:
        (mark,) = marking.marks(store, fresh)
    # Where the pointer was, within what a screen's pixel covers.
    want = np.array([0.25, 0.5, 0.75]) * WIDE
    assert np.abs(mark.points[:, 0] - want).max() < 2 * WIDE / frame.size["width"]
    assert "W03" in browser.one(watched, "#marks-list").text
    browser.one(watched, "[name=back]").click()
    wait_for(lambda: "Taken back." in browser.one(watched, "[data-told]").text)
    browser.one(watched, "[name=again]").click()
    wait_for(lambda: "Drawn again." in browser.one(watched, "[data-told]").text)
    with Store(bench.archive) as store:
        assert len(marking.marks(store, fresh)) == 1
    assert browser.overflow(watched) <= 0


@pytest.mark.browser
def test_what_is_drawn_outlives_its_visit(driver: Chrome, bench: Bench, fresh: str) -> None:
    """The visit ends while somebody draws. The page stays; after coming in again elsewhere the drawing is kept."""
    app = create_app(ViewerConfig(bench.archive, by="Ines", passcode="lantern-40"))
    visits = app.extensions["lastlook-visits"]

    def enter() -> None:
        browser.one(driver, "#passcode").send_keys("lantern-40", Keys.ENTER)
        wait_for(lambda: not browser.every(driver, "#passcode"))

    browser.size(driver, 1280)
    with browser.served(app) as where:
        browser.open_page(driver, f"{where}/picture/{fresh}")
        enter()
        driver.execute_script("document.querySelector('[name=shape][value=trace]').click()")
        frame = browser.one(driver, "#zoom")
        frame.send_keys(Keys.ENTER, *[Keys.ARROW_RIGHT] * 6, Keys.ENTER)
        visits.end_others(None)
        browser.one(driver, "[name=keep]").click()
        wait_for(lambda: "This visit is over" in browser.one(driver, "[data-told]").text)
        assert "2 points" in browser.one(driver, "[data-draft]").text
        with Store(bench.archive) as store:
            assert not marking.marks(store, fresh)
        here = driver.current_window_handle
        driver.switch_to.new_window("tab")
        driver.get(where)
        enter()
        driver.close()
        driver.switch_to.window(here)
        browser.one(driver, "[name=keep]").click()
        wait_for(lambda: "Kept: trace" in browser.one(driver, "[data-told]").text)
        with Store(bench.archive) as store:
            assert len(marking.marks(store, fresh)) == 1
        driver.get("about:blank")
    # The refusals are what is looked at here; nothing else may be complained of.
    assert [line for line in browser.complaints(driver) if "403" not in line] == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_drawing_and_measuring_by_keyboard_alone(
    watched: Chrome, address: str, bench: Bench, fresh: str, width: int
) -> None:
    browser.size(watched, width)
    browser.open_page(watched, f"{address}/picture/{fresh}")
    shapes = browser.every(watched, "[name=shape]")
    shapes[0].send_keys(Keys.ARROW_LEFT)  # round to the last: a dimension
    frame = browser.one(watched, "#zoom")
    wait_for(lambda: watched.switch_to.active_element == frame)
    frame.send_keys(Keys.ENTER, *[Keys.ARROW_RIGHT] * 6, Keys.ENTER)
    assert "2 points" in browser.one(watched, "[data-draft]").text
    browser.one(watched, "#known-mm").send_keys("wide", Keys.ENTER)
    wait_for(lambda: browser.every(watched, "#mm [data-refused]"))
    refused = browser.one(watched, "#mm [data-refused]")
    assert "no number of mm" in refused.text, "said where it was typed, not only below the picture"
    typed = watched.switch_to.active_element
    assert typed.get_attribute("id") == "known-mm"
    assert abs(refused.location["y"] - typed.location["y"]) < 200
    assert len(browser.complaints(watched)) == 1, "the refused form, and nothing else"
    typed.send_keys(Keys.CONTROL, "a", Keys.NULL, "40", Keys.ENTER)
    wait_for(lambda: "it is this picture's scale" in browser.one(watched, "[data-told]").text)
    assert "the plane of a length of 40 mm" in browser.one(watched, "#mm").text
    browser.every(watched, "[name=shape]")[0].send_keys(Keys.ARROW_LEFT)
    frame.send_keys(Keys.ENTER, *[Keys.ARROW_DOWN] * 6, Keys.ENTER)
    wait_for(lambda: re.search(r"40\.\d mm ± ", browser.one(watched, "[data-size]").text))
    frame.send_keys(Keys.CONTROL, Keys.ENTER)
    wait_for(lambda: "Kept: dimension" in browser.one(watched, "[data-told]").text)
    frame.send_keys(Keys.ESCAPE)
    assert "Choose what to draw" in browser.one(watched, "[data-draft]").text
    with Store(bench.archive) as store:
        (mark,) = marking.marks(store, fresh)
    assert mark.points[0, 0] == pytest.approx(mark.points[1, 0], abs=0.1)
    for dark in (False, True):
        browser.look(watched, dark=dark)
        assert browser.axe(watched) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_without_script_the_picture_and_its_marks_are_there(
    watched: Chrome, address: str, bench: Bench, fresh: str, width: int
) -> None:
    with Store(bench.archive, by="Ines") as store:
        marking.mark(store, fresh, "region", [[100, 100], [900, 100], [900, 900]], "MAST")
    browser.size(watched, width)
    watched.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        watched.get(f"{address}/picture/{fresh}")
        assert browser.one(watched, "#zoom img").is_displayed()
        shape = browser.one(watched, "#zoom svg polygon.core")
        picture, drawn = browser.one(watched, "#zoom img").rect, shape.rect
        assert picture["width"] > 250
        # It begins where it was drawn: 100 of 1990 pixels from the left, in a frame that fits the picture's width.
        share = (drawn["x"] - picture["x"]) / picture["width"]
        fits = min(picture["width"] / WIDE, picture["height"] / HIGH) * WIDE / picture["width"]
        assert share == pytest.approx((1 - fits) / 2 + fits * 100 / WIDE, abs=0.02)
        assert not browser.one(watched, ".zoom-bar").is_displayed()
        assert "Larger view" in browser.one(watched, ".acts").text
    finally:
        watched.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
