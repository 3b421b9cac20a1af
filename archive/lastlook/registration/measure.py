"""Lengths and angles on a plane, each with what it may be wrong by.

The plane's map to millimetres comes from a marker of known side, from four or more points of known place, or from one
known length. With one length alone the plane's tilt is not known, and a length in another direction may be wrong by
what a tilt makes of it: that is in the error, not left out of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lastlook.registration import Floats, plane
from lastlook.registration.camera import Lens
from lastlook.registration.plane import transfer
from lastlook.registration.ties import TieSource, make

CLICK_PX = 1.0  # of 1600: how exactly a person points
TILT_UNKNOWN = 15.0
"""Degrees, standard error, of a plane's tilt that nothing tells: whoever lays a rule in the frame looks at it about
squarely. Common practice, no source."""
DISTORTION_SHARE = 0.004
"""Of a length, standard error, for a lens that was not calibrated: usual lenses bend by 1 % at the corner (ISO 17850
measures it; the figure is our own judgement, no source)."""
_DRAWS = 200


@dataclass(frozen=True, slots=True)
class Scale:
    """A plane in mm: `maps` (D, 3, 3), the best one first, take pixels to mm; the others are drawn from what else fits.
    `share`: standard error of a length, as a share of it, that the maps do not hold (lens, known length). `lens` is
    straightened by where it is calibrated. `basis` in words."""

    maps: Floats
    share: float
    basis: str
    size: tuple[int, int]
    lens: Lens | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """A value with the half-width that holds it 95 times of 100; `unit` "mm" or "°"."""

    value: float
    within: float
    unit: str


def from_points(
    pixels: Floats,
    mm: Floats,
    size: tuple[int, int],
    basis: str,
    *,
    sigma_px: float | None = None,
    lens: Lens | None = None,
) -> Scale:
    """From four or more points (N, 2) whose places (N, 2) mm on the plane are known. Raises ValueError."""
    sigma = sigma_px if sigma_px is not None else CLICK_PX * max(size) / 1600
    flat = lens.straighten(pixels) if lens else np.asarray(pixels, dtype=np.float64)
    spread = float(np.linalg.norm(np.ptp(mm, axis=0))) / max(float(np.linalg.norm(np.ptp(flat, axis=0))), 1e-9)
    known = make(flat, mm, sigma * spread, TieSource.HAND)
    matrix = plane.fit(known)
    if matrix is None:
        raise ValueError("four points that do not lie on a line are needed")
    rng = np.random.default_rng(3)
    maps = [matrix]
    for _ in range(_DRAWS):
        moved = plane.fit(make(flat + rng.normal(scale=sigma, size=flat.shape), mm, sigma * spread, TieSource.HAND))
        if moved is not None:
            maps.append(moved)
    return Scale(np.stack(maps), _lens_share(lens), basis, size, lens)


def from_marker(corners: Floats, side_mm: float, size: tuple[int, int], basis: str, lens: Lens | None = None) -> Scale:
    """From the corners (4, 2) of a square marker, clockwise from its top left, `side_mm` along its black border."""
    if not side_mm > 0:
        raise ValueError("a marker's side is more than 0 mm")
    square = np.array([[0, 0], [side_mm, 0], [side_mm, side_mm], [0, side_mm]], dtype=np.float64)
    return from_points(corners, square, size, basis, sigma_px=0.25 * max(1.0, max(size) / 2400), lens=lens)


def from_length(
    p: Floats, q: Floats, mm: float, size: tuple[int, int], basis: str, *, within: float = 0.5, lens: Lens | None = None
) -> Scale:
    """From one known length between two points (2,). The plane is taken as square to the view, and may be tilted."""
    ends = np.stack([p, q]).astype(np.float64)
    ends = lens.straighten(ends) if lens else ends
    pixels = float(np.linalg.norm(ends[1] - ends[0]))
    if not mm > 0 or pixels < 4:
        raise ValueError("a known length needs two points well apart and a value above 0 mm")
    rng = np.random.default_rng(3)
    focal = lens.focal if lens else 0.85 * max(size)
    middle = ends.mean(axis=0)
    maps = []
    for n in range(_DRAWS + 1):
        steep, turn = (abs(rng.normal(scale=np.deg2rad(TILT_UNKNOWN))), rng.uniform(0, 2 * np.pi)) if n else (0.0, 0.0)
        flat = _tilted(middle, focal, min(steep, 1.0), turn)
        jitter = rng.normal(scale=CLICK_PX * max(size) / 1600, size=(2, 2)) if n else 0.0
        on = transfer(flat, ends + jitter)
        known = mm + (rng.normal(scale=within) if n else 0.0)
        scale = known / max(float(np.linalg.norm(on[1] - on[0])), 1e-9)
        maps.append(np.diag([scale, scale, 1.0]) @ flat)
    return Scale(np.stack(maps), _lens_share(lens), basis, size, lens)


def length(scale: Scale, line: Floats) -> Measure:
    """The length of a polyline (N, 2) pixels, in mm."""
    return _measured(scale, line, lambda on: float(np.linalg.norm(np.diff(on, axis=0), axis=1).sum()), "mm")


def angle(scale: Scale, first: Floats, corner: Floats, second: Floats) -> Measure:
    """The angle at `corner`, degrees, 0 to 180."""
    return _measured(scale, np.stack([first, corner, second]), _angle, "°")


def area(scale: Scale, outline: Floats) -> float:
    """Square millimetres of a polygon (N, 2) pixels."""
    on = transfer(scale.maps[0], _flat(scale, outline))
    x, y = on[:, 0], on[:, 1]
    return float(abs(x @ np.roll(y, 1) - y @ np.roll(x, 1)) / 2)


def _measured(scale: Scale, line: Floats, of: Callable[[Floats], float], unit: str) -> Measure:
    flat = _flat(scale, line)
    best = of(transfer(scale.maps[0], flat))
    rng = np.random.default_rng(4)
    click = CLICK_PX * float(max(scale.size)) / 1600
    values = [of(transfer(each, flat + _clicks(rng, flat, click))) for each in scale.maps[1:]]
    off = np.array([value for value in values if np.isfinite(value)]) - best
    # A share of a length; for an angle, of its two legs against each other.
    share = scale.share * best if unit == "mm" else np.sqrt(2) * np.degrees(scale.share)
    off = off + rng.normal(size=len(off)) * share
    within = float(np.quantile(np.abs(off), 0.95)) if len(off) else float("nan")
    return Measure(best, within, unit)


def _clicks(rng: np.random.Generator, line: Floats, sigma: float) -> Floats:
    """Error of pointing: each point of a short line by itself; a long trace is off as a whole at its ends only, since
    the error of its many points does not make it longer."""
    if len(line) <= 4:
        return rng.normal(scale=sigma, size=line.shape)
    out = np.zeros_like(line)
    out[[0, -1]] = rng.normal(scale=sigma, size=(2, 2))
    return out


def _flat(scale: Scale, line: Floats) -> Floats:
    line = np.asarray(line, dtype=np.float64)
    return scale.lens.straighten(line) if scale.lens else line


def _angle(on: Floats) -> float:
    a, b = on[0] - on[1], on[2] - on[1]
    turn = np.arctan2(abs(a[0] * b[1] - a[1] * b[0]), float(a @ b))
    return float(np.degrees(turn))


def _lens_share(lens: Lens | None) -> float:
    return 0.001 if lens is not None and lens.calibrated else DISTORTION_SHARE


def _tilted(middle: Floats, focal: float, steep: float, turn: float) -> Floats:
    """The map from pixels to a plane at distance 1 that is tilted by `steep` radians towards `turn`."""
    normal = np.array([np.sin(steep) * np.cos(turn), np.sin(steep) * np.sin(turn), np.cos(steep)])
    first = np.cross(normal, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    axes = np.column_stack([first, np.cross(normal, first), np.array([0.0, 0.0, 1.0])])
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    return np.asarray(np.linalg.inv(camera @ axes))
