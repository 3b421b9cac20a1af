"""Both cameras over the skin: from ties on the skin, what is known of the lenses, and known lengths on the skin.

The skin's plane seen from two cameras gives their map H = K_b (R + t nᵀ/d) K_a⁻¹ (Hartley and Zisserman, ch. 13;
decomposition after Malis and Vargas, INRIA RR-6303, in OpenCV). With the lenses roughly known it leaves at most two
answers for the plane's tilt; squares and lengths on the skin, or simply that a bench picture seldom looks at the skin
more obliquely than 45°, tell which. What stays open is kept open: both answers go into the spread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from scipy.optimize import least_squares

from lastlook.registration import Floats
from lastlook.registration.camera import Lens
from lastlook.registration.fitting import FEW, looseness
from lastlook.registration.ties import Ties, spread_out

TILT_USUAL = 0.6
"""Standard deviation of tan(tilt) before anything is seen: 31°. Common practice, no source."""
_DRAWS = 120
_MOST_TIES = 60


@dataclass(frozen=True, slots=True)
class Length:
    """A length on the skin, known in mm: its ends `p`, `q` (2,) in pixels of picture `on`; `within` standard error."""

    on: Literal["a", "b"]
    p: Floats
    q: Floats
    mm: float
    within: float = 0.2


@dataclass(frozen=True, slots=True)
class Setup:
    """One answer for both cameras, in the axes of camera a (x right, y down, z forward).

    The skin is normal·X = distance with `normal` pointing away from a; distance is mm if `scaled`, else 1. A point X
    of a's axes is rotation·X + shift in b's. `focal_a`, `focal_b` pixels.
    """

    normal: Floats
    distance: float
    rotation: Floats
    shift: Floats
    focal_a: float
    focal_b: float
    lens_a: Lens
    lens_b: Lens

    def rays_a(self, pixels: Floats) -> Floats:
        return np.column_stack([(pixels - self.lens_a.centre) / self.focal_a, np.ones(len(pixels))])

    def rays_b(self, pixels: Floats) -> Floats:
        """Directions in a's axes of pixels of b."""
        rays = np.column_stack([(pixels - self.lens_b.centre) / self.focal_b, np.ones(len(pixels))])
        return np.asarray(rays @ self.rotation)

    def see_b(self, points: Floats) -> Floats:
        """Pixels of b at which points (N, 3) in a's axes are seen; NaN behind it."""
        at = points @ self.rotation.T + self.shift
        with np.errstate(divide="ignore", invalid="ignore"):
            out = self.focal_b * at[:, :2] / at[:, 2:3] + self.lens_b.centre
        out[at[:, 2] <= 0] = np.nan
        return np.asarray(out)

    def see_a(self, points: Floats) -> Floats:
        return np.asarray(self.focal_a * points[:, :2] / points[:, 2:3] + self.lens_a.centre)

    def skin_from_a(self, pixels: Floats, below: Floats | float = 0.0) -> Floats:
        """Points (N, 3) on the plane `below` mm under the skin that a sees at `pixels` (N, 2)."""
        rays = self.rays_a(pixels)
        return np.asarray(rays * ((self.distance + below) / (rays @ self.normal))[:, None])

    def skin_from_b(self, pixels: Floats, below: Floats | float = 0.0) -> Floats:
        rays, eye = self.rays_b(pixels), self.eye_b
        return np.asarray(eye + rays * ((self.distance + below - eye @ self.normal) / (rays @ self.normal))[:, None])

    @property
    def eye_b(self) -> Floats:
        return np.asarray(-self.rotation.T @ self.shift)

    @property
    def axes(self) -> Floats:
        """(2, 3): two directions along the skin at right angles, the first one to the right in b's picture."""
        right = self.rotation.T @ np.array([1.0, 0, 0])
        first = right - self.normal * (right @ self.normal)
        first /= np.linalg.norm(first)
        (a, b, c), (x, y, z) = self.normal, first
        return np.array([first, [b * z - c * y, c * x - a * z, a * y - b * x]])

    def tilt_a(self) -> float:
        """Degrees between a's view and the skin's normal, and for b below."""
        return float(np.degrees(np.arccos(np.clip(self.normal[2], -1, 1))))

    def tilt_b(self) -> float:
        return float(np.degrees(np.arccos(np.clip((self.rotation @ self.normal)[2], -1, 1))))


@dataclass(frozen=True, slots=True)
class Cameras:
    """What is known of both cameras: the best setup and `draws` from all that fit, for spreads. `scaled`: lengths are
    mm. `two_answers`: the tilt could not be told from another one, and draws hold both."""

    best: Setup
    draws: tuple[Setup, ...]
    scaled: bool
    two_answers: bool
    tilt_error: float  # degrees, standard error of the inside camera's tilt direction


def solve(
    used: Ties,
    matrix: Floats,
    lens_a: Lens,
    lens_b: Lens,
    lengths: Sequence[Length] = (),
    *,
    allowed: float = 1.0,
    seed: int = 1,
) -> Cameras | None:
    """Both cameras from ties on the skin and their map; None where no pair of cameras fits.

    `lengths`: known lengths on the skin; with none, distances are in units of a's distance to the skin. `allowed`: how
    many times worse than their stated error ties may be (`plane.PlaneMap.allowed`).
    """
    chosen = spread_out(used.a, _MOST_TIES)
    weight = np.sqrt(len(used) / len(chosen))  # fewer ties that stand for all
    a, b, sigma = used.a[chosen], used.b[chosen], used.sigma[chosen] / weight * allowed
    scaled = any(each.mm > 0 for each in lengths)
    ends = _ends(lengths)

    def residuals(theta: Floats) -> Floats:
        setup = _setup(theta, lens_a, lens_b)
        seen = setup.see_b(setup.skin_from_a(a))
        away = (np.nan_to_num(seen - b, nan=1e4) / sigma[:, None]).ravel()
        before = [
            theta[0] / TILT_USUAL,
            theta[1] / TILT_USUAL,
            theta[9] / lens_a.spread,
            theta[10] / lens_b.spread,
        ]
        # Two focal lengths of one unknown camera are still about alike; a far shift is as unlikely as a steep tilt.
        before += list(theta[6:9] / 1.5)
        before += list(theta[11:])
        known = _length_errors(setup, ends)
        if not scaled:
            before.append(theta[2] / 1e-3)
        return np.concatenate([away, before, known])

    answers = []
    for start in _starts(matrix, lens_a, lens_b):
        if scaled:
            first = _setup(start, lens_a, lens_b)
            ratios = ends.mm / np.maximum(_lengths(first, ends), 1e-9)
            start[2] = np.log(max(float(np.median(ratios)), 1e-9))
        if not np.isfinite(residuals(start)).all():
            continue
        # theta[2] is the logarithm of the distance; the shift is in units of it.
        solved = least_squares(residuals, start, method="trf", x_scale="jac", max_nfev=80)
        setup = _setup(solved.x, lens_a, lens_b)
        if np.isfinite(solved.cost) and setup.normal[2] > 0.2 and (setup.rotation @ setup.normal)[2] > 0.1:
            answers.append((solved, setup))
    if not answers:
        return None
    answers.sort(key=lambda each: float(each[0].cost))
    best, setup = answers[0]
    freedom = max(2 * len(a) - 8, 1)
    loose = _loose(best.fun, best.jac, len(a)) if 4 < len(a) <= FEW else 1.0
    noise = max(1.0, 2 * _cost(best.fun, len(a), loose) / (freedom + len(lengths) + 6))
    draws: list[Setup] = []
    rng = np.random.default_rng(seed)
    kept = [best]
    for other, different in answers[1:]:
        apart = np.degrees(np.arccos(np.clip(different.normal @ setup.normal, -1, 1)))
        if apart > 1.0 and (other.cost - best.cost) / noise < 3.0:
            kept.append(other)
            break
    shares = np.exp([-(each.cost - best.cost) / noise for each in kept])
    for each, share in zip(kept, shares / shares.sum(), strict=True):
        design = each.jac.copy()
        design[: 2 * len(a)] /= loose  # lenses and lengths are no worse because clicks are
        covariance = np.linalg.pinv(design.T @ design, rcond=1e-13) * noise
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0))
        for step in rng.normal(size=(max(8, round(_DRAWS * share)), len(each.x))) @ root.T:
            step[9:11] = np.clip(step[9:11], -0.8, 0.8)
            draws.append(_setup(each.x + step, lens_a, lens_b))
    normals = np.stack([each.normal for each in draws])
    tilt = np.degrees(np.sqrt(np.mean(np.sum((normals - setup.normal) ** 2, axis=1))))
    return Cameras(setup, tuple(draws), scaled, len(kept) > 1, float(tilt))


def _loose(left: Floats, design: Floats, ties: int) -> float:
    """How much worse than stated the ties are, by the fit of the cameras that carry the run: what is known of lenses
    and lengths holds a tie that is left out, too."""
    covariance = np.asarray(np.linalg.pinv(design.T @ design, rcond=1e-13), dtype=np.float64)
    return looseness(left[: 2 * ties].reshape(-1, 2), design[: 2 * ties], covariance)


def _cost(left: Floats, ties: int, loose: float) -> float:
    """Half the sum of squares with the ties that much worse."""
    return float(np.sum((left[: 2 * ties] / loose) ** 2) + np.sum(left[2 * ties :] ** 2)) / 2


def _setup(theta: Floats, lens_a: Lens, lens_b: Lens) -> Setup:
    """`theta`: two numbers of the normal, the logarithm of the distance, rotation (3), shift (3) in units of the
    distance, logarithms of both focal lengths over what was expected; then where each picture that was cut looks, (2)
    in units of its `off_centre`."""
    at = 11
    for each in (lens_a, lens_b):
        if each.off_centre:
            moved = replace(each, centre=each.centre + each.off_centre * theta[at : at + 2])
            lens_a, lens_b = (moved, lens_b) if each is lens_a else (lens_a, moved)
            at += 2
    normal = np.array([theta[0], theta[1], 1.0])
    normal /= np.linalg.norm(normal)
    distance = float(np.exp(np.clip(theta[2], -20, 20)))
    rotation, _ = cv2.Rodrigues(theta[3:6])
    return Setup(
        normal,
        distance,
        np.asarray(rotation, dtype=np.float64),
        theta[6:9] * distance,
        lens_a.focal * float(np.exp(theta[9])),
        lens_b.focal * float(np.exp(theta[10])),
        lens_a,
        lens_b,
    )


def _starts(matrix: Floats, lens_a: Lens, lens_b: Lens) -> list[Floats]:
    """Where to start from: the decomposition's answers for some focal lengths, and a square look at the skin."""
    starts: list[Floats] = []
    unmoved = np.zeros(2 * (bool(lens_a.off_centre) + bool(lens_b.off_centre)))
    for share in (1.0, 0.8, 1.25) if lens_a.spread > 0.1 else (1.0,):
        ka, kb = lens_a.matrix.copy(), lens_b.matrix.copy()
        ka[0, 0] = ka[1, 1] = lens_a.focal * share
        kb[0, 0] = kb[1, 1] = lens_b.focal * share
        inner = np.linalg.inv(kb) @ matrix @ ka
        count, rotations, shifts, normals = cv2.decomposeHomographyMat(inner, np.eye(3))
        for n in range(count):
            normal, shift = normals[n].ravel(), shifts[n].ravel()
            if normal[2] < 0:
                normal, shift = -normal, -shift
            if normal[2] < 0.2 or (rotations[n] @ normal)[2] < 0.05:
                continue
            turn, _ = cv2.Rodrigues(rotations[n])
            log = np.log(share)
            starts.append(
                np.concatenate([normal[:2] / normal[2], [0.0], turn.ravel(), shift, [log, log], unmoved]).astype(
                    np.float64
                )
            )
    different: list[Floats] = []
    for each in starts:
        if all(np.linalg.norm(each - other) > 0.05 for other in different):
            different.append(each)
    return different[:6]


@dataclass(frozen=True, slots=True)
class _Ends:
    """Known lengths as arrays: ends (n, 2) of those on a, then those on b, and mm and error of all in that order."""

    a: tuple[Floats, Floats]
    b: tuple[Floats, Floats]
    mm: Floats
    within: Floats


def _ends(lengths: Sequence[Length]) -> _Ends:
    on_a = [each for each in lengths if each.on == "a"]
    on_b = [each for each in lengths if each.on == "b"]

    def pairs(of: list[Length]) -> tuple[Floats, Floats]:
        return (
            np.array([each.p for each in of], dtype=np.float64).reshape(-1, 2),
            np.array([each.q for each in of], dtype=np.float64).reshape(-1, 2),
        )

    every = on_a + on_b
    return _Ends(
        pairs(on_a), pairs(on_b), np.array([each.mm for each in every]), np.array([each.within for each in every])
    )


def _lengths(setup: Setup, ends: _Ends) -> Floats:
    first = setup.skin_from_a(ends.a[0]) - setup.skin_from_a(ends.a[1])
    second = setup.skin_from_b(ends.b[0]) - setup.skin_from_b(ends.b[1])
    return np.asarray(np.linalg.norm(np.vstack([first, second]), axis=1))


def lengths_seen(setup: Setup, lengths: Sequence[Length]) -> Floats:
    """What a setup makes of known lengths, (N,) in its unit, in their order."""
    on_a = np.array([each.on == "a" for each in lengths], dtype=bool)
    out = np.zeros(len(lengths))
    # Those on a come first in `_Ends`.
    out[np.concatenate([np.flatnonzero(on_a), np.flatnonzero(~on_a)])] = _lengths(setup, _ends(lengths))
    return out


def _length_errors(setup: Setup, ends: _Ends) -> Floats:
    return np.asarray((_lengths(setup, ends) - ends.mm) / ends.within)


def skin_map(setup: Setup) -> Floats:
    """The map of the skin, 3×3, pixels of a to pixels of b, that a setup stands for."""
    ka = np.array([[setup.focal_a, 0, setup.lens_a.centre[0]], [0, setup.focal_a, setup.lens_a.centre[1]], [0, 0, 1]])
    kb = np.array([[setup.focal_b, 0, setup.lens_b.centre[0]], [0, setup.focal_b, setup.lens_b.centre[1]], [0, 0, 1]])
    inner = setup.rotation + np.outer(setup.shift, setup.normal) / setup.distance
    matrix = kb @ inner @ np.linalg.inv(ka)
    return np.asarray(matrix / matrix[2, 2])
