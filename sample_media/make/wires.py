"""The ten runs of LV-40: colour, thickness and their path in each state of the work. Millimetres, ship frame."""

from dataclasses import dataclass
from typing import Any

import form
import numpy as np
from meshes import card, lathe, material, smooth_path, tube
from paths import TEXTURES

Path3 = list[tuple[float, float, float]]


@dataclass(frozen=True)
class Kind:
    """Colour (linear RGB) and radius in mm of a run's insulation."""

    code: str
    colour: tuple[float, float, float]
    radius: float
    way: int


RUNS: dict[str, Kind] = {
    "W01": Kind("RD", (0.50, 0.012, 0.012), 1.0, 1),
    "W02": Kind("BK", (0.012, 0.012, 0.014), 1.0, 2),
    "W03": Kind("WH", (0.80, 0.79, 0.75), 0.75, 3),
    "W04": Kind("GY", (0.115, 0.12, 0.125), 0.75, 2),
    "W05": Kind("OG", (0.80, 0.17, 0.012), 0.85, 4),
    "W06": Kind("BU", (0.012, 0.06, 0.42), 0.85, 2),
    "W07": Kind("YE", (0.80, 0.52, 0.02), 0.75, 5),
    "W08": Kind("BK", (0.012, 0.012, 0.014), 0.75, 2),
    "W09": Kind("GN", (0.015, 0.22, 0.06), 0.75, 6),
    "W10": Kind("VT", (0.17, 0.03, 0.33), 0.75, 7),
}
MAST_RUNS = ("W03", "W04", "W05", "W06", "W10")
SPREAD = {
    "W03": (-1.2, 1.4),
    "W04": (1.3, 1.3),
    "W05": (-1.5, -0.9),
    "W06": (0.9, -1.3),
    "W10": (2.6, 0.0),
    "W07": (-2.8, 0.5),
    "W08": (0.0, 3.0),
}
SAME_WAY = {"W02": -0.9, "W04": -0.2, "W06": 0.5, "W08": 1.2}
X = form.MAST_X


def tb_way(run: str) -> tuple[float, float]:
    """Position (x, y) where the run enters the terminal block."""
    return form.JOINT_X - 7.5, 18 - 6.0 * (RUNS[run].way - 1) + SAME_WAY.get(run, 0.0)


def landed(run: str) -> Path3:
    """From the terminal block down the after face to the grommet of bulkhead 11."""
    x, y = tb_way(run)
    dy, dz = SPREAD[run]
    slack = 3.0 * np.sin(RUNS[run].way * 2.1)
    return [
        (x, y, 60),
        (x - 0.5, y, 54),
        (x - 4 - slack, y + (30 - y) * 0.22, 44 + slack * 0.6),
        (x - 5 - slack, y + (30 - y) * 0.72, 35 + dz),
        (x + 1, 30 + dy, 31 + dz),
        (form.JOINT_X + 9, 30 + dy, 30 + dz),
    ]


def pulled(run: str, length: float) -> Path3:
    """A free end drawn aft through the grommet, length mm of it showing (0: not through yet)."""
    dy, dz = SPREAD[run]
    free: Path3 = [
        (form.JOINT_X + 9, 30 + dy, 30 + dz),
        (455, 30 + dy, 31 + dz),
        (446, 29 + dy * 2, 29 + dz * 2),
        (430, 26 + dy * 5, 14 + dz * 4),
        (410, 20 + dy * 9, -8 + dz * 4),
        (392, 14 + dy * 14, -24),
        (352, -2 + dy * 20, -26.5),
        (322, -24 + dy * 16, -26.5),
    ]
    path = smooth_path(free, 1.5)
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    keep = path[along <= max(length + 9, 4)]
    return [(float(p[0]), float(p[1]), float(p[2])) for p in keep[::-8]]


def trunk(run: str, taut: bool = False) -> Path3:
    """From the grommet forward along the bottom to the mast foot box."""
    dy, dz = SPREAD[run]
    if taut:
        return [(488, 28.5 + dy, 24), (505, 23 + dy, 19.5), (538, 11.5, 20.5)]
    wave = 1.6 * np.sin(RUNS[run].way * 1.7)
    return [
        (478, 31 + dy, 26 + dz),
        (489, 27 + dy + wave, 18 + dz),
        (505, 22 + dy, 14.5 + dz * 0.6),
        (522, 17 + dy * 1.3 - wave, 12.5 + dz * 0.5),
        (538, 12 + dy * 1.3, 13 + dz * 0.5),
    ]


def in_foot(run: str, loop: float, lift: float) -> Path3:
    """Inside the foot box: a service loop of a size, then up into the mast, which stands lift mm above its seat."""
    k = list(MAST_RUNS).index(run)
    r = loop * (1 - 0.15 * k)
    z = 9.5 + 1.7 * k
    up: Path3 = [
        (X + 0.6 * (k - 1.5), 0.8 * (k - 1.5), 20 + lift * 0.6),
        (X + 0.5 * (k - 1.5), 0.5 * (k - 1.5), 40 + lift),
    ]
    if loop <= 0:
        return [(X - 12, 5.0, 19 + lift * 0.4), *up]
    return [
        (X - 24, 13 + k * 0.9, z),
        (X - 4, 14 + 0.28 * r + k * 0.6, z + 1),
        (X + 13 + 0.12 * r, 8, z + 1),
        (X + 13 + 0.10 * r, -9, z + 2),
        (X - 2, -14 - 0.22 * r, z + 3),
        (X - 17, -8, z + 3.5),
        (X - 15, 3, z + 4 + lift * 0.15),
        *up,
    ]


def up_mast(run: str, lift: float) -> Path3:
    """Inside the mast tube to the motor (W05, W06) or the lantern (W03, W04)."""
    k = list(MAST_RUNS).index(run)
    top = 322 if run in ("W03", "W04") else 146
    ends: Path3 = [(X + 0.8 * (k - 1.5), 0.6 * (k - 1.5), top + lift)]
    if run in ("W03", "W04"):
        ends.append((X + (3.5 if run == "W03" else -3.5), 0, 338 + lift))
    return ends


def tail(run: str) -> Path3:
    """A loose end standing out of the foot box before the mast is there, bent over to port."""
    k = list(MAST_RUNS).index(run)
    return [
        (X - 22, 12 + k, 12),
        (X - 6 + 4 * k, 8 - 2 * k, 16),
        (X + 6 + 4 * k, 6 - 7 * k, 42 + 3 * k),
        (X + 18 + 6 * k, 20 - 14 * k, 66 + 4 * k),
        (X + 34 + 7 * k, 26 - 16 * k, 74 + 2 * k),
    ]


def side_run(run: str, moved: float = 0.0, end: bool = True) -> Path3:
    """W07 and W08 from the grommet up the port side to the port lights."""
    low = 61.0 if run == "W07" else 55.5
    dy, dz = SPREAD[run]
    points: Path3 = [(474, 32 + dy, 30 + dz), (488, 42, 36 + dz), (508, 55, 45 + dz)]
    for x in (536.0, 568.0, 590.0, 612.0, 632.0, 654.0, 674.0):
        sag = 2.2 * np.sin(x * 0.11 + RUNS[run].way)
        points.append((x, form.half_breadth(x, low) - 8.6 - (moved if 550 < x < 625 else 0), low + sag - moved * 0.9))
    x = 690.0 if run == "W07" else 698.0
    points.append((x - 4, form.half_breadth(x, 66) - 8.4, low + 4))
    points.append((x, form.half_breadth(x, 72, 0) - 9.4, 71.5 if end else 64))
    return points


def feed(run: str, where: str, base_at: tuple[float, float, float]) -> Path3:
    """W01 and W02; where is 'loose' (on the mat), 'joined' (through the bottom) or 'base' (on to J1, base open)."""
    x, y = tb_way(run)
    side = -1.0 if run == "W01" else 1.0
    start: Path3 = [(x, y, 60), (x - 0.5, y, 54), (x - 8, y - 2 * side, 42), (x - 20, y * 0.7 - side, 22)]
    if where == "loose":
        return [
            *start,
            (420, y * 0.6, -6),
            (396, y * 0.5 - 4, -24.5),
            (350, -12 - 4 * side, -26.8),
            (306, -46 - 5 * side, -26.8),
            (292, -92 + 6 * side, -26.6),
            (322, -112 + 5 * side, -26.4),
            (350, -92 + 3 * side, -26.0),
            (338, -60, -25.5 + side),
            (312, -66 + 6 * side, -25),
            (286, -118, -26.5),
        ]
    inside: Path3 = [
        (425, 9 + 2 * side, 13),
        (400, 8 + 3 * side, 12.5),
        (370, 6 + 2 * side, 12),
        (335, 9 + 2 * side, 11.5),
        (309, 10 + 2 * side, 10),
        (301, 9 + 1.6 * side, 2),
        (300, 9 + 1.6 * side, -10),
    ]
    if where == "joined":
        return [*start, *inside, (300, 9 + 1.6 * side, -24)]
    bx, by, bz = base_at
    return [
        *start,
        *inside,
        (304, 30 + side, -25),
        (330, 78 + 2 * side, -26.5),
        (bx + 290, by - 16, bz - 26 + side),
        (bx + 300, by - 3, bz + 1.4 * side),
        (bx + 300, by + 12, bz + 1.4 * side),
        (bx + 286, by + 20, bz - 14 + 3 * side),
        (bx + 246, by + 12, bz - 30 + 3 * side),
        (bx + 206, by + 11, bz - 8 + 4 * side),
        (bx + 238, by + 12, bz + 22 + 3 * side),
        (bx + 270, by + 15, bz - 2 + 3 * side),
        (bx + 214, by + 13, bz - 22 + 3 * side),
        (bx + 150, by + 10, bz - 6 + 3 * side),
        (bx + 104, by + 12, bz + 5 * side),
        (bx + 82, by + 20, bz + 5 * side),
        (bx + 74, by + 18, bz + 5 * side),
    ]


def house_run(variant: str) -> Path3:
    """W09: 'up' stands out of the open hull with a free end; 'house' goes through the deckhouse floor to its lamp."""
    x, y = tb_way("W09")
    z = float(form.deck_z(460)) + 1.0
    start: Path3 = [(x, y, 60), (x - 1, y, 53), (x - 9, y - 1, 46), (x - 17, y - 2, 56)]
    if variant == "up":
        return [*start, (440, -17, 78), (439, -22, 100), (428, -34, 117), (404, -48, 122), (380, -52, 116)]
    return [
        *start,
        (440, -15, 78),
        (440, -15, z + 4),
        (446, -24, z + 6),
        (462, -31, z + 5),
        (490, -32, z + 6),
        (512, -31, z + 9),
        (521, -26, z + 22),
        (522, -16, z + 31),
    ]


def wire(run: str, path: Any) -> Any:
    """The insulated wire as an object."""
    kind = RUNS[run]
    return tube(run, path, kind.radius, material(f"ins {kind.code}", kind.colour, 0.32, clear=0.35))


def copper(end: Any, before: Any) -> Any:
    """A few millimetres of bare strand at a free end."""
    a, b = np.asarray(end, dtype=float), np.asarray(before, dtype=float)
    way = (a - b) / max(float(np.linalg.norm(a - b)), 1e-6)
    return tube("strand", [a, a + way * 4.5], 0.42, material("copper", (0.72, 0.36, 0.2), 0.3, metallic=1.0), 2)


def sleeve(path: Any, start: int, count: int, colour: tuple[float, float, float], radius: float, name: str) -> Any:
    """Heat-shrink sleeve over part of a path."""
    return tube(name, path[start : start + count], radius, material(f"sleeve {name}", colour, 0.45))


def clip(at: tuple[float, float, float], yaw: float = 0.0) -> Any:
    """A small white wire clip with a rounded back that straddles a loom."""
    white = material("clip", (0.78, 0.78, 0.76), 0.4)
    a = np.radians(yaw)
    arc = [
        (at[0] + 6.0 * np.sin(a) * np.cos(t), at[1] + 6.0 * np.cos(a) * np.cos(t), at[2] - 3 + 6.5 * np.sin(t))
        for t in np.linspace(0, np.pi, 14)
    ]
    return tube("clip", arc, 0.9, white)


def flag(text: str, at: tuple[float, float, float], turn: tuple[float, float, float], size: float = 15.0) -> Any:
    """A paper tag with an id beside a run."""
    return card(f"tag {text}", TEXTURES / f"{text}.png", size, size / 2, at, turn)


def pin(at: tuple[float, float, float], mat: Any) -> Any:
    """A small round dab, for glue."""
    return lathe("dab", [(0, 1.6), (2.2, 1.2), (3.4, 0)], mat, at)
