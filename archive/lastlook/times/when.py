"""Times as a builder writes them: `--at`, `--since`, `--until` and the forms of the pages.

A written time is an interval: "2026-03-12" is the whole day, "10:41" the whole minute. From EDTF (Library of Congress,
2019) the useful parts are taken: `2026-03`, `2026`, unknown digits `2026-03-XX`, an interval `2026-03-10/2026-03-12`
and the qualifiers `?`, `~`, `%`. EDTF does not say how far a qualifier reaches; here it is one unit to either side
(a day, a month, a year: own rule).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from lastlook.errors import UsageError
from lastlook.records import CaptureTime

from .rfc3339 import parse_rfc3339
from .stamps import MONTHS
from .zones import Wall, day_start, offset_words, read_wall, zone_named

STEP = timedelta(milliseconds=1)  # intervals are closed: `latest` is the last millisecond that belongs
_HINT = (
    "Write it like 2026-03-12, '2026-03-12 10:41', '12 Mar 2026', 2026-03 (the whole month) "
    "or 2026-03-12T10:41:00+01:00."
)
_LONG = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
_TIME = r"(?:(?:[ t]|, ?)(?:at )?([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:\.([0-9]{1,6})[0-9]*)?)?)?"
_ZONE = r" ?(z|utc|[+-][0-9]{2}:?[0-9]{2})?"
_DASHED = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})" + _TIME + _ZONE)
_DAY_WORD = re.compile(r"([0-9]{1,2})\.? ([a-z]{3,9})\.?,?(?: ([0-9]{4}))?" + _TIME + _ZONE)
_WORD_DAY = re.compile(r"([a-z]{3,9})\.? ([0-9]{1,2})(?:, ?([0-9]{4})| ([0-9]{4}))?" + _TIME + _ZONE)
_RELATIVE = re.compile(r"(today|yesterday)" + _TIME + _ZONE)
_MONTH_WORD = re.compile(r"([a-z]{3,9})\.? ([0-9]{4})")
_SPAN = re.compile(r"([0-9]{4})(?:-([0-9]{2}|xx)(?:-(xx))?)?")


@dataclass(frozen=True, slots=True)
class When:
    """A time as somebody wrote it: from `earliest` to `latest`, both UTC and both included; `text` as written."""

    earliest: datetime
    latest: datetime
    text: str

    def capture_time(self) -> CaptureTime:
        """The same as a `CaptureTime` with basis "said", to be compared with pictures. The instant is its middle."""
        span = self.latest - self.earliest
        middle = self.earliest + span // 2 if span > timedelta(minutes=1) else self.earliest
        return CaptureTime(middle, self.earliest, self.latest, "said", f"Given as {self.text}.")


def parse_when(text: str, zone: str, now: datetime) -> When:
    """Read a time written by a person. `zone`: the build's IANA name; `now`: aware, for "today" and a missing year.

    A day without a year is the last such day up to `now`, as a log looks back. Raises `UsageError`.
    """
    tz = zone_named(zone)
    words = " ".join(text.replace("\0", " ").replace("−", "-").split())
    if len(words) > 80:
        raise _unreadable(text)
    try:
        return _parse(words, tz, now)
    except (ValueError, OverflowError):
        raise _unreadable(words) from None


def _parse(words: str, tz: ZoneInfo, now: datetime) -> When:
    low = words.lower()
    if low == "now":
        return When(now.astimezone(UTC), now.astimezone(UTC), words)
    if low.count("/") == 1 and re.match(r"[0-9x]{4}.*/", low):
        return _interval(words, tz, now)
    qualified = low[-1:] in ("?", "~", "%") and ":" not in low  # EDTF cannot qualify a time of day
    if qualified:
        low = low[:-1]
    match = _DASHED.fullmatch(low)
    if match is not None:
        day = _day(*match.group(1, 2, 3))
        return _of_day(day, match.groups()[3:], tz, words, qualified)
    match = _SPAN.fullmatch(low)
    if match is not None:
        return _of_span(match, tz, words, qualified)
    if qualified:
        raise _unreadable(words)
    match = _MONTH_WORD.fullmatch(low)
    if match is not None:
        first = datetime(int(match.group(2)), _month(match.group(1), words), 1)  # noqa: DTZ001 - local, read below
        return _between(first, _next_month(first), tz, words)
    match = _DAY_WORD.fullmatch(low)
    if match is not None:
        day = _day_of_year(match.group(3), _month(match.group(2), words), int(match.group(1)), tz, now)
        return _of_day(day, match.groups()[3:], tz, words)
    match = _WORD_DAY.fullmatch(low)
    if match is not None:
        year = match.group(3) or match.group(4)
        day = _day_of_year(year, _month(match.group(1), words), int(match.group(2)), tz, now)
        return _of_day(day, match.groups()[4:], tz, words)
    match = _RELATIVE.fullmatch(low)
    if match is not None:
        day = _midnight(now, tz) - timedelta(days=1 if match.group(1) == "yesterday" else 0)
        return _of_day(day, match.groups()[1:], tz, words)
    if re.fullmatch(r"[0-9]{1,2}[/.-][0-9]{1,2}[/.-][0-9]{2,4}.*", low):
        raise UsageError(
            f"in the date {words!r} day and month cannot be told apart", "Write the year first: 2026-03-12."
        )
    raise _unreadable(words)


def _of_day(day: datetime, rest: tuple[str | None, ...], tz: ZoneInfo, words: str, qualified: bool = False) -> When:
    hour, minute, second, fraction, zone = rest
    if hour is None:
        if zone:
            raise _unreadable(words)
        margin = timedelta(days=1 if qualified else 0)
        return _between(day - margin, day + timedelta(days=1) + margin, tz, words)
    wall = day.replace(
        hour=int(hour),
        minute=int(minute or 0),
        second=int(second or 0),
        microsecond=int((fraction or "").ljust(6, "0")),
    )
    step = timedelta(0) if fraction else timedelta(seconds=1) - STEP if second else timedelta(minutes=1) - STEP
    if zone:
        fixed = parse_rfc3339(f"{wall.isoformat()}{_offset(zone)}")
        return When(fixed, fixed + step, words)
    first, last, case = read_wall(wall, tz)
    if case is Wall.NEVER:
        raise UsageError(
            f"there was no {wall:%H:%M} on {wall.day} {MONTHS[wall.month - 1]} {wall.year} in {tz.key}: "
            "the clocks went forward over it",
            f"Give the time before or after the jump, or with its offset, like {wall:%Y-%m-%dT%H:%M}:00"
            f"{offset_words(last.astimezone(tz))}.",
        )
    return When(first, last + step, words)


def _of_span(match: re.Match[str], tz: ZoneInfo, words: str, qualified: bool) -> When:
    year, month, day = match.groups()
    if month is None or month == "xx":
        first = datetime(int(year), 1, 1)  # noqa: DTZ001 - local, read below
        after = first.replace(year=first.year + 1)
        if qualified:
            first, after = first.replace(year=first.year - 1), after.replace(year=after.year + 1)
        return _between(first, after, tz, words)
    if 21 <= int(month) <= 41:
        raise UsageError(
            f"{words!r} names a season or a part of the year", "Give months instead, like 2026-03/2026-05."
        )
    first = datetime(int(year), int(month), 1)  # noqa: DTZ001 - local, read below
    after = _next_month(first)
    if qualified and day is None:
        first, after = (first - timedelta(days=1)).replace(day=1), _next_month(after)
    return _between(first, after, tz, words)


def _interval(words: str, tz: ZoneInfo, now: datetime) -> When:
    left, right = words.split("/")
    if left in ("", "..") or right in ("", ".."):
        raise UsageError(f"the time {words!r} has an open end", "Give one bound only, with --since or --until.")
    # EDTF has no intervals of times of day.
    if ":" in words or "/" in left:
        raise _unreadable(words)
    first, last = _parse(left, tz, now), _parse(right, tz, now)
    if last.latest < first.earliest:
        raise UsageError(f"the time {words!r} ends before it begins", "Put the earlier date first.")
    return When(first.earliest, last.latest, words)


def _between(first: datetime, after: datetime, tz: ZoneInfo, words: str) -> When:
    return When(day_start(first, tz), day_start(after, tz) - STEP, words)


def _midnight(now: datetime, tz: tzinfo) -> datetime:
    return now.astimezone(tz).replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)


def _day(year: str, month: str, day: str) -> datetime:
    return datetime(int(year), int(month), int(day))  # noqa: DTZ001 - local, read by the caller


def _day_of_year(year: str | None, month: int, day: int, tz: ZoneInfo, now: datetime) -> datetime:
    if year is not None:
        return datetime(int(year), month, day)  # noqa: DTZ001 - local, read by the caller
    today = _midnight(now, tz)
    for candidate in range(today.year, today.year - 9, -1):  # 29 February comes again within eight years
        try:
            found = datetime(candidate, month, day)  # noqa: DTZ001 - local, read by the caller
        except ValueError:
            continue
        if found <= today:
            return found
    raise ValueError(f"no day {day} in month {month}")


def _next_month(first: datetime) -> datetime:
    return (first + timedelta(days=32)).replace(day=1)


def _month(word: str, words: str) -> int:
    for number, (short, long) in enumerate(zip(MONTHS, _LONG, strict=True), 1):
        if word in (short.lower(), long) or (word == "sept" and number == 9):
            return number
    raise _unreadable(words)


def _offset(zone: str) -> str:
    if zone in ("z", "utc"):
        return "Z"
    return zone if ":" in zone else f"{zone[:3]}:{zone[3:]}"


def _unreadable(text: str) -> UsageError:
    return UsageError(f"cannot read the time {text[:80]!r}", _HINT)
