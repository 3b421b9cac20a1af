"""Time zones by their IANA name, and the two hours a year in which a wall clock is not enough."""

from __future__ import annotations

import difflib
from datetime import UTC, datetime, timedelta
from enum import Enum
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

from lastlook.errors import UsageError

_MINUTE = timedelta(minutes=1)
# Found on some systems beside the IANA names: this computer's own zone, and zones that count leap seconds.
_NOT_IANA = frozenset(("localtime", "posixrules", "posix", "right"))


class Wall(Enum):
    """What a wall-clock reading is in its zone."""

    ONCE = 0
    TWICE = 1  # the clocks were set back over it: it came twice
    NEVER = 2  # the clocks were set forward over it: it never came


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """The zone of an IANA name ("Europe/Berlin", "UTC"). Raises `UsageError` naming the nearest known names."""
    try:
        if name.partition("/")[0] in _NOT_IANA:
            raise KeyError(name)
        return ZoneInfo(name)
    except Exception:  # ZoneInfo raises KeyError, ValueError, OSError and more, by what is odd about the name
        near = difflib.get_close_matches(name, sorted(available_timezones() - _NOT_IANA), n=3)
        known = f" Nearest known: {', '.join(near)}." if near else ""
        raise UsageError(
            f"there is no time zone {name!r}", f"Give an IANA name such as Europe/Berlin, or UTC.{known}"
        ) from None


def read_wall(wall: datetime, zone: ZoneInfo) -> tuple[datetime, datetime, Wall]:
    """Both readings of a naive wall time as UTC, the earlier first, and which of the three cases it is.

    For a time that never came, the two readings are those of a clock that had not yet been set forward (the later)
    and of one that had been set forward too early (the earlier).
    """
    first = wall.replace(tzinfo=zone, fold=0)
    first_offset = first.utcoffset() or timedelta(0)
    second_offset = wall.replace(tzinfo=zone, fold=1).utcoffset() or timedelta(0)
    if first_offset == second_offset:
        instant = (wall - first_offset).replace(tzinfo=UTC)
        return instant, instant, Wall.ONCE
    one, two = (wall - first_offset).replace(tzinfo=UTC), (wall - second_offset).replace(tzinfo=UTC)
    return (one, two, Wall.TWICE) if first_offset > second_offset else (two, one, Wall.NEVER)


def day_start(wall: datetime, zone: ZoneInfo) -> datetime:
    """The first instant (UTC) of a naive local time's reading; of a midnight that never came, the jump itself."""
    return wall.replace(tzinfo=zone, fold=0).astimezone(UTC)


def offset_words(instant: datetime) -> str:
    """The offset of an aware time as +01:00. Offsets with seconds (before 1900) are given to the minute below."""
    minutes = (instant.utcoffset() or timedelta(0)) // _MINUTE
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
