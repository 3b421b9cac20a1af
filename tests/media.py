"""Real photo files for tests, made when needed: the bench of the lightship LV-40, as cameras would have written it.

Each function says what is peculiar about what it makes. Nothing here is random from run to run.
"""

from __future__ import annotations

import io
import struct
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter
from PIL.TiffImagePlugin import IFDRational

pillow_heif.register_heif_opener()

TURNS_BACK = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
"""Orientation → what brings an upright picture into the lie in which such a camera stores it."""

FORMATS = {
    ".jpg": "JPEG",
    ".mpo": "MPO",
    ".png": "PNG",
    ".tif": "TIFF",
    ".webp": "WEBP",
    ".heic": "HEIF",
    ".avif": "AVIF",
    ".gif": "GIF",
}


@lru_cache(maxsize=16)
def _bench(width: int, height: int, seed: int) -> Image.Image:
    random = np.random.default_rng(seed)
    coarse = Image.fromarray(random.integers(60, 200, (9, 12, 3), dtype=np.uint8))
    picture = coarse.resize((width, height), Image.Resampling.BICUBIC)
    draw = ImageDraw.Draw(picture)
    # A hull's outline and runs in four colours; nothing is alike when mirrored or turned.
    draw.polygon([(width // 9, height // 5), (width // 2, height // 9), (width // 3, height // 2)], fill=(150, 40, 35))
    for number, colour in enumerate([(20, 20, 20), (200, 30, 30), (240, 240, 240), (30, 60, 190)]):
        points = [(width * (step + number) // 14, height * (5 + (step * (number + 2)) % 6) // 12) for step in range(11)]
        draw.line(points, fill=colour, width=max(1, width // 120))
    draw.rectangle([width * 3 // 4, height * 3 // 4, width - 1, height - 1], fill=(235, 200, 30))
    pixels = np.asarray(picture).astype(np.int16) + random.normal(0, 3, (height, width, 1)).astype(np.int16)
    return Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))


def bench_picture(width: int = 640, height: int = 480, seed: int = 40) -> Image.Image:
    """An RGB picture with forms, lines and grain that is unlike itself in every other orientation."""
    return _bench(width, height, seed).copy()


def blurred(picture: Image.Image, radius: float) -> Image.Image:
    """The same picture out of focus, with fresh grain: a sensor's noise stays sharp where the lens does not."""
    soft = np.asarray(picture.filter(ImageFilter.GaussianBlur(radius))).astype(np.int16)
    grain = np.random.default_rng(7).normal(0, 2, soft.shape[:2]).astype(np.int16)
    return Image.fromarray(np.clip(soft + grain[..., None], 0, 255).astype(np.uint8))


def as_stored(upright: Image.Image, orientation: int) -> Image.Image:
    """`upright` as a camera stores it that then writes `orientation`."""
    turn = TURNS_BACK[orientation]
    return upright if turn is None else upright.transpose(turn)


def exif_block(
    *,
    original: str | None = "2027:03:12 10:41:07",
    subsec: str | None = None,
    offset: str | None = None,
    digitized: str | None = None,
    modified: str | None = None,
    orientation: int | None = None,
    make: str | None = "Keelson",
    model: str | None = "K-1",
    serial: str | None = None,
    gps: tuple[str, tuple[Fraction, Fraction, Fraction]] | None = None,
    taken_with: bool = False,
) -> Image.Exif:
    """An Exif block as an (invented) camera writes it. `taken_with` adds exposure, aperture, ISO, lens."""
    exif = Image.Exif()
    for number, text in ((0x010F, make), (0x0110, model), (0x0132, modified)):
        if text is not None:
            exif[number] = text
    if orientation is not None:
        exif[0x0112] = orientation
    inner = exif.get_ifd(0x8769)
    for number, text in ((0x9003, original), (0x9004, digitized), (0x9291, subsec), (0x9011, offset), (0xA431, serial)):
        if text is not None:
            inner[number] = text
    if taken_with:
        inner[0x829A] = IFDRational(1, 60)
        inner[0x829D] = IFDRational(28, 10)
        inner[0x8827] = 400
        inner[0x920A] = IFDRational(50, 1)
        inner[0xA434] = "Keelson 50 mm macro"
    if gps is not None:
        place = exif.get_ifd(0x8825)
        place[0x001D] = gps[0]
        place[0x0007] = tuple(IFDRational(part.numerator, part.denominator) for part in gps[1])
    return exif


def write_photo(
    path: Path, picture: Image.Image | None = None, *, exif: Image.Exif | None = None, **options: object
) -> Path:
    """Write `picture` (else the bench) in the format of `path`'s suffix, with `exif`, and return `path`."""
    picture = bench_picture() if picture is None else picture
    kind = FORMATS[path.suffix.lower()]
    if exif is not None and kind != "GIF":
        options["exif"] = exif.tobytes() if kind not in ("JPEG", "MPO") else exif
    if kind == "MPO":
        options |= {"save_all": True, "append_images": [picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT)]}
    if kind in ("JPEG", "MPO"):
        options.setdefault("quality", 92)
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.save(path, kind, **options)
    return path


def jpeg_bytes(picture: Image.Image | None = None, exif: Image.Exif | None = None, quality: int = 92) -> bytes:
    stream = io.BytesIO()
    options = {} if exif is None else {"exif": exif}
    (picture or bench_picture()).save(stream, "JPEG", quality=quality, **options)
    return stream.getvalue()


def write_raw(path: Path, preview: bytes | None, *, orientation: int = 1) -> Path:
    """A camera's raw file in the manner of TIFF: an icon as first picture, "sensor" bytes, and `preview` (a JPEG) in
    one piece. The sensor bytes begin like a lossless JPEG (frame 0xC3), which is no picture to show."""
    sensor = b"\xff\xd8\xff\xc3\x00\x0b\x0e\x0b\xb8\x0f\xa0\x01\x00\x11\x00" + bytes(range(256)) * 40 + b"\xff\xd9"
    icon = bytes(3 * 16 * 12)
    texts = {0x010F: b"Keelson\0", 0x0110: b"K-9 raw\0"}
    entries: list[tuple[int, int, int, bytes]] = [
        (0x00FE, 4, 1, struct.pack("<I", 1)),
        (0x0100, 4, 1, struct.pack("<I", 16)),
        (0x0101, 4, 1, struct.pack("<I", 12)),
        (0x0102, 3, 3, b"\x08\0\x08\0\x08\0"),
        (0x0103, 3, 1, struct.pack("<HH", 1, 0)),
        (0x0106, 3, 1, struct.pack("<HH", 2, 0)),
        (0x010F, 2, len(texts[0x010F]), texts[0x010F]),
        (0x0110, 2, len(texts[0x0110]), texts[0x0110]),
        (0x0111, 4, 1, b"ICON"),
        (0x0112, 3, 1, struct.pack("<HH", orientation, 0)),
        (0x0115, 3, 1, struct.pack("<HH", 3, 0)),
        (0x0116, 4, 1, struct.pack("<I", 12)),
        (0x0117, 4, 1, struct.pack("<I", len(icon))),
    ]
    start = 8 + 2 + 12 * len(entries) + 4
    pool = b""
    table = struct.pack("<H", len(entries))
    icon_at = start + sum(len(value) for *_, value in entries if len(value) > 4)
    for number, kind, count, value in entries:
        if value == b"ICON":
            value = struct.pack("<I", icon_at)
        if len(value) > 4:
            table += struct.pack("<HHII", number, kind, count, start + len(pool))
            pool += value
        else:
            table += struct.pack("<HHI", number, kind, count) + value.ljust(4, b"\0")
    data = b"II*\0" + struct.pack("<I", 8) + table + b"\0\0\0\0" + pool + icon + sensor + (preview or b"")
    path.write_bytes(data)
    return path


def grey_steps(width: int = 320, height: int = 200) -> NDArray[np.float64]:
    """0 at the left to 1 at the right: what a many-bit scanner would see of a grey wedge."""
    return np.tile(np.linspace(0.0, 1.0, width), (height, 1))
