"""Small helpers over bpy: meshes, tubes and materials. Lengths come in millimetres and leave in metres."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector

MM = 0.001
Point = Sequence[float]


def clear() -> None:
    """Empty the scene and drop all data blocks."""
    bpy.ops.wm.read_factory_settings(use_empty=True)


def material(name: str, colour: Point, rough: float = 0.5, **extra: float) -> Any:
    """A principled material; extra may hold metallic, noise (bump mm), speckle, clear, emit, glass."""
    found = bpy.data.materials.get(name)
    if found:
        return found
    mat = bpy.data.materials.new(name)
    mat.use_nodes = True
    nodes, links = mat.node_tree.nodes, mat.node_tree.links
    bsdf = nodes["Principled BSDF"]
    bsdf.inputs["Base Color"].default_value = (*colour[:3], 1)
    bsdf.inputs["Roughness"].default_value = rough
    bsdf.inputs["Metallic"].default_value = extra.get("metallic", 0.0)
    if extra.get("clear"):
        bsdf.inputs["Coat Weight"].default_value = extra["clear"]
        bsdf.inputs["Coat Roughness"].default_value = 0.15
    if extra.get("glass"):
        bsdf.inputs["Transmission Weight"].default_value = extra["glass"]
        bsdf.inputs["IOR"].default_value = 1.1
    if extra.get("emit"):
        bsdf.inputs["Emission Color"].default_value = (*colour[:3], 1)
        bsdf.inputs["Emission Strength"].default_value = extra["emit"]
    if extra.get("speckle"):
        where = nodes.new("ShaderNodeTexCoord")
        noise = nodes.new("ShaderNodeTexNoise")
        noise.inputs["Scale"].default_value = extra.get("scale", 60.0)
        noise.inputs["Detail"].default_value = 2.0
        ramp = nodes.new("ShaderNodeValToRGB")
        k = extra["speckle"]
        ramp.color_ramp.elements[0].color = (*[c * (1 - k) for c in colour[:3]], 1)
        ramp.color_ramp.elements[1].color = (*[min(c * (1 + k), 1) for c in colour[:3]], 1)
        links.new(where.outputs["Object"], noise.inputs["Vector"])
        links.new(noise.outputs["Fac"], ramp.inputs["Fac"])
        links.new(ramp.outputs["Color"], bsdf.inputs["Base Color"])
    if extra.get("noise"):
        where = nodes.new("ShaderNodeTexCoord")
        grain = nodes.new("ShaderNodeTexNoise")
        grain.inputs["Detail"].default_value = 0.0
        grain.inputs["Scale"].default_value = extra.get("grain", 400.0)
        bump = nodes.new("ShaderNodeBump")
        bump.inputs["Strength"].default_value = 0.5
        bump.inputs["Distance"].default_value = extra["noise"] * MM
        links.new(where.outputs["Object"], grain.inputs["Vector"])
        links.new(grain.outputs["Fac"], bump.inputs["Height"])
        links.new(bump.outputs["Normal"], bsdf.inputs["Normal"])
    return mat


def image_material(path: Path, rough: float = 0.7) -> Any:
    """A material that shows an image by its UV map."""
    found = bpy.data.materials.get(f"img:{path.name}")
    if found:
        return found
    mat = bpy.data.materials.new(f"img:{path.name}")
    mat.use_nodes = True
    nodes = mat.node_tree.nodes
    texture = nodes.new("ShaderNodeTexImage")
    texture.image = bpy.data.images.load(str(path))
    bsdf = nodes["Principled BSDF"]
    bsdf.inputs["Roughness"].default_value = rough
    mat.node_tree.links.new(texture.outputs["Color"], bsdf.inputs["Base Color"])
    return mat


def add(name: str, verts: Any, faces: Any, mat: Any, smooth: bool = False) -> Any:
    """A mesh object from vertices in mm."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata([tuple(np.asarray(v, dtype=float) * MM) for v in verts], [], [tuple(f) for f in faces])
    mesh.materials.append(mat)
    if smooth:
        mesh.polygons.foreach_set("use_smooth", [True] * len(mesh.polygons))
    mesh.update()
    thing = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def place(thing: Any, at: Point = (0, 0, 0), turn: Point = (0, 0, 0)) -> Any:
    """Put an object at a point (mm) with Euler angles in degrees."""
    thing.location = Vector(at) * MM
    thing.rotation_euler = [np.radians(a) for a in turn]
    return thing


def moved(things: Sequence[Any], matrix: Matrix) -> None:
    """Apply a matrix (metres) on top of each object's own."""
    bpy.context.view_layer.update()
    for thing in things:
        thing.matrix_world = matrix @ thing.matrix_world


def box(name: str, low: Point, high: Point, mat: Any, bevel: float = 0.0) -> Any:
    """A box given by two corners in mm, edges softened by bevel mm."""
    (a, b, c), (d, e, f) = low, high
    verts = [(a, b, c), (d, b, c), (d, e, c), (a, e, c), (a, b, f), (d, b, f), (d, e, f), (a, e, f)]
    faces = [(3, 2, 1, 0), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]
    thing = add(name, verts, faces, mat)
    if bevel:
        soft = thing.modifiers.new("soft", "BEVEL")
        soft.width = bevel * MM
        soft.segments = 2
    return thing


def lathe(
    name: str, profile: Sequence[Point], mat: Any, at: Point = (0, 0, 0), turn: Point = (0, 0, 0), sides: int = 40
) -> Any:
    """A body of revolution about z from (radius, z) pairs in mm."""
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    verts = [(r * np.cos(a), r * np.sin(a), z) for r, z in profile for a in angles]
    faces = []
    for ring in range(len(profile) - 1):
        for i in range(sides):
            j = (i + 1) % sides
            faces.append((ring * sides + i, ring * sides + j, (ring + 1) * sides + j, (ring + 1) * sides + i))
    thing = add(name, verts, faces, mat, smooth=True)
    edges = thing.modifiers.new("edges", "EDGE_SPLIT")
    edges.split_angle = np.radians(35)
    return place(thing, at, turn)


def disc(radius: float, height: float, hole: float = 0.0) -> list[tuple[float, float]]:
    """Profile of a cylinder or ring standing on z = 0."""
    return [(hole, 0), (radius, 0), (radius, height), (hole, height), (hole, 0)]


def smooth_path(points: Any, step: float = 2.0) -> Any:
    """A centripetal-like spline through points, resampled about every step mm; shape (n, 3)."""
    pts = np.asarray(points, dtype=float)
    if len(pts) < 3:
        count = max(int(np.linalg.norm(pts[-1] - pts[0]) / step), 2)
        return np.linspace(pts[0], pts[-1], count)
    padded = np.vstack([2 * pts[0] - pts[1], pts, 2 * pts[-1] - pts[-2]])
    out = []
    for i in range(1, len(padded) - 2):
        p0, p1, p2, p3 = padded[i - 1 : i + 3]
        count = max(int(np.linalg.norm(p2 - p1) / step), 2)
        for t in np.linspace(0, 1, count, endpoint=False):
            out.append(
                0.5
                * (2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2 + (3 * p1 - p0 - 3 * p2 + p3) * t**3)
            )
    out.append(pts[-1])
    return np.asarray(out)


def tube(name: str, path: Any, radius: float, mat: Any, round_: int = 4) -> Any:
    """A round wire along a path in mm."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = radius * MM
    curve.bevel_resolution = round_
    curve.use_fill_caps = True
    spline = curve.splines.new("POLY")
    pts = np.asarray(path, dtype=float) * MM
    spline.points.add(len(pts) - 1)
    spline.points.foreach_set("co", np.hstack([pts, np.ones((len(pts), 1))]).ravel())
    spline.use_smooth = True
    curve.materials.append(mat)
    thing = bpy.data.objects.new(name, curve)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def card(
    name: str, path: Path, width: float, height: float, at: Point, turn: Point = (0, 0, 0), rough: float = 0.7
) -> Any:
    """A flat rectangle (mm) that shows an image, lying in xy before it is turned."""
    w, h = width / 2, height / 2
    thing = add(name, [(-w, -h, 0), (w, -h, 0), (w, h, 0), (-w, h, 0)], [(0, 1, 2, 3)], image_material(path, rough))
    layer = thing.data.uv_layers.new(name="uv")
    for loop, uv in zip(layer.data, [(0, 0), (1, 0), (1, 1), (0, 1)], strict=True):
        loop.uv = uv
    return place(thing, at, turn)
