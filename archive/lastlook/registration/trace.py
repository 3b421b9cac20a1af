"""Follow a wire between two points along its colour and its edges; a proposal that a person corrects.

The cheapest path over the picture (Dijkstra over the pixels of a reduced part; "intelligent scissors", Mortensen and
Barrett, SIGGRAPH 1995, is the idea): cheap where the colour is that of both ends and where the picture is like a wire,
a ridge rather than an edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from lastlook.registration import Bytes, Floats

_LARGEST = 420  # pixels along the longer side of the part that is searched


@dataclass(frozen=True, slots=True)
class Trace:
    """`line` (N, 2) pixels from the first point to the last; `likeness` 0..1, how like the ends the path stays: below
    about 0.5 it has left the wire somewhere."""

    line: Floats
    likeness: float


def follow(rgb: Bytes, points: Sequence[tuple[float, float]] | Floats) -> Trace:
    """The path of a wire through two or more points on it, in a picture (height, width, 3). Raises ValueError for
    fewer points or points outside the picture."""
    clicks = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    height, width = rgb.shape[:2]
    if len(clicks) < 2:
        raise ValueError("a run is followed between two or more points")
    if (clicks < 0).any() or (clicks > [width - 1, height - 1]).any():
        raise ValueError("a point lies outside the picture")
    parts: list[Floats] = []
    likes: list[float] = []
    for start, end in pairwise(clicks):
        line, like = _between(rgb, start, end)
        parts.append(line if not parts else line[1:])
        likes.append(like)
    return Trace(np.vstack(parts), float(min(likes)))


def _between(rgb: Bytes, start: Floats, end: Floats) -> tuple[Floats, float]:
    height, width = rgb.shape[:2]
    reach = max(40.0, 0.6 * float(np.linalg.norm(end - start)))
    low = np.maximum(np.floor(np.minimum(start, end) - reach), 0).astype(int)
    high = np.minimum(np.ceil(np.maximum(start, end) + reach) + 1, [width, height]).astype(int)
    part = rgb[low[1] : high[1], low[0] : high[0]]
    scale = min(1.0, _LARGEST / max(part.shape[:2]))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else part
    lab = cv2.cvtColor(np.ascontiguousarray(small), cv2.COLOR_RGB2LAB).astype(np.float32)
    p, q = (start - low + 0.5) * scale - 0.5, (end - low + 0.5) * scale - 0.5
    off = _unlike(lab, p, q)
    cost = 0.03 + off**2 + 0.25 * (1 - _ridge(lab))
    path = _cheapest(cost, p, q)
    along = off[path[:, 1], path[:, 0]]
    likeness = float(1 - np.quantile(along, 0.9))
    line = (_straightened(path.astype(np.float64)) + 0.5) / scale - 0.5 + low
    line[0], line[-1] = start, end
    return line, likeness


def _unlike(lab: np.typing.NDArray[np.float32], p: Floats, q: Floats) -> Floats:
    """0..1 for each pixel: how far its colour is from the line between the colours at both ends. Lightness counts half,
    since a wire runs through light and shade."""
    ends = np.stack([_sample(lab, p), _sample(lab, q)])
    weight = np.array([0.5, 1.0, 1.0])
    a, b = ends[0] * weight, ends[1] * weight
    pixels = lab * weight.astype(np.float32)
    along = b - a
    t = np.clip(((pixels - a) @ along) / max(float(along @ along), 1e-6), 0, 1)
    gap = np.linalg.norm(pixels - (a + t[..., None] * along), axis=2)
    return np.asarray(np.clip(gap / 30.0, 0, 1), dtype=np.float64)


def _sample(lab: np.typing.NDArray[np.float32], at: Floats) -> Floats:
    """The colour at a click: the pixel of its neighbourhood that stands out most, since a click seldom hits the middle
    of a wire that is a few pixels wide."""
    x, y = np.round(at).astype(int)
    around = lab[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2].reshape(-1, 3)
    wide = lab[max(0, y - 12) : y + 13, max(0, x - 12) : x + 13].reshape(-1, 3)
    ground = np.median(wide, axis=0)
    return np.asarray(around[int(np.argmax(np.linalg.norm(around - ground, axis=1)))], dtype=np.float64)


def _ridge(lab: np.typing.NDArray[np.float32]) -> Floats:
    """0..1: how like a thin line each pixel is, from second derivatives over the three channels."""
    best = np.zeros(lab.shape[:2], np.float32)
    for sigma in (1.2, 2.2):
        for channel in cv2.split(cv2.GaussianBlur(lab, (0, 0), sigma)):
            xx = cv2.Sobel(channel, cv2.CV_32F, 2, 0)
            yy = cv2.Sobel(channel, cv2.CV_32F, 0, 2)
            xy = cv2.Sobel(channel, cv2.CV_32F, 1, 1)
            half = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
            middle = (xx + yy) / 2
            strong = np.maximum(np.abs(middle + half), np.abs(middle - half))
            weak = np.minimum(np.abs(middle + half), np.abs(middle - half))
            best = np.maximum(best, (strong - weak) * sigma)
    limit = max(float(np.quantile(best, 0.98)), 1e-6)
    return np.asarray(np.clip(best / limit, 0, 1), dtype=np.float64)


def _cheapest(cost: Floats, p: Floats, q: Floats) -> np.typing.NDArray[np.int64]:
    """The cheapest path (N, 2) of whole pixels x, y from p to q over eight neighbours."""
    h, w = cost.shape
    index = np.arange(h * w).reshape(h, w)
    rows, columns, weights = [], [], []
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = index[: h - dy, max(0, -dx) : w - max(0, dx)]
        there = index[dy:, max(0, dx) : w - max(0, -dx)]
        step = (cost.ravel()[here] + cost.ravel()[there]) / 2 * np.hypot(dx, dy)
        rows.append(here.ravel())
        columns.append(there.ravel())
        weights.append(step.ravel())
    graph = coo_matrix(
        (np.concatenate(weights), (np.concatenate(rows), np.concatenate(columns))), shape=(h * w, h * w)
    ).tocsr()
    first, last = (int(index[tuple(np.clip(np.round(each[::-1]).astype(int), 0, [h - 1, w - 1]))]) for each in (p, q))
    _, before = dijkstra(graph, directed=False, indices=first, return_predecessors=True)
    path = [last]
    while path[-1] != first and before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    found = np.array(path[::-1])
    return np.column_stack([found % w, found // w])


def _straightened(path: Floats) -> Floats:
    """The staircase of pixels as a smooth line with few points."""
    if len(path) > 8:
        kernel = np.ones(5) / 5
        padded = np.vstack([path[:1]] * 2 + [path] + [path[-1:]] * 2)
        path = np.column_stack([np.convolve(padded[:, n], kernel, mode="valid") for n in (0, 1)])
    few = cv2.approxPolyDP(path.astype(np.float32).reshape(-1, 1, 2), 0.5, False)
    out = np.asarray(few, dtype=np.float64).reshape(-1, 2)
    return out if len(out) >= 2 else path[[0, -1]]
