"""What goes on and into the hull: deck, deckhouse, mast foot, mast with lantern, base. Millimetres, ship frame."""

from typing import Any

import form
import numpy as np
from hull import styrene
from mathutils import Matrix
from meshes import MM, add, box, card, disc, lathe, material, moved, tube
from paths import TEXTURES


def deck(paint: bool) -> list[Any]:
    """The main deck with planking lines and fittings; the mast slot is covered by the deckhouse and a partner."""
    xs = np.linspace(28, 893, 60)
    verts, faces = [], []
    for x in xs:
        z = float(form.deck_z(x))
        b = max(form.half_breadth(x, z) - 0.6, 0.4)
        for v in np.linspace(-1, 1, 17):
            verts.append((x, v * b, z + 2.2 * (1 - v * v) * b / 84))
    for i in range(len(xs) - 1):
        for j in range(16):
            a, b_ = i * 17 + j, (i + 1) * 17 + j
            faces.append((a, b_, b_ + 1, a + 1))
    plank = material("deck paint", (0.40, 0.27, 0.15), 0.6, speckle=0.2, scale=40.0) if paint else styrene()
    body = add("DECK-M", verts, faces, plank, smooth=True)
    parts = [body]
    scribe = material("scribe", (0.42, 0.40, 0.36), 0.8)
    for v in np.linspace(-0.9, 0.9, 19):
        line = []
        for x in xs[1:-2]:
            z = float(form.deck_z(x))
            b = max(form.half_breadth(x, z) - 1.0, 0.4)
            y = v * 82
            if abs(y) < b - 2:
                line.append((x, y, z + 2.2 * (1 - (y / b) ** 2) * b / 84 + 0.02))
        if len(line) > 4:
            parts.append(tube("seam", line, 0.16, scribe, 1))
    grey = material("fittings", (0.52, 0.52, 0.50), 0.5)
    dark = material("dark fittings", (0.08, 0.08, 0.085), 0.45)

    def on_deck(x: float) -> float:
        return float(form.deck_z(x)) + 1.6

    for x, w, long in ((255, 26, 44), (640, 20, 30), (170, 18, 22)):
        z = on_deck(x)
        parts.append(box("coaming", (x - long / 2, -w, z - 1), (x + long / 2, w, z + 9), grey, 0.8))
        parts.append(box("cover", (x - long / 2 + 2, -w + 2, z + 8), (x + long / 2 - 2, w - 2, z + 11), styrene(), 1.0))
    z = on_deck(800)
    parts.append(box("windlass bed", (786, -18, z - 1), (812, 18, z + 5), grey, 0.6))
    parts.append(lathe("windlass", disc(6, 30), dark, (799, -15, z + 10), (-90, 0, 0)))
    for x in (110, 330, 700, 840):
        for side in (1, -1):
            y = side * (form.half_breadth(x, float(form.deck_z(x))) - 9)
            z = on_deck(x) - 2
            for dx in (-4, 4):
                parts.append(lathe("bollard", [(2.0, 0), (2.0, 7), (2.8, 7), (2.8, 9), (0, 9)], dark, (x + dx, y, z)))
    parts.append(lathe("partner", disc(13, 4, 5.4), grey, (form.MAST_X, 0, on_deck(form.MAST_X) - 1)))
    return parts


def deckhouse(roof: str, paint: bool, lit: bool) -> list[Any]:
    """The deckhouse on the main deck; roof is 'on', 'beside' or 'none' (held by magnets, stays removable)."""
    wall = material("white paint", (0.76, 0.75, 0.70), 0.4) if paint else styrene()
    x0, x1, y1 = 400.0, 530.0, 36.0
    z0 = float(form.deck_z(460)) + 1.0
    z1 = z0 + 44
    parts = [
        box("floor", (x0, -y1, z0), (x1, y1, z0 + 1.5), wall),
        box("fore wall", (x1 - 1.6, -y1, z0), (x1, y1, z1), wall, 0.2),
        box("aft wall", (x0, -y1, z0), (x0 + 1.6, y1, z1), wall, 0.2),
    ]
    for side in (1, -1):
        parts.append(box("side", (x0, side * y1 - 0.8, z0), (x1, side * y1 + 0.8, z1), wall, 0.2))
        pane = (
            material("house lamp", (1.0, 0.75, 0.42), 0.4, emit=2.2)
            if lit
            else material("pane", (0.03, 0.035, 0.04), 0.08)
        )
        for x in (420, 444, 486, 510):
            parts.append(
                box(
                    "window", (x - 7, side * (y1 + 0.5) - 0.5, z0 + 24), (x + 7, side * (y1 + 0.5) + 0.5, z0 + 36), pane
                )
            )
        parts.append(
            box(
                "door",
                (459, side * (y1 + 0.5) - 0.6, z0 + 2),
                (471, side * (y1 + 0.5) + 0.6, z0 + 34),
                material("door", (0.20, 0.12, 0.07), 0.5),
            )
        )
        for x in (x0 + 5, x1 - 5):
            parts.append(
                lathe(
                    "magnet",
                    disc(3.2, 3),
                    material("magnet", (0.55, 0.55, 0.56), 0.25, metallic=1.0),
                    (x, side * (y1 - 5), z1 - 4),
                )
            )
    parts.append(
        lathe("floor hole", [(0, 0), (4.2, 0)], material("dark", (0.002, 0.002, 0.002), 0.9), (440, -15, z0 + 1.6))
    )
    parts.append(
        box(
            "house lamp holder",
            (x1 - 12, -18, z1 - 14),
            (x1 - 2, -6, z1 - 6),
            material("lamp block", (0.8, 0.8, 0.76), 0.4),
            0.6,
        )
    )
    if roof != "none":
        top = [
            box("roof", (x0 - 5, -y1 - 5, 0), (x1 + 5, y1 + 5, 3), wall, 0.9),
            box("ridge", (x0 + 20, -10, 3), (x0 + 64, 10, 8), wall, 0.8),
            lathe("vent", [(4, 3), (4, 16), (7, 17), (7, 21), (0, 22)], wall, (x1 - 24, 14, 0)),
        ]
        lift = Matrix.Translation((0, 0, z1 * MM))
        if roof == "beside":
            lift = Matrix.Translation((-0.03, 0.205, -0.0275)) @ Matrix.Rotation(0.12, 4, "Z")
        moved(top, lift)
        parts += top
    return parts


def foot_box(lid: str) -> list[Any]:
    """The mast foot: an open box on the bottom of the fore hull; lid is 'none', 'beside' or 'on' (opening O4)."""
    x, sty = form.MAST_X, material("foot box", (0.27, 0.25, 0.215), 0.5)
    z = 5.0
    parts = [box("foot floor", (x - 34, -27, z), (x + 26, 27, z + 2), sty)]
    for low, high in (
        ((x - 34, -27), (x + 26, -25)),
        ((x - 34, 25), (x + 26, 27)),
        ((x + 24, -25), (x + 26, 25)),
        ((x - 34, -25), (x - 32, 4)),
        ((x - 34, 20), (x - 32, 25)),
    ):
        parts.append(box("foot wall", (*low, z), (*high, z + 27), sty, 0.3))
    parts.append(lathe("socket", disc(8.5, 8, 5.2), sty, (x, 0, z + 2)))
    if lid != "none":
        cover = [
            box("lid", (-36, -29, 0), (28, 29, 2.4), material("lid", (0.70, 0.68, 0.62), 0.4), 0.5),
            lathe("collar", disc(11, 9, 5.2), material("collar", (0.62, 0.60, 0.55), 0.4), (0, 0, 2)),
        ]
        at = (x, 0, z + 27) if lid == "on" else (x + 30, 196, -27.8)
        moved(cover, Matrix.Translation([c * MM for c in at]))
        parts += cover
        if lid == "on":
            glue = material("fillet", (0.55, 0.42, 0.20), 0.15)
            path = [
                (x - 36, -29, z + 27),
                (x + 28, -29, z + 27),
                (x + 28, 29, z + 27),
                (x - 36, 29, z + 27),
                (x - 36, -29, z + 27),
            ]
            parts.append(tube("fillet", path, 0.9, glue))
            ring = [(x + 11.5 * np.cos(a), 11.5 * np.sin(a), z + 29.6) for a in np.linspace(0, 2 * np.pi, 40)]
            parts.append(tube("fillet", ring, 0.8, glue))
    return parts


def mast(paint: bool, lit: bool, glass: bool) -> list[Any]:
    """Tubular mast with motor housing, ladder and lantern; foot at the origin of MAST_X, z from 12 mm."""
    x = form.MAST_X
    steel = (
        material("white paint", (0.76, 0.75, 0.70), 0.4)
        if paint
        else material("mast tube", (0.46, 0.46, 0.45), 0.35, metallic=0.6)
    )
    brass = material("brass", (0.62, 0.44, 0.16), 0.3, metallic=1.0)
    parts = [
        lathe("mast", disc(5, 322, 4.2), steel, (x, 0, 14)),
        lathe("motor", [(5, 0), (10, 2), (10, 30), (5, 33)], steel, (x, 0, 140)),
        lathe("gallery", [(5, -8), (18, 0), (18, 2), (5, 2)], steel, (x, 0, 330)),
    ]
    for a in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        parts.append(tube("post", [(x + 17 * np.cos(a), 17 * np.sin(a), z) for z in (331, 342)], 0.5, brass))
        parts.append(tube("bar", [(x + 11.5 * np.cos(a), 11.5 * np.sin(a), z) for z in (332, 358)], 0.6, brass))
    ring = [(x + 17 * np.cos(a), 17 * np.sin(a), 342) for a in np.linspace(0, 2 * np.pi, 41)]
    parts.append(tube("hand rail", ring, 0.5, brass))
    if glass:
        parts.append(
            lathe("lantern roof", [(0, 26), (3, 22), (4, 14), (13.5, 4), (13.5, 0), (0, 0)], steel, (x, 0, 358))
        )
    glow = (
        material("lantern light", (1.0, 0.9, 0.7), 0.3, emit=9.0) if lit else material("led", (0.85, 0.84, 0.74), 0.25)
    )
    parts.append(lathe("LED", [(0, 0), (5, 0), (5, 9), (3, 13), (0, 14)], glow, (x, 0, 336)))
    for side in (1, -1):
        parts.append(tube("ladder", [(x - 8, side * 2.5, 168), (x - 8, side * 2.5, 326)], 0.4, brass))
    for z in range(172, 326, 8):
        parts.append(tube("rung", [(x - 8, -2.5, z), (x - 8, 2.5, z)], 0.35, brass))
    return parts


def stays() -> list[Any]:
    """Standing rigging of the finished model."""
    line = material("rigging", (0.10, 0.095, 0.09), 0.7)
    top = (form.MAST_X, 0, 322)
    ends = [(900, 0, 147), (70, 0, 118)] + [(form.MAST_X - 46, s * 80, 102) for s in (1, -1)]
    return [tube("stay", [top, end], 0.45, line, 2) for end in ends]


def base_box(plate: str) -> list[Any]:
    """The hollow base, open below; plate is 'off' or 'on'. Local frame: length x 0..440, depth z -42..0 (0 = top)."""
    wood = material("base wood", (0.16, 0.07, 0.03), 0.4, speckle=0.35, scale=22.0)
    ply = material("ply", (0.52, 0.38, 0.22), 0.6, speckle=0.2, scale=30.0)
    parts = [box("base top", (0, -52, -5), (440, 52, 0), wood, 1.0)]
    for low, high in (((0, -52), (440, -46)), ((0, 46), (440, 52)), ((0, -52), (6, 52)), ((434, -52), (440, 52))):
        parts.append(box("base side", (*low, -42), (*high, -1), wood, 1.0))
    if plate == "off":
        parts.append(box("base inside", (6, -46, -6), (434, 46, -5), ply))
        j1 = material("block", (0.02, 0.022, 0.026), 0.38)
        parts.append(box("J1", (46, -12, -20), (76, 12, -6), j1, 0.8))
        brass = material("brass", (0.62, 0.44, 0.16), 0.3, metallic=1.0)
        for y in (-5, 5):
            parts.append(lathe("J1 screw", disc(2.4, 1), brass, (66, y, -20), (180, 0, 0), 20))
        parts.append(
            lathe(
                "base grommet",
                [(5, -1), (8.5, -1), (9, 0), (8.5, 1), (5, 1)],
                material("rubber", (0.012, 0.012, 0.013), 0.55),
                (300, 0, -6.5),
            )
        )
        parts.append(card("J1 tag", TEXTURES / "J1.png", 20, 10, (60, 24, -6.2), (180, 0, 180)))
    else:
        parts.append(box("base plate", (2, -49, -45), (438, 49, -42), ply, 0.5))
        steel = material("steel", (0.6, 0.6, 0.6), 0.25, metallic=1.0)
        for x in (16, 220, 424):
            for y in (-40, 40):
                parts.append(lathe("plate screw", [(0, 2), (3.6, 2), (4.4, 0)], steel, (x, y, -45), (180, 0, 0), 24))
    return parts


def painted_name() -> list[Any]:
    """The ship's name on both bows of the painted hull, slightly proud of the skin."""
    parts = []
    for side in (1, -1):
        x, z = 760, 84
        y = form.half_breadth(x, z, 0)
        slope = (form.half_breadth(x + 34, z, 0) - form.half_breadth(x - 34, z, 0)) / 68
        yaw = np.degrees(np.arctan(slope)) * side
        parts.append(
            card(
                "name", TEXTURES / "name.png", 84, 14, (x, side * (y + 1.6), z), (80, 0, (180 if side > 0 else 0) + yaw)
            )
        )
    return parts
