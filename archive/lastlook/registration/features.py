"""Local features of a picture, and pairs of them that look alike.

SIFT (Lowe, IJCV 60(2), 2004) with the square-root normalisation of its descriptors (Arandjelović and Zisserman, CVPR
2012) and the ratio test of the first paper. Looked for only inside the model's outline: a cutting mat has more to match
than the model has, and the model moves on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from scipy.spatial import cKDTree

from lastlook.registration import Bytes, Floats, outlines, ties
from lastlook.registration.plane import transfer
from lastlook.registration.ties import Ties, TieSource

WORKING_EDGE = 1400
"""Long edge, in pixels, at which features are looked for: 0.3 mm a pixel at 400 mm of field."""
MOST = 3000
RATIO = 0.82
_SIGMA = 0.8  # pixels at the working edge


@dataclass(frozen=True, slots=True)
class Features:
    """`points` (N, 2) pixels of the whole picture; `descriptors` (N, 128) float32 of length 1; `sizes` (N,) pixels;
    `turns` (N,) degrees of each one's direction in the picture; `pixel` how many pixels of the whole picture one pixel
    of the working picture is; `size` (width, height)."""

    points: Floats
    descriptors: np.typing.NDArray[np.float32]
    sizes: Floats
    turns: Floats
    pixel: float
    size: tuple[int, int]


def find(grey: Bytes, outline: Floats | None = None, *, edge: int = WORKING_EDGE, most: int = MOST) -> Features:
    """Features of a grey picture (height, width) of any size, inside `outline` (whole pixels of it) where given."""
    height, width = grey.shape[:2]
    size = (width, height)
    left, top, right, bottom = 0, 0, width, height
    if outline is not None:
        low = np.clip(np.floor(outline.min(axis=0)) - 8, 0, None).astype(int)
        high = np.ceil(outline.max(axis=0)).astype(int) + 9
        left, top, right, bottom = int(low[0]), int(low[1]), min(width, int(high[0])), min(height, int(high[1]))
        if right - left < 16 or bottom - top < 16:
            return Features(np.zeros((0, 2)), np.zeros((0, 128), np.float32), np.zeros(0), np.zeros(0), 1.0, size)
    part = grey[top:bottom, left:right]
    scale = min(1.0, edge / max(part.shape))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else part
    area = None
    if outline is not None:
        area = outlines.mask((outline - [left, top]) * scale, (small.shape[1], small.shape[0]))
    finder = cv2.SIFT.create(nfeatures=most, contrastThreshold=0.02)
    found: Any = finder.detectAndCompute(small, area)
    points, descriptors = found
    if descriptors is None or not points:
        return Features(np.zeros((0, 2)), np.zeros((0, 128), np.float32), np.zeros(0), np.zeros(0), 1 / scale, size)
    root = np.sqrt(descriptors / np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-9)).astype(np.float32)
    at = (np.array([each.pt for each in points]) + 0.5) / scale - 0.5 + [left, top]
    sizes = np.array([each.size for each in points]) / scale
    return Features(at, root, sizes, np.array([each.angle for each in points]), 1 / scale, size)


def match(a: Features, b: Features, ratio: float = RATIO) -> Ties:
    """Pairs that are each other's nearest, clearly nearer than the second nearest. The surest pairs come first."""
    return ties_of(a, b, *alike(a, b, ratio))


def alike(a: Features, b: Features, ratio: float = RATIO) -> tuple[ties.NDArrayInt, ties.NDArrayInt]:
    """The same pairs as `match`, as places in `a` and in `b`."""
    if len(a.points) < 2 or len(b.points) < 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    likeness = a.descriptors @ b.descriptors.T
    best, second = _two_best(likeness)
    rows = np.arange(len(a.points))
    near = np.sqrt(np.maximum(2 - 2 * likeness[rows, best], 0))
    next_near = np.sqrt(np.maximum(2 - 2 * likeness[rows, second], 1e-9))
    back = np.argmax(likeness, axis=0)
    shares = near / next_near
    kept = np.flatnonzero((shares < ratio) & (back[best] == rows))
    kept = kept[np.argsort(shares[kept], kind="stable")]
    # SIFT gives one place several orientations; two pairs of one place count once.
    _, first = np.unique(np.round(np.hstack([a.points[kept], b.points[best[kept]]])), axis=0, return_index=True)
    kept = kept[np.sort(first)]
    return kept, best[kept]


def guided(a: Features, b: Features, matrix: Floats, reach: float) -> Ties:
    """Pairs that the map `matrix` (3×3, a to b) brings within `reach` pixels, the best looking one of each place."""
    if not len(a.points) or not len(b.points):
        return ties.none()
    seen = transfer(matrix, a.points)
    near = cKDTree(b.points).query_ball_point(np.nan_to_num(seen, nan=-1e9), reach)
    first: list[int] = []
    second: list[int] = []
    taken: dict[int, tuple[float, int]] = {}
    for n, candidates in enumerate(near):
        if not candidates:
            continue
        alike = b.descriptors[candidates] @ a.descriptors[n]
        order = int(np.argmax(alike))
        if alike[order] > 0.80:
            other = candidates[order]
            if other not in taken or taken[other][0] < alike[order]:
                taken[other] = (float(alike[order]), n)
    for other, (_, n) in taken.items():
        first.append(n)
        second.append(other)
    return ties_of(a, b, np.array(first, dtype=np.int64), np.array(second, dtype=np.int64))


def ties_of(a: Features, b: Features, first: ties.NDArrayInt, second: ties.NDArrayInt) -> Ties:
    """Ties of the features at places `first` of `a` and `second` of `b`."""
    # A feature is found the less exactly the larger it is (its scale, in working pixels).
    coarse = np.maximum(a.sizes[first] / a.pixel, b.sizes[second] / b.pixel)
    sigma = _SIGMA * b.pixel * np.clip(coarse / 5.0, 0.6, 3.0)
    return ties.make(a.points[first], b.points[second], sigma, TieSource.FEATURE)


def _two_best(likeness: np.typing.NDArray[np.float32]) -> tuple[ties.NDArrayInt, ties.NDArrayInt]:
    best = np.argmax(likeness, axis=1)
    rows = np.arange(len(likeness))
    held = likeness[rows, best].copy()
    likeness[rows, best] = -2
    second = np.argmax(likeness, axis=1)
    likeness[rows, best] = held
    return best, second
