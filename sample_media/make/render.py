"""Render every frame of the story with Cycles: linear pixels and what is visible go to the scratch folder."""

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import bpy
import cameras
import numpy as np
import scene
import story
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector
from meshes import MM
from paths import FRAMES


def settings(size: tuple[int, int], samples: int, path: Path) -> None:
    """Cycles on the processor with few samples and the open denoiser."""
    view = bpy.context.scene
    view.render.engine = "CYCLES"
    cycles = view.cycles
    cycles.device = "CPU"
    cycles.samples = samples
    cycles.use_adaptive_sampling = False
    cycles.use_denoising = True
    cycles.denoiser = "OPENIMAGEDENOISE"
    cycles.denoising_prefilter, cycles.denoising_quality = "FAST", "BALANCED"
    cycles.use_light_tree = False
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 3, 2, 2
    cycles.transmission_bounces, cycles.transparent_max_bounces = 2, 2
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 4.0
    view.render.resolution_x, view.render.resolution_y = size
    view.render.resolution_percentage = 100
    view.render.threads_mode = "FIXED"
    view.render.threads = os.cpu_count() or 2
    view.view_settings.view_transform = "Raw"
    view.render.image_settings.file_format = "OPEN_EXR"
    view.render.image_settings.color_depth = "16"
    view.render.image_settings.exr_codec = "ZIP"
    view.render.filepath = str(path)


def seen(point: Any, radius: float, camera: Any, graph: Any) -> bool:
    """Whether a straight line from the camera reaches the point without meeting something nearer."""
    eye = camera.matrix_world.translation
    to = Vector([float(c) * MM for c in point])
    way = to - eye
    reach = way.length
    hit, where, *_ = bpy.context.scene.ray_cast(graph, eye, way.normalized(), distance=reach)
    return not hit or (where - eye).length >= reach - (radius + 0.7) * MM


def measure(placed: scene.Placed, size: tuple[int, int]) -> dict[str, Any]:
    """Pixel positions and visibility of every run and part, in upright pixels of the whole frame."""
    view = bpy.context.scene
    graph = bpy.context.evaluated_depsgraph_get()
    camera = view.camera
    eye = camera.matrix_world.translation
    result: dict[str, Any] = {}

    def pixel(point: Any) -> tuple[float, float, bool]:
        u = world_to_camera_view(view, camera, Vector([float(c) * MM for c in point]))
        return u.x * size[0], (1 - u.y) * size[1], bool(0 <= u.x <= 1 and 0 <= u.y <= 1 and u.z > 0)

    for name, (path, radius) in placed.runs.items():
        rows = []
        for point in path:
            x, y, inside = pixel(point)
            rows.append((round(x, 1), round(y, 1), bool(inside and seen(point, radius, camera, graph))))
        depths = [
            (Vector([float(c) * MM for c in p]) - eye).length / MM for p, r in zip(path, rows, strict=True) if r[2]
        ]
        result[name] = {
            "kind": "run",
            "samples": rows,
            "radius": radius,
            "depth": float(np.median(depths)) if depths else 0.0,
        }
    for name, points in placed.parts.items():
        rows = []
        for point in points:
            x, y, inside = pixel(point)
            rows.append((round(x, 1), round(y, 1), bool(inside and seen(point, 1.0, camera, graph))))
        result[name] = {"kind": "part", "samples": rows}
    return result


def run(frame: story.Frame, quick: bool) -> float:
    """Render one frame; returns seconds."""
    started = time.monotonic()
    size = (frame.size[0] // 2, frame.size[1] // 2) if quick else frame.size
    camera = cameras.CAMERAS[frame.camera]
    spot = cameras.STATIONS[frame.station]
    placed = scene.build(frame.state, frame.light, spot.to)
    pose, focal = cameras.aim(camera, frame.station, size, frame.jitter, frame.open_wide)
    out = FRAMES / f"{frame.name}.exr"
    settings(size, 4 if quick else frame.samples, out)
    bpy.context.view_layer.update()
    items = measure(placed, size)
    bpy.ops.render.render(write_still=True)
    image = bpy.data.images.load(str(out))
    pixels = np.empty(size[0] * size[1] * 4, dtype=np.float32)
    image.pixels.foreach_get(pixels)
    linear = pixels.reshape(size[1], size[0], 4)[::-1, :, :3]
    np.save(FRAMES / f"{frame.name}.npy", linear.astype(np.float16))
    out.unlink()
    record = {
        "size": size,
        "focal_px": focal,
        "pose": pose[:3].round(4).tolist(),
        "station": frame.station,
        "camera": frame.camera,
        "items": items,
    }
    (FRAMES / f"{frame.name}.json").write_text(json.dumps(record), encoding="utf-8")
    return time.monotonic() - started


def main(arguments: list[str]) -> None:
    """render.py [--quick] [--force] [NAME...]: render the named frames, or all that are missing."""
    FRAMES.mkdir(parents=True, exist_ok=True)
    quick, force = "--quick" in arguments, "--force" in arguments
    names = [a for a in arguments if not a.startswith("--")]
    total = 0.0
    known = {frame.name: frame for frame in story.frames()}
    for frame in [known[name] for name in names] or known.values():
        if not force and not names and (FRAMES / f"{frame.name}.npy").exists():
            continue
        seconds = run(frame, quick)
        total += seconds
        sys.stdout.write(f"@@ {frame.name} {seconds:.1f} s, {total:.0f} s in all\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
