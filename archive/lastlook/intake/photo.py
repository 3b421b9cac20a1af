"""A photo's pixels: decoded once, at a reduced size, upright, as sRGB or grey bytes; and what is derived from them.

The order is always: look at the header, refuse what is too large, decode as small as the format allows, turn, make
the page, from it the thumb and the grey picture that is judged.
"""

from __future__ import annotations

import io
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import PurePath

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import (  # noqa: F401 - naming the plugins registers them; Image.init() would load all of Pillow's
    AvifImagePlugin,
    GifImagePlugin,
    Image,
    ImageFile,
    JpegImagePlugin,
    MpoImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from lastlook.intake import derived, exif, quality, raw
from lastlook.intake.colour import PAGE_SLACK, UnknownColours, coloured, flat, kept_profile
from lastlook.intake.discover import FoundKind, kind_of, looks_like_text, unread_kind
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Quality

pillow_heif.register_heif_opener()
# Pillow's own limit refuses 200-megapixel phones. Ours, `max_pixels`, is checked before any pixel is decoded.
Image.MAX_IMAGE_PIXELS = None

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "GIF", "HEIF", "AVIF")
"""Formats that are read, by Pillow's names (MPO opens as JPEG). A closed list: some decoders of Pillow start
programs, others are seldom used and fragile."""

_TURNED_BY_DECODER = frozenset({"TIFF", "HEIF"})  # turning these again would be wrong
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # Exif 0x0112 → what brings the picture upright; the numbers' meaning: CIPA DC-008, Orientation
_tolerant = threading.Lock()


class NotShowable(Exception):
    """There is no picture to be had; `reason` and `hint` are words for a builder. Caught by the reader."""

    def __init__(self, reason: str, hint: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Opened:
    """A file whose header was read. `width`, `height` are upright, `orientation` is 1..8 as honoured.

    `format` is the word for a builder ("JPEG", "HEIC", "raw", ...), `data` what was decoded: the file's bytes, or those
    of the preview inside a raw file.
    """

    data: bytes
    image: Image.Image
    format: str
    width: int
    height: int
    orientation: int
    metadata: exif.Metadata
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Developed:
    """What came of a photo: names of derived files, its quality, and what should be said of it."""

    thumb: str
    page: str
    quality: Quality
    warnings: tuple[str, ...] = ()


@dataclass(slots=True)
class _Notes:
    said: list[str] = field(default_factory=list)


def open_photo(data: bytes, path: str, max_pixels: int) -> Opened:
    """Read the header of the photo whose file holds `data`; `path` only serves to know raw files by their names.

    Raises `NotShowable`.
    """
    if not data:
        raise NotShowable("is empty", "Copy it afresh from the card or phone.")
    image = _open(data, path)
    if image is None or _is_raw(image, path):
        return _open_raw(data, path, image, max_pixels)
    _check_size(image, max_pixels)
    return _opened(data, image, _format(image, data, path), exif.read(data, image))


def develop(opened: Opened, sha256: str, settings: IntakeSettings) -> Developed:
    """Decode, write thumb and page under the settings' folder, judge. Raises `NotShowable`; OSError of the disk."""
    notes = _Notes()
    page = _upright(opened, settings.page_edge, notes)
    icc = kept_profile(page)
    thumb = _thumb(page, settings.thumb_edge)
    grey = np.asarray(page.convert("L"), dtype=np.uint8)
    names = derived.thumb_name(sha256), derived.page_name(sha256)
    derived.save_jpeg(settings.derived, names[0], thumb, icc=icc)
    derived.save_jpeg(settings.derived, names[1], page, icc=icc)
    return Developed(*names, quality.measure(grey), tuple(notes.said))


def _thumb(page: Image.Image, edge: int) -> Image.Image:
    """The page made smaller by a whole number where that comes near enough, which costs a fifth; else to `edge`."""
    longest = max(page.size)
    for times in (2, 3, 4):
        if 0.85 * edge <= longest / times <= 1.16 * edge:
            return page.reduce(times)
    small = page.copy()
    small.thumbnail((edge, edge), Image.Resampling.BICUBIC, reducing_gap=1.1)
    return small


def upright(data: bytes, path: str, edge: int, max_pixels: int) -> tuple[Image.Image, bytes]:
    """The photo upright with a long edge of at most `edge` pixels, "L" or "RGB", and its colour profile (b"" is sRGB).

    Raises `NotShowable`.
    """
    opened = open_photo(data, path, max_pixels)
    picture = _upright(opened, edge, _Notes())
    if max(picture.size) > edge:
        picture.thumbnail((edge, edge), Image.Resampling.BICUBIC, reducing_gap=2.0)
    return picture, kept_profile(picture)


def grey(data: bytes, path: str, edge: int, max_pixels: int) -> NDArray[np.uint8]:
    """The photo upright in grey, H×W, made smaller by the largest whole number that leaves its long edge at least
    `edge` pixels, or by less where the decoder gives that by halving. Of a JPEG only the light is decoded.

    Raises `NotShowable`.
    """
    opened = open_photo(data, path, max_pixels)
    longest = max(opened.width, opened.height)
    times = max(1, longest // edge)
    picture = _upright(opened, longest // times, _Notes(), mode="L")
    return np.asarray(picture.convert("L"), dtype=np.uint8)


# ------------------------------------------------------------------------------------------------ opening


def _open(data: bytes, path: str) -> Image.Image | None:
    """The picture with its header read, or None where only a raw file's preview could help."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Image.open(io.BytesIO(data), formats=FORMATS)
    except MemoryError:
        raise NotShowable("is larger than memory allows") from None
    except Exception as error:  # OSError, ValueError, SyntaxError, struct.error and others, on broken headers
        if raw.is_raw_name(path):
            return None
        raise _unreadable(data) from error


def _unreadable(data: bytes) -> NotShowable:
    if looks_like_text(data[:4096]):
        return NotShowable("is no photo: it holds text", "A page or message was saved under a photo's name.")
    if not any(data[:4096]):
        return NotShowable("holds nothing but zeros", "The card or copy failed; copy it afresh from the original.")
    unread = unread_kind(data[:32])
    if unread:
        return NotShowable(f"is a {unread} file, which is not read as a photo", "Save it as JPEG or PNG.")
    if kind_of(data[:4096]) is FoundKind.PHOTO:
        return NotShowable("is damaged: its beginning cannot be read", "Copy it afresh from the card or phone.")
    return NotShowable(
        "is no kind of photo that can be read, or is damaged from its first byte",
        "Copy it afresh from the card or phone, or save it as JPEG.",
    )


def _is_raw(image: Image.Image, path: str) -> bool:
    """Whether what opened as a TIFF is a camera's raw file, of which only an icon was opened."""
    if image.format != "TIFF":
        return False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            tags = image.tag_v2  # type: ignore[attr-defined]
            # DNGVersion 0xC612, or a first picture that calls itself reduced (NewSubfileType 0xFE) and names a camera
            reduced = bool(int(tags.get(0x00FE, 0)) & 1) and bool(tags.get(0x010F))
            return raw.is_raw_name(path) or 0xC612 in tags or reduced
    except Exception:  # broken tags: then the name decides
        return raw.is_raw_name(path)


def _open_raw(data: bytes, path: str, image: Image.Image | None, max_pixels: int) -> Opened:
    metadata = exif.read(data, image)
    for preview in raw.previews(data):
        if preview.width * preview.height > max_pixels:
            continue
        inner = data[preview.start :]
        try:
            picture = Image.open(io.BytesIO(inner), formats=("JPEG",))
            _check_size(picture, max_pixels)
            own = exif.read(inner, picture)
        except Exception:  # a chance likeness, or sensor data in a JPEG's clothes
            continue
        # A preview that says which way up it is knows best; most do not, and lie as the sensor does.
        merged = metadata if metadata.claims or metadata.camera.model else own
        merged = replace(merged, orientation=own.orientation or metadata.orientation)
        opened = _opened(inner, picture, "raw", merged)
        said = f"a raw file, shown through its camera's preview of {opened.width} × {opened.height}"
        return replace(opened, warnings=(*opened.warnings, said))
    raise NotShowable(
        "is a raw file without a preview inside: it is kept, but cannot be shown",
        "Save it as JPEG with the camera maker's program and take that in too.",
    )


def _check_size(image: Image.Image, max_pixels: int) -> None:
    """Before anything may decode a pixel. Raises `NotShowable`."""
    width, height = image.size
    if width * height > max_pixels:
        raise NotShowable(
            f"claims {width} × {height} pixels, more than the limit of {max_pixels // 1_000_000} million",
            "If it is a true picture, save it smaller; if not, it is damaged.",
        )
    if width < 1 or height < 1:
        raise NotShowable("has no pixels", "Copy it afresh from the card or phone.")


def _opened(data: bytes, image: Image.Image, word: str, metadata: exif.Metadata) -> Opened:
    width, height = image.size
    said: list[str] = []
    stated = metadata.orientation if word == "raw" else _stated_orientation(image, metadata)
    orientation = stated or 1
    if not 1 <= orientation <= 8:
        said.append(f"its orientation, {orientation}, has no meaning; it is shown as it lies")
        orientation = 1
    if orientation >= 5 and image.format not in _TURNED_BY_DECODER:
        width, height = height, width
    return Opened(data, image, word, width, height, orientation, metadata, tuple(said))


def _stated_orientation(image: Image.Image, metadata: exif.Metadata) -> int | None:
    if image.format == "HEIF":  # its decoder turned the picture and left a note of it
        noted = image.info.get("original_orientation")
        return noted if isinstance(noted, int) else None
    try:
        stated = exif.block_of(image).get(0x0112)
    except Exception:  # a broken block
        return metadata.orientation
    return stated if isinstance(stated, int) else metadata.orientation


def _format(image: Image.Image, data: bytes, path: str) -> str:
    if image.format == "HEIF":
        return "HEIC" if data[8:10] == b"he" else "HEIF"
    if image.format == "MPO":  # phones hide depth and brightness pictures behind an ordinary JPEG
        return "MPO" if PurePath(path).suffix.lower() == ".mpo" else "JPEG"
    return {"WEBP": "WebP"}.get(image.format or "", image.format or "")


# ------------------------------------------------------------------------------------------------ decoding


def _upright(opened: Opened, edge: int, notes: _Notes, mode: str | None = None) -> Image.Image:
    """Decode to a long edge of `edge`, or up to `PAGE_SLACK` times that; "L" or "RGB"; never enlarged. `mode`: "L"
    spares a JPEG's decoder the colours."""
    picture = _load(opened, edge, notes, mode)
    profile = picture.info.get("icc_profile") or b""
    try:
        shown = flat(picture, edge)
        if max(shown.size) > edge * PAGE_SLACK:
            shown.thumbnail((edge, edge), Image.Resampling.BICUBIC, reducing_gap=1.1)
        shown = coloured(shown, profile)
    except UnknownColours as error:
        raise NotShowable(f"has colours that cannot be shown ({error})", "Save it as JPEG.") from error
    if not notes.said and opened.metadata.camera.make and opened.image.format in ("JPEG", "MPO"):
        read = _share_read(shown)
        if read < 0.9:  # sensors have noise: no camera gives a tenth of a picture in one flat colour
            notes.said.append(f"perhaps damaged: its lower {round((1 - read) * 100)} % is one flat colour")
    turn = _TURNS.get(opened.orientation)
    if turn is not None and opened.image.format not in _TURNED_BY_DECODER:
        profile = shown.info.get("icc_profile") or b""
        shown = shown.transpose(turn)
        shown.info["icc_profile"] = profile
    return shown


def _load(opened: Opened, edge: int, notes: _Notes, mode: str | None = None) -> Image.Image:
    image = opened.image
    if image.format in ("JPEG", "MPO"):
        if max(image.size) > edge:
            # The decoder halves up to three times; never below what is asked.
            image.draft(mode, _within(image, edge))
        elif mode:
            image.draft(mode, image.size)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image.load()
    except MemoryError:
        raise NotShowable("is larger than memory allows", "Save it smaller and take that in.") from None
    except Exception as error:  # the same wide choice as in opening
        return _load_part(opened, edge, notes, error)
    return image


def _within(image: Image.Image, edge: int) -> tuple[int, int]:
    """The picture's size where its longer side is `edge` pixels; a thread of a picture stays a pixel wide."""
    longest = max(image.size)
    return max(image.width * edge // longest, 1), max(image.height * edge // longest, 1)


def _load_part(opened: Opened, edge: int, notes: _Notes, error: Exception) -> Image.Image:
    """What can be had of a broken file. Raises `NotShowable` where that is nothing."""
    broken = NotShowable("is damaged: its picture cannot be decoded", "Copy it afresh from the card or phone.")
    if opened.image.format not in ("JPEG", "MPO", "PNG", "TIFF", "GIF"):
        raise broken from error
    try:
        with _tolerating(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            again = Image.open(io.BytesIO(opened.data), formats=FORMATS)
            if again.format in ("JPEG", "MPO"):
                again.draft(None, _within(again, edge))
            again.load()
    except Exception:
        raise broken from error
    read = _share_read(again)
    if read < 0.02:
        raise broken from error
    if read < 0.995:
        notes.said.append(f"damaged: only about the upper {round(read * 100)} % could be read")
    else:
        notes.said.append("damaged: its end is missing or broken; parts of the picture may be wrong")
    return again


@contextmanager
def _tolerating() -> Iterator[None]:
    """Let Pillow fill in what is missing, here only: it is one switch for the whole process."""
    with _tolerant:
        ImageFile.LOAD_TRUNCATED_IMAGES = True
        try:
            yield
        finally:
            ImageFile.LOAD_TRUNCATED_IMAGES = False


def _share_read(image: Image.Image) -> float:
    """How much of a broken picture, from the top, is more than the one flat colour that fills its lower part."""
    last = np.asarray(image.crop((0, image.height - 1, image.width, image.height)))
    if np.any(last != last[0, 0]):
        return 1.0
    grey = np.asarray(image if image.mode == "L" else image.convert("L"))
    differs = np.flatnonzero(np.any(grey != grey[-1, -1], axis=1))
    return float(differs[-1] + 1) / grey.shape[0] if differs.size else 0.0
