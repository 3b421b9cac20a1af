"""Other pictures of the same place and side: told by local features that agree in one geometric arrangement.

Two arrangements are asked for. On one plane, the map between the pictures (a homography); in a model that is deep, the
rays of two cameras (a fundamental matrix; Hartley and Zisserman, Multiple View Geometry, ch. 9 and 11), where matches
must besides be turned and scaled alike, since such rays by themselves let much pass.

The bench is the same in every picture and has more to match than the model, which is what the builder points the camera
at: so what agrees must fill the middle of the view, or lie inside the model's outline where one is drawn. Where two
things moved apart (the model on its mat), each motion is looked at by itself.

Likeness of colour or a hash only orders whom to ask first. A mirrored view is asked for too: port is not starboard, and
a picture that fits better mirrored is of the other side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from lastlook.registration import Bools, Bytes, Floats, features, outlines, plane
from lastlook.registration.features import Features
from lastlook.registration.fitting import distances
from lastlook.registration.ties import NDArrayInt, Ties

EDGE = 800
MOST = 1500
LEAST_AGREE = 16
LEAST_COVER = 0.10
"""Share of the asking picture, or of its outline, that the agreeing points must span."""
LEAST_MIDDLE = 0.6
"""Share of sixteen boxes over the middle of the asking picture that must hold one. All set on rendered pairs."""
_MIDDLE = 0.22  # of each edge, left out around the middle
_MOTIONS = 3
_LEAST_RAYS = 20
_SURE_RAYS = 30
_LEAST_RAYS_SHARE = 0.35  # of the matches that are left; of fewer than are sure
_LEAST_FEW_SHARE = 0.55
_LEAST_RAYS_COVER = 0.05  # of either picture, where the other one has LEAST_COVER: one of the two stood nearer
_FLAT = 0.8
"""What agrees with one plane to this share may be the bench, which is flat, and must fill the very middle."""
_FLAT_MIDDLE, _DEEP_MIDDLE = 0.3, 0.2  # of each edge, left out around the middle that is asked of flat and deep things
_LEAST_BOXES, _LEAST_BOXES_SHARE = 3, 0.2  # of the boxes over that middle that have anything to match, in both pictures
_TURN, _ZOOM = 35.0, 1.0  # degrees; powers of two


@dataclass(frozen=True, slots=True)
class View:
    """Two pictures compared. `same`: they show the same place from the same side. `agree` points fit one arrangement,
    of `tried`; `cover` 0..1 of the first picture they span; `mirrored`: it fits only as seen in a mirror.

    Where `same`, and one plane holds enough of it: `matrix` takes pixels of the first to the second, `flat` points
    (N, 2) of the first rest on it, and half of all that agree lie within `off_px` pixels of the second of it.
    """

    same: bool
    agree: int
    tried: int
    cover: float
    mirrored: bool
    matrix: Floats | None = None
    flat: Floats | None = None
    off_px: float = 0.0


@dataclass(frozen=True, slots=True)
class Looked:
    """Features of a picture, for comparing with many others."""

    plain: Features
    flipped: Features
    outline: Floats | None = None


@dataclass(frozen=True, slots=True)
class _Arranged:
    """The arrangement with the most support: `used` ties, and those of them on one plane with its map."""

    used: Ties
    cover: float
    matrix: Floats | None
    flat: Floats | None


def look(grey: Bytes, outline: Floats | None = None) -> Looked:
    """Features of a picture (height, width), and of its mirror image; inside the model's `outline` where drawn."""
    scale = min(1.0, EDGE / max(grey.shape))
    small = (
        np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        if scale < 1
        else grey
    )
    drawn = outline * scale if outline is not None else None
    turned = _turned(drawn, (small.shape[1], small.shape[0]))
    plain = _full(features.find(small, drawn, edge=EDGE, most=MOST), scale, grey.shape)
    mirror = np.ascontiguousarray(small[:, ::-1])
    flipped = _full(features.find(mirror, turned, edge=EDGE, most=MOST), scale, grey.shape)
    return Looked(plain, flipped, outline)


def compare(first: Looked, second: Looked) -> View:
    """Whether `second` is the same view as `first`. Costs some 30 ms."""
    found, most, tried = _agree(first.plain, second.plain, first.outline, second.outline)
    mirror = replace(second, plain=second.flipped)
    # Lettering matches on both sides of a ship, and says least of which: what else agrees decides.
    turned, also, wide = _agree(first.plain, mirror.plain, first.outline, _turned(second.outline, second.plain.size))
    agree = len(found.used) if found is not None else most
    other = len(turned.used) if turned is not None else also
    if found is not None and other <= agree:
        off = float(np.median(distances(found.matrix, found.used))) if found.matrix is not None else 0.0
        return View(True, agree, tried, found.cover, False, found.matrix, found.flat, off)
    if turned is not None and other > 2 * agree:
        return View(False, agree, wide, 0.0, True)
    return View(False, agree, tried, 0.0, False)


def _turned(outline: Floats | None, size: tuple[int, int]) -> Floats | None:
    """An outline as it lies on the mirror image of a picture of (width, height) `size`."""
    return outline * [-1.0, 1.0] + [size[0] - 1.0, 0.0] if outline is not None else None


def _agree(
    a: Features, b: Features, outline: Floats | None, outline_b: Floats | None
) -> tuple[_Arranged | None, int, int]:
    """What moves the model, not the bench, with the most support; else how many agreed on anything less; of how many
    matches."""
    first, second = features.alike(a, b)
    found = features.ties_of(a, b, first, second)
    flat, most = _on_a_plane(found, a, b, outline)
    deep = _by_rays(found, a, b, first, second, outline, outline_b)
    best = max((each for each in (flat, deep) if each is not None), key=lambda each: len(each.used), default=None)
    return best, most, len(found)


def _on_a_plane(found: Ties, a: Features, b: Features, outline: Floats | None) -> tuple[_Arranged | None, int]:
    rest = found
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
            cover = outlines.hull_area(used.a) / area
            if cover >= LEAST_COVER:
                return _Arranged(used, cover, matrix, used.a), most
    return None, most


def _by_rays(
    found: Ties,
    a: Features,
    b: Features,
    first: NDArrayInt,
    second: NDArrayInt,
    outline: Floats | None,
    outline_b: Floats | None,
) -> _Arranged | None:
    """As one rigid thing in depth, seen by two cameras."""
    left = np.arange(len(found))
    for _ in range(_MOTIONS):
        if len(left) < _LEAST_RAYS:
            return None
        kept = _rays(found.a[left], found.b[left], 2.5 * b.pixel)
        chosen = left[kept]
        chosen = chosen[_turned_alike(a, b, first[chosen], second[chosen])]
        if len(chosen) < _LEAST_RAYS:
            return None
        used: Ties = found.take(np.isin(np.arange(len(found)), chosen))
        matrix, flat = plane.magsac(used, 4.0 * b.pixel)
        margin = _FLAT_MIDDLE if flat.mean() > _FLAT else _DEEP_MIDDLE
        covers = [
            outlines.hull_area(points) / (outlines.area(drawn) if drawn is not None else of.size[0] * of.size[1])
            for points, of, drawn in ((used.a, a, outline), (used.b, b, outline_b))
        ]
        if (
            len(chosen) >= (_LEAST_RAYS_SHARE if len(chosen) >= _SURE_RAYS else _LEAST_FEW_SHARE) * len(left)
            and min(covers) >= _LEAST_RAYS_COVER
            and max(covers) >= LEAST_COVER
            and (outline is not None or _fills_middle(used.a, a, margin))
            and (outline_b is not None or _fills_middle(used.b, b, margin))
        ):
            good = matrix is not None and flat.sum() >= LEAST_AGREE and _plausible(matrix, used.take(flat))
            return _Arranged(used, covers[0], matrix if good else None, used.a[flat] if good else None)
        left = left[~kept]
    return None


def _rays(a: Floats, b: Floats, limit: float) -> Bools:
    """Which pairs (N, 2) of pixels the rays of two cameras allow, within `limit` pixels; by MAGSAC++."""
    cv2.setRNGSeed(7)
    try:
        found: Any = cv2.findFundamentalMat(a, b, cv2.USAC_MAGSAC, limit, 0.999, 5000)
    except cv2.error:  # raised where no sample gives a model: nothing is found then
        return np.zeros(len(a), dtype=bool)
    matrix, kept = found
    if matrix is None or matrix.shape != (3, 3):  # none found, or several
        return np.zeros(len(a), dtype=bool)
    return np.asarray(kept.ravel() > 0)


def _turned_alike(a: Features, b: Features, first: NDArrayInt, second: NDArrayInt) -> Bools:
    """Which pairs are turned and scaled as most of them are."""
    if not len(first):
        return np.zeros(0, dtype=bool)
    turn = b.turns[second] - a.turns[first]
    away = np.abs((turn[:, None] - np.arange(0, 360, 10)[None, :] + 180) % 360 - 180)
    usual = int(np.argmax((away < _TURN).sum(axis=0)))
    alike = away[:, usual] < _TURN
    zoom = np.log2(np.maximum(b.sizes[second], 1e-6) / np.maximum(a.sizes[first], 1e-6))
    return np.asarray(alike & (np.abs(zoom - np.median(zoom[alike])) < _ZOOM))


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
    return len(_boxes(used.a, a.size, _MIDDLE)) / 16 >= LEAST_MIDDLE


def _fills_middle(points: Floats, of: Features, margin: float) -> bool:
    """Whether agreeing points lie in enough of those boxes over the middle that have something to match."""
    rich = _boxes(of.points, of.size, margin, least=3)
    held = _boxes(points, of.size, margin)
    return len(held & rich) >= max(_LEAST_BOXES, _LEAST_BOXES_SHARE * len(rich))


def _boxes(points: Floats, size: tuple[int, int], margin: float, least: int = 1) -> set[tuple[int, int]]:
    """Which of 4 × 4 boxes over the middle of a picture hold `least` points or more."""
    at = (points / np.array(size, dtype=np.float64) - margin) / (1 - 2 * margin)
    within = np.floor(at[((at >= 0) & (at < 1)).all(axis=1)] * 4).astype(int)
    boxes, counts = np.unique(within, axis=0, return_counts=True)
    return {(int(x), int(y)) for (x, y), count in zip(boxes, counts, strict=True) if count >= least}


def _full(found: Features, scale: float, shape: tuple[int, ...]) -> Features:
    return replace(
        found,
        points=(found.points + 0.5) / scale - 0.5,
        sizes=found.sizes / scale,
        pixel=found.pixel / scale,
        size=(shape[1], shape[0]),
    )
