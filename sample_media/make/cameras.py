"""The three invented cameras and the photo stations around the bench."""

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector
from meshes import MM

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Camera:
    """Maker and model are made up; sensor width and focal length in mm."""

    id: str
    make: str
    model: str
    sensor: float
    lens: float
    fnumber: float
    grain: float
    saturation: float
    vignette: float


CAMERAS = {
    "phone": Camera("phone", "Tarnholt", "Rill 4", 7.0, 5.6, 1.8, 0.010, 1.10, 0.10),
    "camera": Camera("camera", "Brasklund", "BL-30", 17.3, 25.0, 5.6, 0.006, 1.0, 0.16),
    "compact": Camera("compact", "Pebbit", "Nib 2", 6.2, 6.0, 3.3, 0.016, 1.04, 0.24),
}


@dataclass(frozen=True)
class Station:
    """A photo station: where the camera is, what it looks at, which way is up, a factor on the lens."""

    at: Point
    to: Point
    up: Point = (0, 0, 1)
    zoom: float = 1.0


STATIONS = {
    "halves": Station((930, 700, 500), (470, 10, 20), zoom=0.9),
    "port": Station((500, 1000, 250), (470, 0, 90), zoom=1.0),
    "port-far": Station((500, 1500, 330), (462, 0, 110), zoom=0.92),
    "starboard": Station((440, -1050, 260), (466, 0, 105), zoom=0.95),
    "portrait-bow": Station((1080, 640, 330), (620, 0, 130), zoom=1.1),
    "bow": Station((1500, 860, 470), (560, 0, 95), zoom=0.95),
    "joint-port": Station((520, 520, 300), (463, 10, 50), zoom=0.8),
    "aft-face": Station((190, -110, 215), (462, 0, 52), zoom=1.3),
    "aft-close": Station((318, 12, 132), (461, 4, 50), zoom=1.15),
    "top-whole": Station((462, -170, 960), (462, 0, 40), (0, 1, 0), zoom=1.0),
    "top-all": Station((462, -170, 960), (462, 0, 40), (0, 1, 0), zoom=0.64),
    "top-fore": Station((640, -130, 520), (640, 4, 40), (0, 1, 0), zoom=1.15),
    "top-joint": Station((420, -150, 430), (440, 5, 45), (0, 1, 0), zoom=1.15),
    "side-close": Station((655, -120, 185), (648, 60, 62), zoom=1.1),
    "foot-close": Station((530, -105, 178), (566, 4, 18), zoom=1.2),
    "foot-context": Station((470, -190, 330), (572, 8, 28), zoom=1.1),
    "foot-top": Station((556, -30, 215), (560, 6, 14), (0, 1, 0), zoom=1.25),
    "mast-flat": Station((610, 560, 330), (600, 205, -15), zoom=1.0),
    "lantern": Station((850, 330, 80), (782, 188, -12), zoom=1.2),
    "mast-foot-flat": Station((430, 370, 130), (390, 225, -20), zoom=1.0),
    "house": Station((545, 130, 330), (465, -2, 105), zoom=1.2),
    "base": Station((450, 640, 230), (405, 150, 10), zoom=0.85),
    "base-close": Station((330, 400, 110), (345, 172, 22), zoom=1.25),
    "mast-top": Station((830, 330, 420), (572, 0, 320), zoom=1.5),
}


def aim(camera: Camera, station: str, size: tuple[int, int], jitter: int, open_wide: float = 1.0) -> tuple[Any, float]:
    """Put the camera at a station, held by hand (seeded jitter). Returns (4x4 pose in mm, focal length in px)."""
    spot = STATIONS[station]
    rng = np.random.default_rng(jitter)
    reach = float(np.linalg.norm(np.subtract(spot.at, spot.to)))
    at = Vector(spot.at) + Vector(rng.normal(0, reach * 0.012, 3))
    to = Vector(spot.to) + Vector(rng.normal(0, reach * 0.010, 3))
    forward = (to - at).normalized()
    up = Vector(spot.up) + Vector(rng.normal(0, 0.012, 3))
    right = forward.cross(up).normalized()
    true_up = right.cross(forward)
    pose = Matrix((right, true_up, -forward)).transposed().to_4x4()
    pose.translation = at * MM
    data = bpy.data.cameras.new("camera")
    data.sensor_width = camera.sensor
    data.sensor_fit = "AUTO"
    data.lens = camera.lens * spot.zoom
    data.clip_start, data.clip_end = 0.01, 20
    data.dof.use_dof = True
    data.dof.focus_distance = max((to - at).dot(forward), 40.0) * MM
    data.dof.aperture_fstop = camera.fnumber / open_wide
    thing = bpy.data.objects.new("camera", data)
    bpy.context.scene.collection.objects.link(thing)
    thing.matrix_world = pose
    bpy.context.scene.camera = thing
    focal = data.lens / camera.sensor * max(size)
    mm_pose = np.array(pose)
    mm_pose[:3, 3] /= MM
    return mm_pose, focal
