"""Reading a written date and time. Pure; never raises, whatever the text.

Strict Exif is `YYYY:MM:DD HH:MM:SS`. The other forms taken here were met in real files and cannot be mistaken: the
year comes first (or the month is a word), so that day and month cannot be swapped. Everything else is refused with a
reason, because a wrong date is worse than none: it would make a picture evidence for a state it does not show.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import datetime, timedelta

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MS = 86_400_000

BLANK = "blank date"
UNREADABLE = "not a date in a known form"
RESET = "looks like a clock reset"
NO_SUCH = "no such date or time"
ORDER = "day and month cannot be told apart"
MIDNIGHT = "hour 24: which day is meant is not certain"
COUNTER = "the clock stood at the end of its counter"
UNSET = "not set"

FIRST_YEAR, LAST_YEAR = 1990, 2100

# Years at whose start clocks begin to count; there the whole first day is doubted (common practice, no source).
_EPOCH_YEARS = frozenset((1904, 1970, 1980, 1990, 2000))
# The last values of a signed 32-bit count from 1970 and of an unsigned one from 1904.
_LIMITS = (datetime(2038, 1, 19, 3, 14, 7), datetime(2040, 2, 6, 6, 28, 15))  # noqa: DTZ001 - wall clocks have no zone
_ANY_ZONE = timedelta(hours=14)

_EXIF = re.compile(r"([0-9]{4}):([0-9]{2}):([0-9]{2}) ([0-9]{2}):([0-9]{2}):([0-9]{2})")
_ZONE = r"(?:(?:UTC|GMT)?([+-][0-9]{1,2}(?::?[0-9]{2})?)|(Z|UTC|GMT))"
_YEAR_FIRST = re.compile(
    r"([0-9]{4})(?:([:/.-]) ?([0-9]{1,2})(?:\2 ?([0-9]{1,2})"
    r"(?:(?:[T:]| +)([0-9]{1,2})([:.]) ?([0-9]{1,2})(?:\6 ?([0-9]{1,2})(?:[.,]([0-9]{1,12}))?)? ?" + _ZONE + "?)?)?)?",
    re.IGNORECASE,
)
_COMPACT = re.compile(
    r"([0-9]{4})([0-9]{2})([0-9]{2})T?([0-9]{2})([0-9]{2})([0-9]{2})(?:[.,]([0-9]{1,12}))?" + _ZONE + "?", re.IGNORECASE
)
_YEAR_LAST = re.compile(r"[0-9]{1,2}([:/. -])[0-9]{1,2}\1[0-9]{4}\b")
_WORDS = re.compile(
    r"([a-z]{3}),? ([a-z]{3}) {1,2}([0-9]{1,2}) ([0-9]{1,2}):([0-9]{2}):([0-9]{2}) (?:(?:UTC|GMT) )?([0-9]{4})",
    re.IGNORECASE,
)
_OFFSET = re.compile(r"([+-])([0-9]{1,2})(?::?([0-9]{2}))?")


@dataclass(frozen=True, slots=True)
class Stamp:
    """A date as read: naive `wall`, `offset_min` east of UTC or None, the step of the clock, or why it is not used."""

    wall: datetime | None
    offset_min: int | None = None
    resolution_ms: int = 1000
    fault: str | None = None


def clean(text: str) -> str:
    """Without the NULs and blanks that pad a stored text."""
    return text.replace("\0", " ").strip()


def kept(*parts: str | None) -> str:
    """The words of a source as they are kept: padding gone, never endless."""
    text = " ".join(word for part in parts if part and (word := clean(part)))
    return text if len(text) <= 100 else text[:99] + "…"


def read_stamp(text: str) -> Stamp:
    """Read one written date. A date without a time, or a month, gets the matching `resolution_ms`."""
    strict = _EXIF.fullmatch(text)
    if strict is not None:
        year, month, day, hour, minute, second = map(int, strict.groups())
        return _built(year, month, day, hour, minute, second, "", None, 1000, text)
    text = clean(text)
    if not any(letter in "123456789" for letter in text):
        blank = all(letter in " 0:-/.TZ+" for letter in text)
        return Stamp(None, fault=BLANK if blank else UNREADABLE)
    if len(text) > 64:
        return Stamp(None, fault=UNREADABLE)
    match = _YEAR_FIRST.fullmatch(text)
    if match is not None:
        y, _, mo, d, h, _, mi, s, fraction, zone, utc = match.groups()
        step = 1000 if s else 60_000 if h else DAY_MS if d else 31 * DAY_MS if mo else 366 * DAY_MS
        return _built(
            int(y), int(mo or 1), int(d or 1), int(h or 0), int(mi or 0), int(s or 0), fraction or "",
            "+00:00" if utc else zone, step, text,
        )  # fmt: skip
    match = _COMPACT.fullmatch(text)
    if match is not None:
        y, mo, d, h, mi, s, fraction, zone, utc = match.groups()
        zone = "+00:00" if utc else zone
        return _built(int(y), int(mo), int(d), int(h), int(mi), int(s), fraction or "", zone, 1000, text)
    match = _WORDS.fullmatch(text)
    if match is not None:
        return _read_words(match)
    return Stamp(None, fault=ORDER if _YEAR_LAST.match(text) else UNREADABLE)


def read_offset(text: str | None) -> int | None:
    """Minutes east of UTC of "+01:00", "-0330", "+2", "Z"; None where blank, unreadable or beyond −12:00…+14:00."""
    text = clean(text or "")
    if text in ("Z", "z"):
        return 0
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    total = int(hours) * 60 + int(minutes or 0)
    if int(minutes or 0) > 59:
        return None
    total = -total if sign == "-" else total
    return total if -12 * 60 <= total <= 14 * 60 else None


def read_fraction(digits: str) -> tuple[int, int]:
    """(microseconds, step in ms) of the digits after the decimal point: "5" = .5, "05" = .05, "130" = .130.

    Nothing but zeros counts as whole seconds: cameras without a finer clock write "00" in every picture.
    """
    digits = digits[:6]
    if not digits.isascii() or not digits.isdigit() or not digits.strip("0"):
        return 0, 1000
    return int(digits.ljust(6, "0")), max(1, 1000 // 10 ** len(digits))


def doubt(wall: datetime, resolution_ms: int = 1000) -> str | None:
    """Why a date that exists is not believed, or None.

    A clock that lost its battery starts again at a 1 January, 00:00. So the first hour of every year is doubted, and
    in the years where clocks commonly begin (1970, 1980, 1990, 2000) the whole first day, and the evening before it,
    which is the same instant west of Greenwich (common practice, no source). A picture really taken in that hour is
    then shown as "not known": that is a smaller harm than one dated years before everything it shows.
    """
    first_day = wall.month == 1 and wall.day == 1
    if first_day and (wall.year in _EPOCH_YEARS or (wall.hour == 0 and resolution_ms < DAY_MS)):
        return RESET
    if wall.month == 12 and wall.day == 31 and wall.hour >= 12 and wall.year + 1 in (1970, 1980, 1990):
        return RESET
    if not FIRST_YEAR <= wall.year <= LAST_YEAR:
        return f"the year {wall.year} is not plausible"
    if wall.year in (2038, 2040) and resolution_ms < DAY_MS:
        for limit in _LIMITS:
            if abs(wall - limit) <= _ANY_ZONE:
                return COUNTER
    return None


def _built(
    year: int, month: int, day: int, hour: int, minute: int, second: int, fraction: str,
    zone: str | None, step: int, text: str,
) -> Stamp:  # fmt: skip
    if year == 0 and month == 0 and day == 0:
        return Stamp(None, fault=BLANK)
    if hour == 24:
        return Stamp(None, fault=MIDNIGHT)
    micro, fine = read_fraction(fraction)
    try:
        wall = datetime(year, month, day, hour, minute, second, micro)  # noqa: DTZ001 - a wall clock has no zone
    except ValueError:
        return Stamp(None, fault=NO_SUCH)
    if step == 31 * DAY_MS:
        step = calendar.monthrange(year, month)[1] * DAY_MS
    elif step == 366 * DAY_MS:
        step = (366 if calendar.isleap(year) else 365) * DAY_MS
    step = min(step, fine) if step == 1000 else step
    return Stamp(wall, read_offset(zone), step, doubt(wall, step))


def _read_words(match: re.Match[str]) -> Stamp:
    weekday, month, day, hour, minute, second, year = match.groups()
    if weekday.lower() not in _DAYS or month.title() not in MONTHS:
        return Stamp(None, fault=UNREADABLE)
    zone = "+00:00" if re.search("UTC|GMT", match.group(), re.IGNORECASE) else None
    number = MONTHS.index(month.title()) + 1
    stamp = _built(int(year), number, int(day), int(hour), int(minute), int(second), "", zone, 1000, "")
    if stamp.wall is not None and _DAYS[stamp.wall.weekday()] != weekday.lower():
        return Stamp(None, fault="the weekday does not fit the date")
    return stamp
