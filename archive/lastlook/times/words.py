"""Times in words, for the terminal and the pages. English month names, whatever the locale."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.records import CaptureTime

from .stamps import FIRST_YEAR, MONTHS
from .zones import offset_words, zone_named

OPEN_START = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)
"""The `earliest` of a time that is bounded on one side only; read "not later than `latest`"."""

_MINUTE = timedelta(minutes=1)
_SHORT = timedelta(seconds=90)


def describe(time: CaptureTime, zone: str) -> str:
    """A capture time as a builder reads it, in the zone (IANA name): its instant, and how sure it is.

    "12 Mar 2026 10:41:07 +01:00", "… ± 2 s", "12 Mar 2026, between 10:41:07 and 12:41:07 +01:00",
    "12 Mar 2026 (time of day not known)", "not later than …", "not known".
    """
    if time.instant is None or time.earliest is None or time.latest is None:
        return "not known"
    spread = max(time.instant - time.earliest, time.latest - time.instant)
    if time.latest - time.earliest < timedelta(seconds=1):
        return _moment(time.instant, zone_named(zone))
    if spread <= _SHORT and time.earliest > OPEN_START:
        # Rounded to the second; the step of a whole-second clock (999 ms) is not worth telling beside a greater doubt.
        seconds = max(1, -((timedelta(milliseconds=1) - spread) // timedelta(seconds=1)))
        return f"{_moment(time.instant, zone_named(zone))} ± {seconds} s"
    return describe_interval(time.earliest, time.latest, zone)


def describe_interval(earliest: datetime, latest: datetime, zone: str) -> str:
    """An interval (both ends included) in words: a moment, a day, days, or between two times."""
    tz = zone_named(zone)
    first, last = earliest.astimezone(tz), latest.astimezone(tz)
    if latest - earliest < timedelta(seconds=1):
        return _moment(earliest, tz)
    end_of_day = last.replace(tzinfo=None) + timedelta(milliseconds=1)
    ends_with_day = end_of_day.time() == datetime.min.time()
    if earliest <= OPEN_START:
        return f"not later than {_date(last) if ends_with_day else _moment(latest, tz)}"
    same_day, same_offset = first.date() == last.date(), first.utcoffset() == last.utcoffset()
    if ends_with_day and first.time() == datetime.min.time():
        if same_day:
            return f"{_date(first)} (time of day not known)"
        return f"between {_date(first)} and {_date(last)}"
    if same_day and same_offset:
        return f"{_date(first)}, between {first:%H:%M:%S} and {last:%H:%M:%S} {offset_words(last)}"
    return f"between {_moment(earliest, tz)} and {_moment(latest, tz)}"


def describe_bounds(since: datetime, until: datetime, zone: str) -> str:
    """Two bounds that somebody asked for, both included: "on 12 Mar 2026" where they are those of one day."""
    tz = zone_named(zone)
    if _begins_day(since, tz) and _ends_day(until, tz) and since.astimezone(tz).date() == until.astimezone(tz).date():
        return f"on {_date(since.astimezone(tz))}"
    return describe_interval(since, until, zone)


def describe_start(since: datetime, zone: str) -> str:
    """The first moment asked for: a day where it begins one."""
    tz = zone_named(zone)
    return _date(since.astimezone(tz)) if _begins_day(since, tz) else _moment(since, tz)


def describe_end(until: datetime, zone: str) -> str:
    """The last moment asked for, included: a day where it ends one."""
    tz = zone_named(zone)
    return _date(until.astimezone(tz)) if _ends_day(until, tz) else _moment(until, tz)


def _begins_day(instant: datetime, tz: ZoneInfo) -> bool:
    local = instant.astimezone(tz)
    return (local - timedelta(milliseconds=1)).date() != local.date()


def _ends_day(instant: datetime, tz: ZoneInfo) -> bool:
    return _begins_day(instant + timedelta(milliseconds=1), tz)


def _moment(instant: datetime, tz: ZoneInfo) -> str:
    local = instant.astimezone(tz)
    return f"{_date(local)} {local:%H:%M:%S} {offset_words(local)}"


def _date(local: datetime) -> str:
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}"
