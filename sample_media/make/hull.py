"""The hull of the model: two halves with frames, bulkhead 11, port lights, and the foam it rests on. mm, ship frame."""

from typing import Any

import form
import numpy as np
from meshes import MM, add, box, card, disc, lathe, material, tube
from paths import TEXTURES

GREY = (0.185, 0.19, 0.197)
STYRENE = (0.58, 0.565, 0.515)
RED = (0.36, 0.018, 0.014)


def resin(paint: bool) -> Any:
    """Bare grey resin, or the red topcoat of the last days."""
    if paint:
        return material("red paint", RED, 0.42, speckle=0.1, scale=30.0)
    return material("resin", GREY, 0.46, speckle=0.16, scale=25.0)


def styrene() -> Any:
    """Off-white sheet plastic."""
    return material("styrene", STYRENE, 0.45)


def half(which: str, paint: bool) -> list[Any]:
    """One hull half with skin, frames, deck shelf, rubbing strake; which is 'F' or 'A'."""
    u = np.linspace(0, 1, 34)
    xs = (
        form.JOINT_X + (form.LENGTH - form.JOINT_X) * np.sin(u * np.pi / 2)
        if which == "F"
        else (form.JOINT_X * (1 - np.sin(u * np.pi / 2)))
    )
    count = 25
    verts, faces = [], []
    for x in xs:
        port = form.section(x, count)
        ring = [(x, y, z) for y, z in port[::-1]] + [(x, -y, z) for y, z in port[1:]]
        verts += ring
    width = 2 * count - 1
    for i in range(len(xs) - 1):
        for j in range(width - 1):
            a, b = i * width + j, (i + 1) * width + j
            faces.append((a, a + 1, b + 1, b) if which == "F" else (b, b + 1, a + 1, a))
    skin = add(f"HULL-{which}", verts, faces, resin(paint), smooth=True)
    solid = skin.modifiers.new("skin", "SOLIDIFY")
    solid.thickness, solid.offset = form.SKIN * MM, 1.0
    solid.use_even_offset = False
    crease = skin.modifiers.new("crease", "EDGE_SPLIT")
    crease.split_angle = np.radians(50)
    parts = [skin]
    trim = material("strake", (0.6, 0.58, 0.53), 0.5) if paint else resin(False)
    for side in (1, -1):
        rail = [(x, side * (float(form.breadth(x)) - 1.2), float(form.sheer(x)) + 0.4) for x in xs]
        wale = [
            (x, side * (form.half_breadth(x, float(form.deck_z(x)) - 3, 0) + 0.4), float(form.deck_z(x)) - 3)
            for x in xs
        ]
        parts += [tube("rail", rail, 1.9, trim), tube("wale", wale, 1.5, trim)]
        shelf = [
            (x, side * (form.half_breadth(x, float(form.deck_z(x)) - 4) - 0.8), float(form.deck_z(x)) - 4)
            for x in xs
            if 40 < x < 880
        ]
        parts.append(tube("shelf", shelf, 1.8, styrene()))
    low, high = (form.JOINT_X + 5, form.LENGTH) if which == "F" else (0, form.JOINT_X - 5)
    parts += [frame(n) for n in range(2, 21) if low < form.frame_x(n) < high]
    keelson = [(x, 0, form.bottom_z(x, 0) + 1.5) for x in xs if 70 < x < 850]
    parts.append(tube("keelson", keelson, 2.6, material("frame", (0.50, 0.47, 0.40), 0.55)))
    return parts


def frame(number: int) -> Any:
    """A frame: a 1.6 mm rib that follows the inside of the section, 7 mm deep, open at the top."""
    x = form.frame_x(number)
    outer = form.section(x, 25, form.SKIN - 0.3)
    inner = form.section(x, 25, form.SKIN + 6.5)
    top = float(form.deck_z(x)) - 5
    outer[:, 1] = np.minimum(outer[:, 1], top)
    inner[:, 1] = np.minimum(inner[:, 1] + 1.0, top)
    ring_out = [(y, z) for y, z in outer[::-1]] + [(-y, z) for y, z in outer[1:]]
    ring_in = [(y, z) for y, z in inner[::-1]] + [(-y, z) for y, z in inner[1:]]
    n = len(ring_out)
    verts = [(x + dx, y, z) for dx in (-0.8, 0.8) for ring in (ring_out, ring_in) for y, z in ring]
    faces = []
    for i in range(n - 1):
        faces.append((i, n + i, n + i + 1, i + 1))
        faces.append((2 * n + i, 2 * n + i + 1, 3 * n + i + 1, 3 * n + i))
        faces.append((n + i, 3 * n + i, 3 * n + i + 1, n + i + 1))
    return add(f"frame {number}", verts, faces, material("frame", (0.50, 0.47, 0.40), 0.55))


def bulkhead(block: bool) -> list[Any]:
    """Bulkhead 11 with its grommet and, when block, the terminal block TB on its after face."""
    x = form.JOINT_X
    points = form.section(x, 25, form.SKIN)
    top = float(form.deck_z(x)) - 3
    points[:, 1] = np.minimum(points[:, 1], top)
    ring = [(y, z) for y, z in points[::-1]] + [(-y, z) for y, z in points[1:]]
    n = len(ring)
    verts = [(x + dx, y, z) for dx in (-1.5, 1.5) for y, z in ring]
    faces = [tuple(range(n)), tuple(range(2 * n - 1, n - 1, -1))]
    faces += [(i, n + i, n + (i + 1) % n, (i + 1) % n) for i in range(n)]
    parts = [add("BHD-11", verts, faces, styrene())]
    black = material("rubber", (0.012, 0.012, 0.013), 0.55)
    for side in (-1, 1):
        ring_at = (x + side * 1.7, 30, 31)
        parts.append(lathe("grommet", [(6.2, -1), (9, -1), (9.6, 0), (9, 1), (6.2, 1)], black, ring_at, (0, 90, 0)))
        parts.append(
            lathe("hole", [(0, 0), (6.4, 0)], material("dark", (0.002, 0.002, 0.002), 0.9), ring_at, (0, 90, 0))
        )
    for y in (-48, 48):
        parts.append(
            lathe(
                "lightening", [(7.6, 0), (8, 0)], material("pencil", (0.2, 0.2, 0.2), 0.7), (x - 1.6, y, 62), (0, 90, 0)
            )
        )
    if block:
        parts += terminal_block(x - 1.5)
    parts.append(card("plate", TEXTURES / "BHD-11.png", 24, 11, (x - 1.7, -46, 30), (90, 0, -90)))
    return parts


def terminal_block(face: float) -> list[Any]:
    """TB: seven ways on a black strip, brass clamping screws, numbered card above."""
    black = material("block", (0.02, 0.022, 0.026), 0.38)
    brass = material("brass", (0.62, 0.44, 0.16), 0.3, metallic=1.0)
    parts = [box("TB", (face - 10, -25, 58), (face, 25, 69), black, 0.6)]
    for i in range(7):
        y = 18 - 6 * i
        parts.append(lathe("screw", disc(2.0, 0.9), brass, (face - 10, y, 65), (0, -90, 0), 20))
        parts.append(box("slot", (face - 11.1, y - 1.6, 64.8), (face - 10.9, y + 1.6, 65.3), black))
        parts.append(lathe("cage", disc(1.5, 0.6), brass, (face - 6, y, 57.8), (0, 0, 0), 16))
    for i in range(6):
        y = 15 - 6 * i
        parts.append(box("rib", (face - 10.6, y - 0.4, 58.5), (face - 9, y + 0.4, 69.6), black))
    parts.append(card("numbers", TEXTURES / "TB.png", 46, 7, (face - 0.4, 0, 75), (90, 0, -90)))
    return parts


def port_lights(paint: bool, lit: bool) -> list[Any]:
    """Three port lights a side: brass rims and panes outside, lamp blocks inside."""
    brass = material("brass", (0.62, 0.44, 0.16), 0.3, metallic=1.0)
    lamp = material("lamp", (1.0, 0.72, 0.38), 0.4, emit=3.5) if lit else material("pane", (0.03, 0.035, 0.04), 0.08)
    shade = material("lamp block", (0.8, 0.8, 0.76), 0.4)
    parts = []
    for x in form.PORT_LIGHTS_X:
        for side in (1, -1):
            y = form.half_breadth(x, form.PORT_LIGHT_Z, 0) * side
            slope = form.half_breadth(x + 5, form.PORT_LIGHT_Z, 0) - form.half_breadth(x - 5, form.PORT_LIGHT_Z, 0)
            yaw = np.degrees(np.arctan2(-slope, 10)) * side
            turn = (-90 * side, 0, -yaw)
            parts.append(
                lathe(
                    "rim",
                    [(4.4, 0), (6.2, 0), (6.2, 1.4), (4.4, 1.8), (4.4, 0)],
                    brass,
                    (x, y - 0.4 * side, form.PORT_LIGHT_Z),
                    turn,
                )
            )
            parts.append(lathe("pane", [(0, 0.7), (4.5, 0.7)], lamp, (x, y - 0.1 * side, form.PORT_LIGHT_Z), turn))
            if side > 0:
                parts.append(box("lamp block", (x - 5, y - 9, 68), (x + 5, y - 3.2, 80), shade, 0.8))
    return parts


def cradle(bench: float) -> list[Any]:
    """Two foam blocks under the hull, cut to its shape as far as one sees."""
    foam = material("foam", (0.07, 0.085, 0.115), 0.95)
    parts = []
    for x in (225, 660):
        ys = np.linspace(-80, 80, 41)
        tops = [min(min(form.bottom_z(x + dx, float(y), 0) for dx in (-22, 0, 22)) - 0.2, 30.0) for y in ys]
        verts = [(x + dx, y, z) for dx in (-22, 22) for y, top in zip(ys, tops, strict=True) for z in (bench, top)]
        faces = [(2 * i, 2 * i + 2, 2 * i + 3, 2 * i + 1) for i in range(40)]
        faces += [tuple(82 + i for i in reversed(face)) for face in faces]
        faces += [(2 * i + 1, 2 * i + 3, 82 + 2 * i + 3, 82 + 2 * i + 1) for i in range(40)]
        faces += [(0, 1, 83, 82), (80, 162, 163, 81)]
        parts.append(add("foam", verts, faces, foam))
    return parts
