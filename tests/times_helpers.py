"""Short ways to write claims and moments, shared by the tests of times."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from lastlook import times
from lastlook.intake.names import name_claim
from lastlook.records import CaptureTime, Claim, ClaimSource

BERLIN = "Europe/Berlin"
CAMERA = "Ottermark B2 #0417"
ORIGINAL = ClaimSource.EXIF_ORIGINAL
MS = timedelta(milliseconds=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def exif(text: str, subsec: str | None = None, offset: str | None = None, source: ClaimSource = ORIGINAL) -> Claim:
    return times.exif_claim(source, text, subsec, offset)


def name(text: str) -> Claim:
    claim = name_claim(text)
    assert claim is not None
    return claim


def gps(text: str) -> Claim:
    moment = wall(text)
    return times.gps_claim(f"{moment:%Y:%m:%d}", [moment.hour, moment.minute, moment.second])


def span(time: CaptureTime) -> tuple[datetime | None, datetime | None]:
    return time.earliest, time.latest


def second(text: str) -> tuple[datetime, datetime]:
    """The closed interval of a whole-second stamp."""
    return utc(text), utc(text) + timedelta(milliseconds=999)


def covers(time: CaptureTime, *moments: str) -> bool:
    assert time.earliest is not None
    assert time.latest is not None
    return all(time.earliest <= utc(moment) <= time.latest for moment in moments)
