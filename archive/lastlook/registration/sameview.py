"""Other pictures of the same place and side: told by local features that agree in one geometric arrangement.

The bench is the same in every picture and has more to match than the model, which is what the builder points the camera
at: so what agrees must fill the middle of the view, or lie inside the model's outline where one is drawn. Where two
things moved apart (the model on its mat), each motion is looked at by itself.

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
"""Share of the asking picture, or of its outline, that the agreeing points must span."""
LEAST_MIDDLE = 0.6
"""Share of sixteen boxes over the middle of the asking picture that must hold one. All set on rendered pairs."""
_MIDDLE = 0.22  # of each edge, left out around the middle
_MOTIONS = 3


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
    outline: Floats | None = None


def look(grey: Bytes, outline: Floats | None = None) -> Looked:
    """Features of a picture (height, width), and of its mirror image; inside the model's `outline` where drawn."""
    scale = min(1.0, EDGE / max(grey.shape))
    small = (
        np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        if scale < 1
        else grey
    )
    drawn = outline * scale if outline is not None else None
    turned = drawn * [-1.0, 1.0] + [small.shape[1] - 1.0, 0.0] if drawn is not None else None
    plain = _full(features.find(small, drawn, edge=EDGE, most=MOST), scale, grey.shape)
    mirror = np.ascontiguousarray(small[:, ::-1])
    flipped = _full(features.find(mirror, turned, edge=EDGE, most=MOST), scale, grey.shape)
    return Looked(plain, flipped, outline)


def compare(first: Looked, second: Looked) -> View:
    """Whether `second` is the same view as `first`. Costs some 20 ms."""
    agree, tried, cover, matrix = _agree(first.plain, second.plain, first.outline)
    if agree >= LEAST_AGREE and cover >= LEAST_COVER:
        return View(True, agree, tried, cover, False, matrix)
    turned, also, wide, _ = _agree(first.plain, second.flipped, first.outline)
    mirrored = turned >= LEAST_AGREE and wide >= LEAST_COVER and turned > 2 * agree
    return View(False, agree, also if mirrored else tried, cover, mirrored, None)


def _agree(a: Features, b: Features, outline: Floats | None) -> tuple[int, int, float, Floats | None]:
    """The motion with the most support among those that move the model, not the bench: (agree, tried, cover, map)."""
    found = features.match(a, b)
    tried, rest = len(found), found
    most = 0
    for _ in range(_MOTIONS):
        if len(rest) < 8:
            break
        matrix, kept = plane.magsac(rest, 4.0 * b.pixel)
        if matrix is None or kept.sum() < 8:
            break
        used: Ties = rest.take(kept)
        rest = rest.take(~kept)
        most = max(most, len(used)) if len(used) < LEAST_AGREE else most
        if _plausible(matrix, used) and len(used) >= LEAST_AGREE and _of_model(used, a, outline):
            area = outlines.area(outline) if outline is not None else a.size[0] * a.size[1]
            return len(used), tried, outlines.hull_area(used.a) / area, matrix
    return most, tried, 0.0, None


def _plausible(matrix: Floats, used: Ties) -> bool:
    slopes = plane.jacobians(matrix, used.a)
    stretch = np.linalg.svd(slopes, compute_uv=False)
    return bool(
        (np.linalg.det(slopes) > 0).all()
        and stretch.max() < 8
        and stretch.min() > 1 / 8
        and (stretch[:, 0] / stretch[:, 1]).max() < 3
    )


def _of_model(used: Ties, a: Features, outline: Floats | None) -> bool:
    if outline is not None:
        return True  # nothing was looked for outside it
    size = np.array(a.size, dtype=np.float64)
    middle = (used.a / size - _MIDDLE) / (1 - 2 * _MIDDLE)
    within = middle[((middle >= 0) & (middle < 1)).all(axis=1)]
    return len({tuple(box) for box in np.floor(within * 4).astype(int).tolist()}) / 16 >= LEAST_MIDDLE


def _full(found: Features, scale: float, shape: tuple[int, ...]) -> Features:
    return replace(
        found,
        points=(found.points + 0.5) / scale - 0.5,
        sizes=found.sizes / scale,
        pixel=found.pixel / scale,
        size=(shape[1], shape[0]),
    )
