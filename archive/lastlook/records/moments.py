"""When a picture was taken: what the sources say, what was made of it, and corrections of clocks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class ClaimSource(StrEnum):
    """Who says when a picture was taken, in the order in which we would rather believe it, other things equal."""

    CREATION_DATE = "creation-date"  # a container's creation date that carries an offset from UTC
    EXIF_ORIGINAL = "exif-original"  # Exif DateTimeOriginal 0x9003 (+ SubSec, + Offset)
    EXIF_DIGITIZED = "exif-digitized"  # Exif DateTimeDigitized 0x9004
    XMP = "xmp"  # a date in an XMP packet, where there is no Exif
    GPS = "gps"  # GPSDateStamp + GPSTimeStamp: UTC, but often a fix some seconds old
    CONTAINER = "container"  # creation_time of a clip: UTC by ISO/IEC 14496-12, local or end of recording in practice
    EXIF_MODIFIED = "exif-modified"  # Exif DateTime 0x0132: the last change of the file by a program or the camera
    FILE_NAME = "file-name"  # IMG_20260312_104100.jpg and its like
    FILE_SYSTEM = "file-system"  # modification time: the last resort


@dataclass(frozen=True, slots=True)
class Claim:
    """What one source says of the time, kept as it was said.

    `wall` is the reading of that clock (naive); `offset_min` minutes east of UTC where the source says so (0 where it
    is UTC by definition), None for local time of an unknown zone. `resolution_ms` is the step of the clock as written
    (1000 for whole seconds, 86 400 000 for a bare date, 2000 for FAT file times). `fault` says in words why an
    unusable claim is not used ("blank date", "factory reset date", ...); `wall` may then be None.
    """

    source: ClaimSource
    text: str
    wall: datetime | None
    offset_min: int | None = None
    resolution_ms: int = 1000
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class CaptureTime:
    """When a picture was taken: an instant inside [earliest, latest], all UTC, or all None where nothing is known.

    `basis` is a short code (e.g. "exif-original+offset", "exif-original+zone", "container", "file-system", "unknown",
    with "+clock" where a clock correction was applied); `why` one plain sentence a builder understands, naming the
    source used and what was doubted.
    """

    instant: datetime | None
    earliest: datetime | None
    latest: datetime | None
    basis: str
    why: str

    @property
    def known(self) -> bool:
        return self.instant is not None


@dataclass(frozen=True, slots=True)
class ClockCorrection:
    """How one camera's clock stands to true time, over a stretch of that camera's own wall clock.

    `error_s` is camera minus true at `reference` (wall clock of the camera, naive); it grows by `drift_s_per_day`.
    `uncertainty_s` is the half-width of what remains. `fixed_offset_min`: the clock is kept at this offset from UTC
    all year (it does not follow daylight saving time). `since`/`until` bound it (camera's wall clock), None is open.
    `fitted`: found from pictures of the clock card; one that a person gave wins wherever both hold.
    """

    camera: str
    error_s: float = 0.0
    reference: datetime | None = None
    drift_s_per_day: float = 0.0
    uncertainty_s: float = 2.0
    fixed_offset_min: int | None = None
    since: datetime | None = None
    until: datetime | None = None
    note: str = ""
    fitted: bool = False


@dataclass(frozen=True, slots=True)
class ClockReference:
    """One picture of the clock card: its camera's clock read `wall`, and it was taken within [earliest, latest] (UTC).

    `wall`: the camera's display (naive, rounded down to `resolution_ms`) at the moment of the picture. `offset_min`:
    its offset from UTC where the file says it, None for local time. `source`: the claim that was read; `said`: a plain
    line where that claim had to be understood in another way than the standard's.
    """

    picture: str
    camera: str
    wall: datetime
    offset_min: int | None
    resolution_ms: int
    earliest: datetime
    latest: datetime
    source: ClaimSource
    said: str = ""
