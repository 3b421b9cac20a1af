"""From what a file says about its time to a `Claim`. Pure, no I/O, and none of these raises on any text.

Sources: CIPA DC-008 (Exif) for dates, SubSecTime and OffsetTime; ISO/IEC 14496-12 for creation_time; XMP part 1 for
ISO 8601 dates. A claim that cannot be used keeps its words and says why (`Claim.fault`). Where only the clock is
doubted, not the writing, `wall` is kept beside the fault, so that a correction of that clock can still use it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from lastlook.records import Claim, ClaimSource

from .stamps import BLANK, UNREADABLE, UNSET, Stamp, clean, doubt, kept, read_fraction, read_offset, read_stamp

SECONDS_1904_TO_1970 = 2_082_844_800  # 66 years with 17 leap days
_EPOCH_1904 = datetime(1904, 1, 1, tzinfo=UTC)
_EPOCH_1970 = datetime(1970, 1, 1, tzinfo=UTC)
# A receiver without a fix writes its own epoch; nothing on a bench was photographed with GPS before this.
_FIRST_GPS_YEAR = 2000
NO_DAY = "a time of day without its date"


def exif_claim(source: ClaimSource, text: str, subsec: str | None = None, offset: str | None = None) -> Claim:
    """A date of Exif with its SubSecTime and OffsetTime, each as stored ("2026:03:12 10:41:07", "130", "+01:00").

    An offset written inside the text wins over `offset`. A blank or impossible offset is an unknown one.
    """
    stamp = read_stamp(text)
    digits = clean(subsec or "")
    said = f".{digits}" if digits else None
    if stamp.wall is not None and stamp.resolution_ms == 1000 and not stamp.wall.microsecond:
        micro, step = read_fraction(digits)
        stamp = replace(stamp, wall=stamp.wall.replace(microsecond=micro), resolution_ms=step)
    if stamp.offset_min is None and stamp.wall is not None:
        stamp = replace(stamp, offset_min=read_offset(offset))
    return _claim(source, stamp, kept(text, said, offset))


def xmp_claim(text: str) -> Claim:
    """A date of an XMP packet: ISO 8601, down to a bare year; the zone may be missing."""
    return _claim(ClaimSource.XMP, read_stamp(text), kept(text))


def gps_claim(date: str, time: Sequence[object]) -> Claim:
    """GPSDateStamp and the three rationals (h, m, s) of GPSTimeStamp: UTC.

    A rational may be a (numerator, denominator) pair, a Fraction, a float, or any object with `numerator` and
    `denominator`. 0/0 and whatever is no time of day is a fault.
    """
    parts = [_ratio(value) for value in time[:3]]
    said = kept(date, ":".join("?" if part is None else f"{float(part):g}" for part in parts))
    day = read_stamp(date)
    if day.wall is None:
        return Claim(ClaimSource.GPS, said, None, 0, fault=NO_DAY if day.fault == BLANK else day.fault)
    if len(parts) != 3 or None in parts:
        return Claim(ClaimSource.GPS, said, None, 0, fault=BLANK)
    hours, minutes, seconds = (part or Fraction(0) for part in parts)
    if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 60):
        return Claim(ClaimSource.GPS, said, None, 0, fault="no such time of day")
    total = hours * 3600 + minutes * 60 + seconds
    if total >= 86_400:
        return Claim(ClaimSource.GPS, said, None, 0, fault="no such time of day")
    wall = day.wall.replace(hour=0, minute=0, second=0, microsecond=0)
    wall += timedelta(microseconds=int(total * 1_000_000))
    step = 1000 if total.denominator == 1 else max(1, 1000 // min(total.denominator, 1000))
    fault = "the receiver had no fix" if wall.year < _FIRST_GPS_YEAR else doubt(wall, 86_400_000)
    return Claim(ClaimSource.GPS, said, wall, 0, step, fault)


def since_1904(seconds: int) -> datetime | None:
    """The instant of a creation_time of ISO/IEC 14496-12: seconds since 1904-01-01T00:00Z; None past year 9999."""
    try:
        return _EPOCH_1904 + timedelta(seconds=seconds)
    except OverflowError:
        return None


def container_claim(value: str | int | datetime) -> Claim:
    """A clip's creation_time: as text, as seconds since 1904, or as a datetime (naive is UTC, by ISO/IEC 14496-12).

    A text without a zone (AVI) is local time of an unknown zone. Zero in either epoch is "not set". A value before 1970
    was written as seconds since 1970 by a program that took the wrong epoch, and is read that way.
    """
    said = kept(value.isoformat() if isinstance(value, datetime) else str(value)) if value != "" else ""
    if isinstance(value, str):
        stamp = _before_doubt(read_stamp(value))
    else:
        instant = since_1904(value) if isinstance(value, int) else value
        if instant is None:
            return Claim(ClaimSource.CONTAINER, said, None, 0, fault=UNREADABLE)
        try:
            wall = instant.astimezone(UTC).replace(tzinfo=None) if instant.tzinfo else instant
        except OverflowError:
            return Claim(ClaimSource.CONTAINER, said, None, 0, fault=UNREADABLE)
        stamp = Stamp(wall, 0, 1 if wall.microsecond else 1000)
    if stamp.wall is None:
        return _claim(ClaimSource.CONTAINER, replace(stamp, fault=UNSET if stamp.fault == BLANK else stamp.fault), said)
    wall = stamp.wall
    if wall in (_EPOCH_1904.replace(tzinfo=None), _EPOCH_1970.replace(tzinfo=None)):
        return Claim(ClaimSource.CONTAINER, said, None, stamp.offset_min, fault=UNSET)
    if _EPOCH_1904.year <= wall.year < 1970:
        wall += timedelta(seconds=SECONDS_1904_TO_1970)
        said = f"{said} (read as counted from 1970)"
    return _claim(ClaimSource.CONTAINER, replace(stamp, wall=wall, fault=doubt(wall, stamp.resolution_ms)), said)


def creation_date_claim(text: str) -> Claim:
    """A container's own creation date with its offset ("2019-07-24T11:25:40+0300"); without one, a container claim."""
    stamp = read_stamp(text)
    source = ClaimSource.CONTAINER if stamp.offset_min is None and stamp.wall else ClaimSource.CREATION_DATE
    return _claim(source, stamp, kept(text))


def avi_date_claim(text: str) -> Claim:
    """The IDIT date of an AVI ("Mon Sep 10 20:52:00 2012"): local time of an unknown zone."""
    return _claim(ClaimSource.CONTAINER, read_stamp(text), kept(text))


def file_system_claim(mtime_ns: int) -> Claim:
    """A file's modification time in nanoseconds since 1970. Whole even seconds may come from a card with 2 s steps."""
    try:
        wall = (_EPOCH_1970 + timedelta(microseconds=mtime_ns // 1000)).replace(tzinfo=None)
    except OverflowError:
        return Claim(ClaimSource.FILE_SYSTEM, str(mtime_ns)[:100], None, 0, fault=UNREADABLE)
    step = 1 if mtime_ns % 10**9 else 1000 if mtime_ns % (2 * 10**9) else 2000
    said = wall.isoformat(timespec="milliseconds") + "Z"
    # A file date in the first hour of a year is a real one: file systems keep the computer's time.
    return Claim(ClaimSource.FILE_SYSTEM, said, wall, 0, step, doubt(wall, 86_400_000))


def _claim(source: ClaimSource, stamp: Stamp, said: str) -> Claim:
    return Claim(source, said, stamp.wall, stamp.offset_min, stamp.resolution_ms, stamp.fault)


def _before_doubt(stamp: Stamp) -> Stamp:
    """The stamp with the doubt about its year left to the caller, who may still have to change its epoch."""
    return replace(stamp, fault=None) if stamp.wall is not None else stamp


def _ratio(value: object) -> Fraction | None:
    try:
        if isinstance(value, tuple | list):
            numerator, denominator = value
            return Fraction(int(numerator), int(denominator))
        if isinstance(value, int):
            return Fraction(value)
        if isinstance(value, float):
            return Fraction(value) if math.isfinite(value) else None
        return Fraction(int(value.numerator), int(value.denominator))  # type: ignore[attr-defined]
    except (ArithmeticError, AttributeError, TypeError, ValueError):
        return None
