"""Raw files of cameras: shown through the preview that the camera put into them.

A raw file holds sensor values that only its maker fully explains; but nearly all hold, for the camera's own screen,
one or more ordinary JPEGs, each in one piece. We look for these in the bytes and take the largest that can be decoded.
That needs no knowledge of the many containers (TIFF structures of a dozen makers, ISO boxes, own formats).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

# ruff: noqa: SIM905 - lists of words are easier to read and extend as words
EXTENSIONS = frozenset(
    (
        ".3fr .arw .cr2 .cr3 .crw .dcr .dng .erf .iiq .k25 .kdc .mef .mos .mrw .nef .nrw .orf .pef .raf .raw .rw2 "
        ".rwl .sr2 .srf .srw .x3f"
    ).split()
)
"""Lower-case file name extensions under which cameras write raw files."""

_MOST = 64  # beginnings of JPEGs that are looked at; real files have two to five
_LEAST_EDGE = 200  # smaller ones are icons
_SHOWABLE = frozenset({0xC0, 0xC1, 0xC2})  # baseline, extended, progressive (ITU-T T.81 table B.1); 0xC3 is sensor data
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_ALONE = frozenset(range(0xD0, 0xD9)) | {0x01}


@dataclass(frozen=True, slots=True)
class Preview:
    """A JPEG that begins at `start` in the file; `width`, `height` as its frame header says."""

    start: int
    width: int
    height: int


def is_raw_name(path: str) -> bool:
    return PurePath(path).suffix.lower() in EXTENSIONS


def previews(data: bytes) -> list[Preview]:
    """The JPEGs inside `data` that can be decoded and are no icons, the largest first."""
    found = []
    start = -1
    for _ in range(_MOST):
        start = data.find(b"\xff\xd8\xff", start + 1)
        if start < 0:
            break
        size = _frame_size(data, start)
        if size is not None and max(size) >= _LEAST_EDGE:
            found.append(Preview(start, *size))
    return sorted(found, key=lambda preview: (-preview.width * preview.height, preview.start))


def _frame_size(data: bytes, start: int) -> tuple[int, int] | None:
    """Width and height from the frame header of the JPEG at `start`; None where there is no showable one."""
    place = start + 2
    for _ in range(100):  # segments before the frame header; real files have at most some tens
        while data[place : place + 2] == b"\xff\xff":  # fill bytes
            place += 1
        if place + 9 > len(data) or data[place] != 0xFF:
            return None
        marker = data[place + 1]
        if marker in _ALONE:
            place += 2
            continue
        if marker in _FRAMES:
            height, width = int.from_bytes(data[place + 5 : place + 7]), int.from_bytes(data[place + 7 : place + 9])
            return (width, height) if marker in _SHOWABLE and data[place + 4] == 8 and width and height else None
        place += 2 + int.from_bytes(data[place + 2 : place + 4])
    return None
