"""A small archive for the tests of the pages: files written here, taken in as a builder would, decisions and closings.

The lightship LV-40 over four weeks: three cameras, one without zone, a clip with spoken words, one photo of unknown
time, one file that is no photo. Times are chosen so that every kind of answer occurs.
"""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from lastlook import archive, deciding, planning
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target
from lastlook.ingest import ingest
from lastlook.records import Dimension, Picture
from lastlook.store import Store
from tests.clipmedia import write_frames
from tests.media import bench_picture, exif_block, write_photo

PLAN = Path(__file__).parent.parent / "sample_media" / "plan.toml"
CLIP_SECONDS = 24
WORDS = """1
00:00:01,000 --> 00:00:05,000
Mast foot, runs W03 and W04 come in from the bulkhead.

2
00:00:07,000 --> 00:00:11,000
The orange one, W05, goes to the motor.

3
00:00:13,000 --> 00:00:17,000
Splice in W03, sleeved.
"""

# folder, name, the camera's own time, its offset from UTC (None: it does not say), scene
_PHOTOS = (
    ("dry fit", "K1000101.JPG", "2026:03:02 10:12:41", None, 1),
    ("BHD-11", "K1000114.JPG", "2026:03:05 14:31:07", None, 2),
    ("BHD-11", "K1000115.JPG", "2026:03:05 14:31:09", None, 2),
    ("BHD-11", "IMG_20260305_103107.jpg", "2026:03:05 10:31:07", "+01:00", 3),
    ("W07 W08 port lights", "K1000127.JPG", "2026:03:12 09:05:00", None, 4),
    ("lantern", "K1000140.JPG", "2026:03:17 10:44:18", None, 5),
    ("mast foot", "K1000152.JPG", "2026:03:20 13:05:10", None, 6),
    ("mast foot", "IMG_20260324_145018.heic", "2026:03:24 14:50:18", "+01:00", 7),
    ("mast foot", "IMG_20260325_162245.jpg", "2026:03:25 16:22:45", "+01:00", 8),
    ("outside", "IMG_20260330_090000.jpg", "2026:03:30 09:00:00", "+02:00", 9),
)


@dataclass(frozen=True)
class Filled:
    """The archive and ids that tests ask for."""

    archive: Archive
    clip: str
    last_before_o4: str
    ids: dict[str, str]
    source: Path


def write_files(folder: Path) -> None:
    """The files of the bench, as they lie on cards and phones."""
    for place, name, taken, offset, scene in _PHOTOS:
        phone = name.startswith("IMG")
        maker, model = ("Rill", "Rill 4") if phone else ("Keelson", "K-1")
        exif = exif_block(original=taken, offset=offset, make=maker, model=model, taken_with=not phone)
        write_photo(folder / place / name, bench_picture(800, 600, 40 + scene), exif=exif)
    # Nothing but the date of the file on disk, and that is later than every closing could be told from.
    write_photo(folder / "received" / "from the client.png", bench_picture(500, 700, 60))
    (folder / "odd").mkdir()
    (folder / "odd" / "K1000150.JPG").write_bytes(b"")
    views = [np.asarray(bench_picture(480, 270, 70 + n)) for n in range(4)]
    clip = folder / "loom" / "MAH00042.mp4"
    clip.parent.mkdir()
    write_frames(clip, lambda n: views[n * 4 // (CLIP_SECONDS * 10)], CLIP_SECONDS * 10, rate=10, key_every=10)
    clip.with_suffix(".srt").write_text(WORDS, encoding="utf-8")


def fill(root: Path, *, by: str = "Ines") -> Filled:
    """Make the archive in `root`/build from files in `root`/bench."""
    source = root / "bench"
    write_files(source)
    made = archive.create(root / "build", name="Lightship LV-40", zone="Europe/Copenhagen", scale="1:40")
    with Store(made, by=by, create=True) as store:
        planning.load(store, PLAN.read_text(encoding="utf-8"), "plan.toml")
        with ThreadPoolExecutor(2) as executor:
            ingest(store, [source], executor=executor)
        ids = {
            medium.file: pictures.of_medium(store.catalogue, medium.sha256)[0].id
            for medium in media.every(store.catalogue, "photo")
        }
        _say(store, ids)
        clip = media.every(store.catalogue, "clip")[0].id
    return Filled(made, clip, ids["IMG_20260325_162245.jpg"], ids, source)


def _say(store: Store, ids: dict[str, str]) -> None:
    now = datetime.fromisoformat("2026-04-20T12:00:00+02:00")
    for name, sub, step, runs, caption in (
        ("K1000101.JPG", "HULL-F", "S01", (), "Hull halves dry fitted, joint line even."),
        ("K1000140.JPG", "LAN", "S06", ("W03", "W04"), "Lantern runs soldered: W03 white is plus."),
        ("K1000152.JPG", "MAST", "S08", ("W03", "W04", "W05", "W06", "W10"), "Mast stood in its foot box."),
        ("IMG_20260324_145018.heic", "MAST", "S09", ("W03",), "W03 lengthened, splice sleeved."),
        ("IMG_20260325_162245.jpg", "MAST", "S10", ("W03", "W10"), "Service loop of W03 laid."),
        ("IMG_20260330_090000.jpg", "MAST", "S12", (), "Foot closed, collar on."),
        ("from the client.png", "MAST", "", ("W03",), "Sent by the client."),
    ):
        targets = [Target(Dimension.SUBASSEMBLY, sub), *(Target(Dimension.RUN, run) for run in runs)]
        if step:
            targets.append(Target(Dimension.STEP, step))
        deciding.tag(store, [ids[name]], targets, caption)
    deciding.close(store, "O4", "2026-03-27 16:10", "epoxy, 24 h clamped", now)
    deciding.close(store, "O1", "2026-04-02", "epoxy", now)
    deciding.close(store, "O2", "2026-04-08 11:20", "", now)


_shared: dict[str, Filled] = {}


def shared(factory: pytest.TempPathFactory) -> Filled:
    """One archive for all tests that change nothing, made when the first of them asks."""
    if "filled" not in _shared:
        _shared["filled"] = fill(factory.mktemp("web"))
    return _shared["filled"]


def copied(filled: Filled, folder: Path) -> Filled:
    """A copy of the archive for a test that changes it."""
    root = folder / "copy"
    shutil.copytree(filled.archive.root, root)
    return replace(filled, archive=archive.open_at(root))


def stills(store: Store) -> list[Picture]:
    """The stills of the clip, in order."""
    return pictures.of_medium(store.catalogue, media.every(store.catalogue, "clip")[0].sha256)
