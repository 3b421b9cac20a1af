"""When a clip's recording began, from its container and its name.

creation_time is UTC by ISO/IEC 14496-12, and by practice sometimes local time, or the end of the recording. So:
 * a creation date that carries an offset wins; the container's time only confirms it, or widens the interval to cover
   both where it lies up to ten minutes off (17 s was met);
 * beside a file name that holds the start, the container's time is tried as UTC start, UTC end, local start, local end
   (in this order, within 5 s): what fits says what it is, and the name's start is used;
 * if none fits and the name's zone would be another one in use, the container's time is the start, and that is said;
 * otherwise both are covered, and the earlier is the point: writing a file anew makes the container's time later;
 * alone, the point is the standard's; the interval is wider by the clip's length on both sides (an hour where that is
   unknown), and covers local time written as if it were UTC; the files numbered before and after may leave less of it
   (see `neighbours`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

from lastlook.records import Claim, ClaimSource, ClockCorrection

from . import clock
from .neighbours import NEAR_S, UNKNOWN_LENGTH, Beside, Start, displayed, weigh
from .readings import Reading, instant_of, offset_from, read_claim
from .stamps import DAY_MS
from .zones import Wall, read_wall

_NEAR_S = NEAR_S
_ASTRAY_S = 600.0
_DAY = timedelta(days=1)


def clip_reading(
    claim: Claim,
    found: Mapping[ClaimSource, Claim],
    mine: Sequence[ClockCorrection],
    tz: ZoneInfo,
    duration_ms: int | None,
    beside: Beside | None = None,
) -> Reading:
    """The start of a recording from its CREATION_DATE or CONTAINER claim, weighed against the others in `found`, or
    against the files `beside` it where there are none."""
    length = None if duration_ms is None else duration_ms / 1000
    reading = read_claim(claim, mine, tz)
    if claim.source is ClaimSource.CREATION_DATE:
        box = found.get(ClaimSource.CONTAINER)
        if box is not None:
            _confirm(reading, claim, box, length)
        return reading
    name = found.get(ClaimSource.FILE_NAME)
    if name is not None and name.wall is not None and name.resolution_ms < DAY_MS:
        return _beside_name(reading, claim, name, mine, tz, length)
    alone = _alone(reading, claim, mine, tz, duration_ms, beside)
    if name is not None:
        day = read_claim(name, mine, tz)
        if day.latest < alone.earliest - _DAY or alone.latest + _DAY < day.earliest:
            return _both(alone, day)
    return alone


def _confirm(reading: Reading, claim: Claim, box: Claim, length: float | None) -> None:
    if box.offset_min is None or box.wall is None or claim.offset_min is None:
        return
    apart = (instant_of(box) - instant_of(claim)).total_seconds()
    if abs(apart) <= _NEAR_S:
        reading.why += " The container's own time agrees."
    elif length is not None and abs(apart - length) <= _NEAR_S:
        reading.why += " The container's own time is the end of the recording."
    elif abs(apart - claim.offset_min * 60) <= _NEAR_S:
        reading.why += " The container's own time is local time."
    else:
        reading.why += f" The container's own time is {clock.lasting(apart)} {'later' if apart > 0 else 'earlier'}"
        if -_ASTRAY_S <= apart <= _ASTRAY_S + (length or 0):
            reading.earliest = min(reading.earliest, reading.earliest + timedelta(seconds=apart))
            reading.latest = max(reading.latest, reading.latest + timedelta(seconds=apart))
            reading.why += "; the interval covers both."
        else:
            reading.why += "."


def _beside_name(
    reading: Reading,
    box: Claim,
    name: Claim,
    mine: Sequence[ClockCorrection],
    tz: ZoneInfo,
    length: float | None,
) -> Reading:
    """Compares the two as written, since one camera's clock wrote both; then reads the one that is believed."""
    assert box.wall is not None
    assert name.wall is not None
    if name.offset_min is None:
        first, second, case = read_wall(name.wall, tz)
    else:
        first = second = instant_of(name)
        case = Wall.ONCE
    box_utc = read_wall(box.wall, tz)[0] if box.offset_min is None else instant_of(box)
    for said in (first, second) if case is Wall.TWICE else (first,):
        local = said.astimezone(tz).replace(tzinfo=None)
        fits = _what_fits((box_utc - said).total_seconds(), (box.wall - local).total_seconds(), length)
        if fits:
            start = read_claim(name, mine, tz)
            start.basis = start.basis.replace("file-name", "container+name")
            start.why = f"The time in the file name is the start of the recording: the container's time {fits}."
            if case is Wall.TWICE and start.latest - start.earliest >= second - first and "local" not in fits:
                # The container knows UTC, so it tells which of the two hours it was.
                if said is first:
                    start.latest -= second - first
                else:
                    start.point, start.earliest = start.point + (second - first), start.earliest + (second - first)
            return start
    if box.offset_min is not None and name.offset_min is None:
        away = offset_from(name.wall, instant_of(box), _NEAR_S)
        if away is None and length is not None:
            away = offset_from(name.wall, instant_of(box) - timedelta(seconds=length), _NEAR_S)
        if away is not None:
            start = read_claim(name, mine, tz, away)
            start.basis = "container+name"
            start.why = "The clip's container time; the file name shows the same moment in another time zone."
            return start
    return _both(reading, read_claim(name, mine, tz))


def _both(box: Reading, name: Reading) -> Reading:
    """The two disagree: the interval covers both, the point is the earlier."""
    earlier, later = (name, box) if name.point <= box.point else (box, name)
    apart = clock.lasting((later.point - earlier.point).total_seconds())
    earlier.earliest, earlier.latest = min(name.earliest, box.earliest), max(name.latest, box.latest)
    earlier.basis = "container+name"
    earlier.why = f"The clip's container time and its file name are {apart} apart; the interval covers both."
    return earlier


def _what_fits(utc_apart: float, wall_apart: float, length: float | None) -> str:
    """What a container's time is, by its distance in seconds from a known start; '' where nothing fits."""
    if abs(utc_apart) <= _NEAR_S:
        return "agrees"
    if length is not None and abs(utc_apart - length) <= _NEAR_S:
        return "is the end of the recording"
    if abs(wall_apart) <= _NEAR_S:
        return "is the same in local time"
    if length is not None and abs(wall_apart - length) <= _NEAR_S:
        return "is the end of the recording in local time"
    return ""


def _alone(
    reading: Reading,
    box: Claim,
    mine: Sequence[ClockCorrection],
    tz: ZoneInfo,
    duration_ms: int | None,
    beside: Beside | None,
) -> Reading:
    assert box.wall is not None
    length = UNKNOWN_LENGTH if duration_ms is None else timedelta(milliseconds=duration_ms)
    correction = clock.for_claim(mine, box, tz)
    fixed = None
    if correction is not None and correction.fixed_offset_min is not None:
        fixed = timedelta(minutes=correction.fixed_offset_min)
    shown = reading.point.replace(tzinfo=None)
    slack = (reading.point - reading.earliest, reading.latest - reading.point)
    if box.offset_min is not None:
        starts = [Start("UTC", reading.point, reading.earliest, reading.latest)]
        # The same figures, had they been local time.
        if fixed is not None:
            first = last = (shown - fixed).replace(tzinfo=UTC)
        else:
            first, last, _ = read_wall(shown, tz)
        starts.append(Start("local time", first, first - slack[0], last + slack[1]))
        reading.basis = "container"
        reading.why = (
            "The clip's container time, taken as UTC and as the start, as the standard has it; the interval also "
            "covers local time and the end of the recording."
        )
        if reading.corrected:
            reading.why += " The camera's clock was corrected."
    else:
        starts = [Start("local time", reading.point, reading.earliest, reading.latest)]
        shown = shown + fixed if fixed is not None else reading.point.astimezone(tz).replace(tzinfo=None)
        reading.basis = "container+zone"
        reading.why += " The interval is wider by the clip's length, as it may be the end of the recording."
    reading.earliest = min(start.earliest for start in starts) - length
    reading.latest = max(start.latest for start in starts) + length
    if beside is not None:
        starts += displayed(shown, slack, beside)
        weigh(reading, starts, beside, None if duration_ms is None else length)
    return reading
