"""Letting a phone in, and who is in: the code that is shown on the bench computer, visits, and their end."""

from __future__ import annotations

import hmac
import io
from collections.abc import Iterator

import segno
from flask import Blueprint, Flask, abort, current_app, flash, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from lastlook_web.config import ViewerConfig, is_loopback
from lastlook_web.security import let_in, visits
from lastlook_web.visits import Codes, Throttle

pages = Blueprint("joining", __name__)

CAUTION = (
    "What goes over this network is not encrypted: whoever is in it and means to can read along, the passcode too.",
    "That is fine in a workshop's or a home's own network, where you know everybody who is in it. "
    "It is not in a shared house, at a fair, or in an open or a guest network.",
)
"""Said wherever the viewer is opened to a network."""


def install(app: Flask) -> None:
    app.extensions["lastlook-codes"] = Codes()


def address_of(config: ViewerConfig, code: str) -> str:
    """The address behind a code for a phone."""
    return f"http://{config.lan[0]}:{config.port}/join/{code}"


def drawn(address: str) -> Markup:
    """An address as a QR code (ISO/IEC 18004) with its quiet zone: an SVG that stays dark on light in any colours."""
    code = segno.make(address, error="m", micro=False)
    out = io.BytesIO()
    code.save(out, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=4, svgclass="qr", lineclass="qr-dark")
    return Markup(out.getvalue().decode())


def in_terminal(address: str) -> str:
    """The same for a terminal, in half blocks."""
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out=out, border=2, compact=True)
    return out.getvalue()


# ------------------------------------------------------------------------------------------------ on the bench computer


@pages.get("/join")
def page() -> str:
    """The code for a phone; for the bench computer only."""
    _on_this_machine()
    config = _config()
    newest = _codes().newest()
    address = address_of(config, newest[0]) if newest is not None and config.lan else ""
    return render_template(
        "join.html",
        lan=[f"http://{host}:{config.port}/" for host in config.lan],
        address=address,
        code=drawn(address) if address else "",
        minutes=max(1, round(newest[1] / 60)) if newest is not None else 0,
        caution=CAUTION,
        **_who(),
    )


@pages.post("/join/code")
def code() -> Response:
    """Make a code that lets one phone in."""
    _on_this_machine()
    if not _config().lan:
        abort(404)
    _codes().make()
    return redirect(url_for("joining.page"), 303)


def from_here() -> bool:
    """Whether who asks sits at this computer: by the address it comes from, and by the name it called."""
    host = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
    return is_loopback(request.remote_addr or "") and is_loopback(host) and host not in _config().lan


def _on_this_machine() -> None:
    if not from_here():
        abort(404)


# ------------------------------------------------------------------------------------------------ on the phone


@pages.get("/join/<code>")
def asked(code: str) -> str | Response:
    """A phone that has read the code. Nothing happens by looking: programs that look ahead would use it up."""
    if visits().alive(session.get("visit")):
        return redirect(url_for("bench.page"), 303)
    return render_template("joining.html", code=code, good=_codes().good(code))


@pages.post("/join/<code>")
def joined(code: str) -> Response | tuple[str, int] | tuple[str, int, dict[str, str]]:
    throttle: Throttle = current_app.extensions["lastlook-throttle"]
    address = request.remote_addr or "unknown"
    right, wait = throttle.tried(address, lambda: _codes().take(code))
    if wait > 0:
        seconds = int(wait) + 1
        return render_template("joining.html", code="", good=False, wait=seconds), 429, {"Retry-After": str(seconds)}
    if not right:
        return render_template("joining.html", code="", good=False), 403
    let_in("code")
    return redirect(url_for("bench.page"), 303)


# ------------------------------------------------------------------------------------------------ visits


@pages.get("/visit")
def visit() -> str:
    """Who is in, with the way out."""
    return render_template("visit.html", **_who())


@pages.post("/visit/leave")
def leave() -> Response:
    visits().end(session.get("visit"))
    session.clear()
    return redirect(url_for("security.enter"), 303)


@pages.post("/visit/end-others")
def end_others() -> Response:
    ended = visits().end_others(session.get("visit"))
    flash(f"{ended} other visit{'' if ended == 1 else 's'} ended." if ended else "There was no other visit.")
    return _back()


@pages.post("/visit/end")
def end() -> Response:
    """End one visit, named by the beginning of its id's digest: the id itself is as good as its cookie."""
    wanted = request.form.get("visit", "")
    for one in visits().every():
        if hmac.compare_digest(named(one.id), wanted):
            visits().end(one.id)
            flash("That visit is over.")
    return _back()


def named(id: str) -> str:
    """A name for a visit that tells nothing of its id."""
    return hmac.new(_config().secret, id.encode(), "sha256").hexdigest()[:16]


def _back() -> Response:
    if not visits().alive(session.get("visit")) and _config().passcode:
        return redirect(url_for("security.enter"), 303)
    return redirect(url_for("joining.page" if request.form.get("from") == "join" else "joining.visit"), 303)


def _who() -> dict[str, object]:
    now = visits().clock()
    mine = session.get("visit")
    return {
        "guarded": bool(_config().passcode),
        "visits": [(one, named(one.id), one.id == mine, _ago(now - one.seen)) for one in visits().every()],
        "idle_hours": _config().idle_s / 3600,
        "longest_hours": _config().longest_s / 3600,
    }


def _ago(seconds: float) -> str:
    if seconds < 90:
        return "just now"
    return f"{seconds / 60:.0f} min ago" if seconds < 5400 else f"{seconds / 3600:.0f} h ago"


def invitation(app: Flask, config: ViewerConfig, *, made: bool) -> Iterator[str]:
    """What the terminal says when the viewer is opened to a network; `made`: the passcode is one of ours."""
    codes: Codes = app.extensions["lastlook-codes"]
    address = address_of(config, codes.make())
    yield f"In your network: {', '.join(f'http://{host}:{config.port}/' for host in config.lan)}"
    if made:
        yield f"Passcode: {config.passcode}  (made for this start, and shown this once)"
    yield "This code lets one phone in, within five minutes; the page /join on this computer shows more."
    yield in_terminal(address).rstrip("\n")
    yield address
    yield from CAUTION


def _config() -> ViewerConfig:
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    return config


def _codes() -> Codes:
    codes: Codes = current_app.extensions["lastlook-codes"]
    return codes
