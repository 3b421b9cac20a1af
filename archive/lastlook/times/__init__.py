"""When a picture was taken: from what files say, through doubts and corrections, to an interval with its reason.

    claims.py   what a file says → `Claim`            stamps.py    reading written dates
    resolve.py  claims + corrections → `CaptureTime`  readings.py  one claim as an interval of UTC
    clips.py    when a recording began                clock.py     a camera's clock, corrected
    order.py    which of two came first               when.py      times as a person writes them
    rfc3339.py  instants as text and back             words.py     times in words
    zones.py    IANA zones and their doubled hours       neighbours.py   files numbered before and after a clip

All of it is pure: no I/O, no clock read, no locale.
"""

from .claims import (
    avi_date_claim,
    container_claim,
    creation_date_claim,
    exif_claim,
    file_system_claim,
    gps_claim,
    since_1904,
    xmp_claim,
)
from .neighbours import Beside, Neighbour, bounding, is_alone, neighbour
from .order import Order, compare
from .resolve import resolve
from .rfc3339 import format_rfc3339, parse_rfc3339
from .when import When, parse_when
from .words import OPEN_START, describe, describe_bounds, describe_end, describe_interval, describe_start
from .zones import zone_named

__all__ = [
    "OPEN_START",
    "Beside",
    "Neighbour",
    "Order",
    "When",
    "avi_date_claim",
    "bounding",
    "compare",
    "container_claim",
    "creation_date_claim",
    "describe",
    "describe_bounds",
    "describe_end",
    "describe_interval",
    "describe_start",
    "exif_claim",
    "file_system_claim",
    "format_rfc3339",
    "gps_claim",
    "is_alone",
    "neighbour",
    "parse_rfc3339",
    "parse_when",
    "resolve",
    "since_1904",
    "xmp_claim",
    "zone_named",
]
