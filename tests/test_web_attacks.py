"""The attack list: what somebody in the network, on another site or with a prepared file may try, an attack a test.

Names are those of the trade: OWASP Web Security Testing Guide 4.2 where it has one, MITRE CWE else. Who attacks: a page
on another site open in the same browser; somebody in the same network without the passcode; a file or a name that a
builder takes in unseen; somebody who was let in and should not reach further than the pages. Not on the list, since
nothing here could hold: who owns the computer, and who reads along in a network without encryption (README says so).
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import re
import resource
import socket
import struct
import time
import zlib
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import html5lib
import pytest
from flask import Flask
from flask.testing import FlaskClient
from PIL import Image

from lastlook import deciding, jobs, planning
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target
from lastlook.jobs import Runner
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, receiving
from lastlook_web.config import Limits
from lastlook_web.media import PIECE as CLIP_PIECE
from lastlook_web.security import HEADERS
from lastlook_web.visits import Codes, Visits
from tests import attacks, webarchive
from tests.attacks import MARK, PASSCODE, PATHS, SECRETS, WICKED, enter, filled_in, listening, rules, say, token_of
from tests.media import bench_picture, exif_block, write_photo
from tests.webarchive import Filled

LAN = "192.168.77.5"


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
def locked(shared: Filled) -> Flask:
    """The viewer opened to a network."""
    return create_app(ViewerConfig(shared.archive, by="Ines", lan=(LAN,), passcode=PASSCODE))


@pytest.fixture
def own(filled: Filled) -> Iterator[Flask]:
    """A viewer over a copy, with close bounds."""
    app = create_app(ViewerConfig(filled.archive, by="Ines", limits=Limits(3_000_000, 6_000_000, 2_000_000)))
    yield app
    runner_of(app).close()


def runner_of(app: Flask) -> Runner:
    runner: Runner = app.extensions["lastlook-jobs"]
    return runner


def upload(client: FlaskClient, name: str, data: bytes, size: int = 0) -> Any:
    """Send a file as the phone's page does, in one piece."""
    token = token_of(client)
    answer = client.post("/bench/upload", data={"token": token, "name": name, "size": size or len(data)})
    if answer.status_code != 200:
        return answer
    headers = {"X-Lastlook-Token": token, "Content-Type": "application/octet-stream"}
    return client.post(f"/bench/upload/{answer.json['id']}?at=0", data=data, headers=headers)  # type: ignore[index]


def decisions(filled: Filled) -> str:
    return filled.archive.decisions.read_text(encoding="utf-8")


# ------------------------------------------------------------------------------------------------ from another site


def test_dns_rebinding(app: Flask, locked: Flask) -> None:
    """A name elsewhere is made to point at this machine (CWE-350): only known names are answered, in every method."""
    for viewer, also in ((app, LAN), (locked, "192.168.77.6")):
        client = viewer.test_client()
        for host in (
            "rebound.example",
            "rebound.example:8047",
            "8.8.8.8",
            also,
            f"{LAN}.evil.example",
            "",
            "a b",
            "[::",
        ):
            for method in ("GET", "POST", "HEAD", "OPTIONS"):
                answer = client.open("/help", method=method, headers={"Host": host})
                assert answer.status_code == 400, (method, host)
                assert "Set-Cookie" not in answer.headers
    assert locked.test_client().get("/enter", headers={"Host": f"{LAN}:8047"}).status_code == 200


def test_forged_requests_need_the_token_of_the_visit(app: Flask, shared: Filled) -> None:
    """CSRF (CWE-352): every address that changes something, without a token, with an empty and with another's."""
    client, other = app.test_client(), app.test_client()
    mine, theirs = token_of(client), token_of(other)
    assert mine != theirs
    before = decisions(shared)
    tried = 0
    for rule in rules(app, "POST"):
        address = filled_in(rule, "u0123456789abcdef")
        for form in ({}, {"token": ""}, {"token": theirs}, {"token": mine[:-1]}, {"token": [mine, mine + "x"][1]}):
            assert client.post(address, data=form).status_code == 403, rule
            tried += 1
        assert client.post(address, data={}, headers={"X-Lastlook-Token": theirs}).status_code == 403, rule
        assert client.post(address, json={"token": mine}).status_code == 403, "a token in JSON is no form's"
        assert client.post(f"{address}?token={mine}").status_code == 403, "nor one in the address"
    assert tried > 100
    assert decisions(shared) == before


def test_forged_requests_from_another_site_fail_even_with_the_token(app: Flask, shared: Filled) -> None:
    """CSRF with a stolen token: the browser says where a form comes from (Fetch Standard, Origin; Fetch Metadata)."""
    client = app.test_client()
    token = token_of(client)
    before = decisions(shared)
    for rule in rules(app, "POST"):
        address = filled_in(rule, "u0123456789abcdef")
        for headers in ({"Origin": "http://evil.example"}, {"Origin": "http://localhost.evil.example"},
                        {"Origin": "https://localhost:8047"}, {"Sec-Fetch-Site": "cross-site"},
                        {"Sec-Fetch-Site": "same-site"}):  # fmt: skip
            assert client.post(address, data={"token": token}, headers=headers).status_code == 403, (rule, headers)
    assert decisions(shared) == before


def test_clickjacking(client: FlaskClient, locked: Flask) -> None:
    """Framing by another page (CWE-1021): refused by every answer, errors and refusals as well."""
    answers = [client.get(address) for address in ("/", "/bench", "/work", "/nowhere", "/static/sheet.css")]
    answers += [client.post("/bench/work"), locked.test_client().get("/"), locked.test_client().get("/enter")]
    answers += [client.get("/help", headers={"Host": "evil.example"})]
    for answer in answers:
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
        answer.close()


def test_reading_across_origins(client: FlaskClient) -> None:
    """A page elsewhere reads answers (CWE-942): none allows it, and pictures cannot be embedded there."""
    for address in ("/work/state", "/bench/state", "/ask/words.json", "/"):
        answer = client.get(address, headers={"Origin": "http://evil.example"})
        assert not [name for name, _ in answer.headers if name.lower().startswith("access-control")]
        assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
        assert answer.headers["Cross-Origin-Opener-Policy"] == "same-origin"
    asked = client.options("/bench/upload", headers={"Origin": "http://evil.example"})
    assert "Access-Control-Allow-Origin" not in asked.headers


def test_a_link_from_elsewhere_ends_no_visit(locked: Flask) -> None:
    """A strict cookie is held back where a link elsewhere led here; the answer must put no fresh one in its place."""
    client = locked.test_client()
    assert enter(client) == 303
    stranger = locked.test_client()
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    answer = stranger.get("/plan?x=1", headers=headers)
    assert answer.status_code == 200
    assert "Set-Cookie" not in answer.headers
    assert answer.headers["Refresh"] == "0"
    assert "Lightship" not in answer.text
    assert client.get("/plan", headers=headers).status_code == 200, "one that was sent along is taken"


def test_open_redirect(own: Flask, locked: Flask) -> None:
    """Being sent on to another site (CWE-601), by every address that sends a browser on."""
    for given in ("//evil.example", "https://evil.example", "/\\evil.example", "\t//evil.example",
                  "/\r\n//evil.example", "javascript:alert(1)", "/%0a/evil.example", "/enter",
                  "/join/x", "http:evil.example"):  # fmt: skip
        client = locked.test_client()
        token = token_of(client, "/enter")
        answer = client.post("/enter", data={"passcode": PASSCODE, "token": token, "next": given})
        assert answer.status_code == 303
        assert answer.headers["Location"] == ("/%0a/evil.example" if given == "/%0a/evil.example" else "/"), given
        client = own.test_client()
        where = client.get("/bench/look", query_string={"of": given}).headers["Location"]
        assert re.match(r"/(\?q=|look/|bench)", where), where
    client = own.test_client()
    answer = client.post("/work/start", data={"token": token_of(client), "kind": "check", "opening": "O3",
                                              "next": "//evil.example"})  # fmt: skip
    assert answer.headers["Location"].startswith("/work/j")


# ------------------------------------------------------------------------------------------------ what is shown


def crawl(client: FlaskClient, starts: tuple[str, ...], most: int) -> Iterator[tuple[str, Any]]:
    """Every page that links lead to, from `starts`, as a browser would build it."""
    seen, waiting, made = set(starts), [*starts], 0
    while waiting and made < most:
        address = waiting.pop(0)
        answer = client.get(address)
        if answer.mimetype != "text/html":
            answer.close()
            continue
        made += 1
        tree = html5lib.parse(answer.text, namespaceHTMLElements=False)
        yield address, tree
        for link in tree.iter("a"):
            target = (link.get("href") or "").split("#")[0]
            # One of a kind is enough: a page of each family, not of each picture.
            path, _, asked = target.partition("?")
            kind = re.sub(r"^(/[a-z-]+)/[^/]+", r"\1/*", path) + str(sorted(re.findall(r"(\w+)=", asked)))
            if target.startswith("/") and kind not in seen and not target.startswith(("/original", "/large")):
                seen.add(kind)
                waiting.append(target)


def test_script_in_what_people_and_cameras_write(own: Flask, filled: Filled, tmp_path: Path) -> None:
    """Stored XSS (CWE-79): plan titles, captions, file and folder names, Exif text, notes, what phones send."""
    wicked = WICKED.replace("\\", "\\\\").replace('"', '\\"')
    plan = webarchive.PLAN.read_text(encoding="utf-8")
    plan = re.sub(r'(?m)^title = "[^"]+"', f'title = "{wicked}"', plan)
    plan = re.sub(r'(?m)^name = "[^"]+"', f'name = "{wicked}"', plan, count=1)
    folder = tmp_path / "in" / WICKED.replace("/", "_")
    name = (WICKED.replace("/", "_") + ".jpg")[-120:]
    exif = exif_block(make=WICKED.replace('"', ""), model=WICKED)
    write_photo(folder / name, bench_picture(320, 240, 301), exif=exif)
    (folder / f"{name}.xyz").write_text("nothing")
    client = own.test_client()
    with Store(filled.archive, by=WICKED) as store:
        planning.load(store, plan, WICKED)
        from concurrent.futures import ThreadPoolExecutor

        from lastlook import sessions
        from lastlook.ingest import ingest

        with ThreadPoolExecutor(1) as executor:
            assert ingest(store, [tmp_path / "in"], executor=executor).added == 1
        sessions.start(store, [Target(Dimension.SUBASSEMBLY, "MAST")], note=WICKED)
        every = pictures.every_rid(store.catalogue)
        shown = pictures.by_rids(store.catalogue, every)
        deciding.tag(store, [shown[0].id, shown[-1].id], [Target(Dimension.SUBASSEMBLY, "MAST")], WICKED)
        taken = next(one.id for one in shown if MARK in one.file)
    out = BytesIO()
    bench_picture(64, 48, 302).save(out, "PNG")
    upload(client, WICKED + ".png", out.getvalue())
    upload(client, WICKED + ".jpg", b"<html>" * 2000)
    runner_of(own).wait()
    pages = 0
    addresses = (
        "/",
        "/bench",
        "/work",
        "/queue",
        "/not-used",
        f"/picture/{taken}",
        f"/?q={WICKED}",
        f"/bench/look?of={WICKED}",
    )
    met = False
    for address, tree in crawl(client, addresses, most=70):
        pages += 1
        for element in tree.iter():
            if not isinstance(element.tag, str):
                continue
            assert element.tag != MARK, address
            assert not [one for one in element.attrib if re.match("on|data-evil|style$", one)], address
            if element.tag == "script":
                assert (element.get("src") or "").startswith("/static/"), address
                assert not (element.text or "").strip(), address
            for attribute in ("href", "src", "action", "formaction"):
                assert not (element.get(attribute) or "").lower().startswith(("javascript:", "data:")), address
        text = "".join(tree.itertext())
        met = met or "<script>evil()</script>" in text
        assert "{{49}}" not in text
    assert met, "it was shown, as text"
    assert pages > 40


def test_script_in_addresses(client: FlaskClient, app: Flask) -> None:
    """Reflected XSS (CWE-79): in each argument of each address, and in each thing that can be asked."""
    for rule in rules(app, "GET"):
        for value in (WICKED, "%3Cscript%3Eevil()%3C/script%3E"):
            answer = client.get(
                filled_in(rule, value), query_string={"q": WICKED, "at": WICKED, "p": WICKED, "on": WICKED}
            )
            if answer.mimetype == "text/html":
                assert f"<{MARK}" not in answer.text, rule
                assert "<script>evil" not in answer.text, rule
            answer.close()


def test_content_sniffing(client: FlaskClient, shared: Filled) -> None:
    """A browser that guesses at types (CWE-430): none may, and no picture is served as anything but one."""
    for address, kind in (
        (f"/thumb/{shared.last_before_o4}.jpg", "image/jpeg"),
        (f"/original/{shared.last_before_o4}", "application/octet-stream"),
        (f"/play/{shared.clip}", "video/mp4"),
        ("/static/bench.js", "text/javascript"),
        ("/work/state", "application/json"),
        ("/", "text/html"),
    ):
        answer = client.get(address)
        assert answer.mimetype == kind
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        answer.close()


def test_error_pages_tell_nothing(own: Flask, filled: Filled, monkeypatch: pytest.MonkeyPatch, caplog: Any) -> None:
    """Paths, versions and traces in errors (CWE-209)."""
    client = own.test_client()

    def broken(*given: object) -> None:
        raise RuntimeError(f"secret at {filled.archive.root}")

    monkeypatch.setattr("lastlook.viewing.problems", broken)
    answers = [client.get(address) for address in ("/not-used", "/nowhere", "/picture/p0", "/work/j0", "/closing/zz")]
    answers += [client.post("/work/start"), client.put("/"), client.get("/", headers={"Host": "x"})]
    answers += [client.post("/work/start", data={"token": token_of(client), "kind": "take-in", "from": "/etc"})]
    for answer in answers:
        assert answer.status_code >= 400
        for told in (str(filled.archive.root), "Traceback", "secret at", "werkzeug", "site-packages", "Python/"):
            assert told not in answer.text, (answer.request.path, told)
    assert own.debug is False
    caplog.clear()  # the fault was meant to be logged


def test_log_injection(own: Flask, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """Line breaks and colours of a terminal in what is logged (CWE-117)."""

    def broken(*given: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("lastlook.viewing.picture", broken)
    own.test_client().get("/thumb/p1%0a2026-01-01 lastlook: all is well%1b[2J%0d.jpg")
    logged = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert logged
    assert not any(set("\n\r\x1b") & set(record.getMessage()) for record in logged)
    caplog.clear()


def test_cached_private_pages(client: FlaskClient, app: Flask, shared: Filled) -> None:
    """What stays in a cache for the next user (CWE-525): pages nowhere, pictures in this browser's own only."""
    for rule in rules(app, "GET"):
        answer = client.get(filled_in(rule, shared.last_before_o4))
        kept = answer.headers.get("Cache-Control", "")
        assert "public" not in kept or rule.endpoint == "static", rule
        if answer.mimetype == "text/html":
            assert kept == "no-store", rule
        elif answer.mimetype == "application/json":
            assert kept in {"no-store", "private, max-age=60"}, rule
        answer.close()
    assert "private" in client.get(f"/thumb/{shared.last_before_o4}.jpg", buffered=True).headers["Cache-Control"]


# ------------------------------------------------------------------------------------------------ paths and headers


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path[:24])
def test_path_traversal(client: FlaskClient, app: Flask, path: str) -> None:
    """Reaching a file by an address (CWE-22): every argument of every address that is looked at."""
    for rule in rules(app, "GET"):
        if "<" not in rule.rule:
            continue
        answer = client.get(filled_in(rule, path))
        assert answer.status_code in {200, 301, 303, 304, 308, 400, 404, 405}, (rule, answer.status_code)
        body = answer.get_data()
        assert not [secret for secret in SECRETS if secret in body], rule
        answer.close()


def test_path_traversal_by_forms(own: Flask, filled: Filled) -> None:
    """The same in what forms send: names of files, folders, records, ids."""
    client = own.test_client()
    token = token_of(client)
    before = set(filled.archive.root.parent.rglob("*"))
    for path in ("../../x", "/tmp/x", "..\\x", "a/../../b", "\0x"):
        for rule in rules(own, "POST"):
            names = ("kind", "from", "to", "id", "name", "picture", "of", "uid", "group", "visit", "record", "share")
            form = dict.fromkeys(names, path) | {"token": token, "size": "100", "kind": "take-in"}
            assert client.post(filled_in(rule, "u0123456789abcdef"), data=form).status_code != 500, rule
    fresh = set(filled.archive.root.parent.rglob("*")) - before
    outside = [path for path in fresh if not path.is_relative_to(filled.archive.root)]
    assert outside == []
    assert not Path("/tmp/x").exists()


def test_header_injection(own: Flask, filled: Filled, locked: Flask) -> None:
    """Line breaks in what becomes a header (CWE-113): names of downloads, addresses to go on to."""
    client = own.test_client()
    out = BytesIO()
    bench_picture(64, 48, 303).save(out, "PNG")
    answer = upload(client, 'a"\r\nSet-Cookie: stolen=1\r\n\r\n<html>.png', out.getvalue())
    runner_of(own).wait()
    with Store(filled.archive) as store:
        (picture,) = pictures.of_medium(store.catalogue, hashlib.sha256(out.getvalue()).hexdigest())
    told = client.get(f"/original/{picture.id}", buffered=True)
    assert "stolen" not in str(told.headers.getlist("Set-Cookie"))
    assert told.headers["Content-Disposition"].startswith("attachment")
    for address in ("/%0d%0aSet-Cookie:%20x=1", "/closing/o3%0d%0aX-Evil:1", "/bench/look?of=x%0d%0aX-Evil:%201"):
        answer = client.get(address)
        assert "X-Evil" not in answer.headers
        assert not set("\r\n") & set(answer.headers.get("Location", ""))
    asked = locked.test_client().get("/plan?x=%0d%0aX-Evil:1")
    assert not set("\r\n") & set(asked.headers["Location"])


def test_method_override(own: Flask, filled: Filled) -> None:
    """Changing something by a method that looks harmless (CWE-650)."""
    client = own.test_client()
    token = token_of(client)
    before = decisions(filled)
    headers = {"X-HTTP-Method-Override": "POST", "X-HTTP-Method": "POST", "X-Method-Override": "POST"}
    for rule in rules(own, "POST"):
        address = filled_in(rule, filled.last_before_o4)
        for method in ("GET", "HEAD", "PUT", "PATCH", "DELETE", "TRACE", "PROPFIND"):
            answer = client.open(address, method=method, headers=headers,
                                 query_string={"token": token, "_method": "POST", "typed": "W05"})  # fmt: skip
            assert answer.status_code != 500, (rule, method)
            answer.close()
    assert decisions(filled) == before
    assert runner_of(own).jobs() == []


# ------------------------------------------------------------------------------------------------ getting in


def test_cookie_theft(locked: Flask) -> None:
    """A cookie that script reads, other sites send or other paths set (OWASP WSTG-SESS-02)."""
    client = locked.test_client()
    cookies = client.get("/enter").headers.getlist("Set-Cookie")
    assert len(cookies) == 1
    parts = {part.strip().split("=")[0] for part in cookies[0].split(";")[1:]}
    assert parts == {"HttpOnly", "Path", "SameSite"}, "and no Domain: for this name alone"
    assert "SameSite=Strict" in cookies[0]
    assert "Path=/" in cookies[0]


def test_session_fixation(locked: Flask) -> None:
    """Giving a victim a cookie of the attacker's before the victim comes in (CWE-384)."""
    attacker, victim = locked.test_client(), locked.test_client()
    attacker.get("/enter")
    planted = attacker.get_cookie("lastlook-8047")
    assert planted is not None
    victim.set_cookie("lastlook-8047", planted.value)
    assert enter(victim) == 303
    after = victim.get_cookie("lastlook-8047")
    assert after is not None
    assert after.value != planted.value
    assert attacker.get("/plan").status_code == 303, "the planted one opens nothing"


def test_forged_and_stale_cookies(locked: Flask, shared: Filled) -> None:
    """A cookie signed by somebody else, changed, or kept from a visit that was ended (CWE-565, CWE-613)."""
    client = locked.test_client()
    assert enter(client) == 303
    cookie = client.get_cookie("lastlook-8047")
    assert cookie is not None
    other = create_app(ViewerConfig(shared.archive, lan=(LAN,), passcode=PASSCODE)).test_client()
    other.set_cookie("lastlook-8047", cookie.value)
    assert other.get("/plan").status_code == 303, "each start has a secret of its own"
    for forged in (cookie.value[:-2] + "xx", "eyJ2aXNpdCI6IngifQ.x.y", "", "a" * 4000):
        stranger = locked.test_client()
        stranger.set_cookie("lastlook-8047", forged)
        assert stranger.get("/plan").status_code == 303
    token = token_of(client)
    assert client.post("/visit/leave", data={"token": token}).status_code == 303
    client.set_cookie("lastlook-8047", cookie.value)
    assert client.get("/plan").status_code == 303, "leaving ends the visit, not only the cookie"


def test_visits_end_by_themselves_and_by_each_other() -> None:
    """Using a visit that was left open (CWE-613)."""
    now = 1000.0
    visits = Visits(idle=3600, longest=10_000, clock=lambda: now)
    mine, theirs = visits.begin("10.0.0.1", "", "passcode"), visits.begin("10.0.0.2", "", "code")
    now += 3599
    assert visits.alive(mine.id)
    now += 3599
    assert visits.alive(mine.id)
    assert not visits.alive(theirs.id), "not seen for an hour"
    now += 3000
    assert not visits.alive(mine.id), "over after its longest time, though it was in use"
    fresh = visits.begin("10.0.0.1", "", "passcode")
    others = [visits.begin("10.0.0.3", "", "code") for _ in range(3)]
    assert visits.end_others(fresh.id) == 3
    assert visits.alive(fresh.id)
    assert not any(visits.alive(other.id) for other in others)
    assert not visits.alive(None)
    assert not visits.alive(["x"])


def test_ending_all_other_visits(locked: Flask) -> None:
    """Somebody came in with a passcode that was read along: the builder throws everybody else out."""
    mine, theirs = locked.test_client(), locked.test_client()
    assert enter(mine) == enter(theirs) == 303
    assert "Who is in" in mine.get("/visit").text
    assert mine.post("/visit/end-others", data={"token": token_of(mine)}).status_code == 303
    assert mine.get("/plan").status_code == 200
    assert theirs.get("/plan").status_code == 303
    page = mine.get("/visit").text
    cookie = mine.get_cookie("lastlook-8047")
    assert cookie is not None
    assert cookie.value not in page
    known: Visits = locked.extensions["lastlook-visits"]
    assert known.every()[0].id not in page, "what a page names a visit by opens nothing"


def test_brute_force_of_the_passcode(locked: Flask) -> None:
    """Guessing (CWE-307): each address waits longer each time, all together wait too, and codes count as well."""
    client = locked.test_client()
    codes = [enter(client, f"guess-{n:08}") for n in range(6)]
    assert codes == [403, 403, 403, 429, 429, 429]
    assert enter(client) == 429, "even the right one waits"
    token = token_of(client, "/enter")
    assert client.post("/join/whatever", data={"token": token}).status_code == 429
    answers = set()
    for n in range(60):
        stranger = locked.test_client()
        answers.add(enter(stranger, "guess-guess", environ_overrides={"REMOTE_ADDR": f"10.1.0.{n}"}))
    assert answers == {403, 429}, "addresses are cheap: all together are slowed"
    last = locked.test_client()
    assert enter(last, environ_overrides={"REMOTE_ADDR": "10.9.9.9"}) == 429


def test_guessing_and_reusing_the_code_of_a_phone(locked: Flask) -> None:
    """A code is for one phone and for five minutes; looking at it does not use it up."""
    codes: Codes = locked.extensions["lastlook-codes"]
    code = codes.make()
    first, second = locked.test_client(), locked.test_client()
    assert "Come in to the bench" in first.get(f"/join/{code}").text
    assert "Lightship" not in first.get(f"/join/{code}").text
    assert first.post(f"/join/{code}", data={"token": token_of(first, f"/join/{code}")}).status_code == 303
    assert first.get("/plan").status_code == 200
    assert "does not let anybody in" in second.get(f"/join/{code}").text
    token = token_of(second, "/enter")
    assert second.post(f"/join/{code}", data={"token": token}).status_code == 403
    assert second.get("/plan").status_code == 303
    now = 0.0
    timed = Codes(clock=lambda: now)
    code = timed.make()
    now += 299
    assert timed.good(code)
    now += 2
    assert not timed.take(code)
    assert len(code) >= 16, "96 bits and more"


def test_codes_are_shown_to_nobody_but_the_bench_computer(locked: Flask) -> None:
    """Somebody who was let in lets others in: the page is for who sits at the computer (CWE-284)."""
    client = locked.test_client()
    assert enter(client) == 303
    token = token_of(client)
    assert client.get("/join").status_code == 200
    for host, address in ((f"{LAN}:8047", LAN), (f"{LAN}:8047", "127.0.0.1"), ("localhost:8047", "192.168.77.9")):
        environ = {"REMOTE_ADDR": address}
        visit = locked.test_client()
        base = f"http://{host}"
        page = visit.get("/enter", base_url=base, environ_overrides=environ).text
        given = re.search(r'name="token" value="([^"]+)"', page)
        assert given
        form = {"passcode": PASSCODE, "token": given[1]}
        assert visit.post("/enter", data=form, base_url=base, environ_overrides=environ).status_code == 303
        assert visit.get("/plan", base_url=base, environ_overrides=environ).status_code == 200
        assert visit.get("/join", base_url=base, environ_overrides=environ).status_code == 404
        assert visit.post(
            "/join/code", data={"token": token}, base_url=base, environ_overrides=environ
        ).status_code in {
            403,
            404,
        }


def test_timing_of_comparisons(locked: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """Learning a secret letter by letter from how long a comparison takes (CWE-208): each is compared to its end."""
    compared: list[tuple[bytes, bytes]] = []
    real = hmac.compare_digest

    def noted(one: Any, other: Any) -> bool:
        compared.append((one, other))
        return real(one, other)

    monkeypatch.setattr("hmac.compare_digest", noted)
    codes: Codes = locked.extensions["lastlook-codes"]
    code = codes.make()
    client = locked.test_client()
    token = token_of(client, "/enter")
    client.post("/enter", data={"passcode": "guess-guess", "token": token})
    codes.good("x")
    secrets_compared = {each for pair in compared for each in pair}
    assert {PASSCODE.encode(), token.encode(), code.encode()} <= secrets_compared


def test_nothing_is_reached_before_the_passcode(locked: Flask, shared: Filled) -> None:
    """Forced browsing (CWE-425): every address, in every method."""
    opened = {"security.enter", "security.check", "joining.asked", "joining.joined", "static"}
    for method in ("GET", "POST", "HEAD", "OPTIONS"):
        for rule in rules(locked, method):
            client = locked.test_client()
            answer = client.open(filled_in(rule, shared.last_before_o4), method=method)
            if rule.endpoint not in opened:
                assert answer.status_code in {303, 403}, (method, rule)
            assert b"Lightship" not in answer.get_data(), (method, rule)
            answer.close()


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
    for question in ("a " * 3000, "(" * 3000, "before " * 300, "*" * 500, "W03 " * 400, "\u202e" * 900, "(a+)+$" * 300):
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
        for address in ("/bench/photos", "/bench/upload/u0123456789abcdef", "/enter", "/work/start", "/static/x"):
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


def test_the_list_is_complete() -> None:
    """Each header of the guards is there for one of these attacks; whoever takes one away takes its test along."""
    here = Path(__file__).read_text(encoding="utf-8")
    assert {"Content-Security-Policy", "X-Frame-Options", "X-Content-Type-Options"} <= set(HEADERS)
    named = set(re.findall(r"CWE-\d+|WSTG-\w+-\d+", here))
    assert len(named) >= 25
    assert attacks.PASSCODE not in repr(ViewerConfig)
