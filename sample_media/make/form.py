"""The lines of the lightship LV-40 at 1:40: pure functions of the ship frame, in millimetres.

Ship frame: x forward from the stern (0) to the stem head (925), y to port, z up from the underside of the keel.
Frames are numbered from the bow, 42 mm apart, so that frame 11 (where the hull halves meet) is at x = 463.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

LENGTH = 925.0
FRAME_SPACING = 42.0
JOINT_X = LENGTH - 11 * FRAME_SPACING
SKIN = 2.4
MAST_X = 572.0
PORT_LIGHTS_X = (612.0, 652.0, 694.0)
PORT_LIGHT_Z = 74.0


def frame_x(number: int) -> float:
    """Distance of a frame from the stern in millimetres."""
    return LENGTH - number * FRAME_SPACING


def sheer(x: ArrayLike) -> Array:
    """Height of the bulwark rail above the keel, mm."""
    s = np.asarray(x, dtype=np.float64) / LENGTH
    fore = np.clip((s - 0.42) / 0.58, 0, 1)
    aft = np.clip((0.42 - s) / 0.42, 0, 1)
    return np.asarray(104 + 44 * fore**2 + 18 * aft**2)


def deck_z(x: ArrayLike) -> Array:
    """Height of the main deck at the side, mm."""
    return np.asarray(sheer(x) - 13.0)


def keel(x: ArrayLike) -> Array:
    """Height of the bottom profile, mm: level keel, raked stem, counter stern."""
    s = np.asarray(x, dtype=np.float64) / LENGTH
    stem = np.clip((s - 0.87) / 0.13, 0, 1)
    counter = np.clip((0.17 - s) / 0.17, 0, 1)
    return np.asarray(sheer(x) * stem**2.4 + 66 * counter**1.6)


def breadth(x: ArrayLike) -> Array:
    """Half-breadth at the rail, mm."""
    s = np.asarray(x, dtype=np.float64) / LENGTH
    fore = np.clip((s - 0.56) / 0.44, 0, 1)
    aft = np.clip((0.26 - s) / 0.26, 0, 1)
    return np.asarray(84 * (1 - fore**2.5) ** 0.8 * (1 - aft**2.8) ** 0.55)


def _fullness(x: ArrayLike) -> Array:
    """Exponent of the section: 3.4 amidships (round bilge), about 1.3 at the ends (V)."""
    s = np.asarray(x, dtype=np.float64) / LENGTH
    end = np.clip(np.abs(s - 0.46) / 0.5 - 0.2, 0, 1)
    return np.asarray(3.4 - 2.1 * end**0.9)


def section(x: float, count: int = 21, inset: float = 0.0) -> Array:
    """Points (y, z) of the port half of the section at x, keel first, rail last; shape (count, 2), mm."""
    theta = np.linspace(0, np.pi / 2, count)
    p = float(_fullness(x))
    u = np.cos(theta) ** (2 / p)
    b = max(float(breadth(x)) - inset, 0.0)
    low = float(keel(x)) + inset
    high = float(sheer(x))
    y = b * np.sin(theta) ** (2 / p)
    z = low + (max(high - low, 0.0)) * (1 - u)
    return np.stack([y, z], axis=1)


def half_breadth(x: float, z: float, inset: float = SKIN) -> float:
    """Half-breadth at a height, mm, measured to the inside of the skin unless inset is 0."""
    points = section(x, 81, inset)
    return float(np.interp(z, points[:, 1], points[:, 0]))


def bottom_z(x: float, y: float, inset: float = SKIN) -> float:
    """Height of the inside of the bottom at (x, y), mm."""
    points = section(x, 81, inset)
    return float(np.interp(abs(y), points[:, 0], points[:, 1]))
