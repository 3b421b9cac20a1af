"""The attack list, second part: prepared files, and wearing the viewer down (see test_web_attacks.py)."""

from __future__ import annotations

import hashlib
import resource
import socket
import struct
import time
import zlib
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from PIL import Image

from lastlook import jobs
from lastlook.catalogue import media, pictures
from lastlook.jobs import Runner
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, dressing, receiving
from lastlook_web.config import Limits
from lastlook_web.media import PIECE as CLIP_PIECE
from lastlook_web.security import HEADERS
from tests import webarchive
from tests.attacks import LAN, PASSCODE, enter, filled_in, listening, rules, runner_of, say, token_of, upload
from tests.media import bench_picture
from tests.webarchive import Filled


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture
def filled(shared: Filled, tmp_path: Path) -> Filled:
    """A copy for a test that may change it."""
    return webarchive.copied(shared, tmp_path)


@pytest.fixture
def app(shared: Filled) -> Flask:
    """The viewer as a builder starts it, on this machine only."""
    return create_app(ViewerConfig(shared.archive, by="Ines"))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def own(filled: Filled) -> Iterator[Flask]:
    """A viewer over a copy, with close bounds."""
    app = create_app(ViewerConfig(filled.archive, by="Ines", limits=Limits(3_000_000, 6_000_000, 2_000_000)))
    yield app
    runner_of(app).close()


@pytest.fixture(scope="module")
def heard(shared: Filled) -> Iterator[tuple[str, int]]:
    """A viewer at a socket."""
    with listening(create_app(ViewerConfig(shared.archive, by="Ines"))) as where:
        yield where


# ------------------------------------------------------------------------------------------------ prepared files


def test_oversized_upload(own: Flask) -> None:
    """More than is taken (CWE-400): as a whole, by a piece, beyond what was said, and to any other address."""
    client = own.test_client()
    jpeg = b"\xff\xd8\xff\xe0" + b"\0" * 10_000
    assert upload(client, "a.jpg", jpeg, size=3_000_001).status_code == 413
    assert upload(client, "a.mp4", jpeg, size=6_000_001).status_code == 413
    token = token_of(client)
    headers = {"X-Lastlook-Token": token, "Content-Type": "application/octet-stream"}
    id = client.post("/bench/upload", data={"token": token, "name": "b.jpg", "size": 9000}).json["id"]  # type: ignore[index]
    assert client.post(f"/bench/upload/{id}?at=0", data=jpeg, headers=headers).status_code == 400
    over = {"CONTENT_LENGTH": str(receiving.PIECE + 1)}
    told = client.post(f"/bench/upload/{id}?at=0", data=jpeg, headers=headers, environ_overrides=over)
    assert told.status_code in {400, 413}
    for rule in rules(own, "POST"):
        if rule.endpoint in {"bench.form", "bench.piece"} or rule.endpoint in own.extensions["lastlook-limits"]:
            continue
        data = {"token": token, "typed": "x" * 70_000, "caption": "x" * 70_000}
        assert client.post(filled_in(rule, id), data=data).status_code == 413, rule


def png_of(width: int, height: int) -> bytes:
    """A valid PNG of one colour, by its standard (W3C): a few kilobytes that become width × height bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    squeeze = zlib.compressobj(1)
    row = b"\0" * (1 + width)
    packed = b"".join(squeeze.compress(row) for _ in range(height)) + squeeze.flush()
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def test_decompression_bomb(own: Flask) -> None:
    """A small file that becomes a huge picture (CWE-409): refused before it is unpacked, with the reason."""
    bomb = png_of(17_000, 17_000)
    assert len(bomb) < 2_000_000
    client = own.test_client()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    told = upload(client, "bomb.png", bomb).json
    runner_of(own).wait()
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    state = next(each for each in client.get("/bench/state").json["files"] if each["id"] == told["id"])  # type: ignore[index]
    assert state["state"] == "refused"
    assert "17000 × 17000 pixels, more than the limit" in state["line"]
    assert grown < 250_000, "kilobytes: 289 million pixels would be at least so many"


def test_polyglot_upload(own: Flask, filled: Filled) -> None:
    """A file that is a page as well (CWE-434): HTML called a photo is refused; a photo with a page behind it stays what
    it is, and is never served as a page."""
    client = own.test_client()
    page = b"<!DOCTYPE html><script>evil()</script>" * 200
    assert upload(client, "IMG_1.jpg", page).status_code == 415
    assert upload(client, "IMG_2.jpg", b"GIF89a/*" + page).status_code == 200, "told by its bytes, so it is tried"
    out = BytesIO()
    bench_picture(320, 240, 304).save(out, "JPEG", comment=page[:60_000])
    both = out.getvalue() + page
    assert upload(client, "IMG_3.html", both).status_code == 200
    runner_of(own).wait()
    with Store(filled.archive) as store:
        medium = media.get(store.catalogue, hashlib.sha256(both).hexdigest())
        assert medium is not None
        assert medium.file == "IMG_3.html.jpg"
        assert not [one for one in media.every(store.catalogue) if one.file == "IMG_2.jpg"]
        (picture,) = pictures.of_medium(store.catalogue, medium.sha256)
    original = client.get(f"/original/{picture.id}", buffered=True)
    assert original.data == both, "the original stays as it is"
    assert original.content_type == "application/octet-stream"
    assert original.headers["Content-Disposition"].startswith("attachment")
    for address in ("thumb", "page"):
        shown = client.get(f"/{address}/{picture.id}.jpg", buffered=True)
        assert shown.mimetype == "image/jpeg"
        assert b"evil" not in shown.data
        assert Image.open(BytesIO(shown.data)).format == "JPEG"


def test_svg_upload(own: Flask) -> None:
    """A picture that holds script (CWE-79): no SVG is taken, under no name, squeezed or not."""
    svg = b'<svg xmlns="http://www.w3.org/2000/svg" onload="evil()"><script>evil()</script></svg>' + b" " * 5000
    client = own.test_client()
    for name in ("a.svg", "a.jpg", "a.png", "a.svg.jpg", "a"):
        assert upload(client, name, svg).status_code == 415, name
    import gzip

    assert upload(client, "a.svgz", gzip.compress(svg * 50, 0)[:9000]).status_code == 415
    assert upload(client, "b.jpg", b'<?xml version="1.0"?><!DOCTYPE svg>' + svg).status_code == 415
    assert runner_of(own).jobs() == []


def test_names_of_files_that_mean_harm(own: Flask, filled: Filled) -> None:
    """A name that is a path, hidden, reserved or turned round (CWE-73): stored as a name, in its place."""
    client = own.test_client()
    names = ("../../../evil.jpg", "/etc/cron.d/evil.jpg", "..\\evil.jpg", ".bashrc", "evil\u202egpj.exe", "a\0.jpg",
             "x" * 5000 + ".jpg", "|rm -rf ~.jpg", "-rf.jpg", "lastlook.toml")  # fmt: skip
    for place, name in enumerate(names):
        out = BytesIO()
        bench_picture(48, 32, 310 + place).save(out, "JPEG")
        assert upload(client, name, out.getvalue()).status_code == 200, name
    runner_of(own).wait()
    assert {each["state"] for each in client.get("/bench/state").json["files"]} == {"taken"}  # type: ignore[index]
    with Store(filled.archive) as store:
        for medium in media.every(store.catalogue):
            assert Path(medium.file).name == medium.file
            path = filled.archive.original(medium.stored, medium.in_place).resolve()
            assert path.is_relative_to(filled.archive.originals.resolve())
    assert not list(filled.archive.root.parent.glob("evil*"))


# ------------------------------------------------------------------------------------------------ wearing it down


def test_range_abuse(client: FlaskClient, shared: Filled) -> None:
    """Ranges that are many, huge, turned round or no numbers (as in CVE-2011-3192): a bounded answer, no error."""
    size = len(client.get(f"/original/{shared.clip}", buffered=True).data)
    many = "bytes=" + ",".join(f"{n}-" for n in range(1500))
    odd = ("bytes=0-,0-,0-", "bytes=-1", f"bytes=-{size * 9}", "bytes=9999999999999999999999-", "bytes=5-1",
           "bytes=a-b", "bytes=", "bites=0-1", "bytes=0-99999999999999999999", "bytes=--1", "\0")  # fmt: skip
    for wanted in (many, *odd):
        for kind in ("play", "original"):
            answer = client.get(f"/{kind}/{shared.clip}", headers={"Range": wanted}, buffered=True)
            assert answer.status_code in {200, 206, 400, 416}, wanted
            assert len(answer.data) <= max(size, CLIP_PIECE)


def test_many_open_jobs(own: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asking for more work than can be done (CWE-770): so much may wait and no more, and it is said."""
    monkeypatch.setattr(jobs, "MOST_OPEN", 3)
    client = own.test_client()
    token = token_of(client)
    real = Runner._one

    def slow(self: Runner) -> jobs.Job:
        time.sleep(0.5)
        return real(self)

    monkeypatch.setattr(Runner, "_one", slow)
    codes = []
    for share in range(1, 12):
        answer = client.post("/work/start", data={"token": token, "kind": "verify", "share": f"{share}%"})
        codes.append(answer.status_code)
    assert codes[:3] == [303] * 3
    assert set(codes[3:]) == {400}
    assert "jobs wait already" in answer.text


def test_expensive_questions(client: FlaskClient) -> None:
    """Questions made to be slow (CWE-1333, CWE-400)."""
    began = time.monotonic()
    for question in ("a " * 3000, "(" * 3000, "before " * 300, "*" * 500, "W03 " * 400, "\u202e" * 900, "(a+)+$" * 300,
                     "9999-12-31 23:59:59", "W03 until 31 December 9999", "0001-01-01"):  # fmt: skip
        assert client.get("/", query_string={"q": question}).status_code in {200, 400}
        assert client.get("/bench/look", query_string={"of": question}).status_code == 303
    assert time.monotonic() - began < 20


def test_slow_body(own: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """Requests that never end (CWE-400): they hold no thread, pages go on, and each is ended after its time."""
    monkeypatch.setattr(receiving, "HEAD_SECONDS", 2.0)
    with listening(own) as where:
        slow = []
        for number in range(20):
            line = socket.create_connection(where, timeout=10)
            head = b"POST /bench/work HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900\r\n"
            line.sendall(head + (b"\r\nx" if number % 2 else b"X-Slow: "))
            slow.append(line)
        began = time.monotonic()
        answer = say(where, b"GET /help HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        assert answer.startswith(b"HTTP/1.1 200")
        assert time.monotonic() - began < 5
        for line in slow:
            line.settimeout(15)
            assert line.recv(4096) == b"", "ended without an answer"
            line.close()


def test_connections_of_one_address(own: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """One machine that takes all connections (CWE-770): it has so many and no more."""
    monkeypatch.setattr(receiving, "MOST_OF_ONE", 5)
    with listening(own) as where:
        lines = [socket.create_connection(where, timeout=10) for _ in range(12)]
        time.sleep(0.5)
        closed = 0
        for line in lines:
            line.settimeout(0.3)
            try:
                closed += line.recv(1) == b""
            except TimeoutError:
                pass
            finally:
                line.close()
        assert closed == 7
        time.sleep(0.5)
        assert say(where, b"GET /help HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").startswith(
            b"HTTP/1.1 200"
        )


def test_large_bodies_before_the_passcode_are_dropped_and_told_of(
    filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Filling disk or memory without being let in (CWE-400): dropped as they come; the answer is words and a style."""
    app = create_app(ViewerConfig(filled.archive, lan=(LAN,), passcode=PASSCODE))
    body = b"x" * 3_000_000
    head = "POST {} HTTP/1.1\r\nHost: localhost\r\nContent-Length: {}\r\nConnection: close\r\n{}\r\n"
    with listening(app) as where:
        for address in (
            "/bench/photos",
            "/bench/upload/u0123456789abcdef",
            "/enter",
            "/work/start",
            f"{dressing.address()}/x",
        ):
            answer = say(where, head.format(address, len(body), "").encode() + body)
            assert answer.startswith(b"HTTP/1.1 413"), address
            assert b"Too long" in answer
            assert b"can be sent in this way" in answer
            for name in ("Content-Security-Policy", "X-Frame-Options", "X-Content-Type-Options"):
                assert name.encode() in answer
        told = say(where, head.format("/enter", 1 << 40, "").encode() + b"x")
        assert told.startswith(b"HTTP/1.1 413"), "what nobody could send is refused at once"
        expecting = head.format("/bench/photos", len(body), "Expect: 100-continue\r\n").encode()
        assert say(where, expecting).startswith(b"HTTP/1.1 413"), "before it is sent, where the browser asks"
        client = app.test_client()
        assert enter(client) == 303
        cookie = client.get_cookie("lastlook-8047")
        assert cookie is not None
        let_in = head.format("/bench/photos", len(body), f"Cookie: lastlook-8047={cookie.value}\r\n").encode() + body
        assert say(where, let_in).startswith(b"HTTP/1.1 403"), "who is in may send so much; it lacks its token"
    assert not list(filled.archive.work.rglob("*.part"))


@pytest.mark.parametrize(
    ("head", "code"),
    [
        (b"GET /help HTTP/1.1\r\nHost : localhost\r\n", b"400"),
        (b"GET /help HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 300_000 + b"\r\n", b"431"),
        (b"POST /help HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: gzip, chunked\r\n", b"501"),
        (b"POST /help HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999999999999\r\n", b"413"),
        (b"GET http://evil.example/help HTTP/1.1\r\nHost: localhost\r\n", b"400"),
        (b"GET http://localhost/help HTTP/1.1\r\nHost: evil.example\r\n", b"200"),
        (b"GET /help HTTP/1.1\r\nHost: localhost..\r\n", b"400"),
        (b"GET /help HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n", b"400"),
        (b"GET /help HTTP/1.0\r\n", b"400"),
    ],
)  # fmt: skip
def test_the_guards_on_what_the_server_answers_itself(heard: tuple[str, int], head: bytes, code: bytes) -> None:
    """Refusals from below the pages (CWE-693), and two hosts in one request (CWE-436; RFC 9112, 3.2.2: where a whole
    address is asked for, its host counts)."""
    answer = say(heard, head + b"Connection: close\r\n\r\n", wait=5)
    assert answer[9:12] == code
    for name, value in HEADERS.items():
        assert answer.count(f"\r\n{name}: {value}\r\n".encode()) == 1, name
    assert b"\r\nCache-Control: no-store\r\n" in answer


def test_request_smuggling(own: Flask) -> None:
    """Two readings of where a request ends (CWE-444; RFC 9112, 6.3)."""
    with listening(own) as where:
        for head in (
            b"POST /help HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nContent-Length: 50\r\n\r\nhello",
            b"POST /help HTTP/1.1\r\nHost: localhost\r\nContent-Length: +5\r\n\r\nhello",
            b"POST /help HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
            b"GET /help HTTP/1.1\r\nHost: localhost\r\nX: a\nY: b\r\n\r\n",
            b"GET /help HTTP/1.1\r\nHost : localhost\r\n\r\n",
        ):
            answer = say(where, head, wait=3)
            assert answer[9:12] in {b"400", b"501"}, head
        head = b"POST /help HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n"
        two = head + b"Content-Length: 4\r\n\r\n0\r\n\r\n"
        answer = say(where, two + b"GET /nowhere HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", wait=3)
        assert answer.count(b"HTTP/1.1 2") == 0, "what is smuggled in gets no more than it would by itself"
        block = b"20000\r\n" + b"x" * 0x20000 + b"\r\n"
        answer = say(where, head.replace(b"/help", b"/enter") + b"\r\n" + 3 * block, wait=5)
        assert answer.startswith(b"HTTP/1.1 413") or answer == b""


def test_the_guards_stand_on_what_the_server_answers_itself(own: Flask) -> None:
    """Requests that never reach the pages: no version of the server, no path, no trace."""
    with listening(own) as where:
        for text in (b"nonsense\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"GET /" + b"a" * 300_000 + b" HTTP/1.1\r\n\r\n"):
            answer = say(where, text, wait=3)
            assert b"waitress" not in answer.lower()
            assert b"Traceback" not in answer
            assert b"/site-packages" not in answer
