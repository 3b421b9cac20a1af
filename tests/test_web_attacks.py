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
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import html5lib
import pytest
from flask import Flask
from flask.testing import FlaskClient

from lastlook import deciding, planning
from lastlook.catalogue import pictures
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app, dressing
from lastlook_web.config import Limits
from lastlook_web.security import HEADERS
from lastlook_web.visits import Codes, Throttle, Visits
from tests import attacks, webarchive
from tests.attacks import (
    LAN,
    MARK,
    PASSCODE,
    PATHS,
    SECRETS,
    WICKED,
    enter,
    filled_in,
    rules,
    runner_of,
    token_of,
    upload,
)
from tests.media import bench_picture, exif_block, write_photo
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
def locked(shared: Filled) -> Flask:
    """The viewer opened to a network."""
    return create_app(ViewerConfig(shared.archive, by="Ines", lan=(LAN,), passcode=PASSCODE))


@pytest.fixture
def own(filled: Filled) -> Iterator[Flask]:
    """A viewer over a copy, with close bounds."""
    app = create_app(ViewerConfig(filled.archive, by="Ines", limits=Limits(3_000_000, 6_000_000, 2_000_000)))
    yield app
    runner_of(app).close()


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


@pytest.mark.parametrize(
    "host",
    ["localhost..", ".localhost", "a..b", "x" * 64 + ".example", "evil@localhost", "localhost@evil", "localhost:x",
     "localhost:123456", "localhost/x", "localhost#", "localhost, evil.example", "[::1%25eth0]", "[::ffff:127.0.0.1]",
     "127.1", "2130706433", "0.0.0.0", "\u24db\u24de\u24d2al", "\xadlocalhost"],
)  # fmt: skip
def test_hosts_that_are_none(client: FlaskClient, caplog: pytest.LogCaptureFixture, host: str) -> None:
    """A host that one reader takes for this machine and another for something else (CWE-436): refused, in words, with
    the guards; none of them gets as far as an error that is logged with the path as it was sent (CWE-117)."""
    answer = client.get(
        "/help%0aforged", headers={"Host": host, "X-Forwarded-Host": "localhost", "Forwarded": "host=localhost"}
    )
    assert answer.status_code == 400
    assert "does not go by the name" in answer.text
    assert set(HEADERS) <= set(answer.headers.keys())
    assert caplog.records == []


def test_what_other_sites_reach_for_is_not_even_looked_up(app: Flask, locked: Flask, shared: Filled) -> None:
    """Learning what an archive holds from how long a question takes, and keeping the viewer at work (CWE-208;
    Fetch Metadata): pages of another site get nothing of the viewer into theirs, whatever they embed."""
    for viewer in (app, locked):
        client = viewer.test_client()
        for rule in rules(viewer, "GET"):
            for site, mode, kind in (("cross-site", "no-cors", "image"), ("same-site", "cors", "empty"),
                                     ("cross-site", "no-cors", "script")):  # fmt: skip
                headers = {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": kind}
                answer = client.get(filled_in(rule, shared.last_before_o4), headers=headers)
                assert answer.status_code == 403, rule
                assert "Set-Cookie" not in answer.headers
    own = {"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"}
    app.test_client().get(f"/thumb/{shared.last_before_o4}.jpg", headers=own, buffered=True).close()
    typed = {"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert app.test_client().get("/help", headers=typed).status_code == 200


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
    answers = [
        client.get(address) for address in ("/", "/bench", "/work", "/nowhere", f"{dressing.address()}/sheet.css")
    ]
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
                assert (element.get("src") or "").startswith(f"{dressing.address()}/"), address
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
        (f"{dressing.address()}/bench.js", "text/javascript"),
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


def test_setting_the_clock_keeps_no_visit_open() -> None:
    """A clock that steps back would prolong what was left open, one that steps on would end what is in use: all of it
    is counted from the start of the machine (proc(5), uptime), which nobody sets and which goes on while it sleeps."""
    began = float(Path("/proc/uptime").read_text().split()[0])
    for counting in (Visits(idle=3600, longest=10_000), Codes(), Throttle()):
        assert began - 1 <= counting.clock() < began + 60
    visits = Visits(idle=3600, longest=10_000)
    visits.begin("10.0.0.1", "", "passcode")
    assert 0 <= visits.clock() - visits.every()[0].seen < 60


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


def test_guesses_from_many_addresses_of_one_machine(locked: Flask) -> None:
    """One machine has as many addresses of IPv6 as it likes (RFC 4862, networks of 64 bits; CWE-307): they count as
    one. And nobody in the network keeps the builder out of the bench computer (CWE-645)."""
    answers = []
    for n in range(6):
        address = {"REMOTE_ADDR": f"fd00:0:0:7::{n + 2:x}"}
        answers.append(enter(locked.test_client(), "guess-guess", environ_overrides=address))
    assert answers == [403, 403, 403, 429, 429, 429]
    assert enter(locked.test_client(), "guess-guess", environ_overrides={"REMOTE_ADDR": "fd00:0:0:8::2"}) == 403
    for n in range(40):
        enter(locked.test_client(), "guess-guess", environ_overrides={"REMOTE_ADDR": f"10.1.0.{n}"})
    assert enter(locked.test_client(), environ_overrides={"REMOTE_ADDR": "10.2.0.1"}) == 429
    assert enter(locked.test_client(), environ_overrides={"REMOTE_ADDR": "127.0.0.1"}) == 303


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


def test_the_list_is_complete() -> None:
    """Each header of the guards is there for one of these attacks; whoever takes one away takes its test along."""
    both = (Path(__file__), Path(__file__).with_name("test_web_attacks_load.py"))
    here = "".join(path.read_text(encoding="utf-8") for path in both)
    assert {"Content-Security-Policy", "X-Frame-Options", "X-Content-Type-Options"} <= set(HEADERS)
    named = set(re.findall(r"CWE-\d+|WSTG-\w+-\d+", here))
    assert len(named) >= 25
    assert attacks.PASSCODE not in repr(ViewerConfig)
