"""Which files there are, what they seem to be, and which of them belong together.

`scan` lists without opening anything, so that an unchanged folder of thousands costs no more than its directory
entries. `sniff` opens one file and looks at its first bytes. `discover` does both, sniffing only what its name does
not tell.
"""

from __future__ import annotations

import os
import stat
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum
from pathlib import Path, PurePath

from lastlook.intake import raw
from lastlook.records import Claim, ClaimSource, MediaKind, Problem, Reading

HEAD_BYTES = 4096
"""How much of a file's beginning `kind_of` wants to see."""


class FoundKind(StrEnum):
    PHOTO = "photo"
    CLIP = "clip"
    SIDECAR = "sidecar"  # captions or a small picture that belong to a file of the same name
    OTHER = "other"
    UNKNOWN = "unknown"  # the name does not tell; `sniff` would


# ruff: noqa: SIM905 - lists of words are easier to read and extend as words
PHOTO_EXTENSIONS = raw.EXTENSIONS.union(
    ".jpg .jpeg .jpe .jfif .png .tif .tiff .webp .heic .heif .hif .avif .mpo .gif".split()
)
CLIP_EXTENSIONS = frozenset(".mp4 .m4v .mov .qt .avi .mkv .webm .mts .m2ts .ts .3gp .3g2 .mpg .mpeg .wmv .asf".split())
CAPTION_EXTENSIONS = frozenset({".srt", ".vtt", ".sbv"})
THUMB_EXTENSION = ".thm"
_OTHER_EXTENSIONS = frozenset(".txt .md .pdf .html .htm .xml .xmp .aae .json .csv .toml .ini .log .zip .py .db".split())
_SYSTEM_NAMES = frozenset({"thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r"})
_SYSTEM_FOLDERS = frozenset({"__macosx", "$recycle.bin", "system volume information"})
_EDIT_NOTES = ".aae"  # how a phone's own editor changed a photo; the photo lies beside it, as it was taken
_ARCHIVE_MARK = "lastlook.toml"

MOTION_CLIP_MS = 5_500
"""A motion clip beside a photo is about 3 s long; this leaves room."""

_MOTION_APART = timedelta(seconds=3)


@dataclass(frozen=True, slots=True)
class Found:
    """One regular file. `path` is absolute; bytes of its name that are no UTF-8 are surrogates (`os.fsencode` undoes
    it). `mtime_ns` counts from 1970."""

    path: str
    kind: FoundKind
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Discovery:
    """`found` in a fixed order: a folder's files by name, then its folders by name. `skipped` counts hidden and
    system files, which are left out without a word."""

    found: tuple[Found, ...] = ()
    problems: tuple[Problem, ...] = ()
    skipped: int = 0


@dataclass(frozen=True, slots=True)
class Company:
    """Which files belong to which, by path. `captions`: clip → its caption files, the plainest name first.
    `thumbs`: clip or photo → the small picture beside it. `motion`: photo → the clip of the same name beside it, if
    `is_motion_pair` agrees once both were read. `alone`: sidecars whose file is not there."""

    captions: dict[str, tuple[str, ...]]
    thumbs: dict[str, str]
    motion: dict[str, str]
    alone: tuple[str, ...]


def scan(paths: Iterable[str | Path]) -> Discovery:
    """List the files at and below `paths` without opening any. A path given that is a link is followed, since it was
    named; a link met inside a folder is not, and is reported."""
    found: list[Found] = []
    problems: list[Problem] = []
    skipped = 0
    seen: set[str] = set()
    for given in paths:
        try:
            top = Path(given).resolve()
            status = top.stat()
        except OSError as error:
            problems.append(_unlisted(os.fspath(given), error))
            continue
        except (RuntimeError, ValueError):  # links in a circle (before Python 3.13); a NUL in the name
            problems.append(Problem(os.fspath(given), "leads nowhere: its name or link is broken", "Check the name."))
            continue
        if not stat.S_ISDIR(status.st_mode):
            _take(str(top), status, seen, found, problems)
            continue
        for _, entries in _walk(str(top), seen, problems):
            for entry in entries:
                if _left_out(entry.name):
                    skipped += 1
                    continue
                try:
                    status = entry.stat(follow_symlinks=False)
                except OSError as error:
                    problems.append(_unlisted(entry.path, error))
                    continue
                _take(entry.path, status, seen, found, problems)
    return Discovery(tuple(found), tuple(problems), skipped)


def discover(paths: Iterable[str | Path]) -> Discovery:
    """Like `scan`, and what its name does not tell is told by its first bytes."""
    listed = scan(paths)
    found: list[Found] = []
    problems = list(listed.problems)
    for item in listed.found:
        if item.kind is not FoundKind.UNKNOWN:
            found.append(item)
            continue
        head = first_bytes(item.path)
        if isinstance(head, Problem):
            problems.append(head)
            continue
        kind = kind_of(head)
        if kind is FoundKind.OTHER and (name := unread_kind(head)) in _UNREAD_PICTURES:
            problems.append(
                Problem(item.path, f"is a {name} file, which is not read as a photo", "Save it as JPEG or PNG.")
            )
        else:
            found.append(replace(item, kind=kind))
    return Discovery(tuple(found), tuple(problems), listed.skipped)


def sniff(path: str) -> FoundKind | Problem:
    """Tell what the regular file at `path` is from its first bytes: photo, clip or other."""
    head = first_bytes(path)
    return head if isinstance(head, Problem) else kind_of(head)


def first_bytes(path: str) -> bytes | Problem:
    """The first HEAD_BYTES of the regular file at `path`; links are not followed, pipes not waited for."""
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
        try:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return Problem(path, "is no ordinary file", "Only ordinary files can be taken in.")
            return os.read(descriptor, HEAD_BYTES)
        finally:
            os.close(descriptor)
    except OSError as error:
        return _unlisted(path, error)


def kind_of(head: bytes) -> FoundKind:
    """Tell a photo or clip by the first HEAD_BYTES of its file, or OTHER.

    Signatures are those of the formats' own standards: JPEG (ITU-T T.81), PNG (W3C), TIFF 6.0 and BigTIFF, GIF89a,
    RIFF, ISO base media files (ISO/IEC 14496-12 brands), Matroska (RFC 8794), transport streams (ISO/IEC 13818-1).
    """
    if head[:3] == b"\xff\xd8\xff" or head[:8] == b"\x89PNG\r\n\x1a\n" or head[:6] in (b"GIF87a", b"GIF89a"):
        return FoundKind.PHOTO
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb"):
        return FoundKind.PHOTO
    if head[:15] == b"FUJIFILMCCD-RAW" or head[6:14] == b"HEAPCCDR" or head[:4] == b"\0MRM":
        return FoundKind.PHOTO
    if head[:4] == b"RIFF":
        return {b"WEBP": FoundKind.PHOTO, b"AVI ": FoundKind.CLIP}.get(head[8:12], FoundKind.OTHER)
    if head[4:8] == b"ftyp":
        return _kind_of_boxes(head)
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"):  # older QuickTime has no ftyp
        return FoundKind.CLIP
    if head[:4] in (b"\x1a\x45\xdf\xa3", b"\0\0\1\xba", b"\0\0\1\xb3", b"\x30\x26\xb2\x75"):
        return FoundKind.CLIP
    for start, step in ((0, 188), (4, 192)):  # packets of transport streams, plain and with a time stamp each
        if len(head) > start + 4 * step and all(head[start + number * step] == 0x47 for number in range(5)):
            return FoundKind.CLIP
    return FoundKind.OTHER


def _kind_of_boxes(head: bytes) -> FoundKind:
    end = min(len(head), max(16, int.from_bytes(head[:4])))
    brands = [head[8:12], *(head[place : place + 4] for place in range(16, end - 3, 4))]
    still = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1", b"avif", b"avis"}
    if brands[0] in still or brands[0] == b"crx ":
        return FoundKind.PHOTO
    moving = {b"isom", b"iso2", b"mp41", b"mp42", b"qt  ", b"avc1", b"M4V "}
    if not moving.intersection(brands) and still.intersection(brands):
        return FoundKind.PHOTO
    return FoundKind.OTHER if brands[0] in (b"M4A ", b"M4B ", b"M4P ", b"jp2 ", b"jpx ") else FoundKind.CLIP


_UNREAD_PICTURES = frozenset({"BMP", "JPEG 2000", "JPEG XL", "Photoshop"})


def unread_kind(head: bytes) -> str:
    """The name of a format that is known by its beginning and not read, or ''."""
    for start, beginning, name in (
        (0, b"BM", "BMP"),
        (0, b"\0\0\0\x0cjP  ", "JPEG 2000"),
        (0, b"\xff\x4f\xff\x51", "JPEG 2000"),
        (0, b"\xff\x0a", "JPEG XL"),
        (4, b"JXL ", "JPEG XL"),
        (0, b"8BPS", "Photoshop"),
        (0, b"%PDF", "PDF"),
        (0, b"PK\3\4", "ZIP"),
    ):
        if head[start : start + len(beginning)] == beginning:
            return name
    return ""


def looks_like_text(head: bytes) -> bool:
    """Whether the beginning of a file reads as text, as does a web page saved under a photo's name."""
    return bool(head) and b"\0" not in head and sum(byte < 32 and byte not in b"\t\n\r\f" for byte in head) == 0


def keep_company(found: Sequence[Found]) -> Company:
    """Find the files that belong to others in the same folder by their names, upper and lower case alike.

    Captions are called as the clip ("a.srt" or "a.mp4.srt" for "a.mp4"), perhaps with a language ("a.en.vtt").
    """
    stems: dict[tuple[str, str], list[Found]] = defaultdict(list)
    for item in found:
        if item.kind in (FoundKind.PHOTO, FoundKind.CLIP):
            pure = PurePath(item.path)
            stems[str(pure.parent), pure.stem.casefold()].append(item)
            stems[str(pure.parent), pure.name.casefold()].append(item)
    captions: dict[str, list[str]] = defaultdict(list)
    thumbs: dict[str, str] = {}
    alone = []
    for item in found:
        if item.kind is not FoundKind.SIDECAR:
            continue
        pure = PurePath(item.path)
        folder, stem = str(pure.parent), pure.stem.casefold()
        small = pure.suffix.lower() == THUMB_EXTENSION
        owners = [owner for owner in stems.get((folder, stem), ()) if small or owner.kind is FoundKind.CLIP]
        if not owners and not small and "." in stem and 2 <= len(stem.rpartition(".")[2]) <= 12:
            stem = stem.rpartition(".")[0]
            owners = [owner for owner in stems.get((folder, stem), ()) if owner.kind is FoundKind.CLIP]
        if not owners:
            alone.append(item.path)
        for owner in owners:
            if small:
                thumbs[owner.path] = item.path
            else:
                captions[owner.path].append(item.path)
    motion = {}
    for items in stems.values():
        photos = [item for item in items if item.kind is FoundKind.PHOTO]
        clips = [item for item in items if item.kind is FoundKind.CLIP]
        if photos and len(clips) == 1:
            motion.update({photo.path: clips[0].path for photo in photos})
    ordered = {clip: tuple(sorted(paths, key=lambda path: (len(path), path))) for clip, paths in captions.items()}
    return Company(ordered, thumbs, motion, tuple(alone))


def is_motion_pair(photo: Reading, clip: Reading) -> bool:
    """Whether `clip`, which has the name of `photo`, is the moment around it that a phone records along.

    It is if both carry the same identifier, or if the clip is short and both were taken in the same seconds.
    """
    if clip.kind is not MediaKind.CLIP or photo.kind is not MediaKind.PHOTO:
        return False
    if photo.pair_id and clip.pair_id:
        return photo.pair_id == clip.pair_id
    if clip.duration_ms is None or clip.duration_ms > MOTION_CLIP_MS:
        return False
    return any(_close(one, other) for one in _usable(photo) for other in _usable(clip))


def _usable(reading: Reading) -> list[Claim]:
    weak = (ClaimSource.FILE_SYSTEM, ClaimSource.FILE_NAME)  # a copy's time and a shared name prove nothing
    return [claim for claim in reading.claims if claim.wall and not claim.fault and claim.source not in weak]


def _close(one: Claim, other: Claim) -> bool:
    if one.wall is None or other.wall is None:
        return False
    apart = one.wall - other.wall
    if one.offset_min is not None and other.offset_min is not None:
        return abs(apart - timedelta(minutes=one.offset_min - other.offset_min)) <= _MOTION_APART
    if one.offset_min is None and other.offset_min is None:
        return abs(apart) <= _MOTION_APART
    # One of them is local time of an unknown zone: offsets in use are whole quarters of an hour, up to 14 hours.
    quarter = timedelta(minutes=15)
    rest = abs(apart) % quarter
    return abs(apart) <= timedelta(hours=15) and min(rest, quarter - rest) <= _MOTION_APART


def _walk(top: str, seen: set[str], problems: list[Problem]) -> Iterator[tuple[str, list[os.DirEntry[str]]]]:
    """Each folder with its entries that are no folders, in order of names, without recursion."""
    waiting = [top]
    while waiting:
        folder = waiting.pop()
        if folder in seen:
            continue
        seen.add(folder)
        try:
            with os.scandir(folder) as listing:
                entries = sorted(listing, key=lambda entry: (entry.name.casefold(), entry.name))
        except OSError as error:
            problems.append(_unlisted(folder, error))
            continue
        names = {entry.name for entry in entries}
        if _ARCHIVE_MARK in names and "catalogue.db" in names:
            problems.append(
                Problem(folder, "is an archive itself and was left out", "Give the folder of your own pictures.")
            )
            continue
        folders = [entry for entry in entries if entry.is_dir(follow_symlinks=False)]
        yield folder, [entry for entry in entries if not entry.is_dir(follow_symlinks=False)]
        inner = [entry.path for entry in folders if not _left_out(entry.name)]
        waiting.extend(reversed(inner))


def _take(path: str, status: os.stat_result, seen: set[str], found: list[Found], problems: list[Problem]) -> None:
    if path in seen:
        return
    seen.add(path)
    if stat.S_ISREG(status.st_mode):
        found.append(Found(path, _kind_by_name(path), status.st_size, status.st_mtime_ns))
        return
    only = "Only ordinary files can be taken in."
    if stat.S_ISLNK(status.st_mode):
        problems.append(Problem(path, "is a link to another place; links are not followed", "Give what it points to."))
    elif stat.S_ISFIFO(status.st_mode):
        problems.append(Problem(path, "is a pipe between programs, no file", only))
    elif stat.S_ISSOCK(status.st_mode):
        problems.append(Problem(path, "is a socket of a program, no file", only))
    else:
        problems.append(Problem(path, "is a device, no file", only))


def _kind_by_name(path: str) -> FoundKind:
    extension = PurePath(path).suffix.lower()
    if extension in PHOTO_EXTENSIONS:
        return FoundKind.PHOTO
    if extension in CLIP_EXTENSIONS:
        return FoundKind.CLIP
    if extension in CAPTION_EXTENSIONS or extension == THUMB_EXTENSION:
        return FoundKind.SIDECAR
    return FoundKind.OTHER if extension in _OTHER_EXTENSIONS else FoundKind.UNKNOWN


def _left_out(name: str) -> bool:
    """Hidden files (also "._x", the shadow a Mac writes beside x on a card) and what systems and phones leave in
    folders unasked."""
    lower = name.lower()
    return name.startswith(".") or lower in _SYSTEM_NAMES or lower in _SYSTEM_FOLDERS or lower.endswith(_EDIT_NOTES)


def _unlisted(path: str, error: OSError) -> Problem:
    if isinstance(error, FileNotFoundError):
        return Problem(path, "is not there", "Check the name.")
    if isinstance(error, PermissionError):
        return Problem(path, "may not be read by you", "Change its permissions, or copy it where you may read it.")
    what = (error.strerror or type(error).__name__).lower()
    return Problem(path, f"cannot be read ({what})", "Check the card or disk, and copy it afresh.")
