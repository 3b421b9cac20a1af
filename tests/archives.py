"""A small bench of real files with everything that is awkward about taking files in, and ways to compare archives.

bench/
  mast loom/IMG_20260312_104107.jpg   an ordinary photo
  mast loom/LV40_0002.jpg             three files of one day whose names are one name on other systems:
  deck/LV40_0002.jpg                    the same name,
  deck/lv40_0002.JPG                    the same but for case
  deck/la\u0301tida.jpg, látida.jpg   the same but for Unicode composition
  copies/again.jpg                    the first photo once more, under another name
  hull-f/CLIP_0001.mp4, .srt          a clip and what was said over it
  hull-f/IMG_0005.jpg, IMG_0005.mov   a photo and its motion clip
  odd/…                               a torn photo, an empty one, notes, captions without a clip, a raw file that
                                      cannot be shown, names that are no UTF-8, of two lines, of 255 bytes
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from lastlook import archive, ingest, planning
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, dump
from lastlook.ingest import Ingested
from lastlook.store import Store
from tests import clipmedia, media

P = ParamSpec("P")
R = TypeVar("R")

PLAN = (Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8")
COPIED = 1_785_000_000  # when all files were copied to the disk: long after they were taken
PHOTOS, CLIPS, MOTION, CAPTIONS, DOUBLES, PROBLEMS = 11, 1, 1, 1, 1, 5
"""What is in the bench: photos by content, clips that are not motion clips, …; problems count the raw file."""


class Inline(Executor):
    """Runs everything at once, on this thread."""

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        future: Future[R] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def photo(path: Path, seed: int, when: str = "2026:03:12 10:41:07", offset: str | None = "+01:00") -> Path:
    """A small photo of its own content."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = media.exif_block(original=when, offset=offset)
    path.write_bytes(media.jpeg_bytes(media.bench_picture(160, 120, seed=seed), exif))
    os.utime(path, (COPIED, COPIED))
    return path


def write_bench(folder: Path) -> Path:
    """All of it; returns the folder."""
    bench = folder / "bench"
    first = photo(bench / "mast loom" / "IMG_20260312_104107.jpg", 1)
    photo(bench / "mast loom" / "LV40_0002.jpg", 2, "2026:03:12 11:00:00")
    photo(bench / "deck" / "LV40_0002.jpg", 3, "2026:03:12 12:00:00")
    photo(bench / "deck" / "lv40_0002.JPG", 4, "2026:03:12 13:00:00")
    photo(bench / "deck" / "la\u0301tida.jpg", 5, "2026:03:12 14:00:00")
    photo(bench / "deck" / "l\u00e1tida.jpg", 6, "2026:03:12 15:00:00")
    (bench / "copies").mkdir()
    shutil.copy2(first, bench / "copies" / "again.jpg")
    hull = bench / "hull-f"
    photo(hull / "IMG_0005.jpg", 7, "2026:03:14 10:00:00")
    clip = ("-metadata", "creation_time=2026-03-13T09:00:00Z", *clipmedia.H264, *clipmedia.KEY_EACH_SECOND)
    clipmedia.draw(hull / "CLIP_0001.mp4", *clip)
    (hull / "CLIP_0001.srt").write_text(
        "1\n00:00:01,000 --> 00:00:05,000\nthis is W03 going down the lantern mast\n", encoding="utf-8"
    )
    motion = ("-metadata", "creation_time=2026-03-14T09:00:01Z", *clipmedia.H264)
    clipmedia.draw(hull / "IMG_0005.mov", *motion, picture="testsrc2=size=160x120:rate=10:duration=2")
    odd = bench / "odd"
    odd.mkdir()
    (odd / "torn.jpg").write_bytes(b"\xff\xd8\xff\xe0" + bytes(200))
    (odd / "empty.jpg").write_bytes(b"")
    (odd / "notes.txt").write_text("glue again on Friday", encoding="utf-8")
    (odd / "alone.srt").write_text("1\n00:00:01,000 --> 00:00:02,000\nnobody\n", encoding="utf-8")
    media.write_raw(odd / "kept.nef", None)
    photo(odd / os.fsdecode(b"caf\xe9.jpg"), 8)
    photo(odd / "two\nlines.jpg", 9)
    photo(odd / ("n" * 251 + ".jpg"), 10)
    for base, _, names in os.walk(bench):
        for name in names:
            os.utime(Path(base) / name, (COPIED, COPIED))
    return bench


def make(root: Path, *, plan: bool = True) -> Archive:
    """An empty archive, the lightship's plan in force."""
    made = archive.create(root, name="LV-40", zone="Europe/Copenhagen")
    with Store(made, create=True, by="Ada") as store:
        if plan:
            planning.load(store, PLAN, "plan.toml")
    return made


def take(where: Archive, *paths: Path, executor: Executor | None = None, **options: Any) -> Ingested:
    """Ingest, inline where no executor is given."""
    with Store(where, by="Ada") as store:
        return ingest.ingest(store, paths, executor=executor or Inline(), **options)


def contents(where: Archive) -> dict[str, list[tuple[object, ...]]]:
    """The whole content of the catalogue."""
    with Catalogue(where.catalogue, look_only=True) as catalogue:
        return dump.dump(catalogue)


def comparable(where: Archive) -> dict[str, list[Any]]:
    """`contents` without what differs from run to run: ids, numbers and times of decisions."""
    found: dict[str, list[Any]] = dict(contents(where))
    found["decision"] = [(row[4], row[5], row[7]) for row in found["decision"]]
    found["sighting"] = [(*row[:4], row[5]) for row in found["sighting"]]
    del found["decision_subject"]
    return found


def state(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Every file below a folder: hash, size, modification time."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            status = path.stat()
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            found[str(path.relative_to(folder))] = (digest, status.st_size, status.st_mtime_ns)
    return found
