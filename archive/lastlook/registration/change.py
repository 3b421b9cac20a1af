"""What differs between two pictures of one place, aligned: structure that came, went or moved, not light or noise.

The later picture is brought onto the earlier one, its light is fitted to it locally, and structure is compared by SSIM
(Wang et al., IEEE TIP 13(4), 2004) at a scale above noise and above what the alignment leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from lastlook.registration import Bytes, Floats, outlines

EDGE = 1000  # long edge at which pictures are compared
_C1, _C2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
_LIMIT = 0.45  # 1 - SSIM, of structure, above which a place has changed; set on rendered truth


@dataclass(frozen=True, slots=True)
class Change:
    """One changed place: `outline` (N, 2) pixels of the first picture, `area_px` there, `strength` 0..1."""

    outline: Floats
    area_px: float
    strength: float

    @property
    def middle(self) -> Floats:
        return np.asarray(self.outline.mean(axis=0))


@dataclass(frozen=True, slots=True)
class Changes:
    """The places, strongest first; `share` of the compared area that changed; `compared` (N, 2) its outline in pixels
    of the first picture; `aligned` the second picture on the first one's pixels, reduced by `scale` to EDGE."""

    places: tuple[Change, ...]
    share: float
    compared: Floats
    aligned: Bytes
    scale: float


def align(second: Bytes, matrix: Floats, size: tuple[int, int], edge: int = EDGE) -> tuple[Bytes, float]:
    """`second` (grey or RGB) as the first picture, of (width, height) `size`, would see it: reduced to `edge`, with the
    factor. `matrix` takes pixels of the first to pixels of the second. What lies outside is black."""
    scale = min(1.0, edge / max(size))
    out = (max(1, round(size[0] * scale)), max(1, round(size[1] * scale)))
    move = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
    to_first = move @ np.linalg.inv(matrix)
    blur = _shrink(to_first, second.shape)
    if blur > 1.2:  # much reduced: without a blur first, fine patterns would alias
        second = np.asarray(cv2.GaussianBlur(second, (0, 0), 0.5 * blur), dtype=np.uint8)
    return np.asarray(cv2.warpPerspective(second, to_first, out, flags=cv2.INTER_LINEAR), dtype=np.uint8), scale


def compare(
    first: Bytes, second: Bytes, matrix: Floats, outline: Floats | None = None, *, error_px: float = 1.0
) -> Changes:
    """Places that changed from `first` to `second` (grey, (height, width)), inside `outline` (pixels of first).

    `error_px`: standard error of the alignment in pixels of first; what it can explain is no change.
    """
    size = (first.shape[1], first.shape[0])
    seen, scale = align(second, matrix, size)
    here = np.asarray(cv2.resize(first, (seen.shape[1], seen.shape[0]), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    cover, _ = align(np.full(second.shape[:2], 255, np.uint8), matrix, size)
    valid = cover > 250
    if outline is not None:
        valid &= outlines.mask(outline * scale, (seen.shape[1], seen.shape[0])) > 0
    inner = cv2.erode(valid.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    sigma = max(1.5, 1.5 * error_px * scale)
    a = np.asarray(cv2.GaussianBlur(here, (0, 0), 1.0), dtype=np.float32)
    b = _same_light(a, np.asarray(cv2.GaussianBlur(seen, (0, 0), 1.0), dtype=np.float32), valid)
    # A change stays a change wherever the alignment may truly lie: the least difference over small shifts counts.
    step = max(1, round(error_px * scale))
    least = np.ones_like(a)
    for dx, dy in ((0, 0), (-step, 0), (step, 0), (0, -step), (0, step)):
        least = np.minimum(least, _unlike(a, np.roll(b, (dy, dx), (0, 1)), sigma))
    least[~inner] = 0
    mask: Any = (least > _LIMIT).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    shapes, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    places = []
    for shape in shapes:
        area = float(cv2.contourArea(shape))
        if area < 40:
            continue
        within = np.zeros_like(mask)
        cv2.drawContours(within, [shape], -1, (1,), -1)
        strength = float(least[within > 0].mean())
        corners = (np.asarray(shape, dtype=np.float64).reshape(-1, 2) + 0.5) / scale - 0.5
        places.append(Change(corners, area / scale**2, min(1.0, strength)))
    places.sort(key=lambda each: -each.strength * np.sqrt(each.area_px))
    edge, _ = cv2.findContours(valid.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    compared = (
        np.asarray(max(edge, key=cv2.contourArea), dtype=np.float64).reshape(-1, 2) / scale
        if edge
        else np.zeros((0, 2))
    )
    return Changes(tuple(places), float(mask[inner].mean()) if inner.any() else 0.0, compared, seen, scale)


def _unlike(
    a: np.typing.NDArray[np.float32], b: np.typing.NDArray[np.float32], sigma: float
) -> np.typing.NDArray[np.float32]:
    """1 - structure term of SSIM, weighed by how much structure there is in either: flat stays flat."""

    def soft(image: np.typing.NDArray[np.float32]) -> np.typing.NDArray[np.float32]:
        edge = 2 * round(3.5 * sigma) + 1
        return np.asarray(cv2.blur(image, (edge, edge)), dtype=np.float32)

    ma, mb = soft(a), soft(b)
    va, vb = np.maximum(soft(a * a) - ma * ma, 0), np.maximum(soft(b * b) - mb * mb, 0)
    cov = soft(a * b) - ma * mb
    like = (2 * cov + _C2) / (va + vb + _C2)
    strong = np.clip((np.maximum(va, vb) - 60) / 120, 0, 1)
    return np.asarray((1 - like) / 2 * strong * 1.6, dtype=np.float32)


def _same_light(
    a: np.typing.NDArray[np.float32], b: np.typing.NDArray[np.float32], valid: np.typing.NDArray[np.bool_]
) -> np.typing.NDArray[np.float32]:
    """b with its local mean and spread brought to those of a, over a tenth of the picture: lamps and exposure go."""
    weight = valid.astype(np.float32)
    wide = max(a.shape) / 20

    def mean(image: np.typing.NDArray[np.float32]) -> np.typing.NDArray[np.float32]:
        return np.asarray(
            cv2.GaussianBlur(image * weight, (0, 0), wide) / np.maximum(cv2.GaussianBlur(weight, (0, 0), wide), 1e-3)
        )

    ma, mb = mean(a), mean(b)
    sa = np.sqrt(np.maximum(mean(a * a) - ma * ma, 4))
    sb = np.sqrt(np.maximum(mean(b * b) - mb * mb, 4))
    return np.asarray((b - mb) * np.clip(sa / sb, 0.5, 2.0) + ma, dtype=np.float32)


def _shrink(matrix: Floats, shape: tuple[int, ...]) -> float:
    """How many pixels of the picture become one, at its middle."""
    from lastlook.registration.plane import jacobians

    middle = np.array([[shape[1] / 2, shape[0] / 2]])
    return float(1 / np.sqrt(max(abs(np.linalg.det(jacobians(matrix, middle)[0])), 1e-12)))
