"""A picture's own pixels in square pieces, for a close look: cut when asked for, a block at a time.

Level 0 is the picture in full size, upright; each further level has half as many pixels along an edge. A JPEG cannot
be decoded in part, so a decoding gives not one tile but the block of tiles around it: BLOCK by BLOCK of them at most.
"""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from lastlook.intake import derived, fingerprint, guard, photo
from lastlook.intake.settings import IntakeSettings

TILE = 512
"""Edge of a tile in pixels; those at the right and lower border are smaller."""
BLOCK = 8
"""Tiles along an edge of a block: all of a 12-megapixel photo, a quarter of one of 48 megapixels."""
QUALITY = 88
_MOST_LEVELS = 12
_SECONDS = 30.0
_BYTES_A_SECOND = 1_000_000.0


def size_at(width: int, height: int, level: int) -> tuple[int, int]:
    """Width and height in pixels of a picture at a level."""
    return -(-width // (1 << level)), -(-height // (1 << level))


def levels(width: int, height: int, shown: int) -> int:
    """How many levels show more than a preview whose long edge is `shown` pixels; 0 where the preview is all."""
    count = 0
    while count < _MOST_LEVELS and max(size_at(width, height, count)) > shown:
        count += 1
    return count


def counts(width: int, height: int, level: int) -> tuple[int, int]:
    """Tiles across and down at a level."""
    across, down = size_at(width, height, level)
    return -(-across // TILE), -(-down // TILE)


def name(sha256: str, clip_ms: int | None, level: int, x: int, y: int) -> str:
    """Where a tile lies, relative to the derived folder."""
    still = "" if clip_ms is None else f"-{clip_ms}"
    return f"tile/{sha256[:2]}/{sha256}{still}/{level}-{x}-{y}.jpg"


def block_of(x: int, y: int) -> tuple[int, int]:
    return x // BLOCK, y // BLOCK


def cut(
    path: str,
    sha256: str,
    clip_ms: int | None,
    size: tuple[int, int],
    settings: IntakeSettings,
    level: int,
    x: int,
    y: int,
) -> None:
    """Write the block of tiles that holds tile (x, y) of a level, that one first.

    `size`: width and height of the upright picture in full. Decodes in a process of its own, within its time. Raises
    `photo.NotShowable`, and OSError where the derived folder does not take them.
    """
    seconds = _SECONDS + (Path(path).stat().st_size / _BYTES_A_SECOND if clip_ms is None and Path(path).exists() else 0)
    try:
        said = guard.run(_cut, path, sha256, clip_ms, size, settings, level, x, y, seconds=seconds)
    except (guard.TimeUp, guard.Crashed) as error:
        raise photo.NotShowable("cannot be decoded in full size", "Check it with 'lastlook verify'.") from error
    if said:
        raise photo.NotShowable(*said)


def _cut(
    path: str,
    sha256: str,
    clip_ms: int | None,
    size: tuple[int, int],
    settings: IntakeSettings,
    level: int,
    x: int,
    y: int,
) -> tuple[str, str] | None:
    width, height = size_at(*size, level)
    try:
        whole, icc = _decoded(path, sha256, clip_ms, max(width, height), settings)
        if whole.size != (width, height):
            whole = whole.resize((width, height), Image.Resampling.BICUBIC, reducing_gap=2.0)
        across, down = counts(*size, level)
        left, top = (each * BLOCK for each in block_of(x, y))
        places = [
            (column, row)
            for row in range(top, min(top + BLOCK, down))
            for column in range(left, min(left + BLOCK, across))
        ]
        # Outward from the one that was asked for: whoever waits looks there.
        for column, row in sorted(places, key=lambda place: max(abs(place[0] - x), abs(place[1] - y))):
            at = name(sha256, clip_ms, level, column, row)
            if (settings.derived / at).is_file():
                continue
            box = (column * TILE, row * TILE, min(width, (column + 1) * TILE), min(height, (row + 1) * TILE))
            derived.save_jpeg(settings.derived, at, whole.crop(box), quality=QUALITY, icc=icc)
    except photo.NotShowable as error:
        return error.reason, error.hint
    except fingerprint.Unreadable as error:
        return error.problem.reason, error.problem.hint
    return None


def _decoded(
    path: str, sha256: str, clip_ms: int | None, edge: int, settings: IntakeSettings
) -> tuple[Image.Image, bytes]:
    if clip_ms is not None:
        return _still(path, clip_ms, settings), b""
    taken = fingerprint.take(path, keep=True)
    if taken.sha256 != sha256:  # one that was left in place may have been written over since
        raise photo.NotShowable("is not the file that was taken in", "Run 'lastlook verify'.")
    return photo.upright(taken.data or b"", path, edge, settings.max_pixels)


def _still(path: str, clip_ms: int, settings: IntakeSettings) -> Image.Image:
    """The frame on show at a moment of a clip in all its pixels, upright, RGB."""
    from lastlook.intake import frames, judging  # its decoders take their time to load
    from lastlook.intake.clipav import AvStream
    from lastlook.intake.clipstream import ClipError, Patience

    patience = Patience(settings.seconds_per_file)
    try:
        with AvStream(path, patience) as stream:
            if stream.facts.width * stream.facts.height > settings.max_pixels:
                raise photo.NotShowable("claims more pixels than are read")
            try:
                image, _ = frames.frame_at(path, clip_ms, patience)
            except ClipError:
                image, _ = stream.frame_at(clip_ms)
    except ClipError as fault:
        raise photo.NotShowable(fault.reason, fault.hint) from fault
    return Image.fromarray(judging.as_rgb(image, max(image.shape[:2])))
