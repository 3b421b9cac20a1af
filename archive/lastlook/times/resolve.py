"""From claims to a capture time: which source is believed, how sure it is, and why.

Intervals are closed: `latest` is the last millisecond that still belongs, so two adjacent seconds do not touch.

Which source. By what it is evidence of, not by rank alone:
 1. a container's creation date with offset; 2. Exif original; 3. Exif digitized; 4. XMP; 5. a container's creation
    time, weighed against the file name (see `clips`); 6. a time in the file name; 7. a bare date of one of 1 to 5;
 8. GPS alone; 9. Exif modified; 10. a date in the file name; 11. the file system.
    A claim later than `not_after` (when the file came in) is passed over. A doubted clock (reset, impossible year) is
    used only where a correction moves that clock by a day or more.
Which zone. An offset that the claim carries; a correction's fixed offset before it, as a person's word; else the offset
    that follows from another source in the same file that knows UTC (GPS within 90 s, others within 5 s of an offset in
    use anywhere); else the build's zone. An hour that came twice gives both readings; one that never came gives both
    readings too, and the point is the clock that was not set forward.
How sure. A whole-second stamp covers its second, a date its day. A correction adds its uncertainty on both sides.
    GPS that disagrees with a wall clock in the build's zone widens the interval to cover both, up to 26 h; where the
    zone is known or the clock was corrected it is only said, since a fix may be old.
    A time in a file name may be given up to 5 s late, when the file was saved.
    GPS alone: the fix may be up to an hour old (common practice, no source).
    Exif modified and the file system only bound a picture from above: editing and copying make them later. Their
    interval is open to the past (`OPEN_START`); the file system's is a day longer, as cards keep times without zone.
    A date in the name of the same day as Exif modified closes that interval at the start of the day.
Stills: `clip_ms` is added to the clip's start, to the point and to both ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.records import CaptureTime, Claim, ClaimSource, ClockCorrection

from . import clock
from .clips import clip_reading
from .neighbours import Beside
from .readings import EXPLAINED, OPENING, Reading, instant_of, offset_from, read_claim
from .stamps import DAY_MS
from .words import OPEN_START
from .zones import zone_named

_ZERO = timedelta(0)
_FUTURE = timedelta(hours=26)  # the widest the zones of the earth lie apart
_GPS_NEAR_S = 90.0
_CLOCK_NEAR_S = 5.0
_GPS_AGE = timedelta(hours=1)
_NAME_LATE = timedelta(seconds=5)
_CARD_ZONE = timedelta(days=1)
_WALL_SOURCES = (ClaimSource.EXIF_ORIGINAL, ClaimSource.EXIF_DIGITIZED, ClaimSource.XMP)
_STARTS = (ClaimSource.CREATION_DATE, *_WALL_SOURCES, ClaimSource.CONTAINER)

UNKNOWN = CaptureTime(
    None, None, None, "unknown", "No usable date was found in the file, its name or its folder entry."
)

_Claims = dict[ClaimSource, Claim]


def resolve(
    claims: Sequence[Claim],
    corrections: Sequence[ClockCorrection],
    zone: str,
    *,
    camera: str = "",
    clip_ms: int = 0,
    duration_ms: int | None = None,
    not_after: datetime | None = None,
    beside: Beside | None = None,
) -> CaptureTime:
    """When a picture was taken.

    `corrections` of any cameras; those of `camera` (its `Camera.key`) are used. `zone`: the build's IANA name.
    `clip_ms`: the place of a still in its clip; `duration_ms`: the clip's length, None for photos and where unknown.
    `not_after`: an instant at which the file is known to have existed, such as its coming in.
    `beside`: the files numbered before and after, which count where a clip holds nothing but its container's time.
    Pure: the same claims give the same time, so that re-resolving never reads media again.
    """
    tz = zone_named(zone)
    mine = [one for one in corrections if one.camera == camera] if corrections and camera else []
    found: _Claims = {}
    refused: list[Claim] = []
    for claim in claims:
        if claim.wall is not None and (claim.fault is None or (mine and clock.sets_right(mine, claim, tz))):
            found.setdefault(claim.source, claim)
        elif claim.fault is not None:
            refused.append(claim)
    shift = timedelta(milliseconds=clip_ms) if clip_ms else _ZERO
    passed = ""
    for attempt in _attempts(found):
        try:
            reading = _read(attempt, found, mine, tz, duration_ms, beside)
            if not_after is not None and reading.bound == "both" and reading.earliest - _FUTURE > not_after:
                passed += f" {OPENING[attempt.source]} is passed over: it lies after the file came in."
                continue
            return _finished(reading, shift, passed + _refusals(refused, attempt.source))
        except (OverflowError, ValueError):
            continue  # a date or a correction at the ends of the calendar
    if not refused and not passed:
        return UNKNOWN
    return CaptureTime(None, None, None, "unknown", f"No usable date was found.{passed}{_refusals(refused, None)}")


def _attempts(found: _Claims) -> list[Claim]:
    """The claims to try, best first. The file name comes by what it holds."""
    order: list[Claim] = []
    dates: list[Claim] = []
    name = found.get(ClaimSource.FILE_NAME)
    for source in _STARTS:
        claim = found.get(source)
        if claim is not None:
            (order if claim.resolution_ms < DAY_MS else dates).append(claim)
    if name is not None and name.resolution_ms < DAY_MS:
        order.append(name)
    order += dates
    gps, modified = found.get(ClaimSource.GPS), found.get(ClaimSource.EXIF_MODIFIED)
    order += [claim for claim in (gps, modified) if claim is not None]
    if name is not None and name.resolution_ms >= DAY_MS:
        order.append(name)
    disk = found.get(ClaimSource.FILE_SYSTEM)
    if disk is not None:
        order.append(disk)
    return order


def _read(
    claim: Claim,
    found: _Claims,
    mine: Sequence[ClockCorrection],
    tz: ZoneInfo,
    duration_ms: int | None,
    beside: Beside | None,
) -> Reading:
    source = claim.source
    if source in (ClaimSource.CREATION_DATE, ClaimSource.CONTAINER):
        return clip_reading(claim, found, mine, tz, duration_ms, beside)
    if source in _WALL_SOURCES:
        return _read_wall_claim(claim, found, mine, tz)
    if source is ClaimSource.FILE_NAME:
        if claim.resolution_ms >= DAY_MS:
            return _read_dated_name(claim, mine, tz)
        reading = _read_wall_claim(claim, found, mine, tz)
        reading.earliest -= _NAME_LATE
        return reading
    if source is ClaimSource.GPS:
        return _read_gps(claim, found, mine, tz)
    if source is ClaimSource.EXIF_MODIFIED:
        return _read_modified(claim, found, mine, tz)
    reading = read_claim(claim, (), tz, 0)
    reading.basis, reading.bound = "file-system", "above"
    reading.why = "Only the file's own date is known; copying may have made it later, so the picture may be older."
    reading.earliest, reading.latest = min(OPEN_START, reading.point), reading.latest + _CARD_ZONE
    if duration_ms:  # a clip's file is last written when the recording ends
        reading.point -= timedelta(milliseconds=duration_ms)
    return reading


def _read_wall_claim(claim: Claim, found: _Claims, mine: Sequence[ClockCorrection], tz: ZoneInfo) -> Reading:
    gps = found.get(ClaimSource.GPS)
    offset, witness = (None, None) if claim.offset_min is not None else _witnessed(claim, found, mine, tz)
    reading = read_claim(claim, mine, tz, offset)
    if witness is ClaimSource.GPS and reading.how == "given":
        reading.basis = reading.basis.replace("+offset", "+gps")
        reading.why += " Its zone follows from the GPS time in the same file."
    elif witness is not None and reading.how == "given":
        reading.why += f" Its offset from UTC follows from {EXPLAINED[witness]}."
    if gps is not None and witness is not ClaimSource.GPS:
        _weigh_gps(reading, gps, tz)
    reading.why += _compared(claim, found)
    return reading


def _witnessed(
    claim: Claim, found: _Claims, mine: Sequence[ClockCorrection], tz: ZoneInfo
) -> tuple[int | None, ClaimSource | None]:
    """The offset of a wall clock, from another claim of the same file that knows UTC, and which one."""
    wall = claim.wall
    assert wall is not None
    for source in (ClaimSource.EXIF_DIGITIZED, ClaimSource.XMP, ClaimSource.FILE_NAME, ClaimSource.EXIF_MODIFIED):
        other = found.get(source)
        if other is None or other is claim or other.offset_min is None or other.wall is None:
            continue
        # A program's last change is another event: its offset counts only where its clock reads the same.
        if source is ClaimSource.EXIF_MODIFIED and abs((other.wall - wall).total_seconds()) > _CLOCK_NEAR_S:
            continue
        offset = offset_from(wall, instant_of(other), _CLOCK_NEAR_S)
        if offset is not None:
            return offset, source
    gps = found.get(ClaimSource.GPS)
    if gps is not None:
        correction = clock.for_claim(mine, claim, tz)
        true_wall = wall - clock.error_at(correction, wall) if correction else wall
        offset = offset_from(true_wall, instant_of(gps), _GPS_NEAR_S)
        if offset is not None:
            return offset, ClaimSource.GPS
    return None, None


def _weigh_gps(reading: Reading, gps: Claim, tz: ZoneInfo) -> None:
    fix = instant_of(gps)
    apart = (reading.point - fix).total_seconds()
    if abs(apart) <= _GPS_NEAR_S:
        reading.why += " GPS agrees."
        return
    way = "earlier" if apart > 0 else "later"
    reading.why += f" The GPS time in the same file is {clock.lasting(apart)} {way} (an old fix or a wrong clock)"
    if reading.how == "zone" and not reading.corrected and abs(apart) <= _FUTURE.total_seconds():
        reading.earliest, reading.latest = min(reading.earliest, fix), max(reading.latest, fix)
        reading.why += "; the interval covers both."
    else:
        reading.why += "."


def _read_gps(claim: Claim, found: _Claims, mine: Sequence[ClockCorrection], tz: ZoneInfo) -> Reading:
    modified = found.get(ClaimSource.EXIF_MODIFIED)
    if modified is not None and modified.wall is not None:
        offset = modified.offset_min
        if offset is None:
            offset = offset_from(modified.wall, instant_of(claim), _GPS_NEAR_S)
        near = offset is not None and abs(
            (modified.wall - timedelta(minutes=offset) - instant_of(claim).replace(tzinfo=None)).total_seconds()
        )
        if offset is not None and near <= _GPS_NEAR_S:
            reading = read_claim(modified, mine, tz, offset)
            reading.basis = reading.basis.replace("+offset", "+gps")
            reading.why = "Exif's last change, which is when the picture was taken: the GPS time in the file agrees."
            return reading
    reading = read_claim(claim, (), tz, 0)
    reading.basis, reading.why = "gps", "The GPS time; its fix may be up to an hour older than the picture."
    reading.latest += _GPS_AGE
    return reading


def _read_dated_name(claim: Claim, mine: Sequence[ClockCorrection], tz: ZoneInfo) -> Reading:
    reading = read_claim(claim, mine, tz)
    reading.basis = "file-name+date"
    reading.why = "Only the date in the file name is known; if the picture was sent on, it may be the day of sending."
    return reading


def _read_modified(claim: Claim, found: _Claims, mine: Sequence[ClockCorrection], tz: ZoneInfo) -> Reading:
    reading = read_claim(claim, mine, tz)
    name = found.get(ClaimSource.FILE_NAME)
    if name is not None and name.wall is not None and claim.wall is not None:
        if name.wall.date() == claim.wall.date():
            day = read_claim(name, mine, tz)
            reading.why += " It is the day in the file name."
            reading.earliest = min(day.earliest, reading.earliest)
            return reading
        if name.wall.date() < claim.wall.date():
            day = _read_dated_name(name, mine, tz)
            day.why += " Exif's last change is later."
            return day
    reading.bound, reading.earliest = "above", min(OPEN_START, reading.earliest)
    reading.why += " It is the last change of the file, so the picture may be older."
    return reading


def _compared(claim: Claim, found: _Claims) -> str:
    """What other clocks in the file say of the same moment, where it differs by more than a minute."""
    said = ""
    wall = claim.wall
    assert wall is not None
    for source, other in found.items():
        if other is claim or other.wall is None or source in (ClaimSource.GPS, ClaimSource.FILE_SYSTEM):
            continue
        if other.resolution_ms >= DAY_MS:
            if source is ClaimSource.FILE_NAME and other.wall.date() != wall.date():
                said += f" The file name says {other.wall.date().isoformat()}."
            continue
        if claim.offset_min is not None and other.offset_min is not None:
            apart = (instant_of(other) - instant_of(claim)).total_seconds()
        elif source in (ClaimSource.FILE_NAME, ClaimSource.CONTAINER) and other.offset_min == 0:
            continue  # UTC against a wall clock of an unknown zone: nothing to compare
        else:
            apart = (other.wall - wall).total_seconds()
        if source is ClaimSource.FILE_NAME and abs(apart) <= _CLOCK_NEAR_S:
            said += " The file name agrees."
        elif abs(apart) > 60 and not (source is ClaimSource.EXIF_MODIFIED and apart > 0):
            way = "later" if apart > 0 else "earlier"
            said += f" {OPENING[source]} is {clock.lasting(apart)} {way}."
    return said


def _refusals(refused: Sequence[Claim], used: ClaimSource | None) -> str:
    """Why better claims than the one used were not: only those that rank before it are worth a word."""
    if not refused:
        return ""
    ranks = list(ClaimSource)
    limit = len(ranks) if used is None else ranks.index(used)
    said = ""
    for claim in refused:
        if ranks.index(claim.source) < limit:
            said += f" {OPENING[claim.source]} is not used: {claim.fault}."
    return said


def _finished(reading: Reading, shift: timedelta, more: str) -> CaptureTime:
    point, earliest, latest = reading.point, reading.earliest, reading.latest
    earliest, latest = min(earliest, point), max(latest, point)
    if shift:
        # An interval that is open to the past stays so for a still: "not later than", never "between 1990 and".
        opens = earliest if earliest <= OPEN_START else earliest + shift
        point, earliest, latest = point + shift, opens, latest + shift
    basis = f"{reading.basis}+clock" if reading.corrected else reading.basis
    return CaptureTime(point, earliest, latest, basis, reading.why + more)
