"""What the files numbered just before and after a clip tell of its container's time.

A camera that numbers its files took number 412 after 411 and before 413 (common practice, no source; a number is given
when a recording starts). So of the readings of a clip's container time (UTC or local time, the start or the end of the
recording) only those can be true that lie between the two. A reading is given up only where no moment of it can lie
there, in the widest sense that the neighbours' own intervals leave; so where the truth is among the readings, it stays.

Where only one zone is left, it is taken; start against end is told apart only where the neighbours leave no choice.
Where the neighbours' own zone is assumed, their clock may have shown UTC, and the clip's time with them: then only what
does not hang on that zone is concluded, and the interval keeps every reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from lastlook.records import CaptureTime, Claim

from .readings import Reading, offset_from, wall_is_display
from .words import OPEN_START

OUTSIDE = "lies by no reading between the files numbered before and after it"
TAKEN_AS_LOCAL = "is taken as local time"

NEAR_S = 5.0
"""By how much what a container holds may be off what it stands for, in seconds."""
UNKNOWN_LENGTH = timedelta(hours=1)

_NEAR = timedelta(seconds=NEAR_S)
_ANY_CLOCK_S = 90.0


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A file with a time of its own. `offset_min`: minutes east of UTC at which its camera's display stood, None where
    that cannot be told. `assumed`: its zone is the build's for want of a better one."""

    file: str
    time: CaptureTime
    offset_min: int | None = None
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Beside:
    """The nearest such files before and after a clip, by number."""

    before: Neighbour
    after: Neighbour


@dataclass(frozen=True, slots=True)
class Start:
    """One zone in which a container's time may have been written, and when the recording began if it is the start.
    `words`: "UTC", "local time"."""

    words: str
    point: datetime
    earliest: datetime
    latest: datetime


def is_alone(time: CaptureTime) -> bool:
    """Whether nothing but its container's time says when a clip was recorded."""
    parts = time.basis.split("+")
    return parts[0] == "container" and "name" not in parts


def neighbour(file: str, time: CaptureTime, claims: Sequence[Claim]) -> Neighbour | None:
    """A file as a bound for others; None where its own time is none: not known, open to the past, or another clip's
    container time, or the day in a name, which may be that of sending."""
    if time.instant is None or time.earliest is None or time.latest is None or time.earliest <= OPEN_START:
        return None
    if is_alone(time) or time.basis.startswith("file-name+date"):
        return None
    offset = None
    source = time.basis.split("+")[0]
    for claim in claims:
        if claim.source.value == source and claim.wall is not None and wall_is_display(claim):
            offset = claim.offset_min
            if offset is None:
                offset = offset_from(claim.wall, time.instant, _ANY_CLOCK_S)
            break
    parts = time.basis.split("+")
    return Neighbour(file, time, offset, "zone" in parts and "clock" not in parts)


def bounding(number: int, others: Sequence[tuple[int, Neighbour]]) -> Beside | None:
    """The nearest of `others` (number, file) on both sides of `number`. Of two with one number, such as a picture in
    two formats, the one that bounds less. None where one side is empty, or where the two contradict each other."""
    before = [one for one in others if one[0] < number]
    after = [one for one in others if one[0] > number]
    if not before or not after:
        return None
    _, first = min(before, key=lambda one: (-one[0], one[1].time.earliest, one[1].file))
    _, last = min(after, key=lambda one: (one[0], -_seconds(one[1].time.latest), one[1].file))
    if first.time.earliest is None or last.time.latest is None or first.time.earliest > last.time.latest:
        return None
    return Beside(first, last)


def _seconds(moment: datetime | None) -> float:
    return (moment - OPEN_START).total_seconds() if moment else 0.0


def displayed(shown: datetime, slack: tuple[timedelta, timedelta], beside: Beside) -> list[Start]:
    """The figures of a container read as local time at the offsets at which the neighbours' displays stood. `shown`:
    the figures, corrected, without zone; `slack`: what their interval adds before and behind."""
    starts = []
    for one in (beside.before, beside.after):
        if one.offset_min is not None and not one.assumed:
            at = (shown - timedelta(minutes=one.offset_min)).replace(tzinfo=UTC)
            sign = "-" if one.offset_min < 0 else "+"
            hours, minutes = divmod(abs(one.offset_min), 60)
            words = f"local time at {sign}{hours:02d}:{minutes:02d}"
            starts.append(Start(words, at, at - slack[0], at + slack[1]))
    return starts


def weigh(reading: Reading, starts: Sequence[Start], beside: Beside, length: timedelta | None) -> None:
    """Changes `reading`, that of a clip with nothing but its container's time, by what its neighbours leave of it.
    `starts`: the zones in which the time may be written, the standard's first; `length` of the clip, None if unknown.
    """
    ways = _distinct(starts)
    low, high = beside.before.time.earliest, beside.after.time.latest
    if low is None or high is None:
        return
    most, least = (UNKNOWN_LENGTH, timedelta(0)) if length is None else (length, length)

    def lies(earliest: datetime, latest: datetime) -> bool:
        return earliest - _NEAR <= high and latest + _NEAR >= low

    fits = [
        (way, begins, ends)
        for way in ways
        if (begins := lies(way.earliest, way.latest)) | (ends := lies(way.earliest - most, way.latest - least))
    ]
    between = f"between {beside.before.file} and {beside.after.file}, the files numbered before and after it"
    if not fits:
        reading.why += f" It {OUTSIDE}, {beside.before.file} and {beside.after.file}: a clock was wrong, or the"
        reading.why += " numbers began anew."
        return
    if len(fits) > 1:
        return
    ((way, begins, ends),) = fits
    if len(ways) == 1 and begins and ends:
        return  # nothing was to be told, or nothing can be
    point = way.point
    if not begins:
        point = way.point - length if length is not None else min(way.point, high)
    reading.basis += "+neighbours"
    corrected = " The camera's clock was corrected." if reading.corrected else ""
    if not _sure(way, ways, beside):
        reading.point = point
        reading.earliest = min(reading.earliest, way.earliest - most)
        reading.latest = max(reading.latest, way.latest + most)
        others = " and ".join(one.words for one in ways if one is not way)
        reading.why = (
            f"The clip's container time is taken as {way.words}, since only so it lies {between}. Their own zone is"
            f" assumed, so the interval covers {others}, too, and the end of the recording.{corrected}"
        )
        return
    reading.point = point
    reading.earliest, reading.latest = way.earliest - most, way.latest + most
    zone = f" in {way.words}" if len(ways) > 1 else ""
    if begins and ends:
        said, more = f"is {way.words}", " The interval also covers the end of the recording."
    elif begins:
        said, more = f"is the start of the recording{zone}", ""
        reading.earliest = way.earliest - _NEAR
    else:
        said, more = f"is the end of the recording{zone}", ""
        reading.latest = way.latest - least + _NEAR
    reading.why = f"The clip's container time {said}, since only so it lies {between}.{more}{corrected}"


def _distinct(starts: Sequence[Start]) -> list[Start]:
    """Without those that say the same as one before: local time is UTC in some zones, and one's neighbours' is mostly
    the build's."""
    ways: list[Start] = []
    for start in starts:
        for n, one in enumerate(ways):
            if one.point == start.point:
                ways[n] = replace(one, earliest=min(one.earliest, start.earliest), latest=max(one.latest, start.latest))
                break
        else:
            ways.append(start)
    return ways


def _sure(way: Start, ways: Sequence[Start], beside: Beside) -> bool:
    """Whether what the neighbours leave holds whatever their zone. If both are read in the build's zone for want of a
    better one, local time is read in that zone, too, by the same clock, and lies between them in any zone or in none.
    So that it does not is sure; that UTC does not is not."""
    assumed = [one.assumed for one in (beside.before, beside.after)]
    return not any(assumed) or len(ways) == 1 or (all(assumed) and way.words == "UTC")
