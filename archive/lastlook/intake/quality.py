"""Judging a grey picture: how sharp, how bright, and what it looks like in 64 bits.

Everything is measured at one fixed long edge. At full size a Laplacian mostly sees the sensor's noise (it keeps 97 %
of its value under a 12 px blur); at about a quarter it sees the picture. Likeness of two hashes is likeness of
layout: a wire moved by a centimetre changes few bits, so hashes group pictures and never drop one.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lastlook.records import Quality

MEASURED_EDGE = 960
"""Long edge in pixels at which pictures are judged: half of 1080p, a quarter of 4K and of a 12-megapixel photo."""

_HASH_SIDE = 32  # the picture the cosine transform sees
_HASH_LOW = 8  # its lowest frequencies, in both directions, that make the 64 bits


def measure(grey: NDArray[np.uint8]) -> Quality:
    """Judge `grey` (H×W bytes, upright, any size of at least 1×1). It is scaled down to MEASURED_EDGE, never up.

    Sharpness is the variance of the 3×3 Laplacian (the "variation of the Laplacian" focus measure, LAPV, of Pertuz,
    Puig and Garcia, "Analysis of focus measure operators for shape-from-focus", Pattern Recognition 46, 2013).
    """
    scaled = _scaled(grey)
    # 16 bits hold a 3×3 Laplacian of bytes (at most ±1020) and cost a quarter of 64-bit floats.
    laplacian = cv2.Laplacian(scaled, cv2.CV_16S, ksize=1)
    deviation = float(cv2.meanStdDev(laplacian)[1][0][0])
    return Quality(
        sharpness=round(deviation * deviation, 3),
        phash=perceptual_hash(scaled),
        mean_luma=round(float(cv2.mean(scaled)[0]), 2),
    )


def perceptual_hash(grey: NDArray[np.uint8]) -> int:
    """The 64-bit DCT hash of `grey` (H×W bytes) as an unsigned integer, first bit highest.

    Method: 32×32 Lanczos, two-dimensional DCT-II, the 8×8 lowest frequencies, each compared with their median; the
    same as `imagehash.phash` of PyPI's ImageHash, against which it is tested.
    """
    small = np.asarray(
        Image.fromarray(grey).resize((_HASH_SIDE, _HASH_SIDE), Image.Resampling.LANCZOS, reducing_gap=4.0),
        dtype=np.float64,
    )
    low = cv2.dct(small)[:_HASH_LOW, :_HASH_LOW].copy()
    # OpenCV's transform is orthonormal, the method's is not: the constant terms differ by the root of two.
    low[0, :] *= np.sqrt(2)
    low[:, 0] *= np.sqrt(2)
    ranked = np.sort(low, axis=None)
    bits = low > (ranked[31] + ranked[32]) / 2  # the median; numpy's own costs more than the transform
    return int.from_bytes(np.packbits(bits.ravel()).tobytes(), "big")


def distance(first: int, second: int) -> int:
    """How many of the 64 bits of two hashes differ."""
    return (first ^ second).bit_count()


def _scaled(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    height, width = grey.shape
    longest = max(height, width)
    if longest <= MEASURED_EDGE:
        return np.ascontiguousarray(grey)
    size = (max(1, round(width * MEASURED_EDGE / longest)), max(1, round(height * MEASURED_EDGE / longest)))
    # From twice the size on, averaging is needed; below, it costs eight times as much and judges no better.
    how = cv2.INTER_AREA if longest >= 2 * MEASURED_EDGE else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(grey, size, interpolation=how), dtype=np.uint8)
