"""Taking an unchanged folder in again: nothing is opened, nothing is asked of the catalogue file by file.

The folder is real (files with an archive's originals beside it), the catalogue says that it was taken in before.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from lastlook import archive, ingest, planning
from lastlook.catalogue import media, plain
from lastlook.committing import Committer
from lastlook.intake.discover import Company
from lastlook.records import Camera
from lastlook.store import Store
from tests import generated
from tests.archives import Inline
from tests.benchmarks.rows import Row

SMALL, FULL = 200, 20_000
_PER_FOLDER = 500


def run(size: str = "full") -> list[Row]:
    count = SMALL if size == "small" else FULL
    folder = Path(tempfile.mkdtemp(prefix="lastlook-benchmark-"))
    try:
        return _again(folder, count)
    finally:
        shutil.rmtree(folder)


def _again(folder: Path, count: int) -> list[Row]:
    card = folder / "card"
    made = archive.create(folder / "lv40", name="LV-40", zone="Europe/Copenhagen")
    with Store(made, create=True, by="Ada") as store:
        planning.load(store, generated.PLAN, "plan.toml")
        _taken_in(store, card, count)
        best = None
        for _ in range(3):
            began = time.perf_counter()
            done = ingest.ingest(store, [card], executor=Inline())
            took = time.perf_counter() - began
            assert (done.known, done.added) == (count, 0)
            best = took if best is None else min(best, took)
    assert best is not None
    return [Row(f"repeat of an unchanged folder of {count}", count / best, "files/s", "≥ 2000")]


def _taken_in(store: Store, card: Path, count: int) -> None:
    """Files on disk, in the folder and among the originals, and the rows that an ingest of them leaves."""
    catalogue, originals = store.catalogue, store.archive.originals / "2026"
    originals.mkdir()
    committer = Committer(store, in_place=False, roots=[card], company=Company({}, {}, {}, ()), seen={})
    with catalogue.writing():
        for number in range(count):
            path = card / f"{number // _PER_FOLDER:03}" / f"LV40_{number:06}.JPG"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"x")
            stored = originals / path.name
            stored.write_bytes(b"x")
            medium = media.Medium(
                sha256=f"{number:064x}",
                kind="photo",
                format="JPEG",
                file=path.name,
                stored=str(stored.relative_to(store.archive.root)),
                in_place=False,
                size_bytes=1,
                mtime_ns=path.stat().st_mtime_ns,
                width=0,
                height=0,
                orientation=1,
                camera=Camera(),
                claims=(),
                facts={},
                warnings=(),
                duration_ms=None,
                pair_id="",
                belongs_to="",
                shown=True,
            )
            media.add(catalogue, medium)
            committer._arrive(medium, str(path))
    plain.write_plain(catalogue, store.archive.decisions)
