"""Pixels of any mode made into what a page can show: "L" or "RGB" bytes, flat, in colours a browser understands."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

GROUND = (232, 232, 232)
"""What shows through where a picture is transparent: a neutral light grey, since both black and white lines occur."""

PAGE_SLACK = 5 / 3  # how much larger than asked a page may stay, see IntakeSettings
_SMALL_PROFILE = 4096  # bytes of a colour profile that may go along with each derived picture


class UnknownColours(ValueError):
    """The picture's mode is none that can be turned into RGB; its text is the mode."""


def flat(image: Image.Image, edge: int) -> Image.Image:
    """`image` in a mode that can be shown, or in CMYK or LAB which `coloured` turns into RGB; reduced early."""
    if image.mode in ("RGB", "L") and "transparency" not in image.info:
        return _reduced(image, edge)
    if image.mode in ("CMYK", "YCbCr"):
        return _reduced(image, edge)
    if image.mode == "LAB":
        return image
    if image.mode == "1":
        return _reduced(image.convert("L"), edge)
    if image.mode.startswith("I") or image.mode == "F":
        return _reduced(Image.fromarray(bytes_of(np.asarray(image))), edge)
    if image.mode == "P" and "transparency" not in image.info:
        return _reduced(image.convert("RGB"), edge)
    if image.mode in ("P", "PA", "LA", "La", "RGBA", "RGBa") or "transparency" in image.info:
        clear = _reduced(image if image.mode == "RGBA" else image.convert("RGBA"), edge)
        ground = Image.new("RGBA", clear.size, (*GROUND, 255))
        return Image.alpha_composite(ground, clear).convert("RGB")
    return _reduced(image.convert("RGB"), edge)


def _reduced(image: Image.Image, edge: int) -> Image.Image:
    """Scaled down if that saves work later; a page that is a little too large stays as the decoder gave it."""
    if max(image.size) > edge * PAGE_SLACK:
        image.thumbnail((edge, edge), Image.Resampling.BICUBIC, reducing_gap=1.1)
    return image


def bytes_of(values: NDArray[np.generic]) -> NDArray[np.uint8]:
    """Grey of more than 8 bits as bytes. Whole numbers: their scale is the least of 8, 10, 12, 14, 16 or 32 bits that
    holds them. Fractions: 0..1 where they lie in it, as is usual, else from their least to their largest."""
    numbers = np.nan_to_num(values.astype(np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    low, high = float(numbers.min()), float(numbers.max())
    if values.dtype.kind in "iu" and low >= 0:
        low, high = 0.0, next(float(top) for top in (255, 1023, 4095, 16383, 65535, 2**32) if high <= top)
    elif low >= 0 and high <= 1.0:
        low, high = 0.0, 1.0
    if high <= low:
        return np.zeros(values.shape, dtype=np.uint8)
    return np.asarray(np.rint((numbers - low) * (255.0 / (high - low))), dtype=np.uint8)


def coloured(image: Image.Image, profile: bytes) -> Image.Image:
    """`image` as "L" or "RGB". A small RGB profile stays with it for the browser to honour (free); a large one, and
    that of CMYK or LAB, is applied. Without a profile CMYK is turned by Pillow's plain formula."""
    if image.mode in ("RGB", "L") and (len(profile) <= _SMALL_PROFILE or _is_srgb(profile)):
        keep = b"" if _is_srgb(profile) or not _fits(profile, image.mode) else profile
        image.info["icc_profile"] = keep
        return image
    converted: Image.Image | None = None
    try:
        if image.mode == "LAB":
            source = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))
        else:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        target = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        converted = ImageCms.profileToProfile(image, source, target, outputMode="RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        converted = None  # no profile, or a broken one: plain colours are better than none
    try:
        plain = converted or (image if image.mode in ("RGB", "L") else image.convert("RGB"))
    except ValueError as error:
        raise UnknownColours(image.mode) from error
    plain.info["icc_profile"] = b""
    return plain


def _is_srgb(profile: bytes) -> bool:
    return b"sRGB" in profile or "sRGB".encode("utf-16-be") in profile


def _fits(profile: bytes, mode: str) -> bool:
    """Whether the profile is of the picture's colours (ICC.1, header bytes 16-19): a wrong one makes browsers fail."""
    return profile[16:20] == (b"RGB " if mode == "RGB" else b"GRAY")


def kept_profile(image: Image.Image) -> bytes:
    return bytes(image.info.get("icc_profile") or b"")
