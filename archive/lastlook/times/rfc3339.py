"""Instants as text and back, by RFC 3339 (July 2002)."""

from __future__ import annotations

import calendar
import re
from datetime import UTC, datetime, timedelta

from lastlook.errors import UsageError

from .zones import zone_named

_FORM = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]+))?"
    r"(?:[Zz]|([+-])([0-9]{2}):([0-9]{2}))"
)
_MINUTE = timedelta(minutes=1)


def parse_rfc3339(text: str) -> datetime:
    """The instant (UTC) of an RFC 3339 date-time. Raises `UsageError`.

    Digits beyond microseconds are dropped. A leap second (23:59:60 UTC at the end of a month) is counted as the second
    after it, as POSIX time does. A blank in place of the T is taken, which RFC 3339 §5.6 allows.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise _unreadable(text)
    year, month, day, hour, minute, second = map(int, match.group(1, 2, 3, 4, 5, 6))
    micro = int((match.group(7) or "")[:6].ljust(6, "0"))
    sign, hours, minutes = match.group(8), int(match.group(9) or 0), int(match.group(10) or 0)
    if hours > 23 or minutes > 59:
        raise _unreadable(text)
    east = timedelta(hours=hours, minutes=minutes) * (-1 if sign == "-" else 1)
    leap = second == 60
    try:
        instant = datetime(year, month, day, hour, minute, 59 if leap else second, micro, tzinfo=UTC) - east
        if leap:
            last_day = calendar.monthrange(instant.year, instant.month)[1]
            if (instant.hour, instant.minute, instant.day) != (23, 59, last_day):
                raise _unreadable(text)
            instant += timedelta(seconds=1)
    except (ValueError, OverflowError):
        raise _unreadable(text) from None
    return instant


def format_rfc3339(instant: datetime, zone: str = "UTC") -> str:
    """An aware instant in RFC 3339, with the offset the zone (IANA name) has then, as fine as the instant is.

    Reading it back gives the same instant. Offsets that are no whole minutes (before 1900) are written in UTC.
    """
    local = instant.astimezone(zone_named(zone))
    if (local.utcoffset() or timedelta(0)) % _MINUTE:
        local = instant.astimezone(UTC)
    micro = local.microsecond
    return local.isoformat(timespec="seconds" if not micro else "microseconds" if micro % 1000 else "milliseconds")


def _unreadable(text: str) -> UsageError:
    return UsageError(
        f"{text[:60]!r} is no date-time with an offset",
        "Write it like 2026-03-12T10:41:00+01:00 or 2026-03-12T09:41:00Z.",
    )
