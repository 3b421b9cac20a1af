"""One claim read as an interval of UTC, in its zone and with its clock corrected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.records import Claim, ClaimSource, ClockCorrection

from . import clock
from .zones import Wall, read_wall

_MS = timedelta(milliseconds=1)
_HOUR_MS = 3_600_000

EXPLAINED = {
    ClaimSource.CREATION_DATE: "the clip's creation date",
    ClaimSource.EXIF_ORIGINAL: "the Exif time of taking",
    ClaimSource.EXIF_DIGITIZED: "the Exif time of digitizing",
    ClaimSource.XMP: "the XMP date",
    ClaimSource.GPS: "the GPS time",
    ClaimSource.CONTAINER: "the clip's container time",
    ClaimSource.EXIF_MODIFIED: "the Exif time of change",
    ClaimSource.FILE_NAME: "the time in the file name",
    ClaimSource.FILE_SYSTEM: "the file's own date",
}
OPENING = {source: words[0].upper() + words[1:] for source, words in EXPLAINED.items()}

# Minutes east of UTC in civil use somewhere (IANA time zone database; −2:30 is Newfoundland's summer time).
_OFFSETS_IN_USE = frozenset(
    [hours * 60 for hours in range(-12, 15)]
    + [-570, -210, -150, 210, 270, 330, 345, 390, 525, 570, 630, 765, 825]
)  # fmt: skip


@dataclass(slots=True)
class Reading:
    """A claim under way to a capture time; changed by the weighing of other claims.

    `how`: "offset" (the claim's own), "given" (from another source or a correction), "zone" (the build's). `bound`:
    "both", or "above" where only the end is known. `corrected`: a clock correction was applied.
    """

    point: datetime
    earliest: datetime
    latest: datetime
    how: str
    basis: str
    why: str
    corrected: bool = False
    bound: str = "both"


def instant_of(claim: Claim) -> datetime:
    """The instant (UTC) of a claim that carries an offset, or is UTC by the form of its source, as written."""
    assert claim.wall is not None
    return claim.wall.replace(tzinfo=UTC) - timedelta(minutes=claim.offset_min or 0)


def offset_from(wall: datetime, instant: datetime, near_s: float) -> int | None:
    """The offset in civil use that a wall clock stands at, if it then shows `instant` within `near_s` seconds."""
    apart = (wall - instant.replace(tzinfo=None)).total_seconds()
    minutes = round(apart / 900) * 15
    return minutes if abs(apart - minutes * 60) <= near_s and minutes in _OFFSETS_IN_USE else None


def read_claim(claim: Claim, mine: Sequence[ClockCorrection], tz: ZoneInfo, offset_min: int | None = None) -> Reading:
    """Read one claim. `offset_min` is used where the claim has no offset; a correction's fixed offset beats both."""
    wall = claim.wall
    assert wall is not None
    source = claim.source
    offset, how = (offset_min, "given") if claim.offset_min is None else (claim.offset_min, "offset")
    correction = clock.for_claim(mine, claim, tz) if mine else None
    why = OPENING[source]
    tail = kept_at = ""
    slack = None
    if correction is not None:
        error = clock.error_at(correction, clock.camera_wall(claim, tz))
        wall -= error
        slack = clock.margin(correction)
        # Claims that are UTC by their form stay so, whatever offset the camera's display is kept at.
        if correction.fixed_offset_min is not None and wall_is_display(claim):
            offset, how, kept_at = correction.fixed_offset_min, "given", " The camera keeps one offset all year."
        tail = f" The camera's clock was {clock.spoken(error)} then; this is corrected." if error else ""
        if correction.fitted:
            tail = f"{tail[:-1]}, {correction.note}." if tail else f" Its clock was checked: {correction.note}."
        tail += kept_at
    coarse = claim.resolution_ms >= _HOUR_MS
    span = timedelta(milliseconds=claim.resolution_ms) - _MS
    case = Wall.ONCE
    if offset is not None:
        earliest = last = (wall - timedelta(minutes=offset)).replace(tzinfo=UTC)
        basis, why = f"{source.value}+offset", f"{why}, with its offset from UTC."
        late = last + span
        point = earliest
    else:
        how = "zone"
        earliest, last, case = read_wall(wall, tz)
        basis, why = f"{source.value}+zone", f"{why}, read in the build's zone {tz.key}."
        late = read_wall(wall + span, tz)[1] if coarse else last + span
        point = last if case is Wall.NEVER else earliest
    if coarse:
        point = earliest + (late - earliest) // 2
        point = point.replace(microsecond=0)
    elif case is Wall.TWICE:
        tail += " The clocks went back over this hour, so it came twice."
    elif case is Wall.NEVER:
        tail += " The clocks went forward over this hour: the camera's clock was not set to local time."
    if slack:
        earliest, late = earliest - slack, late + slack
    return Reading(point, earliest, late, how, basis, why + tail, correction is not None)


def wall_is_display(claim: Claim) -> bool:
    """Whether `wall` is what the camera's display showed, rather than UTC by the form of the source."""
    return not (claim.offset_min == 0 and claim.source in (ClaimSource.CONTAINER, ClaimSource.FILE_NAME))
