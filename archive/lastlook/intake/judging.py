"""OpenCV on looks of a clip: how sharp one is, and whether two show the same state.

What is held in view is decided by `difference` of two grey looks. It forgives what a steady hand and a camera do by
themselves (a shift of a few per cent, a breath of rotation, exposure drifting up or down) and sees a wire that has
moved by three hundredths of the picture's width.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lastlook.intake.clipstream import LOOK_EDGE, look_size

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]

SMALL_EDGE = 160
"""Long edge at which two looks are compared: a 0.2 mm wire in a 100 mm wide view is still a third of a pixel."""

MOVED_SHARE = 0.10
"""A view shifted by more than this share of its long edge is another view."""

CHANGED_LEVELS = 6.0
"""Grey levels by which the most changed 9×9 spot may differ, on average, while the state counts as the same."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """How sharp a look is. `sharpness` ranks looks of one scene, freed from exposure; `blur`, 0..1, is absolute.

    `blur` is the perceptual blur of Crete, Dolmière, Ladret and Nicolas, "The blur effect" (SPIE 6492, 2007): how
    little a picture loses when it is blurred once more, the worse of the two directions, so that shake counts in full.
    """

    sharpness: float
    blur: float


def judge(grey: Bytes) -> Judgement:
    """Judge a grey look (H×W bytes)."""
    deviation = float(cv2.meanStdDev(cv2.Laplacian(grey, cv2.CV_16S, ksize=1))[1][0][0])
    # Light that doubles doubles every difference: dividing by the mean makes looks of a drifting exposure comparable.
    level = max(16.0, float(cv2.mean(grey)[0]))
    return Judgement((deviation / level) ** 2 * 1e4, _blur(grey))


def _blur(grey: Bytes) -> float:
    height, width = grey.shape
    if min(height, width) < 12:
        return 0.0
    scaled = cv2.resize(grey, look_size(width, height, 480), interpolation=cv2.INTER_AREA)
    worst = 0.0
    for turned in (scaled, np.ascontiguousarray(scaled.T)):
        again = cv2.blur(turned, (9, 1))
        before = cv2.absdiff(turned[:, 1:], turned[:, :-1])
        after = cv2.absdiff(again[:, 1:], again[:, :-1])
        total = float(cv2.sumElems(before)[0])
        lost = float(cv2.sumElems(cv2.subtract(before, after))[0])
        if total > 0:
            worst = max(worst, 1.0 - lost / total)
    return worst


def small(grey: Bytes) -> Floats:
    """What is compared: `grey` at a long edge of SMALL_EDGE, noise and the finest shake smoothed away (float32)."""
    height, width = grey.shape
    scaled = cv2.resize(grey, look_size(width, height, SMALL_EDGE), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(scaled.astype(np.float32), (0, 0), 0.8), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Difference:
    """How two looks differ. `shift`: of the whole view, as a share of its long edge; `levels`: of the most changed
    spot, in grey levels after shift and exposure were taken out."""

    shift: float
    levels: float

    @property
    def alike(self) -> bool:
        return self.shift <= MOVED_SHARE and self.levels <= CHANGED_LEVELS


OTHER_VIEW = Difference(1.0, 255.0)


def difference(first: Floats, second: Floats) -> Difference:
    """Compare two small looks of the same shape (see `small`).

    Where one of them is much blurrier, only what is left of both when smoothed is compared: a shaken look belongs to
    the view it was shaken in, so that a sharper look of that view can win over it.
    """
    if first.shape != second.shape or min(first.shape) < 16:
        return OTHER_VIEW
    plain = _remaining(first, second)
    if plain <= CHANGED_LEVELS / 2:  # most neighbouring looks: nothing to align
        return Difference(0.0, plain)
    height, width = first.shape
    # The library multiplies the window into what it is given.
    (right, down), _ = cv2.phaseCorrelate(first.copy(), second.copy(), _window(width, height))
    shift = float(np.hypot(right, down)) / max(width, height)
    if shift > MOVED_SHARE:
        return Difference(shift, 255.0) if plain > CHANGED_LEVELS else Difference(0.0, plain)
    move = np.array([[1, 0, right], [0, 1, down]], dtype=np.float32)
    levels = min(plain, _after(first, second, move))
    if CHANGED_LEVELS < levels < 10 * CHANGED_LEVELS:  # more than that is no misfit of a hand
        levels = min(levels, _turned(first, second, move))
    if levels > CHANGED_LEVELS and shift < MOVED_SHARE / 2 and not 0.83 < _detail(first) / _detail(second) < 1.2:
        levels = min(levels, _after(_softened(first), _softened(second), move))
    return Difference(shift, levels)


def _softened(look: Floats) -> Floats:
    return np.asarray(cv2.GaussianBlur(look, (0, 0), 5), dtype=np.float32)


def _detail(look: Floats) -> float:
    """How much fine detail a small look has for its contrast: shake takes it away, a moved part does not."""
    spread = float(cv2.meanStdDev(look)[1][0][0])
    return float(cv2.meanStdDev(cv2.Laplacian(look, cv2.CV_32F))[1][0][0]) / max(spread, 1.0) + 1e-3


def _after(first: Floats, second: Floats, move: Floats) -> float:
    """The difference that remains after `second` was moved back onto `first`."""
    height, width = first.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(second, move, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
    reach = corners @ move[:, :2].T + move[:, 2] - corners
    # Beyond the reach of the move lies nothing, and smoothing has carried that a little further in.
    x, y = (int(np.ceil(np.abs(reach[:, axis]).max())) + 4 for axis in (0, 1))
    if 2 * x >= width - 16 or 2 * y >= height - 16:
        return 255.0
    inner = np.s_[y : height - y, x : width - x]
    return _remaining(first[inner], np.asarray(moved, dtype=np.float32)[inner])


def _turned(first: Floats, second: Floats, move: Floats) -> float:
    """As `_after`, with what a hand does besides shifting: a small turn and a step nearer or back."""
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 1e-3)
    try:
        _, found = cv2.findTransformECC(first, second, move.copy(), cv2.MOTION_AFFINE, criteria)
    except cv2.error:  # it did not converge: these are different things
        return 255.0
    stretch = np.linalg.svd(found[:, :2], compute_uv=False)
    if not 0.9 < stretch.min() <= stretch.max() < 1.1 or np.hypot(*found[:, 2]) > 0.2 * max(first.shape):
        return 255.0
    return _after(first, second, np.asarray(found, dtype=np.float32))


_KERNEL = np.ones((3, 3), dtype=np.uint8)


def _remaining(first: Floats, second: Floats) -> float:
    """Mean difference in grey levels of the most changed 9×9 spot, exposure and one pixel of misfit forgiven."""
    bright, dark = (first, second) if cv2.mean(first)[0] >= cv2.mean(second)[0] else (second, first)
    # The darker one is brought up to the brighter one, white staying white: what the brighter one lost is lost.
    unlost = (bright < 245.0).view(np.uint8)
    if cv2.countNonZero(unlost) < unlost.size // 4:
        unlost = np.ones_like(unlost)
    (mean_1, spread_1), (mean_2, spread_2) = (
        (float(mean[0][0]), float(spread[0][0]))
        for mean, spread in (cv2.meanStdDev(bright, mask=unlost), cv2.meanStdDev(dark, mask=unlost))
    )
    gain = min(2.5, max(0.5, spread_1 / spread_2)) if spread_2 > 1 else 1.0
    level = np.clip((dark - mean_2) * gain + mean_1, 0.0, 255.0, dtype=np.float32)
    worst = 0.0
    for one, other in ((bright, level), (level, bright)):
        above = one - cv2.dilate(other, _KERNEL)
        below = cv2.erode(other, _KERNEL) - one
        beyond = np.maximum(np.maximum(above, below), 0.0)
        spot = cv2.blur(beyond, (9, 9), borderType=cv2.BORDER_REFLECT_101)
        worst = max(worst, float(spot.max()))
    return worst


_windows: dict[tuple[int, int], Floats] = {}


def _window(width: int, height: int) -> Floats:
    if (width, height) not in _windows:
        _windows[width, height] = np.asarray(cv2.createHanningWindow((width, height), cv2.CV_32F), dtype=np.float32)
    return _windows[width, height]


def same_state(first: Bytes, second: Bytes) -> bool:
    """Whether two grey looks show the same state of the same view."""
    return difference(small(first), small(second)).alike


class Views:
    """Gives every look, in order of time, the number of the view it belongs to.

    A look is compared with the first look of the current view, not with its predecessor: a slow pan is then a row of
    views rather than one endless hold. A view that returns after one stray look (a bump, a hand) keeps its number.
    """

    def __init__(self) -> None:
        self._anchor: Floats | None = None
        self._number = 0
        self._before: tuple[int, Floats] | None = None
        self._count = 0
        self._length = 0

    def place(self, grey: Bytes) -> int:
        look = small(grey)
        if self._anchor is None:
            self._anchor = look
        elif difference(self._anchor, look).alike:
            self._length += 1
            return self._number
        elif self._length == 1 and self._before is not None and difference(self._before[1], look).alike:
            self._number, self._anchor = self._before
            self._before = None
            self._length = 2
            return self._number
        else:
            self._before = (self._number, self._anchor)
            self._count += 1
            self._number, self._anchor = self._count, look
        self._length = 1
        return self._number


def as_rgb(bgr: Bytes, edge: int) -> Bytes:
    """`bgr` (H×W×3) as RGB, averaged down to a long edge of `edge`, never up."""
    return np.asarray(cv2.cvtColor(shrink(bgr, edge), cv2.COLOR_BGR2RGB), dtype=np.uint8)


def shrink(image: Bytes, edge: int) -> Bytes:
    """`image` averaged down to a long edge of `edge`, never up."""
    height, width = image.shape[:2]
    return np.asarray(cv2.resize(image, look_size(width, height, edge), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def as_grey(bgr: Bytes) -> Bytes:
    """`bgr` (H×W×3) as grey at the size at which pictures are judged."""
    return np.asarray(cv2.cvtColor(shrink(bgr, LOOK_EDGE), cv2.COLOR_BGR2GRAY), dtype=np.uint8)
