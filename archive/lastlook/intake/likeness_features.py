"""Which pictures look alike: local features of derived pictures, matched, and held to one geometry.

ORB features (Rublee and others, ICCV 2011, in OpenCV) of the page-size picture, spread over it so that no busy corner
takes all; pairs by mutual nearest neighbour and the ratio test (Lowe, IJCV 2004); and of those pairs as many as one
homography explains (MAGSAC++), so that a common texture alone is no likeness. A cutting mat lies under everything, and
its grid and print agree between any two pictures of one bench, map and all. So the map is put to the proof: one picture
is laid over the other by it, and most of what has any structure where both overlap must be alike (normalised
correlation, cell by cell). A mat around another thing fails that.

Features are derived data: kept beside the derived pictures, found again where they are missing. Colour plays no part.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]
Words = NDArray[np.uint32]

EDGE = 640
"""Long edge in pixels at which features are looked for."""
MOST = 500
LEAST_AGREEING = 18
"""Places that must agree (set on the lightship's renders and on photos of one mat, so that no wrong pair passes)."""
_WORD_BITS = 16
_TABLES = np.array([np.random.default_rng(7 + n).permutation(256)[:_WORD_BITS] for n in range(8)])
SMALL = 160
_BLOCK = 20  # pixels of `small`: a cell that is compared
_STRUCTURE = 7.0  # standard deviation of grey below which a cell has none
_ALIKE = 0.5  # correlation from which a cell is alike
_SHARE = 0.72
"""Of the cells with structure in the overlap so many must be alike, and `_CELLS` of them at least."""
_CELLS = 6
_CELL = 14.0  # pixels: features nearer than this are one place
_RATIO = 0.8
_OFF = 3.0  # pixels
_VERSION = 3


@dataclass(frozen=True, slots=True)
class Features:
    """`points` (N, 2) pixels at `EDGE`, `bits` (N, 32) ORB descriptors, `sketch` (M,) its words for preselection,
    `small` the picture itself with a long edge of `SMALL`; `scale` takes pixels at `EDGE` to those of `small`."""

    points: Floats
    bits: Bytes
    sketch: Words
    small: Bytes
    scale: float


def of_file(derived: Path, page: str) -> Features | None:
    """Features of a derived picture, from their file where they were found before; None where it cannot be read."""
    kept = derived / "features" / Path(page).with_suffix(f".{_VERSION}.npz").name
    try:
        with np.load(kept) as held:
            return Features(held["points"], held["bits"], held["sketch"], held["small"], float(held["scale"]))
    except (OSError, ValueError, KeyError):
        pass
    data = _bytes(derived / page)
    grey = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE) if data is not None else None
    if grey is None:
        return None
    found = of_grey(np.asarray(grey, dtype=np.uint8))
    kept.parent.mkdir(parents=True, exist_ok=True)
    part = kept.with_name(f".{kept.name}.{os.getpid()}-{threading.get_ident()}.part")
    with part.open("wb") as file:
        np.savez(file, points=found.points, bits=found.bits, sketch=found.sketch, small=found.small, scale=found.scale)
    part.replace(kept)
    return found


def of_grey(grey: Bytes) -> Features:
    """Features of a grey picture (H×W)."""
    scale = EDGE / max(grey.shape)
    if scale < 1:
        grey = np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    shrunk = SMALL / max(grey.shape)
    small = np.asarray(cv2.resize(grey, None, fx=shrunk, fy=shrunk, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    orb = cv2.ORB.create(nfeatures=4 * MOST, scaleFactor=1.25, nlevels=6, fastThreshold=10)
    keys, bits = orb.detectAndCompute(grey, None)
    if not len(keys):
        nothing = np.zeros((0, 2), np.float32), np.zeros((0, 32), np.uint8), np.zeros(0, np.uint32)
        return Features(*nothing, small, shrunk)
    keep = _spread(keys, grey.shape)
    points = np.array([keys[at].pt for at in keep], dtype=np.float32)
    chosen = np.asarray(bits[keep], dtype=np.uint8)
    return Features(points, chosen, _words(chosen), small, shrunk)


def agreeing(one: Features, other: Features) -> int:
    """How many places lie alike in both pictures, by one plane-to-plane map; 0 where they are too few to mean much."""
    if len(one.points) < LEAST_AGREEING or len(other.points) < LEAST_AGREEING:
        return 0
    matcher = cv2.BFMatcher(cv2.NORM_HAMMING)
    pairs = _ratio(matcher, one.bits, other.bits)
    back = {(there, here) for here, there in _ratio(matcher, other.bits, one.bits)}
    mutual = [pair for pair in pairs if pair in back]
    if len(mutual) < LEAST_AGREEING:
        return 0
    here = one.points[[a for a, _ in mutual]]
    there = other.points[[b for _, b in mutual]]
    matrix, mask = cv2.findHomography(here, there, cv2.USAC_MAGSAC, _OFF, maxIters=2000, confidence=0.999)
    map_ = np.asarray(matrix, dtype=np.float64)
    if map_.shape != (3, 3) or not _plausible(map_):
        return 0
    kept = np.ravel(mask).astype(bool)
    places = min(_places(here[kept]), _places(there[kept]))
    if places < LEAST_AGREEING or not (_spans(here[kept]) and _spans(there[kept])):
        return 0
    return places if _holds(one, other, map_) else 0


class Index:
    """Many pictures' words, to find whom to look at closely. A word weighs the less the more pictures have it, so what
    lies in every picture of a bench, such as a mat, does not count."""

    def __init__(self, sketches: Sequence[Words]) -> None:
        self._count = len(sketches)
        rows = np.repeat(np.arange(len(sketches), dtype=np.int32), [len(each) for each in sketches])
        words = np.concatenate([*sketches, np.zeros(0, np.uint32)])
        order = np.argsort(words, kind="stable")
        self._words, self._rows = words[order], rows[order]

    def nearest(self, sketch: Words, most: int) -> list[int]:
        """Rows of the pictures that share most with `sketch`, the best first; such as share nothing are left out."""
        low = np.searchsorted(self._words, sketch, "left")
        many = np.searchsorted(self._words, sketch, "right") - low
        low, many = low[many > 0], many[many > 0]
        if not len(low):
            return []
        starts = np.repeat(low - np.concatenate([[0], np.cumsum(many)[:-1]]), many)
        rows = self._rows[starts + np.arange(many.sum())]
        score = np.bincount(rows, weights=np.repeat(1.0 / many, many), minlength=self._count)
        best = np.argsort(-score, kind="stable")[:most]
        return [int(at) for at in best if score[at] > 0]


# ------------------------------------------------------------------------------------------------ inside


def _bytes(path: Path) -> Bytes | None:
    try:
        return np.fromfile(path, dtype=np.uint8)
    except OSError:
        return None


def _words(bits: Bytes) -> Words:
    """A picture's words: of each feature, eight times the same sixteen of its 256 bits, chosen once by chance. Features
    that match differ in a bit out of eight, so that some of their words are one (locality-sensitive hashing)."""
    flat = np.unpackbits(bits, axis=1)
    weights = (1 << np.arange(_WORD_BITS, dtype=np.uint32)).astype(np.uint32)
    found = [
        (flat[:, chosen].astype(np.uint32) @ weights) + np.uint32(table << _WORD_BITS)
        for table, chosen in enumerate(_TABLES)
    ]
    return np.unique(np.concatenate(found)).astype(np.uint32)


def _spread(keys: Sequence[cv2.KeyPoint], shape: tuple[int, ...]) -> list[int]:
    """The strongest features, but of each 8×6th of the picture no more than its share and half as much again."""
    cells = 8 * 6
    share = int(1.5 * MOST / cells) + 1
    taken: dict[tuple[int, int], int] = {}
    kept: list[int] = []
    for at in sorted(range(len(keys)), key=lambda at: -keys[at].response):
        x, y = keys[at].pt
        cell = int(8 * x / shape[1]), int(6 * y / shape[0])
        if taken.get(cell, 0) < share:
            taken[cell] = taken.get(cell, 0) + 1
            kept.append(at)
            if len(kept) == MOST:
                break
    return kept


def _ratio(matcher: cv2.BFMatcher, a: Bytes, b: Bytes) -> list[tuple[int, int]]:
    return [
        (pair[0].queryIdx, pair[0].trainIdx)
        for pair in matcher.knnMatch(a, b, k=2)
        if len(pair) == 2 and pair[0].distance < _RATIO * pair[1].distance and pair[0].distance <= 64
    ]


def _places(points: Floats) -> int:
    return len({(int(x // _CELL), int(y // _CELL)) for x, y in points})


def _spans(points: Floats) -> bool:
    """Whether what agrees reaches over a good part of the picture in both directions."""
    spread = points.std(axis=0)
    return bool(spread.min() > 0.05 * EDGE and spread.max() > 0.08 * EDGE)


def _holds(one: Features, other: Features, map_: NDArray[np.float64]) -> bool:
    """Whether `one`, laid over `other` by the map, shows the same there."""
    small = np.diag([other.scale, other.scale, 1.0]) @ map_ @ np.diag([1 / one.scale, 1 / one.scale, 1.0])
    high, wide = other.small.shape
    laid = cv2.warpPerspective(one.small, small, (wide, high), flags=cv2.INTER_LINEAR)
    there = cv2.warpPerspective(np.full(one.small.shape, 255, np.uint8), small, (wide, high)) > 250
    with_structure = alike = 0
    for top in range(0, high - _BLOCK + 1, _BLOCK // 2):
        for left in range(0, wide - _BLOCK + 1, _BLOCK // 2):
            cell = np.s_[top : top + _BLOCK, left : left + _BLOCK]
            if not there[cell].all():
                continue
            a, b = laid[cell].astype(np.float64), other.small[cell].astype(np.float64)
            if max(a.std(), b.std()) < _STRUCTURE:
                continue
            with_structure += 1
            below = a.std() * b.std()
            if below and ((a - a.mean()) * (b - b.mean())).mean() / below >= _ALIKE:
                alike += 1
    return alike >= _CELLS and alike >= _SHARE * with_structure


def _plausible(matrix: NDArray[np.float64]) -> bool:
    """A view of the same thing: not mirrored, not squeezed to nothing, no horizon across the picture."""
    determinant = float(np.linalg.det(matrix[:2, :2]))
    bend = float(np.abs(matrix[2, :2]).sum()) * EDGE
    return 0.1 < determinant < 10 and bend < 0.7
