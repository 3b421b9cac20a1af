"""The text in the code of a clock card. Our own form, versioned, in the letters of a QR code's alphanumeric mode:

    LLCLOCK1:20270312T094107.0/13:7Q2K
    │       │                  │  └ four check digits, base 36, of the CRC-32 of all before them
    │       │                  └ tenths of a second for which this card was on show: the true time of a picture of it
    │       │                    lies between the instant and that much later
    │       └ the instant at which it came on show, UTC, to a tenth of a second
    └ name and version

A QR code corrects and checks itself, but a torn or reflected one can still be misread; with the check digits a false
reading passes once in 1.7 million. CRC-32: ISO/IEC 8802-3.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

PREFIX = "LLCLOCK1"
LONGEST_S = 60.0
_TEXT = re.compile(PREFIX + r":([0-9]{8}T[0-9]{6})\.([0-9])/([0-9]{1,3}):([0-9A-Z]{4})")
_DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Shown:
    """What a card says: its picture was taken within [earliest, latest], both UTC."""

    earliest: datetime
    latest: datetime


def compose(instant: datetime, lasting_s: float) -> str:
    """The text of a card that comes on show at `instant` (aware) and is replaced at most `lasting_s` later.

    The instant is rounded down and the time on show up, to tenths. Raises ValueError outside 0..60 s.
    """
    if not 0 < lasting_s <= LONGEST_S:
        raise ValueError(f"a card cannot be on show for {lasting_s} s")
    utc = instant.astimezone(UTC)
    tenth, rest = divmod(utc.microsecond, 100_000)
    tenths = -int(-(lasting_s * 10 + rest / 100_000) // 1)
    body = f"{PREFIX}:{utc:%Y%m%dT%H%M%S}.{tenth}/{tenths}"
    return f"{body}:{_check(body)}"


def read(text: str) -> Shown | None:
    """What a code's text says, or None where it is no clock card or its check digits do not agree."""
    match = _TEXT.fullmatch(text.strip())
    if match is None or _check(text.strip()[:-5]) != match[4]:
        return None
    tenths = int(match[3])
    if not 0 < tenths <= LONGEST_S * 10 + 1:
        return None
    try:
        instant = datetime.strptime(match[1], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
        instant += timedelta(milliseconds=100 * int(match[2]))
        return Shown(instant, instant + timedelta(milliseconds=100 * tenths))
    except (ValueError, OverflowError):
        return None


def _check(body: str) -> str:
    rest, digits = zlib.crc32(body.encode("ascii", "replace")), ""
    for _ in range(4):
        rest, digit = divmod(rest, 36)
        digits += _DIGITS[digit]
    return digits
