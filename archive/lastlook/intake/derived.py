"""Derived pictures: how they are named, and how one is written.

A name follows from content alone, so that the same file met twice, or in two archives, gives the same names, and a
lost picture can be made again under the name the catalogue knows. The folder is disposable.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

JPEG_QUALITY = 82


def thumb_name(sha256: str, clip_ms: int | None = None) -> str:
    """The small picture of a photo, or of the still at `clip_ms` of a clip; relative to the derived folder."""
    return _name("thumb", sha256, clip_ms)


def page_name(sha256: str, clip_ms: int | None = None) -> str:
    """The page-size picture of a photo, or of the still at `clip_ms` of a clip; relative to the derived folder."""
    return _name("page", sha256, clip_ms)


def _name(kind: str, sha256: str, clip_ms: int | None) -> str:
    still = "" if clip_ms is None else f"-{clip_ms}"
    return f"{kind}/{sha256[:2]}/{sha256}{still}.jpg"


def save_jpeg(
    root: Path, name: str, image: Image.Image | NDArray[np.uint8], *, quality: int = JPEG_QUALITY, icc: bytes = b""
) -> Path:
    """Write `image` (grey "L" or "RGB"; or an array of H×W or H×W×3 RGB bytes) as root/name and return that path.

    The file appears whole or not at all: it is written beside its place under a name of this thread's own and then
    moved. It carries no metadata but `icc`, a colour profile, if given. Raises OSError where the disk refuses.
    """
    picture = image if isinstance(image, Image.Image) else Image.fromarray(np.ascontiguousarray(image))
    target = root / name
    part = target.with_name(f".{target.name}.{os.getpid()}-{threading.get_ident()}.part")
    # Pillow would carry a comment and a profile over by itself from the file the picture came from.
    options: dict[str, object] = {"icc_profile": icc or None, "comment": b"", "exif": b"", "xmp": b""}
    try:
        try:
            picture.save(part, "JPEG", quality=quality, **options)
        except FileNotFoundError:
            target.parent.mkdir(parents=True, exist_ok=True)
            picture.save(part, "JPEG", quality=quality, **options)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return target
