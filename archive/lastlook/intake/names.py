"""What a file's name says: when it was taken, and which naming series it belongs to. Pure.

The forms taken, by what they hold (whatever words stand before or after them):

    date, time and milliseconds, UTC      PXL_20260312_094107123.jpg       (UTC: from memory, no source)
    date and time, joined or divided      IMG_20260312_104107.jpg, 20260312_104107.mp4, 2026-03-12 10.41.07.jpg,
                                          Screenshot_20260312-104107.png, IMG20260312104107.jpg, 20260312T094107Z.mov
    date and time of twelve hours         Screenshot 2026-03-12 at 10.41.07 AM.png
    date, hour and minute, divided        2026-03-12 10.41.jpg
    date only                             IMG-20260312-WA0004.jpg, 2026-03-12 lantern wiring.jpg
    milliseconds since 1970, UTC          1773308467123.jpg

A counter (DSC00001, IMG_0412) is no time. A date that does not exist is no date but some other number.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

from lastlook.records import Claim, ClaimSource
from lastlook.times.stamps import DAY_MS, doubt, kept, read_fraction, read_offset

_DATE = r"(?P<y>(?:19|20)[0-9]{2})(?P<ds>[-_.]?)(?P<mo>[0-9]{2})(?P=ds)(?P<d>[0-9]{2})"
_TIMED = re.compile(
    r"(?<![0-9])" + _DATE + r"(?:[-_ T.]|,? at |_at_)?"
    r"(?P<h>[0-9]{1,2})(?P<ts>[-_.:]?)(?P<mi>[0-9]{2})(?P=ts)(?P<s>[0-9]{2})"
    # Three digits joined to the seconds are milliseconds; behind a dash they are as often the counter of a burst.
    r"(?:\.?(?P<ms>[0-9]{3})(?![0-9]))?(?![0-9])"
    r"(?:\s?(?P<half>[AP]M)\b)?(?P<zone>Z(?![A-Za-z])|[+-][0-9]{2}:?[0-9]{2}(?![0-9]))?",
    re.IGNORECASE,
)
_MINUTED = re.compile(
    r"(?<![0-9])" + _DATE + r"(?:[-_ T]|,? at |_at_)(?P<h>[0-9]{1,2})[.:h](?P<mi>[0-9]{2})(?![0-9]|[.:][0-9])"
    r"(?:\s?(?P<half>[AP]M)\b)?",
    re.IGNORECASE,
)
_DATED = re.compile(r"(?<![0-9])" + _DATE + r"(?![0-9])")
_COUNTED = re.compile(r"(?<![0-9])([12][0-9]{12})(?![0-9])")
# 13-digit numbers outside these years are rather article codes than times.
_COUNTED_FROM = 1_262_304_000_000  # 2010-01-01T00:00:00Z
_COUNTED_TO = 2_082_758_400_000  # 2036-01-01T00:00:00Z
_UTC_PREFIX = re.compile(r"PXL_", re.IGNORECASE)

# What programs add to the name of a copy.
_COPY = re.compile(r"(?:[ _-]*\(\d{1,3}\)|~\d{1,3}|[ _-]+copy(?:[ _-]?\d{1,3})?)$", re.IGNORECASE)
_SERIES = re.compile(r"([A-Z_-]{0,12}?)([0-9]+(?:[_. T-][0-9]+)*)([A-Z]{0,3}|[._][A-Z]{2,8})", re.IGNORECASE)
_DIGIT = re.compile(r"[0-9]")


def name_claim(name: str) -> Claim | None:
    """The time in a file's name (with or without folders), or None where it holds none. Never raises.

    `wall` is local time of an unknown zone unless the form is UTC; `resolution_ms` is a day for a bare date.
    """
    base = name.replace("\\", "/").rsplit("/", 1)[-1][:255]
    for pattern in (_TIMED, _MINUTED):
        for match in pattern.finditer(base):
            claim = _timed(base, match, match.groupdict())
            if claim is not None:
                return claim
    count = _COUNTED.search(base)
    if count is not None and _COUNTED_FROM <= int(count.group()) < _COUNTED_TO:
        instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=int(count.group()))
        return Claim(ClaimSource.FILE_NAME, kept(base), instant.replace(tzinfo=None), 0, 1)
    for match in _DATED.finditer(base):
        try:
            day = datetime(int(match["y"]), int(match["mo"]), int(match["d"]))  # noqa: DTZ001 - of an unknown zone
        except ValueError:
            continue
        return Claim(ClaimSource.FILE_NAME, kept(base), day, None, DAY_MS, doubt(day, DAY_MS))
    return None


def series(name: str) -> str:
    """The naming series of a file, to tell one camera from another where Exif is silent.

    "IMG_0412.JPG" → "IMG_####"; "IMG_20260312_104107.jpg" → "IMG_<DATE-TIME>". Photos and clips of one camera share
    it, copies too. '' where the name follows no counter or clock.
    """
    stem = PurePosixPath(name.replace("\\", "/")).stem[:255]
    while (bare := _COPY.sub("", stem)) != stem:
        stem = bare
    match = _SERIES.fullmatch(stem)
    if match is None:
        return ""
    prefix, digits, tail = match.groups()
    if _TIMED.match(digits):
        return f"{prefix}<date-time>".upper()
    return _DIGIT.sub("#", f"{prefix}{digits}{tail if tail.isalpha() else ''}".upper())


def counted(name: str) -> tuple[str, int] | None:
    """The naming series of a file and its number in it; None where the name follows no counter.

    "IMG_0412.JPG" → ("IMG_####", 412). The digits of a date or time are no counter.
    """
    kind = series(name)
    if "#" not in kind or name_claim(name) is not None:
        return None
    stem = PurePosixPath(name.replace("\\", "/")).stem[:255]
    while (bare := _COPY.sub("", stem)) != stem:
        stem = bare
    return kind, int("".join(_DIGIT.findall(stem)))


def _timed(base: str, match: re.Match[str], part: dict[str, str | None]) -> Claim | None:
    hour = int(part["h"] or 0)
    half = (part["half"] or "").upper()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "PM" else 0)
    elif len(part["h"] or "") == 1 and not part.get("ts", "."):
        return None  # five or six digits in a row: a counter
    micro, step = read_fraction(part.get("ms") or "")
    try:
        wall = datetime(  # noqa: DTZ001 - of an unknown zone
            int(part["y"] or 0), int(part["mo"] or 0), int(part["d"] or 0),
            hour, int(part["mi"] or 0), int(part.get("s") or 0), micro,
        )  # fmt: skip
    except ValueError:
        return None
    offset = read_offset((part.get("zone") or "").upper())
    if offset is None and part.get("ms") and _UTC_PREFIX.match(base):
        offset = 0
    if part.get("s") is None:
        step = 60_000
    return Claim(ClaimSource.FILE_NAME, kept(base), wall, offset, step, doubt(wall, step))
