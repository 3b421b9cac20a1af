"""A picture of the clock card beside what its camera wrote into the file: one `ClockReference`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.clocks.card import Shown
from lastlook.records import Claim, ClaimSource, ClockReference

EXPOSURE = timedelta(milliseconds=250)
"""By how much what a picture shows may be older or newer than its stamp: long exposures, the delay of a display and of
the release (common practice, no source)."""

_NEAR_S = 300.0
_WRITTEN = (ClaimSource.EXIF_ORIGINAL, ClaimSource.EXIF_DIGITIZED, ClaimSource.XMP)


def reference(
    picture: str,
    camera: str,
    claims: Sequence[Claim],
    shown: Shown,
    zone: ZoneInfo,
    *,
    clip_ms: int | None = None,
    duration_ms: int | None = None,
) -> ClockReference | None:
    """What `picture` says of its camera's clock; None where the file holds no time of that clock to the second.

    A clip's container time is compared with the card: where it fits as the end of the recording, as local time, or as
    both, better than as the start in UTC, it is read that way and `said` tells it.
    """
    found: dict[ClaimSource, Claim] = {}
    for claim in claims:
        if claim.wall is not None and claim.resolution_ms <= 2000:
            found.setdefault(claim.source, claim)
    earliest, latest = shown.earliest - EXPOSURE, shown.latest + EXPOSURE
    into = timedelta(milliseconds=clip_ms or 0)
    name = found.get(ClaimSource.FILE_NAME)
    order: list[Claim | None]
    if clip_ms is None:
        order = [*(found.get(source) for source in _WRITTEN), name]
    else:
        order = [found.get(ClaimSource.CREATION_DATE), *(found.get(source) for source in _WRITTEN), name]
    for written in order:
        if written is not None:
            wall, offset = _display(written, zone)
            step = max(written.resolution_ms, 1)
            return ClockReference(picture, camera, wall + into, offset, step, earliest, latest, written.source)
    box = found.get(ClaimSource.CONTAINER)
    if box is None or clip_ms is None or box.wall is None:
        return None
    return _from_container(picture, camera, box, earliest, latest, zone, into, duration_ms)


def _display(claim: Claim, zone: ZoneInfo) -> tuple[datetime, int | None]:
    """The camera's display and its offset. Times that are UTC by their form are shown in the build's zone."""
    wall = claim.wall
    assert wall is not None
    if claim.offset_min == 0 and claim.source is ClaimSource.FILE_NAME:
        return _in_zone(wall, zone)
    return wall, claim.offset_min


def _in_zone(wall: datetime, zone: ZoneInfo) -> tuple[datetime, int]:
    shift = wall.replace(tzinfo=ZoneInfo("UTC")).astimezone(zone).utcoffset() or timedelta(0)
    return wall + shift, shift // timedelta(minutes=1)


def _from_container(
    picture: str,
    camera: str,
    box: Claim,
    earliest: datetime,
    latest: datetime,
    zone: ZoneInfo,
    into: timedelta,
    duration_ms: int | None,
) -> ClockReference | None:
    wall = box.wall
    assert wall is not None
    length = timedelta(milliseconds=duration_ms or 0)
    true_start = (earliest + (latest - earliest) / 2 - into).replace(tzinfo=None)
    local = earliest.astimezone(zone).utcoffset() or timedelta(0)
    ways = [(timedelta(0), ""), (length, "the clip's container time is the end of the recording")]
    if box.offset_min is None:
        ways = [(local + shift, said) for shift, said in ways]
    else:
        ways.append((local, "the clip's container time is local time written as if it were UTC"))
        ways.append((local + length, "the clip's container time is the end of the recording, in local time"))
    shift, said = min(ways, key=lambda way: (round(abs((wall - way[0] - true_start).total_seconds())), way[1] != ""))
    if abs((wall - shift - true_start).total_seconds()) > _NEAR_S:
        shift, said = (timedelta(0), "") if box.offset_min is not None else (local, "")
    display, offset = _in_zone(wall - shift, zone)
    step = max(box.resolution_ms, 1)
    return ClockReference(picture, camera, display + into, offset, step, earliest, latest, ClaimSource.CONTAINER, said)
