"""A small archive for tests of the commands: four photos and what a builder would have said of them.

bench/2026-03-20 mast/LV40_0001.jpg   20 March, loom in the mast foot
bench/2026-03-20 mast/LV40_0002.jpg   24 March, W03 with its splice
bench/LV40_0003.jpg                        27 March 15:21, after the mast foot was closed (O4, 11:29)
bench/LV40_0004.jpg                        no date in the file at all
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from lastlook import archive, deciding, planning
from lastlook.archive import Archive
from lastlook.deciding import Target
from lastlook.find import find
from lastlook.ingest import ingest
from lastlook.records import Dimension, Question, Sort
from lastlook.store import Store
from tests import media

PLAN = Path(__file__).parent / "data" / "plan-lv40.toml"
DATES = ("2026:03:20 13:02:44", "2026:03:24 14:50:18", "2026:03:27 15:21:05", "")


def write_bench(folder: Path) -> Path:
    """The four photos, in a folder as a builder keeps it."""
    (folder / "2026-03-20 mast").mkdir(parents=True)
    for number, date in enumerate(DATES, start=1):
        sub = "2026-03-20 mast" if number < 3 else "."
        path = folder / sub / f"LV40_{number:04}.jpg"
        exif = media.exif_block(original=date, offset="+01:00") if date else None
        path.write_bytes(media.jpeg_bytes(media.bench_picture(320, 240, seed=number), exif))
        # Copied to this disk long after: a file's own date says only "not later than".
        os.utime(path, (1_785_000_000, 1_785_000_000))
    return folder


def make(folder: Path) -> Archive:
    """The archive, with the plan, two captions, run W03 on two pictures, and O4 closed."""
    made = archive.create(folder / "lv40", name="LV-40", zone="Europe/Copenhagen", scale="1:40")
    with Store(made, by="ada", create=True) as store, ThreadPoolExecutor(2) as executor:
        planning.load(store, PLAN.read_text(encoding="utf-8"), PLAN.name)
        ingest(store, [write_bench(folder / "bench")], executor=executor)
        first, second = (
            hit.picture for hit in find(store, Question(subassemblies=("MAST",), sort=Sort.OLDEST)).hits[:2]
        )
        run = [Target(Dimension.RUN, "W03")]
        deciding.tag(store, [first.id], run, "Loom stood in the mast foot, W03 is taut.")
        deciding.tag(store, [second.id], run, "W03 lengthened with a sleeved splice.")
        deciding.close(store, "O4", "2026-03-27 11:29", "bonded, two-part epoxy")
    return made
