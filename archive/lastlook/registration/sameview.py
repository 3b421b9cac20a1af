"""Other pictures of the same place and side: told by local features that agree in one geometric arrangement.

Likeness of colour or a hash only orders whom to ask first. A mirrored view is asked for too: port is not starboard, and
a picture that fits better mirrored is of the other side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from lastlook.registration import Bytes, Floats, features, outlines, plane
from lastlook.registration.features import Features
from lastlook.registration.ties import Ties

EDGE = 800
MOST = 1500
LEAST_AGREE = 16
LEAST_COVER = 0.10
"""Share of the asking picture that the agreeing points must span. Both set on rendered and real pairs."""


@dataclass(frozen=True, slots=True)
class View:
    """Two pictures compared. `same`: they show the same place from the same side. `agree` points fit one arrangement,
    of `tried`; `cover` 0..1 of the first picture they span; `mirrored`: it fits only as seen in a mirror. `matrix`
    takes pixels of the first to the second where `same`."""

    same: bool
    agree: int
    tried: int
    cover: float
    mirrored: bool
    matrix: Floats | None


@dataclass(frozen=True, slots=True)
class Looked:
    """Features of a picture, for comparing with many others."""

    plain: Features
    flipped: Features


def look(grey: Bytes) -> Looked:
    """Features of a picture (height, width), and of its mirror image."""
    scale = min(1.0, EDGE / max(grey.shape))
    small = (
        np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        if scale < 1
        else grey
    )
    plain = _full(features.find(small, edge=EDGE, most=MOST), scale, grey.shape)
    flipped = _full(features.find(np.ascontiguousarray(small[:, ::-1]), edge=EDGE, most=MOST), scale, grey.shape)
    return Looked(plain, flipped)


def compare(first: Looked, second: Looked) -> View:
    """Whether `second` is the same view as `first`. Costs some 20 ms."""
    agree, tried, cover, matrix = _agree(first.plain, second.plain)
    if agree >= LEAST_AGREE and cover >= LEAST_COVER:
        return View(True, agree, tried, cover, False, matrix)
    turned, also, wide, _ = _agree(first.plain, second.flipped)
    mirrored = turned >= LEAST_AGREE and wide >= LEAST_COVER and turned > 2 * agree
    return View(False, agree, also if mirrored else tried, cover, mirrored, None)


def _agree(a: Features, b: Features) -> tuple[int, int, float, Floats | None]:
    found = features.match(a, b)
    if len(found) < 8:
        return len(found), len(found), 0.0, None
    limit = 4.0 * b.pixel
    matrix, kept = plane.magsac(found, limit)
    if matrix is None or kept.sum() < 8:
        return int(kept.sum()), len(found), 0.0, None
    used: Ties = found.take(kept)
    turn = np.linalg.det(plane.jacobians(matrix, used.a))
    stretch = np.linalg.svd(plane.jacobians(matrix, used.a), compute_uv=False)
    if (turn <= 0).any() or stretch.max() > 8 or stretch.min() < 1 / 8 or (stretch[:, 0] / stretch[:, 1]).max() > 3:
        return 0, len(found), 0.0, None
    spans = [outlines.hull_area(each) / (f.size[0] * f.size[1]) for each, f in ((used.a, a), (used.b, b))]
    return len(used), len(found), float(max(spans)), matrix


def _full(found: Features, scale: float, shape: tuple[int, ...]) -> Features:
    return replace(
        found,
        points=(found.points + 0.5) / scale - 0.5,
        sizes=found.sizes / scale,
        pixel=found.pixel / scale,
        size=(shape[1], shape[0]),
    )
