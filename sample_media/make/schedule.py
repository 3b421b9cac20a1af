"""Facts of the build that are not pictures: closings, changes, clocks and known gaps."""

from datetime import datetime
from typing import Any

from story import local

CLOCKS: dict[str, dict[str, Any]] = {
    "phone": {"note": "set by the network, right", "seconds": 0},
    "camera": {
        "note": "no zone; right local time, but stayed on winter time after 29 March",
        "seconds": 0,
        "from": "2026-03-29T03:00:00+02:00",
        "seconds_from": -3600,
    },
    "compact": {
        "note": "date never set right: 1 day 2 h 14 min 20 s slow",
        "seconds": -(86400 + 2 * 3600 + 14 * 60 + 20),
    },
}

CLOSINGS: list[dict[str, Any]] = [
    {"opening": "O4", "at": local("03-27 11:29:30"), "method": "lid and collar bonded with two-part epoxy"},
    {"opening": "O1", "at": local("03-31 11:15:00"), "method": "hull halves bonded at frame 11, clamped overnight"},
    {"opening": "O2", "at": local("04-09 11:44:50"), "method": "main deck bonded on its shelves"},
    {"opening": "O5", "at": local("04-14 12:20:00"), "method": "base plate on, six screws"},
]

CHANGES: list[dict[str, Any]] = [
    {
        "run": "W03",
        "at": local("03-24 13:30:00"),
        "what": "found taut at the mast foot on 23 March; lengthened with a sleeved splice aft of the foot box",
    },
    {
        "run": "W10",
        "at": local("03-25 15:30:00"),
        "what": "spare end sleeved and tucked under the hold-down in the foot box",
    },
    {
        "run": "W09",
        "at": local("04-09 11:44:50"),
        "what": "led through the deckhouse floor to DKH.LED when the deck went on",
    },
]

GAPS: list[dict[str, Any]] = [
    {
        "item": "W07",
        "what": "the port-light end has no sharp view from near by after 12 March 2026 (later small or out of focus)",
        "after": local("03-12 23:59:59"),
    },
    {"item": "W10", "what": "its end was never photographed after it was sleeved", "after": local("03-25 15:30:00")},
    {
        "item": "HULL-F",
        "what": "the fore-peak interior (forward of frame 4) is in no close picture, only small in views from above",
    },
    {
        "item": "W06",
        "what": "no picture shows the motor end of W06 in sharp close view after the mast was stood up",
        "after": local("03-20 12:00:00"),
    },
]


def clock_error(camera: str, when: datetime) -> int:
    """Seconds by which the camera's clock differs from true local time: shown = true + error."""
    clock = CLOCKS[camera]
    if "from" in clock and when >= datetime.fromisoformat(clock["from"]):
        return int(clock["seconds_from"])
    return int(clock["seconds"])
