"""Lenses: how long, in pixels, and how well that is known; distortion where a printed board was photographed.

A pinhole with square pixels and its centre in the middle of the picture, unless a calibration says otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from lastlook.registration import Bytes, Floats

DIAGONAL_35 = 43.267  # mm, of a 36 × 24 mm frame: what a 35 mm equivalent focal length refers to (CIPA DCG-001)
GUESS, GUESS_SPREAD = 0.85, 0.30
"""Focal length over the long edge where nothing is known, and the standard error of its logarithm: phones lie at 0.65
to 0.8, standard and macro lenses at 1.0 to 2. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Lens:
    """`focal` pixels; `spread` standard error of its logarithm; `centre` (2,) pixels; `distortion` (5,) OpenCV's k1 k2
    p1 p2 k3, zeros where not calibrated; `size` (width, height) it holds for; `basis` in words; `off_centre` standard
    error of the centre, pixels each way: 0 but for what was cut out of a picture."""

    focal: float
    spread: float
    centre: Floats
    size: tuple[int, int]
    basis: str
    distortion: Floats = field(default_factory=lambda: np.zeros(5))
    off_centre: float = 0.0

    @property
    def matrix(self) -> Floats:
        return np.array([[self.focal, 0, self.centre[0]], [0, self.focal, self.centre[1]], [0, 0, 1.0]])

    @property
    def calibrated(self) -> bool:
        return bool(np.any(self.distortion))

    def straighten(self, points: Floats) -> Floats:
        """Pixels (N, 2) as a lens without distortion would have them."""
        if not self.calibrated or not len(points):
            return np.asarray(points, dtype=np.float64)
        flat = cv2.undistortPoints(points.reshape(-1, 1, 2), self.matrix, self.distortion, P=self.matrix)
        return np.asarray(flat, dtype=np.float64).reshape(-1, 2)

    def bend(self, points: Floats) -> Floats:
        """The opposite of `straighten`."""
        if not self.calibrated or not len(points):
            return np.asarray(points, dtype=np.float64)
        rays = np.column_stack([(points - self.centre) / self.focal, np.ones(len(points))])
        seen, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), self.matrix, self.distortion)
        return np.asarray(seen, dtype=np.float64).reshape(-1, 2)


def guessed(size: tuple[int, int]) -> Lens:
    """A lens of which nothing is known."""
    return Lens(GUESS * max(size), GUESS_SPREAD, _middle(size), size, "not known: a usual lens is taken")


def from_exif(size: tuple[int, int], focal_35_mm: float) -> Lens:
    """From the 35 mm equivalent focal length that Exif 0xA405 gives, in whole millimetres and rounded by the makers:
    6 % covers that, and what stabilised video crops. Raises ValueError outside 4..1200 mm."""
    if not 4 <= focal_35_mm <= 1200:
        raise ValueError(f"{focal_35_mm:g} mm is no focal length")
    focal = focal_35_mm / DIAGONAL_35 * float(np.hypot(*size))
    return Lens(focal, 0.06, _middle(size), size, f"Exif: {focal_35_mm:g} mm equivalent")


CUT_OUT, CUT_OUT_SPREAD = 0.10, 0.20
"""Of the long edge: how far the middle of a cut-out may lie from where its camera looked, each way; and the standard
error of its focal length's logarithm, since the pixels beside it are not known. Own judgement, no source."""
SHAPES = (1.0, 4 / 3, 3 / 2, 16 / 9, 2.0, 19.5 / 9, 20 / 9)
"""Long edge over short edge of pictures as cameras take them (ISO 12234-2, ITU-R BT.709, and phones' own screens)."""


def cut_out(lens: Lens) -> Lens:
    """A lens of which only a part of the picture is left, nobody knows which."""
    return replace(
        lens,
        spread=max(lens.spread, CUT_OUT_SPREAD),
        centre=_middle(lens.size),
        distortion=np.zeros(5),
        off_centre=CUT_OUT * max(lens.size),
        basis=f"{lens.basis}; of a picture that something was cut off",
    )


def looks_cut(size: tuple[int, int], taken: tuple[int, int] | None) -> bool:
    """Whether something was cut off a picture: its (width, height) has another shape than it was `taken` with (Exif
    0xA002, 0xA003; None where they are silent), turned or not, or than cameras take."""
    if taken is not None and min(taken) > 0:
        return abs(max(taken) / min(taken) / (max(size) / min(size)) - 1) > _SAME_SHAPE
    return all(abs(max(size) / min(size) / shape - 1) > _SAME_SHAPE for shape in SHAPES)


_SAME_SHAPE = 0.007  # sensors have some pixels more on one edge: 4288 × 2848 is 3 : 2 within 0.4 %


def scaled(lens: Lens, size: tuple[int, int]) -> Lens:
    """The same lens for the same picture in another size, turned or not. Raises ValueError for another shape."""
    same = abs(lens.size[0] * size[1] - lens.size[1] * size[0]) < 0.01 * lens.size[0] * size[1]
    turned = abs(lens.size[1] * size[1] - lens.size[0] * size[0]) < 0.01 * lens.size[1] * size[1]
    if not same and not turned:
        raise ValueError(f"calibrated at {lens.size[0]} × {lens.size[1]}, the picture has another shape")
    factor = max(size) / max(lens.size)
    centre = (lens.centre + 0.5) * factor - 0.5 if same else _middle(size)
    distortion = lens.distortion if same else lens.distortion * [1, 1, 0, 0, 1]
    return Lens(lens.focal * factor, lens.spread, centre, size, lens.basis, distortion)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What photos of a printed board tell: the lens, the RMS distance in pixels between corners found and expected,
    the number of photos used, and per photo not used the reason."""

    lens: Lens
    rms_px: float
    used: int
    refused: tuple[str, ...]


def calibrate(photos: Sequence[tuple[str, Bytes]], columns: int, rows: int) -> Calibration:
    """A lens from photos (name, grey) of a flat chessboard with columns × rows *inner* corners.

    After Zhang (PAMI 22(11), 2000) as in OpenCV. Raises ValueError where fewer than four photos show the whole board,
    or their sizes differ.
    """
    grid = np.zeros((columns * rows, 3), np.float32)
    grid[:, :2] = np.mgrid[0:columns, 0:rows].T.reshape(-1, 2)
    seen: list[Floats] = []
    refused: list[str] = []
    size: tuple[int, int] | None = None
    for name, grey in photos:
        here = (grey.shape[1], grey.shape[0])
        if size is not None and here != size:
            raise ValueError(f"{name} is {here[0]} × {here[1]}, the others {size[0]} × {size[1]}")
        size = here
        corners = _board_corners(grey, columns, rows)
        if corners is None:
            refused.append(f"{name}: the board with {columns} × {rows} inner corners is not seen whole")
            continue
        window = max(5, round(max(here) / 130))
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
        seen.append(np.asarray(cv2.cornerSubPix(grey, corners, (window, window), (-1, -1), stop)))
    if size is None or len(seen) < 4:
        raise ValueError(f"the board is seen whole in {len(seen)} photos; four from different sides are the least")
    boards = [grid] * len(seen)
    flags = cv2.CALIB_FIX_ASPECT_RATIO
    start = np.array([[max(size), 0, size[0] / 2], [0, max(size), size[1] / 2], [0, 0, 1.0]])
    rms, matrix, distortion, *_ = cv2.calibrateCamera(boards, seen, size, start, None, flags=flags)
    lens = Lens(
        float(matrix[0, 0]),
        0.006,
        np.array([matrix[0, 2], matrix[1, 2]]),
        size,
        f"calibrated from {len(seen)} photos of a board",
        np.asarray(distortion, dtype=np.float64).ravel()[:5],
    )
    return Calibration(lens, float(rms), len(seen), tuple(refused))


_BOARD_SEARCH_PX = 1200
"""A board is looked for at this size: where there is none the search takes seconds a megapixel, and what is found is
refined on the whole picture."""


def _board_corners(grey: Bytes, columns: int, rows: int) -> Floats | None:
    """The inner corners of a board, (columns·rows, 1, 2) float32 pixels of `grey`, to be refined; None without one."""
    factor = min(1.0, _BOARD_SEARCH_PX / max(grey.shape))
    small = grey if factor == 1 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    found, corners = cv2.findChessboardCorners(small, (columns, rows))
    return np.asarray((corners + 0.5) / factor - 0.5, dtype=np.float32) if found else None


def _middle(size: tuple[int, int]) -> Floats:
    return np.array([size[0] / 2 - 0.5, size[1] / 2 - 0.5])
