"""Who may ask the viewer, and what a request may change or reach."""

from __future__ import annotations

import errno
import re
import shutil
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from markupsafe import escape

from lastlook.errors import ArchiveError, UsageError
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, dressing, serve
from lastlook_web.security import HEADERS, LONGEST_FORM, Throttle, host_is_ours, safe_next
from tests import webarchive
from tests.webarchive import Filled


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture
def app(filled: Filled) -> Flask:
    return create_app(ViewerConfig(filled.archive, by="Ines"))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def token_of(page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found, "no form with a token"
    return found[1]


# ------------------------------------------------------------------------------------------------ headers

SHEET = f"{dressing.address()}/sheet.css"
ADDRESSES = ("/", "/?q=W03", "/plan", "/not-used", "/help", "/nowhere", SHEET, "/picture/{id}",
             "/thumb/{id}.jpg", "/original/{id}", "/sub/MAST", "/clip/{clip}", "/play/{clip}")  # fmt: skip


@pytest.mark.parametrize("address", ADDRESSES)
def test_every_answer_carries_the_guards(client: FlaskClient, filled: Filled, address: str) -> None:
    answer = client.get(address.format(id=filled.last_before_o4, clip=filled.clip), buffered=True)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value, name
    assert "Set-Cookie" not in answer.headers or "HttpOnly" in answer.headers["Set-Cookie"]


def test_the_policy_allows_nothing_inline_and_no_frame() -> None:
    # CSP Level 3 (W3C): without 'unsafe-inline', hashes or nonces no inline script or style runs.
    policy = dict(part.split(" ", 1) for part in HEADERS["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["img-src"] == policy["form-action"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


@pytest.mark.parametrize(
    "template", sorted(Path("web/lastlook_web/templates").glob("*.html")), ids=lambda path: path.name
)
def test_no_template_has_inline_script_style_or_handler(template: Path) -> None:
    text = template.read_text(encoding="utf-8")
    assert not re.search(r"\sstyle=", text)
    assert not re.search(r"\son[a-z]+=", text)
    assert not re.search(r"<style|javascript:", text)
    assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text))
    assert "|safe" not in text


def test_pages_are_not_kept_but_pictures_are(client: FlaskClient, filled: Filled) -> None:
    assert client.get("/").headers["Cache-Control"] == "no-store"
    picture = client.get(f"/thumb/{filled.last_before_o4}.jpg", buffered=True)
    assert "immutable" in picture.headers["Cache-Control"]
    assert "private" in picture.headers["Cache-Control"]


def test_styles_and_scripts_are_kept_under_an_address_of_what_they_hold(client: FlaskClient, tmp_path: Path) -> None:
    page = client.get("/").text
    named = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', page))
    assert {each.rpartition("/")[0] for each in named} == {dressing.address()}
    for each in named:
        answer = client.get(each, buffered=True)
        assert (answer.status_code, answer.headers["Cache-Control"]) == (200, "public, max-age=31536000")
    # After an upgrade nothing is taken from what a browser kept: another file of them all is another address of each.
    shutil.copytree(dressing.FOLDER, tmp_path / "static")
    assert dressing.address(tmp_path / "static") == dressing.address()
    changed = tmp_path / "static" / "zoom.js"
    changed.write_bytes(changed.read_bytes() + b"\n")
    dressing.address.cache_clear()
    assert dressing.address(tmp_path / "static") != dressing.address()


# ------------------------------------------------------------------------------------------------ hosts


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "localhost:8047", "127.0.0.1:9", "[::1]:8047", "LOCALHOST"])
def test_it_answers_to_this_machine(client: FlaskClient, host: str) -> None:
    assert client.get("/help", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8047", "127.0.0.1.evil.example", "localhost.evil.example", "192.168.1.20",
     "10.0.0.1", "", "[", "localhost@evil.example"],
)  # fmt: skip
def test_it_answers_to_no_other_name(client: FlaskClient, host: str) -> None:
    answer = client.get("/help", headers={"Host": host})
    assert answer.status_code == 400
    assert "W03" not in answer.text


def test_names_can_be_allowed(filled: Filled) -> None:
    app = create_app(ViewerConfig(filled.archive, allowed_hosts=("bench.lan",)))
    assert app.test_client().get("/help", headers={"Host": "bench.lan:8047"}).status_code == 200


def test_in_the_workshop_a_bare_address_is_taken_but_no_strange_name() -> None:
    names = frozenset({"localhost"})
    assert host_is_ours("192.168.1.20:8047", names, any_address=True)
    assert not host_is_ours("192.168.1.20:8047", names, any_address=False)
    assert not host_is_ours("rebound.example:8047", names, any_address=True)


# ------------------------------------------------------------------------------------------------ changes


def post(client: FlaskClient, address: str, form: dict[str, str], **headers: str) -> int:
    return client.post(
        address, data=form, headers={name.replace("_", "-"): value for name, value in headers.items()}
    ).status_code


@pytest.fixture
def changing(filled: Filled, tmp_path: Path) -> tuple[FlaskClient, str, str, Filled]:
    """A client with a visit under way on a copy of the archive: (client, token, an address that changes, the copy)."""
    copy = webarchive.copied(filled, tmp_path)
    client = create_app(ViewerConfig(copy.archive, by="Ines")).test_client()
    token = token_of(client.get(f"/picture/{copy.last_before_o4}").text)
    return client, token, f"/picture/{copy.last_before_o4}/say", copy


def decisions(filled: Filled) -> int:
    return len(filled.archive.decisions.read_text(encoding="utf-8").splitlines())


def test_a_change_needs_the_token_of_its_visit(changing: tuple[FlaskClient, str, str, Filled]) -> None:
    client, token, address, copy = changing
    before = decisions(copy)
    assert post(client, address, {"typed": "W05"}) == 403
    assert post(client, address, {"typed": "W05", "token": ""}) == 403
    assert post(client, address, {"typed": "W05", "token": token[:-1] + "~"}) == 403
    other = create_app(ViewerConfig(copy.archive)).test_client()
    assert post(other, address, {"typed": "W05", "token": token}) == 403
    assert decisions(copy) == before
    assert post(client, address, {"typed": "W05", "token": token}) == 303
    assert decisions(copy) == before + 1


def test_what_was_written_in_a_form_outlives_its_visit(changing: tuple[FlaskClient, str, str, Filled]) -> None:
    """The viewer was started again, or the visit ended, while somebody wrote: going back gives an empty form."""
    client, _, address, copy = changing
    before = decisions(copy)
    words = "Sleeve <b>on</b>,\nshrunk & cold"
    form = {"token": "of-an-earlier-start", "caption": words, "empty": " "}
    refused = client.post(address, data=form)
    ended = create_app(ViewerConfig(copy.archive, host="0.0.0.0", passcode="lantern-40")).test_client()
    shut = ended.post(address, data={**form, "passcode": "lantern-40"})
    for answer in (refused, shut):
        assert answer.status_code == 403
        assert '<h1 id="error">This visit is over</h1>' in answer.text
        assert str(escape(words)) in answer.text
        assert "of-an-earlier-start" not in answer.text
        assert "lantern-40" not in answer.text
        assert "empty" not in answer.text
        assert "Lightship" not in answer.text
    for elsewhere in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        for visitor in (client, ended):
            answer = visitor.post(address, data=form, headers=elsewhere)
            assert answer.status_code == 403
            assert "shrunk" not in answer.text, "another site has no words of its own shown here"
    assert decisions(copy) == before


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://evil.example"}, {"Origin": "http://localhost:1"}, {"Origin": "http://["},
     {"Sec_Fetch_Site": "cross-site"}, {"Sec_Fetch_Site": "same-site"}],
    ids=str,
)  # fmt: skip
def test_a_change_from_elsewhere_is_refused_even_with_the_token(
    changing: tuple[FlaskClient, str, str, Filled], headers: dict[str, str]
) -> None:
    client, token, address, copy = changing
    before = decisions(copy)
    assert post(client, address, {"typed": "W05", "token": token}, **headers) == 403
    assert decisions(copy) == before


@pytest.mark.parametrize("path", ["say", "caption", "undo"])
def test_nothing_is_changed_by_looking(client: FlaskClient, filled: Filled, path: str) -> None:
    assert client.get(f"/picture/{filled.last_before_o4}/{path}?typed=W05&caption=x").status_code == 405


def test_the_cookie_is_for_these_pages_only(client: FlaskClient, filled: Filled) -> None:
    cookie = client.get(f"/picture/{filled.last_before_o4}").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert cookie.startswith("lastlook-8047=")


def test_a_form_that_is_far_too_long_is_refused(changing: tuple[FlaskClient, str, str, Filled]) -> None:
    client, token, _, copy = changing
    address = f"/picture/{copy.last_before_o4}/caption"
    assert post(client, address, {"caption": "x" * (LONGEST_FORM + 1), "token": token}) == 413


def test_what_a_person_wrote_is_shown_as_text(changing: tuple[FlaskClient, str, str, Filled]) -> None:
    client, token, _, copy = changing
    wicked = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>"
    assert post(client, f"/picture/{copy.last_before_o4}/caption", {"caption": wicked, "token": token}) == 303
    for address in (f"/picture/{copy.last_before_o4}", "/?q=W03", f"/?q={wicked}"):
        page = client.get(address).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page


# ------------------------------------------------------------------------------------------------ paths

PATHS = ("../../../etc/passwd", "..%2f..%2fcatalogue.db", "%2e%2e/lastlook.toml", "catalogue.db", "....//", "p",
         "p00", "c", "p%00", "/etc/passwd", "p0000000000000", "'; DROP TABLE picture; --")  # fmt: skip


@pytest.mark.parametrize("given", PATHS)
@pytest.mark.parametrize("route", ["/thumb/{}.jpg", "/page/{}.jpg", "/large/{}.jpg", "/original/{}", "/play/{}",
                                   "/picture/{}", "/clip/{}", f"{dressing.address()}/{{}}"])  # fmt: skip
def test_no_request_reaches_a_path(client: FlaskClient, route: str, given: str) -> None:
    answer = client.get(route.format(given))
    assert answer.status_code in {400, 404, 308}, answer.status_code
    assert b"root:" not in answer.data
    assert b"SQLite" not in answer.data
    assert b"zone =" not in answer.data


def test_an_address_names_a_picture_in_full(client: FlaskClient, filled: Filled) -> None:
    assert client.get(f"/picture/{filled.last_before_o4[:8]}").status_code == 404
    assert client.get(f"/thumb/{filled.last_before_o4[:8]}.jpg").status_code == 404
    assert client.get(f"/clip/{filled.clip[:8]}").status_code == 404


def test_an_original_is_never_shown_as_a_page(client: FlaskClient, filled: Filled) -> None:
    answer = client.get(f"/original/{filled.last_before_o4}", buffered=True)
    assert answer.headers["Content-Disposition"].startswith("attachment")
    assert answer.content_type == "application/octet-stream"


def test_errors_tell_nothing_of_the_machine(client: FlaskClient, filled: Filled) -> None:
    for address in ("/nowhere", "/picture/p000000000000", "/sub/NOPE"):
        answer = client.get(address)
        assert answer.status_code == 404
        assert "Traceback" not in answer.text
        assert str(filled.archive.root) not in answer.text


def test_a_fault_becomes_a_page_in_words(
    filled: Filled, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    app = create_app(ViewerConfig(filled.archive))

    def broken(store: Store) -> None:
        raise RuntimeError("secret of the machine")

    monkeypatch.setattr("lastlook.viewing.problems", broken)
    answer = app.test_client().get("/not-used")
    assert answer.status_code == 500
    assert "Something broke" in answer.text
    assert "secret of the machine" not in answer.text
    assert "secret of the machine" in caplog.text
    caplog.clear()  # it was meant to be logged


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "disk is full"), (errno.EROFS, "cannot be written to"), (0, "cannot be written")],
)
def test_a_disk_that_refuses_is_told_in_words_and_without_its_paths(
    filled: Filled, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, number: int, words: str
) -> None:
    """CWE-209; numbers of errno(3)."""
    root = filled.archive.root

    def refusing(*given: object, **more: object) -> None:
        raise OSError(number, "no", str(root)) if number else ArchiveError(f"{root} cannot be written to", "Look.")

    client = create_app(ViewerConfig(filled.archive, by="Ines")).test_client()
    token = token_of(client.get("/bench").text)
    monkeypatch.setattr("tempfile.TemporaryFile", refusing)
    form = {"token": token, "photos": (BytesIO(b"\xff\xd8\xff\xe0"), "a.jpg")}
    answer = client.post("/bench/photos", data=form, content_type="multipart/form-data")
    assert answer.status_code == 500
    assert words in answer.text
    assert str(root) not in answer.text
    assert caplog.records == []


# ------------------------------------------------------------------------------------------------ passcode


def test_other_machines_need_a_passcode(filled: Filled) -> None:
    for host in ("0.0.0.0", "::", "192.168.1.20", "bench.lan"):
        with pytest.raises(UsageError, match="passcode"):
            create_app(ViewerConfig(filled.archive, host=host))
    with pytest.raises(UsageError, match="5 letters"):
        create_app(ViewerConfig(filled.archive, host="0.0.0.0", passcode="12345"))
    for host in ("127.0.0.1", "127.8.8.8", "::1", "localhost"):
        create_app(ViewerConfig(filled.archive, host=host))


def test_a_passcode_is_not_printed(filled: Filled) -> None:
    assert "lantern-40" not in repr(ViewerConfig(filled.archive, passcode="lantern-40"))


@pytest.fixture
def locked(filled: Filled) -> Flask:
    return create_app(ViewerConfig(filled.archive, host="0.0.0.0", passcode="lantern-40"))


def test_nothing_is_shown_before_the_passcode(locked: Flask, filled: Filled) -> None:
    client = locked.test_client()
    for address in ("/", "/?q=W03", f"/picture/{filled.last_before_o4}", "/plan", "/not-used", "/help", "/nowhere"):
        answer = client.get(address)
        assert answer.status_code in {303, 403}, address
        assert "Lightship" not in answer.text
    for address in (
        f"/thumb/{filled.last_before_o4}.jpg",
        f"/original/{filled.last_before_o4}",
        f"/play/{filled.clip}",
    ):
        assert client.get(address).status_code == 403
    assert client.post(f"/picture/{filled.last_before_o4}/say", data={"typed": "W05"}).status_code == 403
    assert "Lightship" not in client.get("/enter").text


def enter(client: FlaskClient, passcode: str, following: str = "/") -> tuple[int, str]:
    token = token_of(client.get("/enter").text)
    answer = client.post("/enter", data={"passcode": passcode, "token": token, "next": following})
    return answer.status_code, answer.headers.get("Location", answer.text)


def test_the_passcode_opens_what_was_asked_for(locked: Flask) -> None:
    client = locked.test_client()
    asked = client.get("/?q=W03+before+O4+closed")
    assert asked.headers["Location"].startswith("/enter?next=")
    before = client.get(asked.headers["Location"]).headers["Set-Cookie"]
    assert enter(client, "wrong-one")[0] == 403
    code, where = enter(client, "lantern-40", "/?q=W03+before+O4+closed")
    assert (code, where) == (303, "/?q=W03+before+O4+closed")
    page = client.get(where)
    assert page.status_code == 200
    assert "W03" in page.text
    assert before not in page.headers.get("Set-Cookie", "")


def test_a_guess_without_a_visit_counts_for_nothing(locked: Flask) -> None:
    assert locked.test_client().post("/enter", data={"passcode": "lantern-40"}).status_code == 403


@pytest.mark.parametrize(
    "given",
    [
        *("//evil.example", "https://evil.example/", "/\\evil.example", "/\t\\evil.example", "/\t/evil.example"),
        *("/\v/evil.example", "//[evil.example", "javascript:alert(1)", "", "evil", "/enter"),
    ],
)
def test_after_the_passcode_nobody_is_sent_elsewhere(given: str) -> None:
    assert safe_next(given) == "/"


def test_guessing_is_slow(locked: Flask) -> None:
    client = locked.test_client()
    codes = [enter(client, f"guess-{n}")[0] for n in range(5)]
    assert codes[:3] == [403, 403, 403]
    assert codes[3:] == [429, 429]
    token = token_of(client.get("/enter").text)
    answer = client.post("/enter", data={"passcode": "lantern-40", "token": token})
    assert answer.status_code == 429, "even the right one waits"
    assert int(answer.headers["Retry-After"]) >= 1


def wrong() -> bool:
    return False


def test_each_wrong_answer_doubles_the_wait_up_to_a_bound() -> None:
    now = 0.0
    throttle = Throttle(clock=lambda: now, free=3, longest=60.0)
    waits = []
    for _ in range(12):
        now += throttle.wait("10.0.0.7")
        throttle.tried("10.0.0.7", wrong)
        waits.append(throttle.wait("10.0.0.7"))
    assert waits == [0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60, 60]
    assert throttle.wait("10.0.0.8") == 0, "somebody else need not wait"


def test_many_addresses_together_are_slowed_too() -> None:
    throttle = Throttle(clock=lambda: 0.0, free=3)
    for n in range(40):
        throttle.tried(f"10.0.0.{n}", wrong)
    assert throttle.wait("10.0.1.1") > 0


def test_wrong_answers_are_forgotten_an_hour_after_the_wait() -> None:
    now = 0.0
    throttle = Throttle(clock=lambda: now, free=3, longest=60.0)
    for n in range(40):
        throttle.tried(f"10.0.0.{n}", wrong)
    assert throttle.wait("10.0.1.1") == 1, "the ten that came while all had to wait were not looked at"
    now += 1 + 3601
    assert throttle.tried("10.0.0.7", wrong) == (False, 0.0)
    assert throttle.wait("10.0.0.7") == throttle.wait("10.0.1.1") == 0


def test_a_right_answer_forgets_the_wrong_ones() -> None:
    throttle = Throttle(clock=lambda: 0.0, free=3)
    for _ in range(2):
        assert throttle.tried("10.0.0.7", wrong) == (False, 0.0)
    assert throttle.tried("10.0.0.7", lambda: True) == (True, 0.0)
    for _ in range(2):
        throttle.tried("10.0.0.7", wrong)
    assert throttle.wait("10.0.0.7") == 0


def test_of_answers_that_come_at_once_no_more_are_judged_than_one_after_the_other() -> None:
    throttle = Throttle(clock=lambda: 0.0, free=3)
    together = threading.Barrier(16)
    judged = []

    def slow() -> bool:
        judged.append(True)
        time.sleep(0.005)  # others would come between here, if they could
        return False

    def guess() -> tuple[bool, float]:
        together.wait(20)
        return throttle.tried("10.0.0.7", slow)

    with ThreadPoolExecutor(16) as pool:
        told = [each.result() for each in [pool.submit(guess) for _ in range(16)]]
    assert len(judged) == 3
    assert sorted(told) == [(False, 0.0)] * 3 + [(False, 1.0)] * 13


def test_a_taken_port_is_told_in_words(filled: Filled) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(UsageError, match=f"nothing can listen at 127.0.0.1:{port}") as told:
            serve(ViewerConfig(filled.archive, port=port))
    assert "--port" in told.value.hint
