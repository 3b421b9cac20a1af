"""The server, and how much of a request it takes in before the application has seen any of it.

Waitress reads the whole of a body first, into memory and then into a temporary file. So what a body may hold is decided
by its head: what it is for, and whether it comes from a visit that was let in. A body that is too long is read and
dropped, since a browser that is still sending shows no answer, and then told of in words. One address may hold so many
connections and no more, and a request must get on; readers of slow bodies hold no thread.
"""

from __future__ import annotations

import logging
import re
import socket
import time
from collections.abc import Callable, Sequence
from io import BytesIO
from typing import Any

from flask import Flask
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer, create_server
from waitress.task import ErrorTask
from waitress.utilities import RequestEntityTooLarge

from lastlook_web import dressing
from lastlook_web.config import ViewerConfig
from lastlook_web.security import HEADERS, LONGEST_FORM, cookie_lets_in
from lastlook_web.words import REFUSALS, size

THREADS = 4
PIECE = 4 << 20
"""The longest piece of a file that is sent by script, in bytes."""
MOST_OF_ONE = 32
"""Connections of one address at a time; a browser opens six to a host (common practice, no source)."""
HEAD_SECONDS = 20.0
SLOWEST = 16_000.0
"""A body must come at this many bytes a second on the whole: a tenth of a poor wireless network (no source)."""
_MOST_DROPPED = 1 << 30
_PIECES = re.compile(r"/bench/upload/u[0-9a-f]{16}")


class TooLong(RequestEntityTooLarge):
    """What waitress answers itself, in words."""

    def to_response(self, ident: str | None = None) -> Any:
        title, message, hint = REFUSALS[413]
        page = (
            '<!DOCTYPE html><html lang="en"><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="stylesheet" '
            f'href="{dressing.address()}/sheet.css"><title>{title}</title><main><section class="sheet"><h1>{title}</h1>'
            f'<p>{message}</p><p>{self.body} {hint}</p><p><a href="/">To the build</a></p></section></main></html>'
        )
        return f"{self.code} {self.reason}", [("Content-Type", "text/html; charset=utf-8")], page.encode()


class Refusal(ErrorTask):
    """An answer of waitress' own, to what is no request at all: it carries the guards as well."""

    response_headers: Any

    def execute(self) -> None:
        self.response_headers.extend([("Cache-Control", "no-store"), *HEADERS.items()])
        super().execute()


class _Dropped:
    """A body that is read and forgotten."""

    error = None
    completed = False

    def __init__(self, length: int) -> None:
        self._left = length

    def __len__(self) -> int:
        return 0

    def received(self, data: bytes) -> int:
        taken = min(len(data), self._left)
        self._left -= taken
        self.completed = self._left == 0
        return taken

    def getfile(self) -> BytesIO:
        return BytesIO()

    def getbuf(self) -> BytesIO:
        return BytesIO()


def server_of(app: Flask, sockets: Sequence[socket.socket]) -> Any:
    """A server for `app` on sockets that are bound. `run` it, then `close` it."""
    # A browser asks for many pictures at once; that some wait for a thread is no news for a builder.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    config: ViewerConfig = app.extensions["lastlook-config"]
    channels: dict[int, Any] = {}
    longest = max(config.limits.form + (1 << 20), PIECE + 1)
    server = create_server(
        app,
        map=channels,
        sockets=list(sockets),
        threads=THREADS,
        ident="lastlook",
        max_request_body_size=_MOST_DROPPED,
        connection_limit=200,
        channel_timeout=60,
        cleanup_interval=10,
    )

    def limit(parser: Any) -> int:
        large = longest if parser.path == "/bench/photos" else PIECE + 1 if _PIECES.fullmatch(parser.path) else 0
        if large and parser.command == "POST" and cookie_lets_in(app, parser.headers.get("COOKIE", "")):
            return large
        return LONGEST_FORM * 4  # the application's own bound is closer, and says more

    kind = _channel_of(limit)
    for one in list(channels.values()):
        if isinstance(one, BaseWSGIServer):
            one.channel_class = kind
    return server


def _channel_of(limit: Callable[[Any], int]) -> type[HTTPChannel]:
    class Parser(HTTPRequestParser):
        """Bounds a body by its head."""

        too_long = ""
        headers: Any
        proxy_netloc: Any

        def parse_header(self, header_plus: bytes) -> None:
            super().parse_header(header_plus)
            # Where a whole address is asked for, its host counts and no other one (RFC 9112, 3.2.2).
            if self.proxy_netloc:
                self.headers["HOST"] = str(self.proxy_netloc)

        def received(self, data: bytes) -> int:
            before = self.headers_finished
            taken = super().received(data)
            if self.headers_finished and not before and self.error is None and not self.empty:
                self._bound()
            elif self.chunked and self.body_bytes_received > limit(self) and self.error is None:
                self.error, self.completed, self.connection_close = TooLong(_told(limit(self))), True, True
            if self.completed and self.too_long and self.error is None:
                self.error = TooLong(self.too_long)
            return taken

        def _bound(self) -> None:
            most = limit(self)
            if self.content_length <= most:
                return
            self.too_long = _told(most)
            if self.expect_continue or self.content_length > _MOST_DROPPED:
                self.expect_continue = False
                self.error, self.completed = TooLong(self.too_long), True
            else:
                self.body_rcv: Any = _Dropped(self.content_length)
                self.completed = False

    class Channel(HTTPChannel):
        """One connection, which must get on, and of which one address has only so many."""

        parser_class = Parser
        error_task_class = Refusal

        def __init__(self, server: Any, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:
            super().__init__(server, sock, addr, adj, map=map)
            self.waits_since = 0.0
            same = sum(isinstance(one, HTTPChannel) and _host(one.addr) == _host(addr) for one in (map or {}).values())
            if same > MOST_OF_ONE:
                self.will_close = True

        def readable(self) -> bool:
            asked = self.request
            if asked is None:
                self.waits_since = 0.0
            else:
                now = time.monotonic()
                self.waits_since = self.waits_since or now
                length = asked.content_length or asked.body_bytes_received
                if now - self.waits_since > HEAD_SECONDS + length / SLOWEST:
                    self.will_close = True
            return bool(super().readable())

    return Channel


def _told(most: int) -> str:
    return f"At most {size(most)} can be sent in this way."


def _host(address: Any) -> str:
    return str(address[0]) if isinstance(address, tuple) else ""
