"""A camera's clock against true time.

error(w) = error_s + drift_s_per_day × (w − reference) / 1 day, with w the camera's own wall clock; true = w − error.
`uncertainty_s` is added on both sides of the interval. A correction reaches only what that camera's clock wrote (Exif,
XMP, container, creation date, file name), never GPS, nor the file system, whose dates other machines set too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from lastlook.records import Claim, ClaimSource, ClockCorrection

_DAY_S = 86_400.0
_EVER = datetime(1, 1, 1)  # noqa: DTZ001 - wall clocks have no zone
_OTHER_CLOCKS = (ClaimSource.GPS, ClaimSource.FILE_SYSTEM)
# A correction that moves a clock by this much was made for a clock that was never set.
_UNSET_CLOCK = timedelta(days=1)


def applicable(corrections: Sequence[ClockCorrection], wall: datetime) -> ClockCorrection | None:
    """The one correction of a camera that holds at `wall` (camera's wall clock): since ≤ wall < until.

    Of several, one that a person gave before one that was fitted; then the one whose stretch began last; of those that
    began together, the one given last.
    """
    best: ClockCorrection | None = None
    for one in corrections:
        if (one.since is not None and wall < one.since) or (one.until is not None and wall >= one.until):
            continue
        if best is None or (not one.fitted, one.since or _EVER) >= (not best.fitted, best.since or _EVER):
            best = one
    return best


def error_at(correction: ClockCorrection, wall: datetime) -> timedelta:
    """Camera minus true at `wall`. Without a reference the drift counts from `since`; without both, not at all."""
    seconds = correction.error_s
    start = correction.reference or correction.since
    if correction.drift_s_per_day and start is not None:
        seconds += correction.drift_s_per_day * ((wall - start).total_seconds() / _DAY_S)
    return timedelta(seconds=seconds)


def for_claim(corrections: Sequence[ClockCorrection], claim: Claim, zone: ZoneInfo) -> ClockCorrection | None:
    """The correction that holds for one claim, or None."""
    if not corrections or claim.wall is None or claim.source in _OTHER_CLOCKS:
        return None
    return applicable(corrections, camera_wall(claim, zone))


def camera_wall(claim: Claim, zone: ZoneInfo) -> datetime:
    """What the camera's own display showed. Claims written in UTC are taken back to the build's zone."""
    wall = claim.wall
    assert wall is not None
    if claim.offset_min == 0 and claim.source in (ClaimSource.CONTAINER, ClaimSource.FILE_NAME):
        return wall.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)
    return wall


def margin(correction: ClockCorrection) -> timedelta:
    """The half-width that remains after correcting, never negative."""
    return timedelta(seconds=max(0.0, correction.uncertainty_s))


def sets_right(corrections: Sequence[ClockCorrection], claim: Claim, zone: ZoneInfo) -> bool:
    """Whether a doubted claim (a reset clock, an impossible year) is usable, its clock being corrected by days."""
    if claim.wall is None:
        return False
    try:
        found = for_claim(corrections, claim, zone)
        return found is not None and abs(error_at(found, claim.wall)) >= _UNSET_CLOCK
    except (OverflowError, ValueError):  # at the ends of the calendar
        return False


def spoken(error: timedelta) -> str:
    """An error in words: "24.1 s fast", "1 h 0 min slow"."""
    seconds = error.total_seconds()
    way = "fast" if seconds > 0 else "slow"
    return "right" if not seconds else f"{lasting(abs(seconds))} {way}"


def lasting(seconds: float) -> str:
    """A length of time in its two largest units."""
    seconds = abs(seconds)
    if seconds < 60:
        return f"{seconds:.1f}".rstrip("0").rstrip(".") + " s"
    whole = math.floor(seconds + 0.5)
    units = (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1))
    for (name, size), (lesser, less) in pairwise(units):
        if whole >= size:
            rest = whole % size // less
            return f"{whole // size} {name} {rest} {lesser}" if rest else f"{whole // size} {name}"
    return f"{whole} s"
