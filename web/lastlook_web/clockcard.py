"""The clock card: a sheet that shows the exact time as a code, to be photographed by every camera."""

from __future__ import annotations

import time
from datetime import UTC, datetime

from flask import Blueprint, Response, jsonify, render_template

from lastlook.clocks import card, qr
from lastlook.times.stamps import MONTHS
from lastlook.times.zones import offset_words, zone_named
from lastlook_web.app import store

pages = Blueprint("clockcard", __name__)

AHEAD = 12
"""Cards that are handed out at once, one a second: a hiccup of the network leaves no gap."""

LASTING_S = 1.3
"""A card is on show for its second; the rest is for a screen that is late."""


@pages.get("/clock")
def page() -> str:
    return render_template("clockcard.html", lasting=LASTING_S)


@pages.get("/clock/cards.json")
def cards() -> Response:
    """The cards of the next seconds, made by this computer's clock, and what that says now (ms since 1970)."""
    zone = zone_named(store().zone)
    first = int(time.time())
    made = []
    for second in range(first, first + AHEAD):
        instant = datetime.fromtimestamp(second, UTC)
        side, path = qr.path(card.compose(instant, LASTING_S))
        local = instant.astimezone(zone)
        made.append(
            {
                "at": second * 1000,
                "side": side,
                "path": path,
                "time": f"{local:%H:%M:%S}",
                "date": f"{local.day} {MONTHS[local.month - 1]} {local.year}",
                "offset": f"UTC{offset_words(local)}",
            }
        )
    response = jsonify({"cards": made, "now": time.time() * 1000})
    response.headers["Cache-Control"] = "no-store"
    return response
