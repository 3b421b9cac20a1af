"""What intake reads out of a photo or a clip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from lastlook.records.moments import Claim


class MediaKind(StrEnum):
    PHOTO = "photo"
    CLIP = "clip"


class PictureKind(StrEnum):
    PHOTO = "photo"
    STILL = "still"


@dataclass(frozen=True, slots=True)
class Camera:
    """Which device made a file. Empty strings where the file does not say.

    `series`: how its file was named ("IMG_####"), which tells cameras apart where the file names no maker or model.
    """

    make: str = ""
    model: str = ""
    serial: str = ""
    series: str = ""

    @property
    def key(self) -> str:
        """A stable name for clock corrections: maker, model, serial as far as known, else the naming series or ''."""
        make, model = self.make.strip(), self.model.strip()
        # Many makers repeat their name at the start of the model.
        name = model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()
        if not name:
            return f"named {self.series}" if self.series else ""
        return f"{name} #{self.serial.strip()}" if self.serial.strip() else name


@dataclass(frozen=True, slots=True)
class Quality:
    """Measured on the picture scaled to a fixed long edge, so that figures of one camera can be compared.

    `sharpness`: variance of the Laplacian of the grey picture (a rank within one scene, no absolute judgement).
    `phash`: 64-bit DCT hash as an unsigned integer; near-duplicates differ in few bits.
    `mean_luma`: 0..255.
    """

    sharpness: float
    phash: int
    mean_luma: float


@dataclass(frozen=True, slots=True)
class Cue:
    """One caption of a clip: [start_ms, end_ms) on the clip's time line, and its words as plain text."""

    start_ms: int
    end_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Heard:
    """Words that a recogniser heard in the sound of a clip at [start_ms, end_ms) of its time line; `sure` 0..1."""

    start_ms: int
    end_ms: int
    text: str
    sure: float


class CodeKind(StrEnum):
    QR = "qr"
    MARKER = "marker"


@dataclass(frozen=True, slots=True)
class Code:
    """A QR code or a fiducial marker that was read in a picture.

    `text`: what the QR code says, or the marker's family and number ("25h9:3"). `corners`: (x, y) of its four corners
    in pixels of the upright picture at its full size, in the code's own order from its top left, clockwise as the code
    is printed. `sure`: 0..1. `mirrored`: it is seen in a mirror, or the picture is mirrored.
    """

    kind: CodeKind
    text: str
    corners: tuple[tuple[float, float], ...]
    sure: float
    mirrored: bool = False


@dataclass(frozen=True, slots=True)
class StillReading:
    """One frame chosen from a clip. `clip_ms` is its true presentation time from the first frame, rounded to 1 ms.

    `thumb` and `page` are the names of the derived files, relative to the derived folder; `hold_ms` how long the view
    was held still around it (0 where it was moving); `why` the reason it was chosen ("held", "interval", "card", "by
    hand").
    """

    clip_ms: int
    width: int
    height: int
    quality: Quality
    thumb: str
    page: str
    hold_ms: int = 0
    why: str = "interval"


@dataclass(frozen=True, slots=True)
class Problem:
    """A file that could not be used, or only in part: an input, never an exception.

    `path` as it was given; `reason` one line a builder understands; `hint` one line of what to do (may be empty).
    `kept` is True where the original is kept in the archive although it cannot be shown.
    """

    path: str
    reason: str
    hint: str = ""
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """All that was read from one photo or clip. `path` absolute, as met; `sha256` 64 hex digits of the whole file.

    `width`/`height` are upright. `claims` are all claims met, unusable ones with their fault. `thumb`/`page` name
    derived pictures relative to the derived folder ('' where the file cannot be shown). `shown` is False for a file
    that is kept but cannot be shown. For clips: `duration_ms` to the end of the last real frame, `stills` in order.
    `pair_id` is the identifier a device gave to a photo and its motion clip, '' without. `warnings` are plain lines.
    """

    path: str
    sha256: str
    size_bytes: int
    mtime_ns: int
    kind: MediaKind
    format: str
    width: int
    height: int
    orientation: int
    camera: Camera
    claims: tuple[Claim, ...]
    quality: Quality | None = None
    thumb: str = ""
    page: str = ""
    shown: bool = True
    duration_ms: int | None = None
    stills: tuple[StillReading, ...] = ()
    pair_id: str = ""
    warnings: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)  # a few Exif facts to show: exposure, f-number, lens, ISO
