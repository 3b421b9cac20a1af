"""Who may ask, and what may be changed: the host that was called, the passcode, changes by form, headers.

The threats: a page elsewhere that makes this browser send forms here (a change needs a token of this visit, and a
request must come from these pages); a name elsewhere that is made to point here (only known names are answered);
someone else in the network (a passcode, slow to guess, and visits that end); a file that pretends to be a page (types
are ours, no sniffing, no inline script or style anywhere). `tests/test_web_attacks.py` is the list, an attack a test.
"""

from __future__ import annotations

import hmac
import ipaddress
import re
import secrets
import socket
from collections.abc import Iterable
from typing import TYPE_CHECKING, NoReturn
from urllib.parse import SplitResult, urlsplit

from flask import (
    Blueprint,
    Flask,
    Response,
    abort,
    current_app,
    g,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from flask.sessions import SecureCookieSessionInterface
from itsdangerous import BadSignature
from werkzeug.http import parse_cookie
from werkzeug.wrappers import Response as AnyResponse

from lastlook_web.config import ViewerConfig, is_loopback
from lastlook_web.visits import Throttle, Visits

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

__all__ = ["HEADERS", "LONGEST_FORM", "Throttle", "host_is_ours", "install", "let_in", "safe_next", "token"]

TOKEN_FIELD = "token"
TOKEN_HEADER = "X-Lastlook-Token"
"""For what is sent by script and is no form. A page elsewhere cannot set it without asking first (Fetch, CORS)."""
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OPEN = frozenset({"security.enter", "security.check", "joining.asked", "joining.joined", "static"})
"""What may be seen before the passcode is given."""
_NO_WORDS = frozenset({TOKEN_FIELD, "passcode", "who", "next", "back", "uid", "once"})
"""Fields that nobody writes, and one that nobody else should read."""
LONGEST_FORM = 64 * 1024  # bytes; captions are the longest thing anybody types
_WILDCARDS = frozenset({"0.0.0.0", "::"})
_HOST = re.compile(r"([A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63}){0,40}\.?|\[[0-9A-Fa-f:.]{2,45}\])(:[0-9]{1,5})?")

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


def install(app: Flask, config: ViewerConfig) -> None:
    """Put every guard in front of `app`."""
    app.config.update(
        SECRET_KEY=config.secret,
        SESSION_COOKIE_NAME=f"lastlook-{config.port}",  # cookies know no ports: two viewers must not share one
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        MAX_CONTENT_LENGTH=LONGEST_FORM,
        MAX_FORM_PARTS=100,
    )
    app.extensions["lastlook-throttle"] = Throttle()
    app.extensions["lastlook-visits"] = Visits(config.idle_s, config.longest_s)
    app.extensions["lastlook-limits"] = {}
    hosts = _hosts(config)

    answer = app.wsgi_app

    def with_a_host(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        # What is no host at all breaks the finding of pages, before any guard could answer.
        if not _HOST.fullmatch(environ.get("HTTP_HOST", "")):
            environ["HTTP_HOST"] = ""
        return answer(environ, start_response)

    app.wsgi_app = with_a_host  # type: ignore[method-assign]

    @app.before_request
    def guard() -> AnyResponse | None:
        if not host_is_ours(request.host, hosts, any_address=config.host in _WILDCARDS):
            abort(400, "This viewer does not go by the name it was called.")
        if _reached_for():
            abort(403, "Only the viewer's own pages can ask for this.")
        if _comes_from_elsewhere():
            return _once_more()
        if config.passcode and request.endpoint not in _OPEN and not visits().alive(session.get("visit")):
            session.pop("visit", None)
            if _asks_for_a_page():
                return redirect(url_for("security.enter", next=request.full_path.rstrip("?")), 303)
            _stale("The passcode was not given yet, or the visit is over.")
        if request.method not in _SAFE:
            # Only now, when it is known who sends it: what a body may hold depends on what it is for.
            request.max_content_length = app.extensions["lastlook-limits"].get(request.endpoint, LONGEST_FORM)
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


def visits() -> Visits:
    """The visits of this viewer."""
    found: Visits = current_app.extensions["lastlook-visits"]
    return found


def let_in(way: str) -> None:
    """Begin a visit of this browser. Nothing that was set before stays: neither token nor another's visit."""
    session.clear()
    session["visit"] = visits().begin(request.remote_addr or "", request.user_agent.string, way).id


def cookie_lets_in(app: Flask, cookies: str) -> bool:
    """Whether a Cookie header belongs to a visit that goes on: asked before the body of a request is read."""
    config: ViewerConfig = app.extensions["lastlook-config"]
    if not config.passcode:
        return True
    signing = SecureCookieSessionInterface().get_signing_serializer(app)
    given = parse_cookie(cookies).get(str(app.config["SESSION_COOKIE_NAME"]), "")
    try:
        held = signing.loads(given) if signing is not None else {}
    except BadSignature:
        return False
    known: Visits = app.extensions["lastlook-visits"]
    return isinstance(held, dict) and known.alive(held.get("visit"), touch=False)


def _asks_for_a_page() -> bool:
    """Whether the answer is for a person: not for a script that asks, nor a picture in a page."""
    if request.method not in _SAFE or not request.endpoint or request.endpoint.startswith("media."):
        return False
    return request.accept_mimetypes.best != "application/json"


def _comes_from_elsewhere() -> bool:
    """Whether a link on another site, or in another program, led here: the browser then holds back a strict cookie."""
    if request.method != "GET" or request.cookies.get(str(current_app.config["SESSION_COOKIE_NAME"])):
        return False
    if request.headers.get("Sec-Fetch-Site") != "cross-site" or request.headers.get("Sec-Fetch-Mode") != "navigate":
        return False
    return request.endpoint is not None and request.endpoint != "static"


def _reached_for() -> bool:
    """Whether a page of another site asks for this as a part of itself. It could read nothing of the answer, but learn
    from how long it takes what the archive holds, and make the viewer work (Fetch Metadata, resource isolation)."""
    site = request.headers.get("Sec-Fetch-Site", "same-origin")
    return (
        request.method in _SAFE
        and site not in {"same-origin", "none"}
        and request.headers.get("Sec-Fetch-Mode") != "navigate"
    )


def _once_more() -> AnyResponse:
    """Let the browser ask again from here, with its cookie: else this answer would put a fresh one in its place and
    end the visit. No cookie is set."""
    g.bare = True
    address = safe_next(request.full_path.rstrip("?"), enter=True)
    page = Response(render_template("elsewhere.html", address=address))
    page.headers["Refresh"] = "0"  # of this very address: nothing of the request gets into the header
    return page


def _hosts(config: ViewerConfig) -> frozenset[str]:
    names = {"localhost", "127.0.0.1", "::1", *config.allowed_hosts, *config.lan}
    if not config.on_this_machine_only:
        own = socket.gethostname()
        names |= {config.host, own, f"{own}.local"}
    return frozenset(name.lower().strip("[]") for name in names if name)


def host_is_ours(called: str, names: frozenset[str], *, any_address: bool) -> bool:
    """Whether `called` (a Host header) is one of `names`, on any port.

    `any_address`: a bare IP address is taken too, as a phone in the workshop calls it. That opens no way in: to send a
    browser here under a false flag takes a name.
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
    if _sent_from_elsewhere():
        abort(403, "The form came from another site.")
    kept = session.get("token")
    given = request.headers.get(TOKEN_HEADER) or request.form.get(TOKEN_FIELD, "")
    if not isinstance(kept, str) or not hmac.compare_digest(kept.encode(), given.encode()):
        _stale("The form is from an earlier visit: that ended, or the viewer has been started again since.")


def _sent_from_elsewhere() -> bool:
    """Whether a page of another site sends this, as far as the browser tells."""
    # "null" is what a page under our own Referrer-Policy sends as its origin, so it cannot be held against a form.
    origin = request.headers.get("Origin", "null")
    parts = _parted(origin)
    if origin != "null" and (parts is None or parts.netloc.lower() != request.host.lower()):
        return True
    return request.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}


def _stale(message: str) -> NoReturn:
    """Refuse a form whose visit is over. What was written in it is shown once more: the page it stood on is asked
    for anew on the way back, and comes empty. Not for a form of another site, which could put words into our mouth."""
    if request.mimetype == "application/x-www-form-urlencoded" and not _sent_from_elsewhere():
        held = request.form.items(multi=True)
        g.written = [(name, value) for name, value in held if name not in _NO_WORDS and value.strip()]
    abort(403, message)


# ------------------------------------------------------------------------------------------------ passcode


@pages.get("/enter")
def enter() -> AnyResponse | str:
    if not _config().passcode or visits().alive(session.get("visit")):
        return redirect(safe_next(request.args.get("next", "")), 303)
    return render_template("enter.html", next=safe_next(request.args.get("next", "")), wrong=False, wait=0)


@pages.post("/enter")
def check() -> AnyResponse | tuple[str, int, dict[str, str]]:
    throttle: Throttle = current_app.extensions["lastlook-throttle"]
    address = request.remote_addr or "unknown"
    following = safe_next(request.form.get("next", ""))
    given = request.form.get("passcode", "").strip().encode()
    right, wait = throttle.tried(address, lambda: hmac.compare_digest(given, _config().passcode.encode()))
    if wait > 0:
        seconds = int(wait) + 1
        page = render_template("enter.html", next=following, wrong=False, wait=seconds)
        return page, 429, {"Retry-After": str(seconds)}
    if not right:
        return render_template("enter.html", next=following, wrong=True, wait=0), 403, {}
    let_in("passcode")
    return redirect(following, 303)


def safe_next(given: str, *, enter: bool = False) -> str:
    """A path of this viewer, whatever was asked for: never the way to another site, nor (unless `enter`) back to the
    question for the passcode."""
    parts = _parted(given)
    # Browsers read a backslash as a slash and leave out tabs and line breaks; no path of ours has any of them.
    if parts is None or parts.scheme or parts.netloc or not given.isprintable() or "\\" in parts.path:
        return "/"
    refused = ("//",) if enter else ("//", "/enter", "/join")
    return given if given.startswith("/") and not given.startswith(refused) else "/"


def _parted(address: str) -> SplitResult | None:
    """The parts of an address; None for what is none, such as one with a bracket that never closes."""
    try:
        return urlsplit(address)
    except ValueError:
        return None


def _config() -> ViewerConfig:
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    return config
