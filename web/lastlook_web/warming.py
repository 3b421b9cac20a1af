"""What pages keep, read before the first of them is asked for: templates, filter columns, masks, queue, windows, pairs.

Every page is made once, without a visitor and past the guards, and thrown away. Pages that begin something are left
out: the hand-over's counts its record beside the page.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from flask import Flask
from jinja2 import TemplateError

from lastlook.errors import LastlookError
from lastlook.store import Store
from lastlook_web.config import ViewerConfig

SILENT_S = 1.0
"""Reading is told of when it takes longer than this."""
READING = "reading the archive …"

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
