"""An archive whose pictures are rendered with exact cameras: one section of the model open (two looks), then closed.

inside-1.jpg, inside-2.jpg   the open section from two sides; W03 and W07 lie in it
closed.jpg                   the closed section, the model moved on the bench
other.jpg                    another section of another model
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from lastlook import archive, planning
from lastlook.archive import Archive
from lastlook.catalogue import pictures
from lastlook.ingest import ingest
from lastlook.store import Store
from tests import media, scenes
from tests.bench_archive import PLAN

RUNS = ("W03", "W07")


@dataclass(frozen=True)
class Scene:
    """The archive, the model, the cameras and ids of its pictures, and how long its photos' edges are."""

    archive: Archive
    model: scenes.Tray
    cams: dict[str, scenes.View]
    ids: dict[str, str]

    def outline(self, name: str) -> scenes.Floats:
        cam = self.cams[name]
        at = cam.project(np.column_stack([self.model.outline, np.zeros(4)]))
        return np.asarray(np.clip(at, 0, np.array(cam.size) - 1))

    def skin(self, name: str, places: scenes.Floats) -> scenes.Floats:
        """Pixels of places (N, 2) mm on the skin."""
        return self.cams[name].project(np.column_stack([places, np.zeros(len(places))]))

    def run(self, name: str, n: int, every: int = 6) -> scenes.Floats:
        """Pixels along run n, as its axis is seen."""
        return self.cams[name].project(self.model.wires[n].path[10:-10:every])

    def truth(self, n: int, every: int = 6, on: str = "closed") -> scenes.Floats:
        """Where that run lies straight up on the skin, as pixels of that picture, (N, 2)."""
        path = self.model.wires[n].path[10:-10:every]
        return self.cams[on].project(np.column_stack([path[:, :2], np.zeros(len(path))]))


def make(folder: Path, *, seed: int = 40, size: tuple[int, int] = (1600, 1200)) -> Scene:
    """Render, take in, and load the plan; nothing is marked yet."""
    rng = np.random.default_rng(seed)
    mat = scenes.cutting_mat(rng)
    model = scenes.tray(rng, depth=14.0)
    looks = {
        "inside-1": (22.0, 30.0, 8.0, False),
        "inside-2": (26.0, 215.0, -12.0, False),
        "closed": (9.0, 100.0, 5.0, True),
        "other": (12.0, 60.0, 0.0, True),
    }
    cams = {}
    bench = folder / "bench"
    bench.mkdir(parents=True)
    for n, (name, (tilt, azimuth, roll, closed)) in enumerate(looks.items()):
        cam = scenes.view(tilt=tilt, azimuth=azimuth, roll=roll, field_mm=420, size=size)
        state = replace(scenes.bench(rng, mat, hard=0.5), on_flange=0)
        shown = scenes.tray(rng) if name == "other" else model
        rgb = np.ascontiguousarray(scenes.render(shown, state, cam, closed=closed)[:, :, ::-1])
        exif = media.exif_block(original=f"2026:03:{20 + n:02} 10:00:00", offset="+01:00")
        exif.get_ifd(0x8769)[0xA405] = round(cam.focal / float(np.hypot(*size)) * 43.267)
        (bench / f"{name}.jpg").write_bytes(media.jpeg_bytes(Image.fromarray(rgb), exif, quality=90))
        cams[name] = cam
    made = archive.create(folder / "scene", name="LV-40", zone="Europe/Copenhagen", scale="1:40")
    with Store(made, by="ada", create=True) as store, ThreadPoolExecutor(2) as executor:
        planning.load(store, PLAN.read_text(encoding="utf-8"), PLAN.name)
        ingest(store, [bench], executor=executor)
        every = pictures.by_rids(store.catalogue, [int(rid) for rid in store.columns.rid])
    ids = {Path(each.file).stem: each.id for each in every}
    assert set(ids) == set(cams)
    return Scene(made, model, cams, ids)
