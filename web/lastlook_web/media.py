"""Pictures and originals as files. An address holds an id, never a path; the catalogue knows where things lie."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from flask import Blueprint, Response, abort, request, send_file
from werkzeug.exceptions import RequestedRangeNotSatisfiable

from lastlook import derived_again, originals, viewing
from lastlook.history import show
from lastlook.records import PictureKind
from lastlook_web.app import store
from lastlook_web.dressing import FOREVER

pages = Blueprint("media", __name__)

PIECE = 2 << 20
"""Bytes of a clip that one answer gives. A player asks again for more; an open-ended answer would hold one of the few
threads for as long as the player is paused."""

_PLAYED = {"mp4": "video/mp4", "m4v": "video/mp4", "mov": "video/mp4", "3gp": "video/3gpp", "webm": "video/webm",
           "mkv": "video/x-matroska", "avi": "video/x-msvideo", "mts": "video/mp2t", "ts": "video/mp2t"}  # fmt: skip
LARGE_EDGE = 3200


@pages.get("/thumb/<id>.jpg")
def thumb(id: str) -> Response:
    return _derived(id, "thumb")


@pages.get("/page/<id>.jpg")
def page(id: str) -> Response:
    return _derived(id, "page")


def _derived(id: str, size: Literal["thumb", "page"]) -> Response:
    picture = viewing.picture(store(), id)
    tag = f"{size}-{picture.id}"
    if request.if_none_match.contains(tag):
        return _kept(Response(status=304), tag)
    path = derived_again.ensure(store(), picture, size)
    return _kept(send_file(path, mimetype="image/jpeg", etag=tag, conditional=True, max_age=FOREVER), tag)


def _kept(response: Response, tag: str) -> Response:
    response.set_etag(tag)
    response.headers["Cache-Control"] = f"private, max-age={FOREVER}, immutable"
    return response


@pages.get("/large/<id>.jpg")
def large(id: str) -> Response:
    """A larger view of a photo, made when it is first asked for."""
    picture = viewing.picture(store(), id)
    if picture.kind is not PictureKind.PHOTO:
        abort(404)
    tag = f"large-{picture.id}"
    if request.if_none_match.contains(tag):
        return _kept(Response(status=304), tag)
    path = viewing.large(store(), picture, LARGE_EDGE)
    return _kept(send_file(path, mimetype="image/jpeg", etag=tag, conditional=True, max_age=FOREVER), tag)


@pages.get("/original/<id>")
def original(id: str) -> Response:
    """The original of a picture or clip, to keep: always as a download, so that no file can pass for a page."""
    medium = viewing.clip(store(), id).medium if id.startswith("c") else show(store(), _whole(id)).medium
    response = send_file(
        originals.at_hand(store(), medium),
        mimetype="application/octet-stream",
        as_attachment=True,
        download_name=medium.file,
        etag=medium.sha256,
        conditional=True,
        max_age=0,
    )
    response.headers["Cache-Control"] = "private, no-cache"
    return response


def _whole(id: str) -> str:
    return viewing.picture(store(), id).id


@pages.get("/play/<id>")
def play(id: str) -> Response:
    """A clip's original for the player, in pieces as it asks for them (RFC 9110, ranges)."""
    medium = viewing.clip(store(), id).medium
    kind = _PLAYED.get(Path(medium.file).suffix.lower().removeprefix("."), "application/octet-stream")
    path = originals.at_hand(store(), medium)
    _shorten_range(path.stat().st_size)
    try:
        response = send_file(path, mimetype=kind, etag=medium.sha256, conditional=True, max_age=0)
    except RequestedRangeNotSatisfiable as error:
        return Response(status=416, headers={"Content-Range": f"bytes */{error.length or '*'}"})
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Accept-Ranges"] = "bytes"
    return response


def _shorten_range(length: int) -> None:
    """Answer at most one piece of what is asked for; a server may give less (RFC 9110, 15.3.7).

    A unit that is not known must be ignored (14.2), several ranges may be, and a suffix longer than the clip means all
    of it (14.1.2).
    """
    wanted = request.range
    if wanted is None:
        return
    if wanted.units != "bytes" or len(wanted.ranges) != 1:
        del request.environ["HTTP_RANGE"]
        return
    first = wanted.ranges[0][0]
    found = (0, length) if first < -length else wanted.range_for_length(length)
    if found is not None:
        request.environ["HTTP_RANGE"] = f"bytes={found[0]}-{min(found[1], found[0] + PIECE) - 1}"
