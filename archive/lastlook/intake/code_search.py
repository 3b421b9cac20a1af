"""Search one picture for codes: a glance at its page picture, a second one at a photo where that has more pixels, and a
close look at what it was made from where something looks like a code.

A page shows a 12-megapixel photo a quarter as wide, and a marker of 25 pixels as one of six, which is rarely told from
a blot. The second glance has half the photo's pixels a side.
"""

from __future__ import annotations

import logging

import numpy as np
from PIL import Image, UnidentifiedImageError

from lastlook.intake import codes, fingerprint, guard, photo
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Code

_log = logging.getLogger(__name__)

GLANCE_EDGE = 1800
"""Least long edge in pixels of the second glance at a photo: of 12 megapixels half of it, of 48 a quarter."""
CLOSE_EDGE = 3200
"""Least long edge in pixels of the view in which codes are read: all of a photo's pixels below twice that."""


def search(
    original: str,
    page: str,
    clip_ms: int | None,
    size: tuple[int, int],
    settings: IntakeSettings,
    seconds: float = 20.0,
) -> tuple[Code, ...]:
    """Codes in the photo at `original`, or in the frame at `clip_ms` of the clip there; corners in pixels of `size`.

    `page`: path of its page picture. Never raises for what a file may be: what cannot be read shows no code. Picklable
    in and out: it may run on any `concurrent.futures.Executor`, as the work is done in a helper process.
    """
    try:
        return guard.run(search_here, original, page, clip_ms, size, settings, seconds=seconds)
    except (guard.TimeUp, guard.Crashed) as error:
        _log.warning("searching %r for codes failed: %s", original, error)
        return ()


def search_here(
    original: str, page: str, clip_ms: int | None, size: tuple[int, int], settings: IntakeSettings
) -> tuple[Code, ...]:
    """What `search` does, in this process."""
    quick = _page(page)
    larger = quick is None or max(size) > max(quick.shape) * 1.1
    if quick is not None and not codes.suspected(quick):
        second = _photo(original, GLANCE_EDGE, settings) if larger and clip_ms is None else None
        if second is None or not codes.suspected(second, quick=True):
            return ()
    grey = quick
    if larger:
        close = _frame(original, clip_ms, settings) if clip_ms is not None else _photo(original, CLOSE_EDGE, settings)
        grey = quick if close is None else close
    if grey is None:
        return ()
    found = codes.read_codes(grey)
    height, width = grey.shape
    return tuple(_scaled(code, size[0] / width, size[1] / height) for code in found)


def _page(path: str) -> codes.Grey | None:
    try:
        with Image.open(path) as picture:
            picture.draft("L", picture.size)
            return np.asarray(picture.convert("L"))
    except (OSError, UnidentifiedImageError, ValueError):
        return None


def _photo(path: str, edge: int, settings: IntakeSettings) -> codes.Grey | None:
    try:
        taken = fingerprint.take(path, keep=True)
        return photo.grey(taken.data or b"", path, edge, settings.max_pixels)
    except (photo.NotShowable, fingerprint.Unreadable):
        return None


def _frame(path: str, clip_ms: int, settings: IntakeSettings) -> codes.Grey | None:
    from lastlook.intake import frames  # decoders of clips take their time to load
    from lastlook.intake.clipstream import ClipError, Patience

    try:
        image, _ = frames.frame_at(path, clip_ms, Patience(settings.seconds_per_file))
    except ClipError:
        return None
    return np.asarray(Image.fromarray(image[:, :, ::-1]).convert("L"))


def _scaled(code: Code, across: float, down: float) -> Code:
    """The code in pixels of a picture that many times as large; the middle of a pixel stays one."""
    corners = tuple((round((x + 0.5) * across - 0.5, 2), round((y + 0.5) * down - 0.5, 2)) for x, y in code.corners)
    return Code(code.kind, code.text, corners, code.sure, code.mirrored)
