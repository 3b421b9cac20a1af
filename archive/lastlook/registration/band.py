"""The keep-out band: how far from a carried line a builder must stay, in mm on the skin.

half-width = registration error + parallax and depth uncertainty + half bundle + margin.

Errors are what 95 % of possible answers stay within: possible answers are drawn from all cameras, lenses, ties and
depths that fit what is known (a parametric bootstrap), and each carries the run anew, so that every place of the run
has its own. How good a few ties are is learned by leaving each out in turn (`fitting.looseness`) and goes into the
draws: a tie at the end of the flange is missed by more than the run between the ties is, so that distance is no error
of the run. The two kinds are independent, so they add as squares before half the bundle and the margin are added. A
band is an estimate, never an assurance.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from lastlook.registration import Floats
from lastlook.registration.depth import Depth, carry, straight_up
from lastlook.registration.pose import Cameras, Setup

CAUTION = (
    "The drawn route is an estimate, so disconnect all supply, keep outside the marked band, use a depth stop and"
    " confirm by another means before cutting."
)
MARGIN_MM = 0.1
"""For what a drill wanders; whoever drills may set more. Own judgement, no source."""
FLOOR_MM = 0.15
"""What the model of a flat skin and an ideal lens leaves out, at least. Own judgement, no source."""
SHARE = 0.95
TRACE_PX = 1.0  # of 1600: how exactly a run is traced


@dataclass(frozen=True, slots=True)
class Band:
    """A run on the outside picture.

    `line` (N, 2) pixels of it; `skin` (N, 2) the same in mm on the skin; `half` (N,) half-widths mm, the sum of
    `registration`, `depth` (N,) taken together, `half_bundle` and `margin`; `edge` (M, 2) mm polygon around it;
    `edge_px` the same in pixels of the outside picture.
    """

    line: Floats
    skin: Floats
    half: Floats
    registration: Floats
    depth: Floats
    half_bundle: float
    margin: float
    edge: Floats
    edge_px: Floats

    def distance(self, point: Floats) -> tuple[float, float]:
        """From a point (2,) in mm on the skin: mm to the line, and mm to the band's edge (negative inside it)."""
        line = self.skin
        if len(line) == 1:
            gap = float(np.linalg.norm(point - line[0]))
            return gap, gap - float(self.half[0])
        p, q = line[:-1], line[1:]
        along = q - p
        t = np.clip(((point - p) * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-12), 0, 1)
        gaps = np.linalg.norm(point - (p + t[:, None] * along), axis=1)
        halves = np.maximum(self.half[:-1], self.half[1:])
        return float(gaps.min()), float((gaps - halves).min())


def on_skin(setup: Setup, points: Floats) -> Floats:
    """Points (N, 3) of the skin as (N, 2) mm along `setup.axes`; the origin is the outside camera's foot on it."""
    eye = setup.eye_b
    foot = eye + setup.normal * (setup.distance - eye @ setup.normal)
    return np.asarray((points - foot) @ setup.axes.T)


def off_skin(setup: Setup, flat: Floats) -> Floats:
    """The opposite: (N, 2) mm on the skin as pixels of the outside picture."""
    eye = setup.eye_b
    foot = eye + setup.normal * (setup.distance - eye @ setup.normal)
    return setup.see_b(foot + flat @ setup.axes)


def pixels_on_skin(setup: Setup, pixels: Floats) -> Floats:
    """Pixels of the outside picture as (N, 2) mm on the skin."""
    return on_skin(setup, setup.skin_from_b(pixels))


def densify(line: Floats, step: float) -> Floats:
    """A polyline with points at most `step` apart, its corners kept."""
    parts = [line[:1]]
    for p, q in pairwise(line):
        count = max(1, int(np.ceil(np.linalg.norm(q - p) / step)))
        parts.append(p + (q - p) * (np.arange(1, count + 1) / count)[:, None])
    return np.vstack(parts)


def of_line(
    cameras: Cameras,
    line: Floats,
    depth: Depth | Floats,
    *,
    half_bundle: float,
    margin: float = MARGIN_MM,
    depth_within: Floats | None = None,
    trace_px: float | None = None,
    seed: int = 2,
) -> Band:
    """The band of a run traced in the inside picture as `line` (N, 2) pixels.

    `depth`: one for the run, or (N,) mm of each point with `depth_within` (N,). `trace_px`: standard error of the
    trace, pixels of the inside picture. `cameras` must be scaled.
    """
    if not cameras.scaled:
        raise ValueError("a band in mm needs a known length")
    rng = np.random.default_rng(seed)
    best = cameras.best
    middle = depth.mm if isinstance(depth, Depth) else depth
    at = carry(best, line, middle)
    skin = on_skin(best, straight_up(best, line, middle))
    trace = trace_px if trace_px is not None else TRACE_PX * max(best.lens_a.size) / 1600
    within = np.zeros(len(line)) if depth_within is None else depth_within
    flat, there = (pixels_on_skin(best, seen) for seen in (carry(best, line, 0.0), at))
    plain, full = [], []
    for each in cameras.draws:
        moved = line + rng.normal(scale=trace / np.sqrt(2), size=line.shape)
        plain.append(_moved(best, skin, carry(each, moved, 0.0), flat))
        drawn = depth.draw(rng) if isinstance(depth, Depth) else depth + rng.normal() * within
        full.append(_moved(best, skin, carry(each, moved, np.maximum(drawn, 0.0)), there))
    # What carries the run with its depth holds the registration's error already; that is shown apart.
    whole = np.hypot(_share(np.stack(full)), FLOOR_MM)
    registration = np.minimum(np.hypot(_share(np.stack(plain)), FLOOR_MM), whole)
    deep = np.sqrt(whole**2 - registration**2)
    half = whole + half_bundle + margin
    edge = around(skin, half)
    return Band(at, skin, half, registration, deep, half_bundle, margin, edge, off_skin(best, edge))


def _moved(best: Setup, skin: Floats, there: Floats, here: Floats) -> Floats:
    """How far, mm on the skin, pixels `there` of the outside picture lie across the run from `here`, (N, 2) mm on the
    skin; points that no draw can place count as far away."""
    shift = pixels_on_skin(best, there) - here
    if len(skin) > 1:
        along = np.gradient(skin, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        across = np.abs(shift[:, 0] * along[:, 1] - shift[:, 1] * along[:, 0])
        # The ends of a run have a place along it too.
        across[[0, -1]] = np.linalg.norm(shift[[0, -1]], axis=1)
    else:
        across = np.linalg.norm(shift, axis=1)
    return np.asarray(np.nan_to_num(across, nan=1e3))


def _share(moves: Floats) -> Floats:
    return np.asarray(np.quantile(moves, SHARE, axis=0))


def around(line: Floats, half: Floats) -> Floats:
    """A polygon (M, 2) around a polyline, `half` (N,) away from each of its points, round at the ends. In the unit of
    `line`."""
    scale = 16.0
    low = (line - half[:, None]).min(axis=0) - 1
    size = np.ceil(((line + half[:, None]).max(axis=0) + 1 - low) * scale).astype(int)
    shrink = min(1.0, 3000 / max(int(size.max()), 1))
    canvas = np.zeros((max(int(size[1] * shrink), 2), max(int(size[0] * shrink), 2)), np.uint8)
    factor = scale * shrink
    points = (line - low) * factor
    for n, (x, y) in enumerate(points):
        cv2.circle(canvas, (round(x * 8), round(y * 8)), max(1, round(half[n] * factor * 8)), (255,), -1, cv2.LINE_8, 3)
        if n:
            cv2.fillConvexPoly(canvas, _link(points[n - 1], points[n], half[n - 1] * factor, half[n] * factor), (255,))
    shapes, _ = cv2.findContours(canvas, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(shapes, key=cv2.contourArea)
    smooth = cv2.approxPolyDP(largest, 0.6, True)
    return np.asarray(smooth.reshape(-1, 2) / factor + low, dtype=np.float64)


def _link(p: Floats, q: Floats, rp: float, rq: float) -> np.typing.NDArray[np.int32]:
    d = (q - p) / max(float(np.linalg.norm(q - p)), 1e-9)
    n = np.array([-d[1], d[0]])
    return np.round([p + n * rp, q + n * rq, q - n * rq, p - n * rp]).astype(np.int32)
