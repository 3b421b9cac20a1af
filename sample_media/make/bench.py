"""The bench: wooden top, cutting mat, lamp and window, tools and clutter. Millimetres; z is the bench height."""

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Vector
from meshes import MM, add, box, card, disc, image_material, lathe, material, place, smooth_path, tube
from paths import TEXTURES


@dataclass(frozen=True)
class Light:
    """Light of a day: lamp watts and colour, window watts and colour, general grey."""

    lamp: float = 11.0
    lamp_colour: tuple[float, float, float] = (1.0, 0.80, 0.58)
    lamp_at: tuple[float, float, float] = (300, 420, 620)
    window: float = 9.0
    window_colour: tuple[float, float, float] = (0.78, 0.88, 1.0)
    room: float = 0.12


def lights(day: Light, aim: tuple[float, float, float]) -> None:
    """Desk lamp (warm, close, small), window (cool, far, large) and a weak room light."""
    scene = bpy.context.scene
    world = bpy.data.worlds.new("room")
    scene.world = world
    world.use_nodes = True
    world.node_tree.nodes["Background"].inputs[0].default_value = (0.9, 0.93, 1.0, 1)
    world.node_tree.nodes["Background"].inputs[1].default_value = day.room
    for name, watts, colour, at, size in (
        ("lamp", day.lamp, day.lamp_colour, day.lamp_at, 0.11),
        ("window", day.window, day.window_colour, (aim[0] - 900, aim[1] - 700, 900), 0.9),
    ):
        data = bpy.data.lights.new(name, "AREA")
        data.energy, data.color, data.size = watts, colour, size
        data.shape = "DISK" if name == "lamp" else "SQUARE"
        thing = bpy.data.objects.new(name, data)
        scene.collection.objects.link(thing)
        place(thing, at)
        thing.rotation_euler = (Vector(aim) - Vector(at)).to_track_quat("-Z", "Y").to_euler()


def top(z: float) -> list[Any]:
    """The wooden bench top, the mat on it and a wall with a shelf far behind."""
    wood = image_material(TEXTURES / "wood.png", 0.5)
    parts = [
        card("bench", TEXTURES / "wood.png", 2400, 1140, (500, -50, z - 2.2), rough=0.5),
        box("edge", (-700, -620, z - 40), (1700, 520, z - 2.4), material("edge", (0.22, 0.13, 0.07), 0.6)),
        card("mat", TEXTURES / "mat.png", 1000, 640, (470, 20, z - 0.02), (0, 0, 0.6), rough=0.62),
        add(
            "wall",
            [(-2500, -1500, -900), (3500, -1500, -900), (3500, -1500, 2200), (-2500, -1500, 2200)],
            [(0, 1, 2, 3)],
            material("wall", (0.16, 0.155, 0.145), 0.9),
        ),
        add(
            "wall2",
            [(-2500, 2200, -900), (3500, 2200, -900), (3500, 2200, 2200), (-2500, 2200, 2200)],
            [(3, 2, 1, 0)],
            material("wall", (0.16, 0.155, 0.145), 0.9),
        ),
    ]
    rng = np.random.default_rng(7)
    parts.append(box("shelf", (-600, -1490, 120), (1800, -1250, 140), wood))
    x = -560.0
    while x < 1700:
        w, h = rng.uniform(60, 190), rng.uniform(60, 210)
        colour = tuple(rng.uniform(0.03, 0.2) * np.array([1.0, rng.uniform(0.8, 1), rng.uniform(0.65, 0.95)]))
        parts.append(box("carton", (x, -1470, 140), (x + w, -1280, 140 + h), material(f"carton{int(x)}", colour, 0.8)))
        x += w + rng.uniform(8, 60)
    return parts


def rule(at: tuple[float, float], z: float, yaw: float) -> list[Any]:
    """The 300 mm steel rule."""
    return [card("rule", TEXTURES / "rule.png", 300, 25, (*at, z + 0.9), (0, 0, yaw), rough=0.35)]


def tweezers(at: tuple[float, float], z: float, yaw: float) -> list[Any]:
    """A pair of fine tweezers lying on their side."""
    steel = material("steel", (0.6, 0.6, 0.6), 0.25, metallic=1.0)
    parts = []
    for side in (1, -1):
        s = np.linspace(0, 1, 26)
        width = side * (0.5 + 6.5 * np.sin(np.pi * np.clip(s, 0, 1)) ** 1.3 * (1 - 0.35 * s))
        half = 4.2 * (1 - s) ** 0.7 * np.clip(1.3 - (1 - s) * 0.4, 0, 1) + 0.35
        verts, faces = [], []
        for si, w, h in zip(s, width, half, strict=True):
            for dy, dz in ((-0.6, -h), (0.6, -h), (0.6, h), (-0.6, h)):
                verts.append((si * 118, w + dy, 4.4 + dz))
        for i in range(25):
            for j in range(4):
                a, b = i * 4 + j, i * 4 + (j + 1) % 4
                faces.append((a, b, b + 4, a + 4))
        parts.append(place(add("tweezers", verts, faces, steel, smooth=False), (*at, z), (0, 0, yaw)))
    return parts


def pin_vice(at: tuple[float, float], z: float, yaw: float) -> list[Any]:
    """A pin vice with a small drill."""
    steel = material("steel", (0.6, 0.6, 0.6), 0.25, metallic=1.0)
    dark = material("knurl", (0.09, 0.09, 0.10), 0.5, metallic=0.7)
    body = [
        (0, 0),
        (3, 0),
        (4.6, 2),
        (4.6, 40),
        (3.6, 44),
        (3.6, 52),
        (4.4, 54),
        (4.4, 66),
        (2.2, 74),
        (0.6, 75),
        (0.6, 96),
        (0, 97),
    ]
    a = np.radians(yaw)
    parts = [lathe("vice", body, steel, (*at, z + 5), (0, 90, yaw))]
    parts.append(
        lathe(
            "knurl",
            [(4.8, 0), (4.9, 1), (4.9, 22), (4.8, 23)],
            dark,
            (at[0] + 14 * np.cos(a), at[1] + 14 * np.sin(a), z + 5),
            (0, 90, yaw),
        )
    )
    return parts


def tape(
    at: tuple[float, float], z: float, colour: tuple[float, float, float], wide: float = 19, r: float = 38
) -> list[Any]:
    """A roll of tape lying flat."""
    mat = material(f"tape{colour}", colour, 0.55)
    core = material("card core", (0.46, 0.34, 0.22), 0.8)
    return [
        lathe("tape", disc(r, wide, r * 0.72), mat, (*at, z), sides=64),
        lathe("core", disc(r * 0.72, wide, r * 0.66), core, (*at, z), sides=64),
    ]


def spool(at: tuple[float, float], z: float, colour: tuple[float, float, float]) -> list[Any]:
    """A small spool of hook-up wire standing on its flange."""
    flange = material("spool", (0.05, 0.05, 0.055), 0.4)
    wire = material(f"spool wire{colour}", colour, 0.35)
    return [
        lathe("flange", disc(21, 2), flange, (*at, z)),
        lathe("winding", disc(17, 22), wire, (*at, z + 2)),
        lathe("flange", disc(21, 2, 5), flange, (*at, z + 24)),
    ]


def bottle(at: tuple[float, float], z: float) -> list[Any]:
    """A small bottle of cement with a spout."""
    body = material("bottle", (0.72, 0.70, 0.62), 0.35)
    cap = material("cap", (0.55, 0.06, 0.03), 0.4)
    return [
        lathe("bottle", [(0, 0), (15, 0), (16, 2), (16, 48), (13, 55), (6, 58), (6, 62)], body, (*at, z)),
        lathe("cap", [(6.5, 60), (6.5, 68), (3.5, 70), (1.2, 92), (0, 92)], cap, (*at, z)),
    ]


def clamp(at: tuple[float, float, float], yaw: float) -> list[Any]:
    """A spring clamp astride the bulwark, jaws down."""
    body = material("clamp body", (0.30, 0.07, 0.01), 0.45)
    pad = material("clamp pad", (0.03, 0.03, 0.03), 0.6)
    parts = []
    for side in (1, -1):
        s = np.linspace(0, 1, 12)
        ys = side * (3 + 10 * s**1.2)
        arm = np.stack([np.zeros(12), ys, -14 + 46 * s], axis=1)
        parts.append(place(tube("clamp", arm, 2.6, body, 3), at, (0, 0, yaw)))
        parts.append(place(box("pad", (-6, side * 4.5 - 2, -18), (6, side * 4.5 + 2, -8), pad, 1), at, (0, 0, yaw)))
    parts.append(
        place(
            tube("pivot", [(-7, 0, 10), (7, 0, 10)], 2.4, material("steel", (0.6, 0.6, 0.6), 0.25, metallic=1.0)),
            at,
            (0, 0, yaw),
        )
    )
    return parts


def meter(
    at: tuple[float, float], z: float, yaw: float, reading: str, tips: list[tuple[float, float, float]]
) -> list[Any]:
    """A hand meter with a display and two probes whose tips touch the given points."""
    case = material("meter case", (0.50, 0.36, 0.02), 0.5)
    face = material("meter face", (0.03, 0.032, 0.035), 0.5)
    parts = [
        place(box("case", (-36, -68, 0), (36, 68, 26), case, 6), (*at, z), (0, 0, yaw)),
        place(box("face", (-30, -62, 25.4), (30, 62, 26.6), face, 1.5), (*at, z), (0, 0, yaw)),
    ]
    a = np.radians(yaw)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])

    def put(dx: float, dy: float) -> tuple[float, float]:
        x, y = np.array(at) + turn @ np.array([dx, dy])
        return float(x), float(y)

    parts.append(card("display", TEXTURES / f"meter {reading}.png", 48, 24, (*put(0, 40), z + 27.0), (0, 0, yaw), 0.2))
    parts.append(lathe("dial", disc(15, 7), material("dial", (0.09, 0.09, 0.1), 0.5), (*put(0, -2), z + 26)))
    parts.append(
        place(
            box("mark", (-1, 2, 33), (1, 14, 33.6), material("mark", (0.8, 0.8, 0.8), 0.5)),
            (*put(0, -2), z),
            (0, 0, yaw + 40),
        )
    )
    for k, (tip, colour) in enumerate(zip(tips, ((0.5, 0.012, 0.012), (0.012, 0.012, 0.014)), strict=False)):
        lean = np.array([-0.35, 0.45 + 0.3 * k, 0.82])
        lean = lean / np.linalg.norm(lean)
        base = np.asarray(tip)
        parts.append(
            tube("needle", [base, base + lean * 16], 0.7, material("steel", (0.6, 0.6, 0.6), 0.25, metallic=1.0))
        )
        grip = material(f"grip{k}", colour, 0.5)
        parts.append(tube("grip", [base + lean * 14, base + lean * 84], 3.6, grip, 5))
        parts.append(
            lathe(
                "guard",
                disc(6, 2),
                grip,
                tuple(base + lean * 20),
                (np.degrees(np.arccos(lean[2])), 0, np.degrees(np.arctan2(lean[1], lean[0])) + 90),
            )
        )
        sx, sy = put(-16 + 32 * k, -60)
        from_ = base + lean * 84
        mid = (np.array([sx, sy, z + 40]) + from_) / 2 + np.array([30 - 60 * k, 20, -10])
        parts.append(
            tube(
                "lead",
                smooth_path([from_, from_ + lean * 60, mid, [sx, sy - 10, z + 24], [sx, sy + 4, z + 18]], 3.0),
                1.6,
                material(f"lead{k}", colour, 0.4),
            )
        )
    return parts


def note(at: tuple[float, float], z: float, yaw: float, which: str = "note") -> list[Any]:
    """A sheet of notes on the bench."""
    return [card(which, TEXTURES / f"{which}.png", 105, 146, (*at, z + 0.5), (0, 0, yaw))]


def offcuts(z: float, seed: int, around: tuple[float, float]) -> list[Any]:
    """Snippets of sheet and wire, as left on a bench."""
    rng = np.random.default_rng(seed)
    parts = []
    sheet = material("styrene offcut", (0.78, 0.765, 0.72), 0.45)
    for _ in range(9):
        x, y = np.array(around) + rng.normal(0, 60, 2)
        w, h = rng.uniform(4, 22, 2)
        parts.append(
            place(box("offcut", (-w, -h / 3, 0), (w, h / 3, 1), sheet), (x, y, z), (0, 0, rng.uniform(0, 180)))
        )
    for colour in ((0.8, 0.79, 0.75), (0.8, 0.52, 0.02), (0.5, 0.012, 0.012)):
        x, y = np.array(around) + rng.normal(0, 50, 2)
        a = rng.uniform(0, 3)
        path = [(x + t * 12 * np.cos(a + t * 0.3), y + t * 12 * np.sin(a + t * 0.3), z + 0.8) for t in range(4)]
        parts.append(tube("snippet", path, 0.75, material(f"snip{colour}", colour, 0.35)))
    return parts


def stand(x: float, y: float, z: float, grip_z: float, grip: tuple[float, float]) -> list[Any]:
    """A retort stand whose arm holds the mast."""
    steel = material("stand steel", (0.5, 0.5, 0.5), 0.35, metallic=1.0)
    foot = material("stand foot", (0.05, 0.055, 0.06), 0.5)
    parts = [
        box("stand foot", (x - 55, y - 75, z), (x + 55, y + 75, z + 9), foot, 2),
        lathe("post", disc(5, grip_z + 90 - z), steel, (x, y, z)),
        tube("arm", [(x, y, grip_z), (grip[0], grip[1] - 10, grip_z)], 3.5, steel),
        box("boss", (x - 10, y - 10, grip_z - 9), (x + 10, y + 10, grip_z + 9), foot, 2),
    ]
    ring = [(grip[0] + 8 * np.cos(a), grip[1] + 8 * np.sin(a), grip_z) for a in np.linspace(-2.4, 0.9 + np.pi, 30)]
    parts.append(tube("jaw", ring, 2.4, foot))
    return parts


__all__ = [
    "MM",
    "Light",
    "bottle",
    "clamp",
    "lights",
    "meter",
    "note",
    "offcuts",
    "pin_vice",
    "rule",
    "spool",
    "stand",
    "tape",
    "top",
    "tweezers",
]
