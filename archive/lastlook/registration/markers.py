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
        Marker(*name, (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) / scale - 0.5)
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
    settings.cornerRefinementWinSize = 4
    settings.minMarkerPerimeterRate = 0.02
    books = [cv2.aruco.getPredefinedDictionary(FAMILIES[family]) for family in families]
    return cv2.aruco.ArucoDetector(books, settings)


def _apart(found: list[Marker]) -> list[Marker]:
    """Of markers read at one place by two families, the one of the stronger family (the later one)."""
    kept: list[Marker] = []
    for marker in reversed(found):
        middle = marker.corners.mean(axis=0)
        if all(np.linalg.norm(middle - each.corners.mean(axis=0)) > 0.5 * marker.side_px for each in kept):
            kept.append(marker)
    return kept
