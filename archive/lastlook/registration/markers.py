"""Printed square markers in a picture: which, where, how large.

OpenCV's detector for the ArUco and AprilTag families. Corners come clockwise from the marker's own top left, so a
mirrored picture yields none: that is checked apart. The size of a marker is that of its black border (trade usage of
the AprilTag family; OpenCV's `markerLength` too).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from lastlook.registration import Bytes, Floats

FAMILIES = {
    "4x4": cv2.aruco.DICT_4X4_50,
    "5x5": cv2.aruco.DICT_5X5_100,
    "6x6": cv2.aruco.DICT_6X6_250,
    "25h9": cv2.aruco.DICT_APRILTAG_25H9,
    "36h11": cv2.aruco.DICT_APRILTAG_36H11,
}
"""Families that are looked for, the strongest against false reads last. 16h5 is left out: 30 codes at distance 5 are
read from clutter too often."""


def count(family: str) -> int:
    """How many markers a family has."""
    return len(cv2.aruco.getPredefinedDictionary(FAMILIES[family]).bytesList)


@dataclass(frozen=True, slots=True)
class Marker:
    """`corners` (4, 2) pixels, clockwise from the marker's own top left; `side_px` the mean edge."""

    family: str
    id: int
    corners: Floats

    @property
    def name(self) -> str:
        return f"{self.family}-{self.id}"

    @property
    def side_px(self) -> float:
        return float(np.linalg.norm(self.corners - np.roll(self.corners, 1, axis=0), axis=1).mean())


EDGE = 2400
"""Long edge at which markers are looked for: a larger picture is reduced first, its corners found again in full."""


def find(grey: Bytes, families: tuple[str, ...] = tuple(FAMILIES)) -> tuple[Marker, ...]:
    """Markers in a grey picture (height, width), by family and id. A marker met twice is left out: one of the two is
    a copy lying somewhere else, and nothing tells which."""
    scale = min(1.0, EDGE / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    seen: Any = _detector(families).detectMarkersMultiDict(small)
    corners, ids, _, which = seen
    if ids is None:
        return ()
    names = [(families[int(n)], int(id)) for n, id in zip(np.ravel(which), np.ravel(ids), strict=True)]
    found = [
        Marker(*name, _sharpened(grey, (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) / scale - 0.5))
        for name, quad in zip(names, corners, strict=True)
        if names.count(name) == 1
    ]
    found.sort(key=lambda each: (families.index(each.family), each.id))
    return tuple(sorted(_apart(found), key=lambda each: (each.family, each.id)))


def mirrored(grey: Bytes) -> bool:
    """Whether the picture shows markers only when it is mirrored: it was flipped somewhere on its way."""
    return not find(grey) and bool(find(np.ascontiguousarray(grey[:, ::-1])))


def _detector(families: tuple[str, ...]) -> cv2.aruco.ArucoDetector:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementWinSize = 3
    settings.relativeCornerRefinmentWinSize = 1.0  # spelt so by OpenCV
    settings.minMarkerPerimeterRate = 0.02
    books = [cv2.aruco.getPredefinedDictionary(FAMILIES[family]) for family in families]
    return cv2.aruco.ArucoDetector(books, settings)


def _sharpened(grey: Bytes, corners: Floats) -> Floats:
    """Corners as the crossings of the border's four edges, each a line through where it turns from black to white.

    Measured against rendered truth: 0.05 px, where corners by gradient alone are off by 0.2. The corners as given where
    an edge is too short, or one of them would move by more than two pixels.
    """
    side = float(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1).min())
    if side < 14:
        return corners
    reach = float(np.clip(side / 10, 2.0, 6.0))
    steps = np.linspace(-reach, reach, 25)
    middle = corners.mean(axis=0)
    lines = []
    for p, q in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (q - p) / np.linalg.norm(q - p)
        out = np.array([along[1], -along[0]])
        out *= np.sign(out @ ((p + q) / 2 - middle)) or 1.0
        on = p + (q - p) * np.linspace(0.12, 0.88, 32)[:, None]
        at = (on[:, None] + steps[None, :, None] * out).astype(np.float32)
        shade = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64)
        dark, light = shade[:, :5].mean(axis=1, keepdims=True), shade[:, -5:].mean(axis=1, keepdims=True)
        share = np.clip((shade - dark) / np.maximum(light - dark, 1e-6), 0, 1)
        # The place of a soft step is where as much lies below it as above: no threshold, no noise of a single pixel.
        place = reach - share.sum(axis=1) * (steps[1] - steps[0]) + (steps[1] - steps[0]) / 2
        good = (light - dark)[:, 0] > 25
        if good.sum() < 10:
            return corners
        points = on[good] + place[good, None] * out
        away = np.abs(place[good] - np.median(place[good]))
        points = points[away < 3 * max(float(np.median(away)), 0.1)]
        centre = points.mean(axis=0)
        direction = np.linalg.svd(points - centre, full_matrices=False)[2][0]
        lines.append((centre, direction))
    found = []
    for (c1, d1), (c2, d2) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        system = np.column_stack([d1, -d2])
        if abs(np.linalg.det(system)) < 0.05:
            return corners
        found.append(c1 + d1 * np.linalg.solve(system, c2 - c1)[0])
    sharp = np.array(found)
    return sharp if np.linalg.norm(sharp - corners, axis=1).max() < 2.0 * max(1.0, max(grey.shape) / EDGE) else corners


def _apart(found: list[Marker]) -> list[Marker]:
    """Of markers read at one place by two families, the one of the stronger family (the later one)."""
    kept: list[Marker] = []
    for marker in reversed(found):
        middle = marker.corners.mean(axis=0)
        if all(np.linalg.norm(middle - each.corners.mean(axis=0)) > 0.5 * marker.side_px for each in kept):
            kept.append(marker)
    return kept
