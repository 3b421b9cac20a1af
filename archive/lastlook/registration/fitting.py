"""The map of a plane between two pictures from ties that are taken as they are: fitted, resampled, left out in turn.

A homography by normalised least squares (Hartley and Zisserman, Multiple View Geometry, ch. 4); what most matches agree
on by MAGSAC++ (Barath et al., CVPR 2020, in OpenCV). Nothing here judges whether a map is right: `plane` does.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.stats import norm
from scipy.stats import t as student

from lastlook.registration import Bools, Floats, outlines
from lastlook.registration.ties import Ties

FEW = 12
"""Up to so many ties, leaving each out in turn says how good they are."""
_USUAL = 4.0
"""As so many numbers weighs what was expected of clicks, beside what is left over of so few. Own judgement."""
FOUR_CLICKS = 2.0
"""Times the usual error of a click that four ties, which cannot show it, are allowed. Common practice, no source."""


def transfer(matrix: Floats, points: Floats) -> Floats:
    """Points (N, 2) through a 3×3 map; NaN where they fall on or behind its horizon."""
    full = np.asarray(points, dtype=np.float64) @ matrix[:, :2].T + matrix[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        out = full[:, :2] / full[:, 2:3]
    out[~(full[:, 2] * np.sign(matrix[2, 2] or 1.0) > 1e-12)] = np.nan
    return np.asarray(out)


def jacobians(matrix: Floats, points: Floats) -> Floats:
    """Derivative of the map at points (N, 2): (N, 2, 2), pixels of b for a pixel of a."""
    w = points @ matrix[2, :2] + matrix[2, 2]
    to = transfer(matrix, points)
    return np.asarray((matrix[None, :2, :2] - to[:, :, None] * matrix[None, 2:3, :2]) / w[:, None, None])


def fit(used: Ties) -> Floats | None:
    """The weighted least-squares map of four or more ties; None where they lie on a line or coincide."""
    if len(used) < 4:
        return None
    ta, tb = _normaliser(used.a), _normaliser(used.b)
    a, b = transfer(ta, used.a), transfer(tb, used.b)
    if min(_thinness(a), _thinness(b)) < 1e-3:
        return None
    start = _homography(a, b)
    if start is None:
        return None
    weight = 1 / (used.sigma * tb[0, 0])
    if len(used) > 4:
        start = start / start[2, 2]
        solved = least_squares(
            lambda h: (_map8(h, a) - b).ravel() * np.repeat(weight, 2), start.ravel()[:8], method="lm", max_nfev=60
        )
        start = np.append(solved.x, 1.0).reshape(3, 3)
    matrix = np.linalg.inv(tb) @ start @ ta
    if abs(matrix[2, 2]) < 1e-12 or not np.isfinite(matrix).all():
        return None
    return np.asarray(matrix / matrix[2, 2])


def leave_one_out(used: Ties) -> Floats:
    """Each tie's distance, pixels of b, from where the others put it; NaN where they cannot (four ties)."""
    out = np.full(len(used), np.nan)
    if len(used) < 5:
        return out
    for n in range(len(used)):
        rest = used.take(np.arange(len(used)) != n)
        matrix = fit(rest)
        if matrix is not None:
            out[n] = distances(matrix, used)[n]
    return out


def bootstrap(used: Ties, points: Floats, rng: np.random.Generator, draws: int = 40) -> Floats:
    """Where `points` (M, 2) of a land in b under resampled ties: (draws, M, 2). With fewer than eight ties, ties are
    kept and moved by their own error instead (a parametric bootstrap): resampling four of six often leaves a line."""
    out = []
    for _ in range(draws):
        if len(used) >= 8:
            chosen = rng.integers(len(used), size=len(used))
            matrix = _homography(used.a[chosen], used.b[chosen])
        else:
            matrix = _homography(used.a, used.b + rng.normal(size=used.b.shape) * used.sigma[:, None])
        if matrix is not None:
            out.append(transfer(matrix, points))
    return np.stack(out) if out else np.full((1, len(points), 2), np.nan)


def resample(matrix: Floats, covariance: Floats, draws: int, seed: int = 1) -> Floats:
    """(draws, 3, 3) maps drawn around `matrix` by the covariance of its first eight numbers."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    eight = matrix.ravel()[:8] + rng.normal(size=(draws, 8)) @ root.T
    return np.asarray(np.hstack([eight, np.ones((draws, 1))]).reshape(draws, 3, 3))


def _map8(h: Floats, points: Floats) -> Floats:
    matrix = np.append(h, 1.0).reshape(3, 3)
    full = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(full[:, :2] / full[:, 2:3])


def covariance_of(matrix: Floats, used: Ties) -> Floats:
    """Covariance (8, 8) of the map's first eight numbers, from the ties' stated errors."""
    rows = []
    for (x, y), (u, v), sigma in zip(used.a, transfer(matrix, used.a), used.sigma, strict=True):
        w = matrix[2, 0] * x + matrix[2, 1] * y + 1
        rows.append(np.array([x, y, 1, 0, 0, 0, -u * x, -u * y]) / (w * sigma))
        rows.append(np.array([0, 0, 0, x, y, 1, -v * x, -v * y]) / (w * sigma))
    design = np.array(rows)
    scale = np.linalg.norm(design, axis=0)
    normal = (design / scale).T @ (design / scale)
    return np.asarray(np.linalg.pinv(normal, rcond=1e-14) / np.outer(scale, scale))


def spread_at(matrix: Floats, used: Ties, points: Floats) -> Floats:
    """How far draws of the map scatter points (N, 2) in b's pixels (N,); NaN where none of them reaches a point."""
    draws = resample(matrix, covariance_of(matrix, used), 30)
    at = transfer(matrix, points)
    moved = np.stack([transfer(each, points) for each in draws])
    squares = np.sum((moved - at) ** 2, axis=2)
    known = np.isfinite(squares)
    count = known.sum(axis=0)
    mean = np.where(known, squares, 0.0).sum(axis=0) / np.maximum(count, 1)
    return np.asarray(np.where(count > 0, np.sqrt(mean), np.nan))


def noise_scale(standard: Floats) -> float:
    """How much larger the residuals are than was expected, at least 1; eight of their numbers went into the fit. The
    few ties a person marks say little of their own error, so what was expected weighs as six more of them."""
    freedom = max(2 * len(standard) - 8, 0)
    expected = 12.0
    return float(np.sqrt(max(1.0, (expected + np.sum(standard**2)) / (expected + freedom))))


def few(count: int) -> float:
    """By how much clicks must be taken to be worse than usual, where so few ties hardly show how good they were.

    Four ties always fit: nothing is left over that would tell, so clicks off by up to twice the usual are allowed for.
    Of five, 2 · 5 - 8 = 2 numbers are left over; with what was expected of clicks as four more, the spread is that of
    Student's t with six degrees of freedom. From six on their own residuals and leaving them out in turn tell.
    """
    if count <= 4:
        return FOUR_CLICKS
    if count > 5:
        return 1.0
    return float(student.ppf(0.975, 2 * count - 8 + _USUAL) / norm.ppf(0.975))


def looseness(residuals: Floats, design: Floats, covariance: Floats) -> float:
    """How many times worse than stated a few ties are, at least 1, as leaving each out in turn says.

    `residuals` (N, 2) of the ties in units of their stated errors, `design` (2 N, p) their derivatives, `covariance`
    (p, p) of all that was fitted, from these and whatever else was known. A tie that pulls the fit its way leaves a
    small residual r; left out, it is missed by e = (I - H)⁻¹ r, where H is its own block of design · covariance ·
    designᵀ (Cook and Weisberg, Residuals and Influence in Regression, 1982, ch. 2). Each r · e is 2 on average if the
    stated errors are right, wherever the tie lies. Their mean, with as many degrees of freedom as the fit leaves, is
    taken together with what was expected as variances are (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.6).
    """
    count = len(residuals)
    fitted = design @ covariance @ design.T
    freedom = max(2 * count - float(np.trace(fitted)), 0.0)
    total = 0.0
    for n, left in enumerate(residuals):
        own = fitted[2 * n : 2 * n + 2, 2 * n : 2 * n + 2]
        total += float(left @ np.linalg.lstsq(np.eye(2) - own, left, rcond=1e-9)[0])
    variance = (_USUAL + freedom * total / (2 * count)) / (_USUAL + freedom)
    # Ties that fit by luck are no better than usual.
    return float(np.sqrt(max(1.0, variance)))


def distances(matrix: Floats, used: Ties) -> Floats:
    """How far, pixels of b, each tie is from where the map puts it; 1e9 where the map puts it nowhere."""
    return np.asarray(np.nan_to_num(np.linalg.norm(transfer(matrix, used.a) - used.b, axis=1), nan=1e9))


def magsac(matches: Ties, limit: float) -> tuple[Floats | None, Bools]:
    """The map most matches agree on to within `limit` pixels of b, unchecked, and which those are."""
    # A fixed seed: the same two pictures give the same answer.
    cv2.setRNGSeed(7)
    matrix = _homography(matches.a, matches.b, cv2.USAC_MAGSAC, limit)
    if matrix is None:
        return None, np.zeros(len(matches), dtype=bool)
    return matrix, np.asarray(distances(matrix, matches) < limit)


def _homography(a: Floats, b: Floats, method: int = 0, limit: float = 3.0) -> Floats | None:
    """OpenCV's, with None where it finds none or nothing usable."""
    try:
        found: Any = cv2.findHomography(a, b, method, limit, None, 4000, 0.999)[0]
    except cv2.error:  # raised where no sample gives a map: none is found then
        return None
    if found is None or found.shape != (3, 3) or not np.isfinite(found).all() or abs(found[2, 2]) < 1e-12:
        return None
    return np.asarray(found / found[2, 2], dtype=np.float64)


def _normaliser(points: Floats) -> Floats:
    middle = points.mean(axis=0)
    scale = np.sqrt(2) / max(float(np.linalg.norm(points - middle, axis=1).mean()), 1e-9)
    return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])


def _thinness(points: Floats) -> float:
    """The second-largest triangle matters: 0 where all but one of the points lie on a line."""
    if len(points) == 4:
        return min(outlines.hull_area(np.delete(points, n, axis=0)) for n in range(4))
    return float(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1]) / len(points)
