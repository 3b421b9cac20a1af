"""What pages keep, read before the first of them is asked for: templates, filter columns, masks, queue, windows, pairs;
and read again beside the pages where so many pictures have changed at once that bringing it up to date takes as long.

Every page is made once, without a visitor and past the guards, and thrown away. Pages that begin something are left
out: the hand-over's counts its record beside the page.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from flask import Flask, request
from jinja2 import TemplateError
from werkzeug.wrappers import Response

from lastlook.catalogue import changes
from lastlook.errors import LastlookError
from lastlook.store import Store
from lastlook_web.config import ViewerConfig

SILENT_S = 1.0
"""Reading is told of when it takes longer than this."""
READING = "reading the archive …"
LOOK_S = 1.0
"""So often the counters are looked at while nothing is decided here: the command line may change the archive too."""

_log = logging.getLogger(__name__)
_SHEETS = ("/", "/build/drawing", "/queue", "/runs", "/closings", "/bench", "/plan", "/help", "/clock")
_MOST_OF_A_KIND = 16  # as many openings as their pairs are kept of


def warm(app: Flask, telling: Callable[[str], None] = lambda line: None) -> None:
    """Fill what `app` keeps; `telling` gets a line where it takes over a second. Nothing that fails here stops it."""
    told = threading.Timer(SILENT_S, telling, (READING,))
    told.daemon = True
    told.start()
    try:
        _templates(app)
        for address in _addresses(app):
            _make(app, address)
    finally:
        told.cancel()


class Watch:
    """Reads what pages keep again after a large change. Pages never wait for it alone: what is asked for before it is
    read is read for who asks, once."""

    def __init__(self, app: Flask) -> None:
        self._app = app
        self._read_at = self._seen = self._versions()
        self._over = False
        self._woken = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeping warm", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def wake(self) -> None:
        """Look at once."""
        self._woken.set()

    def close(self) -> None:
        """End it, after the page that it makes."""
        self._over = True
        self._woken.set()
        self._thread.join()

    def look(self, *, settled: bool = False) -> bool:
        """Read what pages keep if more than `changes.MOST` changes were counted since that was done; whether it was
        read. Where more are being made right now, it waits for their end, unless they are known to be `settled`."""
        now, before = self._versions(), self._seen
        self._seen = now
        if now is None or (now != before and not settled):
            return False
        if self._read_at is not None and abs(sum(now) - sum(self._read_at)) <= changes.MOST:
            return False
        self._read_at = now  # before it is read: what is counted meanwhile counts from here
        for address in _addresses(self._app):
            if self._over:
                break
            _make(self._app, address)
        return True

    def _run(self) -> None:
        while not self._over:
            settled = self._woken.wait(LOOK_S)
            self._woken.clear()
            if not self._over:
                self.look(settled=settled)

    def _versions(self) -> changes.Versions | None:
        config: ViewerConfig = self._app.extensions["lastlook-config"]
        try:
            with Store(config.archive, by=config.by, caches=self._app.extensions["lastlook-caches"]) as store:
                return changes.versions(store.catalogue)
        except LastlookError:  # pages say what is the matter
            return None


@contextmanager
def kept_warm(app: Flask) -> Iterator[None]:
    """While `app` is served. To be entered before its first request."""
    watch = Watch(app)

    def decided(response: Response) -> Response:
        if request.method == "POST":
            watch.wake()
        return response

    app.after_request(decided)
    watch.start()
    try:
        yield
    finally:
        watch.close()


def _addresses(app: Flask) -> list[str]:
    config: ViewerConfig = app.extensions["lastlook-config"]
    try:
        with Store(config.archive, by=config.by, caches=app.extensions["lastlook-caches"]) as store:
            plan = store.plan
    except LastlookError as error:  # its pages say what is the matter
        _log.warning("the plan was not read ahead: %s", error.message)
        return list(_SHEETS)
    with app.test_request_context():
        openings = [app.url_for("comparing.opening", id=each.id) for each in plan.openings]
        subs = [app.url_for("subassemblies.page", id=each.id) for each in plan.subassemblies]
    return [*_SHEETS, *openings[:_MOST_OF_A_KIND], *subs[:_MOST_OF_A_KIND]]


def _templates(app: Flask) -> None:
    for name in app.jinja_env.list_templates():
        try:
            app.jinja_env.get_template(name)
        except TemplateError as error:
            _log.warning("a template was not read ahead: %s", error)


def _make(app: Flask, address: str) -> None:
    """Make a page as a visitor who is in would get it, and drop it."""
    try:
        with app.test_request_context(address):
            app.dispatch_request()
    except Exception as error:  # whatever it is, the page itself will say it
        _log.warning("%r was not read ahead: %s", address, error)
