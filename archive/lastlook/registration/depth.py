"""From a run below the skin to the place on the skin straight above it.

Carried along the skin's plane, a point `depth` below it lands aside by depth × tan(angle between the view and the
normal): 8 mm at 15° are 2.14 mm. So the ray of the inside camera is followed down to the run and from there straight
up, along the skin's normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastlook.registration import Floats
from lastlook.registration.pose import Cameras, Setup

ALIKE_MM = 1.0  # so far a depth that is seen and one that is given may differ beside their errors. Own judgement


@dataclass(frozen=True, slots=True)
class Depth:
    """How far a run's axis lies below the skin's outer face, mm: `mm` with standard error `within`, or, where only its
    limits are known, anything between `least` and `most` alike. `basis` in words."""

    mm: float
    within: float
    basis: str
    least: float | None = None
    most: float | None = None

    def draw(self, rng: np.random.Generator) -> float:
        """One depth that fits."""
        if self.least is not None and self.most is not None:
            return float(rng.uniform(self.least, self.most))
        return max(0.0, float(rng.normal(self.mm, self.within)))


def known(mm: float, within: float, basis: str) -> Depth:
    """A measured depth. Raises ValueError for a negative one."""
    if mm < 0 or within < 0:
        raise ValueError("a depth is measured from the skin inward, 0 or more")
    return Depth(mm, max(within, 0.05), basis)


def between(least: float, most: float, basis: str) -> Depth:
    """Only limits are known: the middle is drawn, and the band covers the parallax of the whole span."""
    if not 0 <= least <= most:
        raise ValueError("limits of a depth are 0 ≤ least ≤ most")
    return Depth((least + most) / 2, (most - least) / np.sqrt(12), basis, least, most)


def parallax(depth_mm: float, degrees: float) -> float:
    """By how much, in mm, a plane carries a point wrongly: depth × tan(angle)."""
    return float(depth_mm * np.tan(np.deg2rad(degrees)))


def straight_up(setup: Setup, pixels: Floats, depth: Floats | float) -> Floats:
    """Points (N, 3), in the inside camera's axes, on the skin straight above what that camera sees at `pixels`."""
    deep = setup.skin_from_a(pixels, depth)
    return np.asarray(deep - np.multiply.outer(np.broadcast_to(depth, len(pixels)), setup.normal))


def carry(setup: Setup, pixels: Floats, depth: Floats | float) -> Floats:
    """Pixels of the outside picture straight above what the inside camera sees at `pixels` (N, 2)."""
    return setup.see_b(straight_up(setup, pixels, depth))


@dataclass(frozen=True, slots=True)
class Triangulated:
    """Depth of a run at each point of its first trace, from a second one: `mm`, `within` (N,), NaN where the second
    picture cannot tell (the run lies along the line of sight between them, or is not traced there)."""

    mm: Floats
    within: Floats


def triangulate(
    first: Cameras, trace: Floats, second: Cameras, other: Floats, *, most: float, error_px: float = 1.5
) -> Triangulated:
    """Depths of a run traced in two inside pictures, both registered on the *same* outside picture.

    For each point of `trace` (pixels of first.a) every depth from 0 to `most` mm puts it elsewhere in the second
    picture; the right depth puts it on `other` (pixels of second.a). `error_px` of tracing gives the error.
    """
    steps = np.linspace(0, most, 60)
    line = np.asarray(other, dtype=np.float64)
    depths = np.full(len(trace), np.nan)
    errors = np.full(len(trace), np.nan)
    seen = np.stack([_into(first.best, second.best, trace, d) for d in steps])  # (60, N, 2)
    for n in range(len(trace)):
        path = seen[:, n]
        gap, side = _to_line(path, line)
        flips = np.flatnonzero(
            (np.sign(side[:-1]) != np.sign(side[1:])) & (np.minimum(gap[:-1], gap[1:]) < 3 * _step(path))
        )
        if len(flips) != 1:
            continue  # none: not traced there; several: it crosses itself in this view
        k = int(flips[0])
        share = abs(side[k]) / max(abs(side[k]) + abs(side[k + 1]), 1e-9)
        rate = (abs(side[k]) + abs(side[k + 1])) / (
            steps[k + 1] - steps[k]
        )  # pixels across the trace for a mm of depth
        if rate < 1e-6:
            continue
        depths[n] = steps[k] + share * (steps[k + 1] - steps[k])
        errors[n] = np.sqrt(2) * error_px / rate
    usable = errors < most / 3
    depths[~usable] = np.nan
    return Triangulated(depths, np.where(usable, errors, np.nan))


def of_run(found: Triangulated) -> Depth | None:
    """One depth for a whole run from its points: the weighted median, with the larger of their error and their spread.
    None where fewer than five points tell."""
    good = np.isfinite(found.mm)
    if good.sum() < 5:
        return None
    mm, within = found.mm[good], found.within[good]
    order = np.argsort(mm)
    weight = np.cumsum(1 / within[order] ** 2)
    middle = float(mm[order][int(np.searchsorted(weight, weight[-1] / 2))])
    spread = 1.4826 * float(np.median(np.abs(mm - middle)))
    return Depth(middle, max(spread, float(np.median(within)) / 2, 0.1), "seen from two sides")


def both(said: Depth, seen: Depth) -> Depth | None:
    """All that a depth which was given and one seen from two sides allow, where they contradict each other; None where
    they agree within three times their errors and ALIKE_MM. One of them is wrong, and nothing here tells which."""
    limits = None if said.least is None or said.most is None else (said.least, said.most)
    least, most = limits or (said.mm, said.mm)
    slack = ALIKE_MM + 3 * float(np.hypot(0.0 if limits else said.within, seen.within))
    if least - slack <= seen.mm <= most + slack:
        return None
    wide = 0.0 if limits else 2 * said.within
    low, high = max(least - wide, 0.0), most + wide
    low, high = min(low, max(seen.mm - 2 * seen.within, 0.0)), max(high, seen.mm + 2 * seen.within)
    return between(low, high, f"{said.basis}, but seen from two sides {seen.mm:.0f} mm: {low:.0f} to {high:.0f} mm")


def _into(first: Setup, second: Setup, pixels: Floats, depth: float) -> Floats:
    """Pixels of second.a of what first.a sees at `pixels` `depth` below the skin. Both share the outside camera b."""
    in_b = first.skin_from_a(pixels, depth) @ first.rotation.T + first.shift
    scale = _same_scale(first, second)
    in_second = (in_b * scale - second.shift) @ second.rotation
    return second.see_a(in_second)


def _same_scale(first: Setup, second: Setup) -> float:
    """Both measure the outside camera's distance to the skin; what they differ by is error of scale, taken out."""
    away = [each.distance - each.eye_b @ each.normal for each in (first, second)]
    return float(away[1] / away[0])


def _to_line(points: Floats, line: Floats) -> tuple[Floats, Floats]:
    """Distance of points (M, 2) to a polyline, and the same with a sign that tells the side."""
    p, q = line[:-1], line[1:]
    along = q - p
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    rel = points[:, None] - p[None]
    t = np.clip((rel * along).sum(axis=2) / length, 0, 1)
    gap = np.linalg.norm(rel - t[..., None] * along, axis=2)
    nearest = np.argmin(gap, axis=1)
    rows = np.arange(len(points))
    d, r = along[nearest], rel[rows, nearest]
    side = np.sign(d[:, 0] * r[:, 1] - d[:, 1] * r[:, 0])
    return gap[rows, nearest], gap[rows, nearest] * side


def _step(path: Floats) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).max())
