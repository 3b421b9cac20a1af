"""The application: one store a request, pages by family, errors in words."""

from __future__ import annotations

import errno
import logging
import socket
from collections.abc import Callable, Sequence
from typing import Final, cast

from flask import Flask, current_app, g, render_template, request
from jinja2 import StrictUndefined
from werkzeug.exceptions import HTTPException

from lastlook import sessions
from lastlook.errors import (
    AmbiguousId,
    ArchiveBusy,
    ArchiveError,
    LastlookError,
    NoSuchId,
    OriginalUnreadable,
    UsageError,
)
from lastlook.store import Caches, Store
from lastlook.viewing import OverviewCache, tally
from lastlook_web import completing, dressing, missing, security, ways, words
from lastlook_web.config import ViewerConfig
from lastlook_web.dressing import FOREVER

_log = logging.getLogger(__name__)
_DISK = (
    ((errno.ENOSPC, errno.EDQUOT, errno.EFBIG), "the archive's disk is full"),
    ((errno.EROFS, errno.EACCES, errno.EPERM), "the archive's folder cannot be written to"),
)
_NOT_HERE = (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT)  # a machine without IPv6 may still list ::1 for its own name


def create_app(config: ViewerConfig) -> Flask:
    """The viewer as a WSGI application. Raises UsageError for a configuration that would let strangers in."""
    config.check()
    app = Flask(__name__, static_url_path=dressing.address())
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = FOREVER
    app.extensions["lastlook-config"] = config
    app.extensions["lastlook-caches"] = Caches()
    app.extensions["lastlook-overview"] = OverviewCache()
    security.install(app, config)
    words.install(app)
    from lastlook_web import (
        ask,
        bench,
        build,
        clips,
        clockcard,
        closing_forms,
        closings,
        comparing,
        drawing,
        handover,
        jobs,
        joining,
        locating,
        marks,
        media,
        pictures,
        queue,
        runs,
        sheets,
        subassemblies,
        tiles,
        tying,
    )

    families = (
        ask,
        bench,
        build,
        pictures,
        subassemblies,
        tiles,
        clips,
        clockcard,
        closing_forms,
        closings,
        comparing,
        drawing,
        handover,
        jobs,
        joining,
        locating,
        marks,
        media,
        queue,
        runs,
        sheets,
        tying,
    )
    for family in families:
        app.register_blueprint(family.pages)
    jobs.install(app, config)
    bench.install(app, config)
    runs.install(app)
    joining.install(app)
    app.teardown_appcontext(_close)
    app.context_processor(_everywhere)
    app.register_error_handler(HTTPException, _refused)
    app.register_error_handler(LastlookError, _told)
    app.register_error_handler(OSError, _refused_by_the_disk)
    app.register_error_handler(Exception, _broken)
    return app


def serve(
    config: ViewerConfig,
    ready: Callable[[Flask], None] = lambda app: None,
    telling: Callable[[str], None] = lambda line: None,
) -> None:
    """Serve until interrupted; `ready` is called when it listens and has read what every page needs, `telling` with a
    line where that takes a while. Raises UsageError where the address cannot be had."""
    from lastlook_web.receiving import server_of
    from lastlook_web.recovering import at_work
    from lastlook_web.warming import kept_warm, warm

    app = create_app(config)
    hosts = (config.host, *config.lan)
    server = server_of(app, [one for host in hosts for one in _bound(host, config.port)])
    with at_work(app):
        try:
            warm(app, telling)
            with kept_warm(app):
                ready(app)
                server.run()
        finally:
            server.close()
            app.extensions["lastlook-jobs"].close()


def _bound(host: str, port: int) -> list[socket.socket]:
    """A socket for each address of `host`. Bound here, since waitress leaves one open when it cannot bind it."""
    found: list[socket.socket] = []
    fault: OSError | None = None
    try:
        addresses = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        for family, kind, protocol, _, address in dict.fromkeys(addresses):
            one = socket.socket(family, kind, protocol)
            try:
                one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                if family == socket.AF_INET6:
                    one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
                one.bind(address)
            except OSError as error:
                one.close()
                if error.errno not in _NOT_HERE:
                    raise
                fault = error
            else:
                found.append(one)
    except OSError as error:
        fault = error
    if fault is None or (found and fault.errno in _NOT_HERE):
        return found
    for one in found:
        one.close()
    raise UsageError(
        f"nothing can listen at {host}:{port}: {(fault.strerror or str(fault)).lower()}",
        "Another viewer may be running there; give another port with --port.",
    ) from fault


def store() -> Store:
    """This request's store."""
    if "store" not in g:
        config: ViewerConfig = current_app.extensions["lastlook-config"]
        g.store = Store(config.archive, by=config.by, caches=current_app.extensions["lastlook-caches"])
        g.store.learned_elsewhere = current_app.extensions["lastlook-learning"]
    return cast(Store, g.store)


def _close(error: BaseException | None) -> None:
    kept: Store | None = g.pop("store", None)
    if kept is not None:
        kept.close()


def _everywhere() -> dict[str, object]:
    """What every sheet's head shows."""
    if getattr(g, "bare", False) or request.endpoint in {"security.enter", "security.check"}:
        return {}
    held = tally(store(), current_app.extensions["lastlook-overview"])
    return {
        "build": store().plan.build,
        "tally": held,
        "asked": "",
        "offered": completing.listed(store().plan),
        "example": completing.example(store().plan),
        "at_work": sessions.under_way(store()),
    }


# ------------------------------------------------------------------------------------------------ errors


def _refused(error: HTTPException) -> tuple[str, int] | HTTPException:
    code = error.code or 500
    if code < 400:
        return error
    title, message, hint = words.REFUSALS.get(code, words.REFUSALS[400])
    own = error.description if code in {400, 403} and error.description != type(error).description else ""
    return _page(code, title, own or message, hint)


_TITLES: Final = {
    400: "That cannot be done as asked",
    404: "Not here",
    409: "The original is not at hand",
    503: "Busy",
}


def _told(error: LastlookError) -> tuple[str, int]:
    code = 404 if isinstance(error, NoSuchId) else 400 if isinstance(error, UsageError) else 500
    if isinstance(error, ArchiveBusy):
        code = 503
    elif isinstance(error, OriginalUnreadable):
        code = 409  # RFC 9110, 15.5.10: whoever asks can resolve it, and ask again
    title = _TITLES.get(code, "The archive needs a look")
    hint = missing.hint(error) if isinstance(error, NoSuchId) else ways.on_page(error.hint)
    offers = missing.offers(store(), error) if isinstance(error, (NoSuchId, AmbiguousId)) else []
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    # Where it lies is nobody's business on a page.
    message = error.message.replace(str(config.archive.root), "the archive's folder")
    return _page(code, title, words.sentence(message), hint, offers)


def _refused_by_the_disk(error: OSError) -> tuple[str, int]:
    """A disk that is full or may not be written to is no fault of the program."""
    reason = next((said for codes, said in _DISK if error.errno in codes), "")
    if not reason:
        return _broken(error)
    return _told(ArchiveError(reason, "Make room there, or make the folder writable; nothing that was kept is lost."))


def _broken(error: Exception) -> tuple[str, int]:
    _log.error("a page failed: %r", request.path, exc_info=error)  # %r: a line break in it is no new line
    return _page(500, *words.REFUSALS[500])


def _page(code: int, title: str, message: str, hint: str, offers: Sequence[tuple[str, str]] = ()) -> tuple[str, int]:
    g.bare = True  # an error page reads nothing of the archive: that may be what fails
    written = g.get("written", [])  # in a form that was refused because its visit is over
    if written:
        title, hint = "This visit is over", words.WRITTEN
    page = render_template(
        "error.html", code=code, title=title, message=message, hint=hint, offers=offers, written=written
    )
    return page, code
