"""The bench with a phone: what is worked on, photos and clips sent whole or in pieces, what became of them, and the
last look of anything; in a real Chromium too."""

from __future__ import annotations

import hashlib
import json
import re
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver import Chrome
from selenium.webdriver.support.ui import Select, WebDriverWait

from lastlook import sessions
from lastlook.catalogue import media, pictures
from lastlook.errors import NoSuchId
from lastlook.intake.discover import FoundKind, kind_of
from lastlook.jobs import Runner
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, lan
from lastlook_web.config import Limits
from lastlook_web.joining import invitation
from lastlook_web.receiving import server_of
from lastlook_web.uploads import NoRoom, State, Upload, Uploads, fitting_name, safe_name
from lastlook_web.visits import Visits, made_passcode
from tests import browser, webarchive
from tests.browser import every, one, open_page, overflow, size
from tests.media import bench_picture, exif_block, write_photo
from tests.serving import running
from tests.webarchive import Filled


@pytest.fixture
def filled(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Filled:
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path)


@pytest.fixture
def app(filled: Filled) -> Iterator[Flask]:
    limits = Limits(photo=3_000_000, clip=6_000_000, form=2_000_000)
    app = create_app(ViewerConfig(filled.archive, by="Ines", limits=limits))
    yield app
    runner_of(app).close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A photo as a phone takes it, with Exif."""
    path = tmp_path / "phone" / "IMG_20260410_101112.jpg"
    exif = exif_block(original="2026:04:10 10:11:12", offset="+02:00", make="Rill", model="Rill 4")
    write_photo(path, bench_picture(800, 600, 210), exif=exif)
    return path


def runner_of(app: Flask) -> Runner:
    runner: Runner = app.extensions["lastlook-jobs"]
    return runner


def uploads_of(app: Flask) -> Uploads:
    uploads: Uploads = app.extensions["lastlook-uploads"]
    return uploads


def token_of(client: FlaskClient) -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get("/bench").text)
    assert found
    return found[1]


def begin(client: FlaskClient, name: str, data: bytes, **more: Any) -> Any:
    form = {"token": token_of(client), "name": name, "size": len(data), **more}
    return client.post("/bench/upload", data=form)


def piece(client: FlaskClient, id: str, at: int, data: bytes) -> Any:
    headers = {"X-Lastlook-Token": token_of(client), "Content-Type": "application/octet-stream"}
    return client.post(f"/bench/upload/{id}?at={at}", data=data, headers=headers)


def send(client: FlaskClient, name: str, data: bytes, step: int = 50_000, **more: Any) -> Any:
    """Send a file in pieces; what the viewer says last."""
    answer = begin(client, name, data, **more)
    told = answer.json
    while answer.status_code == 200 and told["state"] == "arriving":
        at = told["have"]
        answer = piece(client, told["id"], at, data[at : at + step])
        told = answer.json
    return answer


def state_of(client: FlaskClient, id: str) -> str:
    files = client.get("/bench/state").json["files"]  # type: ignore[index]
    return str(next(each["line"] for each in files if each["id"] == id))


# ------------------------------------------------------------------------------------------------ sending


def test_a_photo_sent_in_pieces_is_in_the_archive_bit_for_bit(
    client: FlaskClient, app: Flask, filled: Filled, photo: Path
) -> None:
    data = photo.read_bytes()
    answer = send(client, photo.name, data, step=30_000)
    assert answer.json["state"] == "waiting"
    runner_of(app).wait()
    assert state_of(client, answer.json["id"]) == "Taken in."
    with Store(filled.archive) as store:
        medium = media.get(store.catalogue, hashlib.sha256(data).hexdigest())
        assert medium is not None
        assert medium.file == photo.name
        kept = filled.archive.original(medium.stored, medium.in_place)
        assert kept.read_bytes() == data, "Exif and all"
        (picture,) = pictures.of_medium(store.catalogue, medium.sha256)
        assert picture.time.instant is not None
        assert picture.time.instant.isoformat() == "2026-04-10T08:11:12+00:00"
    left = [path for path in uploads_of(app).folder.rglob("*") if path.suffix not in {".json"}]
    assert left == [], "nothing of it is left lying about"
    page = client.get("/bench").text
    assert f'href="/picture/{picture.id}"' in page
    assert "10 Apr 2026" in page


def test_the_same_bytes_are_known(client: FlaskClient, app: Flask, filled: Filled, photo: Path) -> None:
    data = photo.read_bytes()
    first = send(client, photo.name, data).json
    runner_of(app).wait()
    # The same file chosen again: nothing is sent at all.
    again = begin(client, photo.name, data).json
    assert (again["id"], again["state"]) == (first["id"], "taken")
    # The same bytes under another name: sent, and known by their checksum.
    other = send(client, "another.jpg", data).json
    runner_of(app).wait()
    assert state_of(client, other["id"]) == "Was here already."
    with Store(filled.archive) as store:
        assert len([one for one in media.every(store.catalogue) if one.file in {photo.name, "another.jpg"}]) == 1
    assert "These bytes were here already." in client.get("/bench").text


def test_after_a_lost_connection_it_goes_on_where_it_was(
    client: FlaskClient, app: Flask, filled: Filled, photo: Path
) -> None:
    data = photo.read_bytes()
    told = begin(client, photo.name, data, modified=1_775_000_000_000, mark="ab12").json
    told = piece(client, told["id"], 0, data[:40_000]).json
    assert told["have"] == 40_000
    # A piece that is sent twice, or out of order, changes nothing: the answer says what is here.
    assert piece(client, told["id"], 0, data[:40_000]).json["have"] == 40_000
    assert piece(client, told["id"], 80_000, data[80_000:]).json["have"] == 40_000
    # The viewer is started again meanwhile.
    restarted = create_app(ViewerConfig(filled.archive, by="Ines"))
    later = restarted.test_client()
    told = begin(later, photo.name, data, modified=1_775_000_000_000, mark="ab12").json
    assert told["have"] == 40_000
    assert "have come. Choose it again to go on." in later.get("/bench").text
    told = piece(later, told["id"], 40_000, data[40_000:]).json
    assert told["state"] == "waiting"
    runner_of(restarted).wait()
    runner_of(restarted).close()
    with Store(filled.archive) as store:
        assert media.get(store.catalogue, hashlib.sha256(data).hexdigest()) is not None


def test_without_script_photos_are_sent_as_a_form(
    client: FlaskClient, app: Flask, filled: Filled, photo: Path, tmp_path: Path
) -> None:
    other = tmp_path / "phone" / "second.png"
    write_photo(other, bench_picture(320, 240, 211))
    files = [(BytesIO(path.read_bytes()), path.name) for path in (photo, other)]
    answer = client.post("/bench/photos", data={"token": token_of(client), "photos": files})
    assert answer.status_code == 303
    runner_of(app).wait()
    page = client.get("/bench").text
    assert "2 files came, and are being taken in." in page
    with Store(filled.archive) as store:
        assert media.get(store.catalogue, hashlib.sha256(photo.read_bytes()).hexdigest()) is not None
    assert client.post("/bench/photos", data={"token": token_of(client)}).status_code == 303
    assert "No file was chosen." in client.get("/bench").text


def test_a_clip_is_taken_in_with_its_stills(client: FlaskClient, app: Flask, filled: Filled, tmp_path: Path) -> None:
    clip = tmp_path / "MOV_1.mp4"
    source = ["-f", "lavfi", "-i", "testsrc2=size=320x240:rate=10:duration=3", "-pix_fmt", "yuv420p"]
    subprocess.run(["ffmpeg", "-v", "error", *source, clip], check=True)
    told = send(client, clip.name, clip.read_bytes()).json
    runner_of(app).wait()
    assert state_of(client, told["id"]) == "Taken in."
    with Store(filled.archive) as store:
        digest = hashlib.sha256(clip.read_bytes()).hexdigest()
        assert pictures.of_medium(store.catalogue, digest)


def test_what_is_no_picture_is_refused_by_its_bytes_with_the_reason(client: FlaskClient, app: Flask) -> None:
    for name, data, words in (
        ("IMG_1.jpg", b"<html><script>alert(1)</script></html>" * 200, "is no photo and no clip, but text"),
        ("IMG_2.jpg", b"PK\x03\x04" + b"x" * 9000, "is no photo and no clip, but ZIP"),
        ("IMG_3.heic", b"\x7fELF" + b"\0" * 9000, "is no photo and no clip"),
    ):
        answer = send(client, name, data)
        assert answer.status_code == 415, name
        assert words in answer.json["error"]
        assert answer.json["hint"]
    assert runner_of(app).jobs() == []
    page = client.get("/bench").text
    assert "Not taken in: it is no photo and no clip" in page


def test_a_small_photo_under_any_name_is_told_by_its_bytes(
    client: FlaskClient, app: Flask, filled: Filled, tmp_path: Path
) -> None:
    small = tmp_path / "s.jpg"
    write_photo(small, bench_picture(64, 48, 212))
    data = small.read_bytes()
    told = send(client, "notes.txt", data, step=700).json
    runner_of(app).wait()
    assert state_of(client, told["id"]) == "Taken in."
    with Store(filled.archive) as store:
        medium = media.get(store.catalogue, hashlib.sha256(data).hexdigest())
        assert medium is not None
        assert medium.file == "notes.txt.jpg"


def test_a_damaged_photo_is_refused_with_the_reason_of_the_reader(client: FlaskClient, app: Flask) -> None:
    told = send(client, "IMG_4.jpg", b"\xff\xd8\xff\xe0" + b"\x00" * 8000).json
    runner_of(app).wait()
    line = state_of(client, told["id"])
    assert re.match(r"Not taken in: it \w+ .{8}", line), line


def test_limits_are_told_in_words(client: FlaskClient, photo: Path) -> None:
    too_long = photo.read_bytes() + b"\0" * 3_000_000
    answer = send(client, photo.name, too_long)
    assert answer.status_code == 413
    assert "3.0 MB are taken for a photo from a phone" in answer.json["error"]
    assert "cable or card" in answer.json["hint"]
    assert begin(client, "clip.mp4", b"x" * 6_000_001).status_code == 413
    assert begin(client, "nothing.jpg", b"").status_code == 400
    form = {"token": token_of(client), "photos": [(BytesIO(b"x" * 1000), "large.jpg")]}
    told = client.post("/bench/photos", data=form, environ_overrides={"CONTENT_LENGTH": "4000000"})
    assert told.status_code == 413


def test_a_full_disk_is_told_and_nothing_half_done_is_kept(filled: Filled, photo: Path, monkeypatch: Any) -> None:
    uploads = Uploads(filled.archive, Limits(), free=lambda path: 100)
    data = photo.read_bytes()
    with pytest.raises(NoRoom, match="no room"):
        uploads.begin(photo.name, len(data))
    uploads = Uploads(filled.archive, Limits())
    known = uploads.begin(photo.name, len(data))
    known = uploads.piece(known.id, 0, BytesIO(data[:10_000]), 10_000)

    class Full(BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            raise OSError(28, "No space left on device")

    with pytest.raises(NoRoom):
        uploads.piece(known.id, 10_000, Full(), 10_000)
    assert uploads.find(known.id).have == 10_000
    known = uploads.piece(known.id, 10_000, BytesIO(data[10_000:]), len(data) - 10_000)
    assert known.state is State.WAITING


class Slow(BytesIO):
    """A phone that sends the rest only once it is let go."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self.asked, self.go = threading.Event(), threading.Event()

    def read(self, size: int | None = -1, /) -> bytes:
        self.asked.set()
        assert self.go.wait(60)
        return super().read(size)


def test_a_slow_phone_holds_no_other_file_up(filled: Filled, photo: Path) -> None:
    uploads = Uploads(filled.archive, Limits())
    data = photo.read_bytes()
    slow, given_up = Slow(data), Slow(data)
    with ThreadPoolExecutor(2) as pool:
        held, gone = uploads.begin("held.jpg", len(data)), uploads.begin("gone.jpg", len(data))
        first = pool.submit(uploads.piece, held.id, 0, slow, len(data))
        second = pool.submit(uploads.piece, gone.id, 0, given_up, len(data))
        try:
            assert slow.asked.wait(60)
            assert given_up.asked.wait(60)
            # All of this is done while the two are still being sent; before, it waited for them.
            other = uploads.whole("other.jpg", BytesIO(data), len(data))
            assert (other.state, first.done(), second.done()) == (State.WAITING, False, False)
            uploads.forget(gone.id)
        finally:
            slow.go.set()
            given_up.go.set()
        assert first.result(60).state is State.WAITING
        with pytest.raises(NoSuchId):
            second.result(60)
    assert not list(uploads.folder.glob(f"{gone.id}*"))
    held = uploads.find(held.id)
    assert uploads.path(held).read_bytes() == data
    uploads.settle(held, State.TAKEN)
    uploads.settle(other, State.TAKEN)


def test_what_never_came_whole_goes_after_a_day(filled: Filled, photo: Path) -> None:
    now = time.time()
    uploads = Uploads(filled.archive, Limits(), clock=lambda: now)
    data = photo.read_bytes()
    first = uploads.begin("a.jpg", len(data))
    uploads.piece(first.id, 0, BytesIO(data[:10_000]), 10_000)
    now += 25 * 3600
    uploads.begin("b.jpg", len(data))
    assert [one.name for one in uploads.every()] == ["b.jpg"]
    assert not list(uploads.folder.glob(f"{first.id}*"))


def test_the_phones_date_of_a_file_is_one_more_claim(client: FlaskClient, app: Flask, filled: Filled) -> None:
    out = BytesIO()
    bench_picture(300, 200, 213).save(out, "PNG")
    taken_ms = 1_776_000_000_000  # 2026-04-12 13:20:00 UTC
    told = send(client, "screenshot.png", out.getvalue(), modified=taken_ms).json
    runner_of(app).wait()
    assert state_of(client, told["id"]) == "Taken in."
    with Store(filled.archive) as store:
        (picture,) = pictures.of_medium(store.catalogue, hashlib.sha256(out.getvalue()).hexdigest())
    assert picture.time.basis == "file-system"
    assert picture.time.instant is not None
    assert picture.time.instant.isoformat() == "2026-04-12T13:20:00+00:00"
    wild = send(client, "later.png", out.getvalue() + b"\0", modified=99_999_999_999_999).json
    assert wild["state"] == "waiting", "a clock that is decades off is not believed, and no error"


@given(st.text(max_size=300))
def test_a_name_is_a_name_and_nothing_else(given_: str) -> None:
    name = safe_name(given_)
    assert name
    assert Path(name).name == name
    assert not name.startswith(".")
    assert name.isprintable()
    assert len(name.encode()) <= 200
    assert not set(name) & set('/\\<>:"|?*')
    assert safe_name(name) == name


@pytest.mark.parametrize(
    ("given_", "expected"),
    [
        ("IMG_0412.JPG", "IMG_0412.JPG"),
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\x\\a.jpg", "a.jpg"),
        ("..", "picture"),
        (".htaccess", "htaccess"),
        ("a\r\nSet-Cookie: x=1.jpg", "a__Set-Cookie_ x=1.jpg"),
        ("mast\u202egpj.exe", "mast_gpj.exe"),
        ("ä" * 300 + ".jpg", "ä" * 96 + ".jpg"),
    ],
)
def test_names_that_mean_harm_lose_what_could_do_it(given_: str, expected: str) -> None:
    name = safe_name(given_)
    assert name == expected or (len(expected) > 90 and name.endswith(".jpg") and len(name.encode()) <= 200)


def test_a_name_never_belies_what_a_file_is() -> None:
    jpeg = b"\xff\xd8\xff\xe0" + b"\0" * 100
    assert kind_of(jpeg) is FoundKind.PHOTO
    assert fitting_name("a.html", jpeg) == "a.html.jpg"
    assert fitting_name("a.mp4", jpeg) == "a.mp4.jpg"
    assert fitting_name("a.JPG", jpeg) == "a.JPG"


def test_a_record_of_a_file_that_was_tampered_with_is_passed_over(filled: Filled) -> None:
    uploads = Uploads(filled.archive, Limits())
    known = uploads.begin("a.jpg", 100)
    path = uploads.folder / f"{known.id}.json"
    for text in ("", "{}", "[1]", '{"state": "nowhere"}', json.dumps({**vars_of(known), "more": 1})):
        path.write_text(text)
        assert uploads.every() == []


def vars_of(upload: Upload) -> dict[str, object]:
    from dataclasses import asdict

    return asdict(upload)


# ------------------------------------------------------------------------------------------------ what is worked on


def test_what_is_worked_on_is_said_and_pictures_are_put_to_it(
    client: FlaskClient, app: Flask, filled: Filled, tmp_path: Path
) -> None:
    assert "Nothing is said to be under way." in client.get("/bench").text
    answer = client.post("/bench/work", data={"token": token_of(client), "sub": "MAST", "step": "", "run": "W03"})
    assert answer.status_code == 303
    page = client.get(answer.headers["Location"]).text
    assert re.search(r"Working on .*MAST.*W03", page)
    assert "Take that back" in page
    from datetime import UTC, datetime, timedelta

    taken = (datetime.now(UTC) + timedelta(seconds=2)).strftime("%Y:%m:%d %H:%M:%S")
    path = tmp_path / "now.jpg"
    write_photo(path, bench_picture(400, 300, 214), exif=exif_block(original=taken, offset="+00:00"))
    send(client, path.name, path.read_bytes())
    runner_of(app).wait()
    page = client.get("/bench").text
    now = page[page.index('id="now"') :]
    assert "Lantern mast" in now
    assert re.search(r"proposed, \d+ %: Taken in the session on MAST that Ines began", now)
    found = re.search(r'name="picture" value="(p[0-9a-f]+)"', now)
    assert found
    form = {"token": token_of(client), "picture": found[1], "dimension": "subassembly", "target": "MAST"}
    answer = client.post("/bench/not", data=form)
    page = client.get(answer.headers["Location"]).text
    assert f"{found[1]} does not show MAST." in page
    assert "Not this" not in page[page.index('id="now"') :] or 'value="MAST" aria' not in page
    uid = re.search(r'name="uid" value="([0-9a-f]+)"', page)
    assert uid
    client.post("/bench/undo", data={"token": token_of(client), "uid": uid[1]})
    page = client.get("/bench").text
    assert "Taken back." in page
    assert 'value="MAST" aria-label="now.jpg does not show MAST"' in page
    with Store(filled.archive) as store:
        going = sessions.under_way(store)
        assert going is not None
    client.post("/bench/work", data={"token": token_of(client), "stop": going.uid})
    assert "Nothing is said to be under way." in client.get("/bench").text


def test_starting_without_a_choice_or_with_an_unknown_one_says_so(client: FlaskClient) -> None:
    answer = client.post("/bench/work", data={"token": token_of(client)})
    assert answer.status_code == 400
    form = answer.text.partition('class="choosing"')[2].partition("</form>")[0]
    assert "Nothing was chosen. Choose what you are working on: a subassembly, a step or a run." in form
    assert 'name="photos"' in answer.text, "the page is still the bench"
    answer = client.post("/bench/work", data={"token": token_of(client), "sub": "NOPE"})
    assert answer.status_code == 404
    assert "NOPE" in answer.text.partition('class="choosing"')[2].partition("</form>")[0]
    answer = client.post("/queue/work", data={"token": token_of(client)})
    assert answer.status_code == 400
    form = answer.text.partition('<form class="work"')[2].partition("</form>")[0]
    assert "Nothing was chosen. Choose what you are working on: a subassembly or a step." in form


@pytest.mark.parametrize(
    ("asked", "where"),
    [("W03", "/look/W03"), ("w3", "/look/W03"), ("lantern mast", "/look/MAST"), ("O4", "/look/O4"),
     ("S09", "/?q=S09"), ("grey splice", "/?q=grey+splice"), ("", "/bench#look"),
     ("//evil.example", "/?q=//evil.example")],
)  # fmt: skip
def test_the_last_look_of_anything(client: FlaskClient, asked: str, where: str) -> None:
    answer = client.get("/bench/look", query_string={"of": asked})
    assert answer.status_code == 303
    assert answer.headers["Location"] == where
    assert client.get(where.split("#")[0]).status_code == 200


# ------------------------------------------------------------------------------------------------ in Chromium


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_photos_are_chosen_sent_and_seen_placed(
    driver: Chrome, app: Flask, filled: Filled, photo: Path, tmp_path: Path, width: int
) -> None:
    text = tmp_path / "phone" / "IMG_not.jpg"
    text.write_text("no picture at all " * 400)
    size(driver, width)
    browser.complaints(driver)
    with browser.served(app) as url:
        open_page(driver, url + "/bench")
        assert overflow(driver) <= 0
        Select(one(driver, "#b-sub")).select_by_value("MAST")
        one(driver, ".choosing button").click()
        # The page may change between finding its main part and reading it.
        again = WebDriverWait(driver, 10, ignored_exceptions=[StaleElementReferenceException])
        again.until(lambda _: "Working on MAST" in one(driver, "main").text)
        assert one(driver, "#shoot").get_attribute("capture") == "environment"
        one(driver, "#picked").send_keys(f"{photo}\n{text}")
        WebDriverWait(driver, 40).until(lambda _: every(driver, '[data-state="taken"]'))
        WebDriverWait(driver, 40).until(lambda _: every(driver, ".now-look"))
        refused = one(driver, '[data-state="refused"] .file-line').text
        assert "is no photo and no clip, but text" in refused
        assert "10 APR 2026" in one(driver, ".now").text
        assert overflow(driver) <= 0
        assert browser.axe(driver) == []
        browser.look(driver, dark=True)
        assert browser.axe(driver) == []
        browser.look(driver)
        # 415 is what was meant to be said; nothing else is to be complained of.
        assert [each for each in browser.complaints(driver) if "415" not in each] == []
    with Store(filled.archive) as store:
        assert media.get(store.catalogue, hashlib.sha256(photo.read_bytes()).hexdigest()) is not None


@pytest.mark.browser
def test_a_connection_that_breaks_is_waited_for(driver: Chrome, app: Flask, tmp_path: Path) -> None:
    large = tmp_path / "IMG_large.jpg"
    write_photo(large, bench_picture(1600, 1200, 215))
    size(driver, 390)
    with browser.served(app) as url:
        open_page(driver, url + "/bench")
        driver.execute_script(
            # The first two pieces are lost on the way, as in a workshop's far corner.
            "const real = window.fetch; let lost = 2;"
            "window.fetch = (address, ...rest) => (String(address).includes('?at=') && lost-- > 0)"
            " ? Promise.reject(new TypeError('network')) : real(address, ...rest);"
        )
        one(driver, "#picked").send_keys(str(large))
        WebDriverWait(driver, 10).until(lambda _: "No connection." in one(driver, ".file-line").text)
        WebDriverWait(driver, 30).until(lambda _: every(driver, '[data-state="taken"]'))
        browser.complaints(driver)


@pytest.mark.browser
def test_a_viewer_that_was_started_again_meanwhile_is_sent_to_all_the_same(
    driver: Chrome, app: Flask, tmp_path: Path
) -> None:
    photo = tmp_path / "IMG_restarted.jpg"
    write_photo(photo, bench_picture(640, 480, 216))
    size(driver, 390)
    with browser.served(app) as url:
        open_page(driver, url + "/bench")
        driver.delete_all_cookies()  # each start signs with a secret of its own: none of the old cookies holds
        one(driver, "#picked").send_keys(str(photo))
        WebDriverWait(driver, 30).until(lambda _: every(driver, '[data-state="taken"]'))
        assert [line for line in browser.complaints(driver) if "403" not in line] == []


# ------------------------------------------------------------------------------------------------ letting a phone in


@pytest.fixture
def opened(filled: Filled) -> Iterator[tuple[Flask, str]]:
    """The viewer opened to a network (another address of this machine stands for it), and where it is."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = ViewerConfig(filled.archive, by="Ines", port=port, lan=("127.0.0.2",), passcode="lantern-40-mast")
    app = create_app(config)
    lines = []
    for host in ("127.0.0.1", "127.0.0.2"):
        lines.append(socket.socket())
        lines[-1].setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        lines[-1].bind((host, port))
    with running(server_of(app, lines)):
        yield app, f"http://127.0.0.1:{port}"
    runner_of(app).close()


@pytest.mark.browser
def test_a_phone_scans_the_code_comes_in_and_leaves(driver: Chrome, opened: tuple[Flask, str], photo: Path) -> None:
    _, bench = opened
    size(driver, 1280)
    driver.delete_all_cookies()
    browser.complaints(driver)
    open_page(driver, f"{bench}/join")
    one(driver, "#passcode").send_keys("lantern-40-mast")
    one(driver, "main form button").click()
    WebDriverWait(driver, 10).until(lambda _: "Lightship" in driver.title)
    open_page(driver, f"{bench}/join")
    one(driver, "main section form button").click()
    WebDriverWait(driver, 10).until(lambda _: every(driver, ".join-code svg"))
    assert browser.axe(driver) == []
    # The code is read from the screen as a phone reads it, in the dark colours too (ISO/IEC 18004, by zxing-cpp).
    browser.look(driver, dark=True)
    assert browser.axe(driver) == []
    shown = one(driver, ".join-code").screenshot_as_png
    browser.look(driver)
    import zxingcpp
    from PIL import Image

    (read,) = zxingcpp.read_barcodes(Image.open(BytesIO(shown)).convert("RGB"))
    address = one(driver, ".join .id").text
    assert read.text == address
    assert address.startswith(f"http://127.0.0.2:{bench.rsplit(':', 1)[1]}/join/")
    # Now the phone: another name, so another cookie.
    size(driver, 390)
    open_page(driver, address)
    assert "Lightship" not in driver.page_source
    assert browser.axe(driver) == []
    one(driver, "main button").click()
    WebDriverWait(driver, 10).until(lambda _: "At the bench" in driver.title)
    assert one(driver, ".bench-foot").text == "Your visit"
    one(driver, "#picked").send_keys(str(photo))
    WebDriverWait(driver, 40).until(lambda _: every(driver, '[data-state="taken"]'))
    one(driver, ".bench-foot a").click()
    WebDriverWait(driver, 10).until(lambda _: "Visits" in driver.title)
    assert len(every(driver, ".who li")) == 2
    assert browser.axe(driver) == []
    assert overflow(driver) <= 0
    one(driver, "main form button").click()
    WebDriverWait(driver, 10).until(lambda _: "Passcode" in driver.title)
    open_page(driver, f"{bench.replace('127.0.0.1', '127.0.0.2')}/bench")
    assert "Passcode" in driver.title
    # The code is used up.
    open_page(driver, address)
    assert "does not let anybody in" in one(driver, "main").text
    assert browser.complaints(driver) == []


@pytest.mark.browser
def test_a_link_from_another_site_keeps_the_visit_and_one_that_ended_is_told(
    driver: Chrome, opened: tuple[Flask, str], photo: Path, tmp_path: Path
) -> None:
    app, bench = opened
    driver.delete_all_cookies()
    open_page(driver, f"{bench}/enter")
    one(driver, "#passcode").send_keys("lantern-40-mast")
    one(driver, "main form button").click()
    WebDriverWait(driver, 10).until(lambda _: "Lightship" in driver.title)
    elsewhere = tmp_path / "elsewhere.html"
    elsewhere.write_text(f'<title>Elsewhere</title><a href="{bench}/plan">to the plan</a>')
    driver.get(elsewhere.as_uri())
    one(driver, "a").click()
    WebDriverWait(driver, 10).until(lambda _: driver.title.startswith("Plan"))
    open_page(driver, f"{bench}/visit")
    assert len(every(driver, ".who li")) == 1
    # The visit ends while the bench is open: it says so and asks no more, with the way back in.
    open_page(driver, f"{bench}/bench")
    visits: Visits = app.extensions["lastlook-visits"]
    visits.end_others("")
    one(driver, "#picked").send_keys(str(photo))
    WebDriverWait(driver, 20).until(lambda _: every(driver, "#visit-over"))
    assert "This visit is over" in one(driver, "#visit-over").text
    assert browser.axe(driver) == []
    one(driver, "#visit-over a").click()
    WebDriverWait(driver, 10).until(lambda _: "Passcode" in driver.title)
    one(driver, "#passcode").send_keys("lantern-40-mast")
    one(driver, "main form button").click()
    WebDriverWait(driver, 10).until(lambda _: "At the bench" in driver.title)
    assert [line for line in browser.complaints(driver) if "403" not in line] == []


def test_the_terminal_says_where_it_is_and_for_whom_it_is_fine(opened: tuple[Flask, str]) -> None:
    app, _ = opened
    said = "\n".join(invitation(app, app.extensions["lastlook-config"], made=True))
    assert "Passcode: lantern-40-mast  (made for this start, and shown this once)" in said
    assert re.search(r"http://127\.0\.0\.2:\d+/join/\S{16}\n", said)
    assert "not encrypted" in said
    assert "That is fine in a workshop's" in said
    assert "█" in said
    assert "Passcode" not in "\n".join(invitation(app, app.extensions["lastlook-config"], made=False))


def test_a_made_passcode_is_long_and_no_letter_of_it_looks_like_another() -> None:
    made = {made_passcode() for _ in range(200)}
    assert len(made) == 200
    assert all(re.fullmatch(r"[a-z2-9]{5}-[a-z2-9]{5}", each) for each in made)
    assert not set("".join(made)) & set("iIlLoO01")


def test_only_addresses_of_a_private_network_are_listened_at(monkeypatch: pytest.MonkeyPatch) -> None:
    # RFC 1918 lists the private ones; the others are of RFC 5737, 3927 and 6598, and public.
    found = ["10.1.2.3", "172.16.0.9", "172.32.0.1", "192.168.1.20", "192.0.2.4", "169.254.3.3", "100.64.0.1",
             "8.8.8.8", "127.0.0.1", "fe80::1", "", "192.168.1.20"]  # fmt: skip
    assert lan.private(found) == ("10.1.2.3", "172.16.0.9", "192.168.1.20")
    assert all(lan.is_private(each) for each in lan.addresses())


def test_serve_says_what_keeps_it_from_the_network(filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from lastlook_web.command import serve

    monkeypatch.setattr(lan, "addresses", lambda: ())
    given = ["--archive", str(filled.archive.root), "--lan"]
    told = CliRunner().invoke(serve, given)
    assert "no address in a network of its own" in str(told.exception)
    told = CliRunner().invoke(serve, [*given, "--host", "0.0.0.0"])
    assert "by itself" in str(told.exception)
    monkeypatch.setattr(lan, "addresses", lambda: ("127.0.0.2",))
    told = CliRunner().invoke(serve, [*given, "--passcode", "short"])
    assert "5 letters" in str(told.exception)
