"""Areas drawn on a picture: the model's outline, a region. Polygons (N, 2) in pixels, N ≥ 3, in order."""

from __future__ import annotations

import cv2
import numpy as np

from lastlook.registration import Bools, Bytes, Floats


def mask(outline: Floats, size: tuple[int, int], grow: float = 0.0) -> Bytes:
    """The polygon as a mask (height, width) of 0 and 255; `size` is (width, height); `grow` pixels outward."""
    drawn = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(drawn, [np.round(np.clip(outline, -1e5, 1e5)).astype(np.int32)], (255,))
    if grow >= 1:
        edge = 2 * round(grow) + 1
        drawn = np.asarray(cv2.dilate(drawn, np.ones((edge, edge), np.uint8)), dtype=np.uint8)
    return drawn


def inside(outline: Floats, points: Floats) -> Bools:
    """Which of `points` (N, 2) lie in the polygon or on its edge."""
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    return np.array([cv2.pointPolygonTest(shape, (float(x), float(y)), False) >= 0 for x, y in points], dtype=bool)


def beyond(outline: Floats, points: Floats) -> Floats:
    """By how many pixels each of `points` (N, 2) lies outside the polygon, negative inside it: (N,)."""
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    return np.array([-cv2.pointPolygonTest(shape, (float(x), float(y)), True) for x, y in points], dtype=np.float64)


def area(outline: Floats) -> float:
    """Pixels² of the polygon, whichever way round it was drawn."""
    return float(cv2.contourArea(outline.astype(np.float32)))


def hull_area(points: Floats) -> float:
    """Pixels² of the smallest convex polygon around `points`; 0 for fewer than three."""
    if len(points) < 3:
        return 0.0
    return float(cv2.contourArea(cv2.convexHull(points.astype(np.float32))))


def hull(points: Floats) -> Floats:
    """The smallest convex polygon around `points`."""
    return np.asarray(cv2.convexHull(points.astype(np.float32)), dtype=np.float64).reshape(-1, 2)


def cover(outline: Floats, points: Floats, cells: int = 4) -> float:
    """The share of the outline near `points`: of cells×cells boxes over it, those with a point, among those in it."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    step = np.maximum((high - low) / cells, 1e-9)
    middles = low + step * (np.stack(np.meshgrid(range(cells), range(cells)), -1).reshape(-1, 2) + 0.5)
    wanted = {tuple(np.floor((each - low) / step).astype(int)) for each in middles[inside(outline, middles)]}
    if not wanted:
        return 0.0
    held = {tuple(np.clip(np.floor((each - low) / step).astype(int), 0, cells - 1)) for each in points}
    return len(wanted & held) / len(wanted)


def whole(size: tuple[int, int]) -> Floats:
    """The edge of a picture of (width, height) as a polygon."""
    w, h = size
    return np.array([[0.0, 0.0], [w - 1.0, 0.0], [w - 1.0, h - 1.0], [0.0, h - 1.0]])


def lattice(outline: Floats, count: int = 9) -> Floats:
    """Points over the polygon: its corners and a lattice of at most count² points inside, (N, 2)."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    u, v = np.meshgrid(np.linspace(low[0], high[0], count), np.linspace(low[1], high[1], count))
    points = np.column_stack([u.ravel(), v.ravel()])
    return np.vstack([outline, points[inside(outline, points)]])
