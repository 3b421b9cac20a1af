"""Tiles of a picture's own pixels. An address names a picture and three small numbers; the catalogue knows the file.

A tile that is not cut yet is answered with 202, and the page asks again: cutting goes on beside the pages.
"""

from __future__ import annotations

import re
from typing import Any

from flask import Blueprint, Response, abort, current_app, send_file

from lastlook import tiling, viewing
from lastlook.intake import tiles
from lastlook.tiling import Tiling
from lastlook_web.app import store
from lastlook_web.asides import Asides
from lastlook_web.dressing import FOREVER

pages = Blueprint("tiles", __name__)

_PLACE = re.compile(r"([0-9]{1,2})-([0-9]{1,4})-([0-9]{1,4})")
_ROOM_EVERY = 40  # blocks between two looks at how much room tiles take


@pages.get("/tile/<id>/<place>.jpg")
def tile(id: str, place: str) -> Response:
    """Tile `level-x-y` of a picture."""
    found = _PLACE.fullmatch(place)
    if found is None:
        abort(404)
    level, x, y = (int(each) for each in found.groups())
    tiled = tiling.of(store(), viewing.picture(store(), id))
    if not tiled.has(level, x, y):
        abort(404)
    path = tiled.at(level, x, y)
    if not path.is_file():
        done = _cutter().ask((tiled.sha256, tiled.clip_ms, level, *tiles.block_of(x, y)), _Cut(tiled, level, x, y))
        if done is not None:
            _cutter().forget((tiled.sha256, tiled.clip_ms, level, *tiles.block_of(x, y)))
            if done.error is not None:
                raise done.error
        if not path.is_file():
            return Response(status=202, headers={"Retry-After": "1"})
    response = send_file(path, mimetype="image/jpeg", etag=f"tile-{id}-{place}", conditional=True, max_age=FOREVER)
    response.headers["Cache-Control"] = f"private, max-age={FOREVER}, immutable"
    return response


class _Cut:
    """One block to cut, and now and then a look at the room that tiles take."""

    done = 0

    def __init__(self, tiled: Tiling, level: int, x: int, y: int) -> None:
        self.tiled, self.place = tiled, (level, x, y)

    def __call__(self) -> None:
        self.tiled.cut(*self.place)
        _Cut.done += 1
        if _Cut.done % _ROOM_EVERY == 0:
            tiling.make_room(self.tiled.settings.derived)


def _cutter() -> Asides[None]:
    found: Any = current_app.extensions.setdefault("lastlook-asides-tiles", Asides(most_waiting=24, most_kept=24))
    return found  # type: ignore[no-any-return]
