"""What attackers send, and a viewer at a real socket to send it to."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import quote

from flask import Flask
from flask.testing import FlaskClient
from werkzeug.routing import Rule

from lastlook.jobs import Runner
from lastlook_web.receiving import server_of
from tests.serving import running

PASSCODE = "lantern-40-mast"
LAN = "192.168.77.5"
MARK = "evil-x"
WICKED = f"\"'><{MARK} data-evil=1 onclick=evil()></{MARK}><script>evil()</script>{{{{7*7}}}}<!--"
"""Text that becomes an element, a handler or a script where it is not shown as text; and a template where it is run."""

PATHS = (
    *("../../../../etc/passwd", "..%2f..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/lastlook.toml", "....//catalogue.db"),
    *("/etc/passwd", "//etc/passwd", "..\\..\\lastlook.toml", "%5c..%5clastlook.toml", "%00", "x%00.jpg", "%c0%ae/"),
    *("file:///etc/passwd", "catalogue.db", "decisions.jsonl", "CON", "~root", "'; DROP TABLE picture; --"),
    *("%0d%0aX: y", "A" * 3000, "%F0%9F%92%A9", "%ff%fe", ".", "..", "$(id)", "{{7*7}}"),
)
SECRETS = (b"root:x:0", b"SQLite format 3", b"zone =", b'"kind":"arrival"', b"Traceback (most recent")
"""What would be in an answer that let a path through."""


def rules(app: Flask, method: str) -> list[Rule]:
    """Every address of the viewer that takes `method`: what is added later is attacked as well."""
    return [rule for rule in app.url_map.iter_rules() if method in (rule.methods or ())]


def filled_in(rule: Rule, value: str, *, quoted: bool = True) -> str:
    """A rule's address with `value` in the place of each of its arguments."""
    return re.sub(r"<[^>]+>", lambda _: quote(value, safe="%/") if quoted else value, rule.rule)


def token_of(client: FlaskClient, address: str = "/bench") -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get(address).text)
    assert found, "no form with a token"
    return found[1]


def enter(client: FlaskClient, passcode: str = PASSCODE, **more: object) -> int:
    """Give the passcode; the status of the answer."""
    token = token_of(client, "/enter")
    data = {"passcode": passcode, "token": token, "next": "/"}
    return client.post("/enter", data=data, **more).status_code


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


@contextmanager
def listening(app: Flask) -> Iterator[tuple[str, int]]:
    """The viewer's own server at a free port of this machine."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        host, port = bound.getsockname()
        with running(server_of(app, [bound])):
            yield str(host), int(port)


def say(where: tuple[str, int], text: bytes, *, wait: float = 10.0) -> bytes:
    """Send bytes as they are, and everything that is answered until the connection ends or nothing comes."""
    with socket.create_connection(where, timeout=wait) as line:
        line.sendall(text)
        answer = b""
        try:
            while block := line.recv(65536):
                answer += block
        except (TimeoutError, ConnectionResetError):
            pass
        return answer
