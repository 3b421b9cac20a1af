"""Who may ask, and what may be changed: the host that was called, the passcode, changes by form, headers.

The threats: a page elsewhere that makes this browser send forms here (a change needs a token of this visit, and a
request must come from these pages); a name elsewhere that is made to point here (only known names are answered);
someone else in the network (a passcode, slow to guess); a file that pretends to be a page (types are ours, no sniffing,
no inline script or style anywhere).
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import SplitResult, urlsplit

from flask import Blueprint, Flask, Response, abort, current_app, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response as AnyResponse

from lastlook_web.config import ViewerConfig, is_loopback

TOKEN_FIELD = "token"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OPEN = frozenset({"security.enter", "security.check", "static"})  # what may be seen before the passcode is given
LONGEST_FORM = 64 * 1024  # bytes; captions are the longest thing anybody sends

POLICY = "; ".join(
    (
        "default-src 'none'",
        "img-src 'self'",
        "media-src 'self'",
        "style-src 'self'",
        "script-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}

pages = Blueprint("security", __name__)


@dataclass
class Throttle:
    """Slows down who guesses: after `free` wrong answers each further one doubles the wait, from 1 s to `longest`.

    Counted for each address and, ten times as patiently, for all together, since addresses are cheap.
    """

    clock: Callable[[], float] = time.monotonic
    free: int = 3
    longest: float = 300.0
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)

    def wait(self, address: str) -> float:
        """Seconds until this address may answer again; 0 for now."""
        with self._lock:
            now = self.clock()
            return max(0.0, *(until - now for _, until in (self._of(address), self._of(""))))

    def wrong(self, address: str) -> None:
        with self._lock:
            now = self.clock()
            for name, free in ((address, self.free), ("", self.free * 10)):
                count = self._of(name)[0] + 1
                pause = min(self.longest, 2.0 ** (count - free)) if count >= free else 0.0
                self._wrong[name] = count, now + pause
            if len(self._wrong) > 1000:
                for name in [name for name, (_, until) in self._wrong.items() if until < now - 3600 and name]:
                    del self._wrong[name]

    def right(self, address: str) -> None:
        with self._lock:
            self._wrong.pop(address, None)

    def _of(self, address: str) -> tuple[int, float]:
        return self._wrong.get(address, (0, 0.0))


def install(app: Flask, config: ViewerConfig) -> None:
    """Put every guard in front of `app`."""
    app.config.update(
        SECRET_KEY=config.secret,
        SESSION_COOKIE_NAME=f"lastlook-{config.port}",  # cookies know no ports: two viewers must not share one
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        MAX_CONTENT_LENGTH=LONGEST_FORM,
        MAX_FORM_PARTS=100,
    )
    app.extensions["lastlook-throttle"] = Throttle()
    hosts = _hosts(config)

    @app.before_request
    def guard() -> AnyResponse | None:
        if not host_is_ours(request.host, hosts, any_address=not config.on_this_machine_only):
            abort(400, "This viewer does not go by the name it was called.")
        if config.passcode and request.endpoint not in _OPEN and not session.get("in"):
            if request.method in _SAFE and request.endpoint and not request.endpoint.startswith("media."):
                return redirect(url_for("security.enter", next=request.full_path.rstrip("?")), 303)
            abort(403, "The passcode was not given yet.")
        if request.method not in _SAFE:
            check_change()
        return None

    @app.after_request
    def headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if "Cache-Control" not in response.headers:
            response.headers["Cache-Control"] = "no-store"
        return response

    app.register_blueprint(pages)
    app.jinja_env.globals["token"] = token


def _hosts(config: ViewerConfig) -> frozenset[str]:
    names = {"localhost", "127.0.0.1", "::1", *config.allowed_hosts}
    if not config.on_this_machine_only:
        own = socket.gethostname()
        names |= {config.host, own, f"{own}.local"}
    return frozenset(name.lower().strip("[]") for name in names if name)


def host_is_ours(called: str, names: frozenset[str], *, any_address: bool) -> bool:
    """Whether `called` (a Host header) is one of `names`, on any port.

    `any_address`: a bare IP address is taken too, as a phone in the workshop calls it. That is safe: to send a browser
    here under a false flag takes a name.
    """
    parts = _parted(f"//{called}")
    host = (parts.hostname or "").rstrip(".") if parts is not None else ""
    if host in names:
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return any_address or (address.is_loopback and is_loopback(host))


def token() -> str:
    """This visit's token for forms; made with the first form that is shown."""
    if "token" not in session:
        session["token"] = secrets.token_urlsafe(24)
    return str(session["token"])


def check_change() -> None:
    """Aborts a change that does not come from a form of this visit."""
    # "null" is what a page under our own Referrer-Policy sends as its origin, so it cannot be held against a form.
    origin = request.headers.get("Origin", "null")
    parts = _parted(origin)
    if origin != "null" and (parts is None or parts.netloc.lower() != request.host.lower()):
        abort(403, "The form came from another site.")
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}:
        abort(403, "The form came from another site.")
    kept = session.get("token")
    given = request.form.get(TOKEN_FIELD, "")
    if not isinstance(kept, str) or not hmac.compare_digest(kept.encode(), given.encode()):
        abort(403, "The form is from an earlier visit: the viewer has been started again since.")


# ------------------------------------------------------------------------------------------------ passcode


@pages.get("/enter")
def enter() -> AnyResponse | str:
    if not _config().passcode or session.get("in"):
        return redirect(safe_next(request.args.get("next", "")), 303)
    return render_template("enter.html", next=safe_next(request.args.get("next", "")), wrong=False, wait=0)


@pages.post("/enter")
def check() -> AnyResponse | tuple[str, int, dict[str, str]]:
    throttle: Throttle = current_app.extensions["lastlook-throttle"]
    address = request.remote_addr or "unknown"
    following = safe_next(request.form.get("next", ""))
    wait = throttle.wait(address)
    if wait > 0:
        seconds = int(wait) + 1
        page = render_template("enter.html", next=following, wrong=False, wait=seconds)
        return page, 429, {"Retry-After": str(seconds)}
    if not hmac.compare_digest(request.form.get("passcode", "").strip().encode(), _config().passcode.encode()):
        throttle.wrong(address)
        return render_template("enter.html", next=following, wrong=True, wait=0), 403, {}
    throttle.right(address)
    session.clear()  # nothing that was set before the passcode stays
    session["in"] = True
    return redirect(following, 303)


def safe_next(given: str) -> str:
    """A path of this viewer, whatever was asked for: never the way to another site."""
    parts = _parted(given)
    # Browsers read a backslash as a slash and leave out tabs and line breaks; no path of ours has any of them.
    if parts is None or parts.scheme or parts.netloc or not given.isprintable() or "\\" in parts.path:
        return "/"
    return given if given.startswith("/") and not given.startswith(("//", "/enter")) else "/"


def _parted(address: str) -> SplitResult | None:
    """The parts of an address; None for what is none, such as one with a bracket that never closes."""
    try:
        return urlsplit(address)
    except ValueError:
        return None


def _config() -> ViewerConfig:
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    return config
