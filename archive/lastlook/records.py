"""The records that flow between the stages. Frozen, typed, no I/O.

Units, everywhere: instants are timezone-aware `datetime` in UTC; spans on the time line of a clip are whole
milliseconds (`clip_ms`, presentation time from the first frame shown); lengths are millimetres; picture coordinates
are pixels of the *upright* picture (after its orientation was honoured), x right, y down, origin at the top left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

# ---------------------------------------------------------------------------------------------------- time


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


# ---------------------------------------------------------------------------------------------- what intake reads


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


# ---------------------------------------------------------------------------------------------- the plan


class OpeningKind(StrEnum):
    BONDED = "bonded"
    SCREWED = "screwed"
    MAGNETIC = "magnetic"
    HATCH = "hatch"


class HoldKind(StrEnum):
    NONE = ""
    HOLD = "hold"
    WITNESS = "witness"
    REVIEW = "review"


class RunStatus(StrEnum):
    DESIGNED = "designed"
    INSTALLED = "installed"
    CHANGED = "changed"
    SPARE = "spare"
    ABANDONED = "abandoned"


@dataclass(frozen=True, slots=True)
class Build:
    name: str
    zone: str = "UTC"
    scale: str = ""
    client: str = ""


@dataclass(frozen=True, slots=True)
class Subassembly:
    """`depth_mm`: how far below the skin's outer face what is in it lies; with `depth_to_mm`, anywhere between."""

    id: str
    title: str
    within: str = ""
    aliases: tuple[str, ...] = ()
    depth_mm: float | None = None
    depth_to_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Opening:
    """`shows`: ids of the subassemblies, runs and parts that can be seen through it while it is open.

    Seen, reached and replaced are three different states: `reaches` and `replaces` name what a hand or tool can get
    at, and what can come out, through it. Empty: the plan does not say. `depth_mm` and `depth_to_mm` are those of a
    subassembly, of what the opening shows.
    """

    id: str
    title: str
    kind: OpeningKind = OpeningKind.BONDED
    shows: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    reaches: tuple[str, ...] = ()
    replaces: tuple[str, ...] = ()
    depth_mm: float | None = None
    depth_to_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """`before`: ids of the openings whose closing it must precede. `order` sorts steps within the build.

    `tests`: kinds of test that must have passed, on each of its runs or on the step itself.
    """

    id: str
    title: str
    subassembly: str
    kind: str = ""
    order: int = 0
    before: tuple[str, ...] = ()
    hold: HoldKind = HoldKind.NONE
    runs: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One conductor's path. `colour`, `tracer`: IEC 60757 codes; `source`, `target`: its ends, "from" and "to".

    `crosses`: ids of the openings whose joint line it passes; `outer_mm`: diameter over the insulation.
    """

    id: str
    title: str
    colour: str = ""
    tracer: str = ""
    gauge_awg: int | None = None
    source: str = ""
    target: str = ""
    cut_length_mm: float | None = None
    loop_mm: float | None = None
    polarity: str = ""
    volts: float | None = None
    milliamps: float | None = None
    subassemblies: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    status: RunStatus = RunStatus.DESIGNED
    crosses: tuple[str, ...] = ()
    outer_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    id: str
    title: str
    subassembly: str
    aliases: tuple[str, ...] = ()


class RequirementKind(StrEnum):
    """Kinds of thing for which a plan may say what must be on record before a closing."""

    RUN = "run"
    SPARE = "spare"  # a run whose status is spare
    PART = "part"
    SUBASSEMBLY = "subassembly"
    OPENING = "opening"


@dataclass(frozen=True, slots=True)
class Requirement:
    """What a plan asks for one kind of thing; None where it leaves the default (see `lastlook.closing.requirements`).

    `bend_factor` is the smallest inside radius of a bend in outer diameters; `retest_percent` how far a value may move
    between the test before closing and the same test after it.
    """

    kind: RequirementKind
    context: bool | None = None
    close: bool | None = None
    ends: bool | None = None
    crossings: bool | None = None
    length: bool | None = None
    tests: tuple[str, ...] | None = None
    release: bool | None = None
    bend_factor: float | None = None
    retest_percent: float | None = None

    @property
    def id(self) -> str:
        return self.kind.value


@dataclass(frozen=True, slots=True)
class Plan:
    build: Build
    subassemblies: tuple[Subassembly, ...] = ()
    openings: tuple[Opening, ...] = ()
    steps: tuple[Step, ...] = ()
    runs: tuple[Run, ...] = ()
    parts: tuple[Part, ...] = ()
    requirements: tuple[Requirement, ...] = ()

    @property
    def ids(self) -> frozenset[str]:
        """Every id of the plan but the build itself."""
        groups = (self.subassemblies, self.openings, self.steps, self.runs, self.parts)
        return frozenset(item.id for group in groups for item in group)


# ---------------------------------------------------------------------------------------------- decisions and tags


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing a person decided, appended and never changed. `body` is plain JSON; `undoes` another decision's uid.

    `seq` counts from 1 in the order of commit; `at` is when it was recorded (UTC); `by` who; `kind` names the form of
    the body (see `lastlook.catalogue.decisions`).
    """

    seq: int
    uid: str
    at: datetime
    by: str
    kind: str
    body: Mapping[str, object]
    undoes: str = ""


class Dimension(StrEnum):
    """What a tag can point at."""

    SUBASSEMBLY = "subassembly"
    STEP = "step"
    RUN = "run"
    PART = "part"


class ProposalSource(StrEnum):
    FOLDER = "folder"
    FILE_NAME = "file-name"
    SPOKEN = "spoken"
    STEP = "step"  # follows from another tag: a step lies in one subassembly
    CARD = "card"
    SESSION = "session"
    NEIGHBOUR = "neighbour"
    LIKENESS = "likeness"
    HEARD = "heard"  # words heard by a recogniser in the sound of a clip


@dataclass(frozen=True, slots=True)
class Proposal:
    """A machine's tag with its evidence (one plain line naming what was seen) and a confidence in 0..1."""

    dimension: Dimension
    target: str
    source: ProposalSource
    confidence: float
    evidence: str


class TagState(StrEnum):
    SET = "set"  # a person said so
    PROPOSED = "proposed"  # a machine's proposal
    REJECTED = "rejected"  # a person said no


@dataclass(frozen=True, slots=True)
class Tag:
    """A tag as it stands on a picture. `by` names the person or the proposal's source; `why` is the evidence.

    `counts`: answers use it. A person's "yes" always does, "no" never; a proposal does where it is sure enough and
    nothing a person said speaks against it.
    """

    dimension: Dimension
    target: str
    state: TagState
    by: str
    why: str
    confidence: float = 1.0
    counts: bool = True


# ---------------------------------------------------------------------------------------------- answers


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo or a still as the archive knows it. `id` is made from content (see `picture_id`); `rid` its row."""

    id: str
    rid: int
    kind: PictureKind
    sha256: str
    file: str
    clip_ms: int | None
    time: CaptureTime
    camera: str
    width: int
    height: int
    quality: Quality | None
    thumb: str
    page: str
    caption: str
    spoken: str
    group: int | None
    tags: tuple[Tag, ...] = ()
    hold_ms: int = 0
    shown: bool = True

    def counted(self, dimension: Dimension) -> tuple[str, ...]:
        """Ids that answers use in `dimension`: a person's first, then applied proposals, the surest first."""
        tags = [tag for tag in self.tags if tag.dimension is dimension and tag.counts]
        tags.sort(key=lambda tag: (tag.state is not TagState.SET, -tag.confidence, tag.target))
        return tuple(dict.fromkeys(tag.target for tag in tags))

    def said(self, dimension: Dimension) -> tuple[str, ...]:
        """Ids that a person has set in `dimension`."""
        return tuple(tag.target for tag in self.tags if tag.dimension is dimension and tag.state is TagState.SET)


@dataclass(frozen=True, slots=True)
class Closing:
    """One act of closing an opening, with the time as it is known. `undone`/reopened closings are not listed as shut.

    `reopened` is None while the opening stays shut. `decision` is the uid of the decision that recorded it.
    """

    opening: str
    time: CaptureTime
    method: str
    by: str
    decision: str
    reopened: CaptureTime | None = None


class Sort(StrEnum):
    BEST = "best"
    NEWEST = "newest"
    OLDEST = "oldest"


@dataclass(frozen=True, slots=True)
class Question:
    """A question about past states: words, and what narrows them. Empty means "not narrowed".

    Several ids of one kind ask for pictures of any of them, ids of different kinds for pictures of all: runs W03 and
    W04 in subassembly MAST are pictures of W03 or W04 that show MAST."""

    words: str = ""
    subassemblies: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    before_closing: str = ""
    after_closing: str = ""
    since: datetime | None = None
    until: datetime | None = None
    kind: PictureKind | None = None
    sort: Sort | None = None
    limit: int = 50
    offset: int = 0


@dataclass(frozen=True, slots=True)
class Hit:
    """A picture that answers, its score where ranking was asked (else None), and why it is here in plain words."""

    picture: Picture
    score: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What was found. `total` counts all that match, shown or not; `undetermined` are those whose interval leaves the
    order against the closing, or against `since`/`until`, open. `nearest` maps unknown words to known ones;
    `said` are plain lines worth telling (an empty answer explained, a part of the question left out)."""

    question: Question
    total: int
    hits: tuple[Hit, ...]
    undetermined_total: int
    undetermined: tuple[Hit, ...]
    nearest: Mapping[str, tuple[str, ...]]
    said: tuple[str, ...]


def photo_id(sha256: str) -> str:
    """The id of a photo's picture: 'p' and the first 12 hex digits of its content."""
    return f"p{sha256[:12]}"


def still_id(sha256: str, clip_ms: int) -> str:
    """The id of a still: 's', 12 hex digits of its clip's content, and its place in milliseconds.

    The id alone is enough to take the same still again from the clip, so that a decision about it survives a rebuild
    even where a later version would choose other stills.
    """
    return f"s{sha256[:12]}-{clip_ms}"


def clip_id(sha256: str) -> str:
    """The id of a clip: 'c' and the first 12 hex digits of its content."""
    return f"c{sha256[:12]}"
