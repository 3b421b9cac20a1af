"""Lines through bounds: error(x) = a + b·x, with x in days of the camera's clock.

A whole-second stamp of a card that is on show for a second says that the camera's error lies between two bounds, and
nowhere in between rather than elsewhere. All lines that keep to all bounds, and to the drift a clock can have, are a
convex polygon in the plane of (a, b); how far they spread at x is what is not known there. Weighted least squares
gives the line within it (each bound's middle, weighted by 12/width², the variance of an even spread over a width).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

MOST_DRIFT = 12.0
"""Seconds a day: cheap clocks reach ten (20 ppm are 1.7), and those here have two to spare."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Bound:
    """The error lies within [low, high] seconds at `x` days."""

    x: float
    low: float
    high: float

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True)
class Band:
    """All lines that agree, as the corners of their polygon, and the one that is used. Never empty."""

    corners: tuple[Point, ...]
    offset: float
    drift: float

    def at(self, x: float) -> float:
        return self.offset + self.drift * x

    def reach(self, x: float) -> float:
        """How far the error at `x` may lie from the line that is used: a convex function of x."""
        values = [a + b * x for a, b in self.corners]
        here = self.at(x)
        return max(max(values) - here, here - min(values), 0.0)


def start(bound: Bound, drift: float = MOST_DRIFT) -> tuple[Point, ...]:
    """All lines through one bound."""
    return tuple(
        (end - slope * bound.x, slope)
        for end, slope in ((bound.low, -drift), (bound.high, -drift), (bound.high, drift), (bound.low, drift))
    )


def narrowed(corners: Sequence[Point], bound: Bound) -> tuple[Point, ...]:
    """Those of the lines that also keep to `bound`; empty where none does."""
    kept = _clipped(corners, bound.x, bound.high, 1.0)
    return _clipped(kept, bound.x, bound.low, -1.0)


def _clipped(corners: Sequence[Point], x: float, limit: float, sign: float) -> tuple[Point, ...]:
    """The part of a convex polygon where sign·(a + b·x) ≤ sign·limit (Sutherland and Hodgman, 1974)."""
    found: list[Point] = []
    for index, (a, b) in enumerate(corners):
        a0, b0 = corners[index - 1]
        here, before = sign * (a + b * x - limit), sign * (a0 + b0 * x - limit)
        if (here <= 0) != (before <= 0):
            part = before / (before - here)
            found.append((a0 + (a - a0) * part, b0 + (b - b0) * part))
        if here <= 0:
            found.append((a, b))
    return tuple(found)


def fitted(bounds: Sequence[Bound], corners: Sequence[Point]) -> Band:
    """The least-squares line, taken to the middle of the polygon where it would lie outside."""
    offset, drift = least_squares(bounds)
    inside = (min(b for _, b in corners) <= drift <= max(b for _, b in corners)) and all(
        one.low - 1e-6 <= offset + drift * one.x <= one.high + 1e-6 for one in bounds
    )
    if not inside:
        offset = sum(a for a, _ in corners) / len(corners)
        drift = sum(b for _, b in corners) / len(corners)
    return Band(tuple(corners), offset, drift)


def least_squares(bounds: Sequence[Bound]) -> tuple[float, float]:
    """(offset at x = 0, drift): weighted; one reference, or several at one moment, give no drift."""
    weights = [12.0 / max(one.high - one.low, 1e-3) ** 2 for one in bounds]
    total = sum(weights)
    mean_x = sum(w * one.x for w, one in zip(weights, bounds, strict=True)) / total
    mean_e = sum(w * one.middle for w, one in zip(weights, bounds, strict=True)) / total
    spread = sum(w * (one.x - mean_x) ** 2 for w, one in zip(weights, bounds, strict=True))
    if spread / total < 1e-8:  # within some seconds
        return mean_e, 0.0
    both = sum(w * (one.x - mean_x) * (one.middle - mean_e) for w, one in zip(weights, bounds, strict=True))
    drift = both / spread
    return mean_e - drift * mean_x, drift
