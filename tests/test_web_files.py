"""Clips, pictures and originals: played by ranges, cached by what they are, made again where they are missing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from lastlook.history import show
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from lastlook_web.media import PIECE
from tests import webarchive
from tests.webarchive import Filled
from tests.webreading import a_still, send, text_of


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture(scope="module")
def app(filled: Filled) -> Flask:
    return create_app(ViewerConfig(filled.archive, by="Ines"))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def copy(filled: Filled, tmp_path: Path) -> Filled:
    return webarchive.copied(filled, tmp_path)


# ------------------------------------------------------------------------------------------------ a clip


def test_a_clip_lists_its_stills_and_the_words_over_them(client: FlaskClient, filled: Filled) -> None:
    page = client.get(f"/clip/{filled.clip}?at=6000").text
    assert f'src="/play/{filled.clip}#t=6"' in page
    words = text_of(page)
    assert "0:07 The orange one, W05, goes to the motor." in words
    assert page.count('class="stretch-look"><a href="/picture/s') >= 2


def test_any_moment_of_a_clip_can_be_kept(copy: Filled) -> None:
    client = create_app(ViewerConfig(copy.archive, by="Ines")).test_client()
    page = f"/clip/{copy.clip}"
    kept = send(client, f"{page}/keep", {"at": "0:09.5"}, page)
    assert "The frame at 0:09.5 is kept." in kept
    assert 'id="at-9500"' in kept
    assert "was kept already" in send(client, f"{page}/keep", {"at": "9.5"}, page)
    assert "0:09.5" in text_of(client.get(page).text)


@pytest.mark.parametrize("at", ["", "noon", "99:00", "-3"])
def test_a_moment_that_is_none_is_refused(copy: Filled, at: str) -> None:
    client = create_app(ViewerConfig(copy.archive)).test_client()
    page = f"/clip/{copy.clip}"
    token = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert token
    assert client.post(f"{page}/keep", data={"at": at, "token": token[1]}).status_code == 400


def test_a_clip_is_given_in_the_ranges_a_player_asks_for(client: FlaskClient, filled: Filled) -> None:
    # RFC 9110, 14.2 and 15.3.7: 206 with Content-Range; If-Range; 416 past the end.
    whole = client.get(f"/play/{filled.clip}", buffered=True)
    assert whole.status_code == 200
    assert whole.headers["Accept-Ranges"] == "bytes"
    length = len(whole.data)
    part = client.get(f"/play/{filled.clip}", headers={"Range": "bytes=100-199"}, buffered=True)
    assert part.status_code == 206
    assert part.headers["Content-Range"] == f"bytes 100-199/{length}"
    assert part.data == whole.data[100:200]
    last = client.get(f"/play/{filled.clip}", headers={"Range": "bytes=-50"}, buffered=True)
    assert last.data == whole.data[-50:]
    assert client.get(f"/play/{filled.clip}", headers={"Range": f"bytes={length}-"}, buffered=True).status_code == 416
    longer = client.get(f"/play/{filled.clip}", headers={"Range": f"bytes=-{length + 9}"}, buffered=True)  # 14.1.2
    assert longer.headers["Content-Range"] == f"bytes 0-{min(length, PIECE) - 1}/{length}"
    for ignored in ("frames=0-9", "bytes=0-9,20-29"):  # 14.2: an unknown unit must be ignored
        all_ = client.get(f"/play/{filled.clip}", headers={"Range": ignored}, buffered=True)
        assert (all_.status_code, len(all_.data)) == (200, length)
    stale = client.get(f"/play/{filled.clip}", headers={"Range": "bytes=0-9", "If-Range": '"another"'}, buffered=True)
    assert stale.status_code == 200


def test_an_open_ended_range_never_holds_a_thread_for_long(
    client: FlaskClient, filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("lastlook_web.media.PIECE", 1000)
    part = client.get(f"/play/{filled.clip}", headers={"Range": "bytes=500-"}, buffered=True)
    assert part.status_code == 206
    assert len(part.data) == 1000
    assert part.headers["Content-Range"].startswith("bytes 500-1499/")
    assert PIECE < 16 << 20, "what the server keeps for a slow reader"


# ------------------------------------------------------------------------------------------------ files


def test_pictures_are_cached_by_what_they_are(client: FlaskClient, filled: Filled) -> None:
    for address in (f"/thumb/{filled.last_before_o4}.jpg", f"/page/{filled.last_before_o4}.jpg"):
        first = client.get(address, buffered=True)
        assert first.content_type == "image/jpeg"
        assert first.data[:3] == b"\xff\xd8\xff"
        again = client.get(address, headers={"If-None-Match": first.headers["ETag"]})
        assert again.status_code == 304
        assert not again.data


@pytest.mark.parametrize("size", ["thumb", "page"])
def test_a_missing_picture_comes_back_by_itself(copy: Filled, size: str) -> None:
    client = create_app(ViewerConfig(copy.archive)).test_client()
    for id in (copy.last_before_o4, a_still(copy)):
        before = client.get(f"/{size}/{id}.jpg", buffered=True).data
        with Store(copy.archive) as store:
            path = copy.archive.derived / getattr(show(store, id).picture, size)
        path.unlink()
        assert client.get(f"/{size}/{id}.jpg", buffered=True).data == before


def test_the_original_is_given_back_byte_for_byte(client: FlaskClient, filled: Filled) -> None:
    answer = client.get(f"/original/{filled.last_before_o4}", buffered=True)
    assert answer.data == (filled.source / "mast foot" / "IMG_20260325_162245.jpg").read_bytes()
    assert "IMG_20260325_162245.jpg" in answer.headers["Content-Disposition"]


def test_a_larger_view_is_made_when_asked_for(client: FlaskClient, filled: Filled) -> None:
    answer = client.get(f"/large/{filled.ids['IMG_20260324_145018.heic']}.jpg", buffered=True)
    assert answer.status_code == 200
    assert answer.data[:3] == b"\xff\xd8\xff"
    assert client.get(f"/large/{a_still(filled)}.jpg").status_code == 404


def test_a_lost_original_is_told_in_words(copy: Filled) -> None:
    client = create_app(ViewerConfig(copy.archive)).test_client()
    for path in copy.archive.originals.rglob("*.mp4"):
        path.unlink()
    for address in (f"/original/{copy.clip}", f"/play/{copy.clip}"):
        answer = client.get(address)
        assert answer.status_code == 409
        assert "is not where it was" in text_of(answer.text)
        assert "bring it back from a backup" in text_of(answer.text)
    assert "is not where it was" in text_of(client.get(f"/clip/{copy.clip}").text)
