"""A record of the lightship for the tests, written once a run: the demonstration archive with what a builder adds to
it, what is marked private in it, and two pictures whose files carry a place, a serial number and an owner."""

from __future__ import annotations

import fcntl
import shutil
import subprocess
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image

from lastlook import approvals, archive, deciding, ingest, marking, stating
from lastlook.archive import Archive
from lastlook.catalogue import paths, pictures
from lastlook.deciding import Target
from lastlook.gathering import Scope
from lastlook.handing_over import Options, write
from lastlook.handover.material import Audience
from lastlook.records import Dimension
from lastlook.store import Store
from tests import lightship

SECRET = "zebrafish"  # a word of every private thing: it may be nowhere in a record
PLACE = (55.676, 12.568)
SERIAL, OWNER = "SN-4711-0815", "Otto Ownername"


@dataclass(frozen=True)
class Record:
    """`archive` that was changed; `folder` the bag, `zip_file` the same packed; ids of pictures that matter."""

    archive: Archive
    folder: Path
    zip_file: Path
    key: Path
    private: str
    tracked: str  # the picture whose original carries place, serial number and owner

    @property
    def data(self) -> Path:
        return self.folder / "data"


def make(factory: pytest.TempPathFactory, worker: str) -> Record:
    """The record, written by whichever worker comes first."""
    base = factory.getbasetemp()
    shared = base.parent if worker != "master" else base
    source = lightship.make(factory, worker)
    folder = shared / "handover"
    with (shared / "handover.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "whole").exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            (folder / "whole").write_text("\n".join(_write(source, folder)), encoding="utf-8")
    private, tracked = (folder / "whole").read_text(encoding="utf-8").splitlines()
    out = folder / "LV-40 record"
    changed = archive.open_at(folder / "lightship")
    return Record(changed, out, out.with_name(out.name + ".zip"), folder / "key", private, tracked)


def _write(source: Archive, folder: Path) -> Sequence[str]:
    made = lightship.copy(source, folder)
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(folder / "key")], check=True)
    with Store(made, by="builder") as store:
        tracked, private = prepare(store, folder)
        options = Options(
            audience=Audience.REPAIRER,
            originals=True,
            zip_=True,
            key=folder / "key",
            scope=Scope(("MAST", "BASE")),
        )
        write(store, options, folder / "LV-40 record")
    return private, tracked


def prepare(store: Store, folder: Path) -> tuple[str, str]:
    """What the builder adds; returns the pictures (that carries a place, that is private)."""
    files = [with_place(folder / "LV40_tracked.jpg", (40, 90, 120)), with_place(folder / f"{SECRET}.jpg", (90, 40, 20))]
    with ThreadPoolExecutor(1) as executor:
        ingest.ingest(store, files, executor=executor)
    ids = []
    for path in files:
        seen = paths.sightings(store.catalogue)[str(path)]
        ids.append(pictures.of_medium(store.catalogue, seen.sha256)[0].id)
    tracked, private = ids
    mast = [Target(Dimension.SUBASSEMBLY, "MAST"), Target(Dimension.RUN, "W03")]
    deciding.tag(store, [tracked], mast, "Mast foot with its größte Länge, Ωμ and кириллица.")
    deciding.tag(store, [private], mast, f"The {SECRET} lies here.")
    stating.state(store, "supply", "5 V DC, 1 A, centre positive, through J1.", picture_ids=[tracked])
    stating.state(store, "lift", "Both hands under the cradle, never at the mast.", picture_ids=[tracked])
    marking.mark(store, tracked, "trace", [[100.0, 120.0], [100.0, 700.0], [600.0, 900.0]], "W03", SECRET)
    secret = stating.state(store, "warranty", f"Only the {SECRET} knows.")
    hidden = deciding.tag(store, ["pdd87"], [], f"Last look, said the {SECRET}.")[0]
    stating.mark_private(store, picture_ids=[private], notes=[secret.uid, hidden.uid], fields=["client"])
    pack = approvals.send(
        store,
        folder / "pack.html",
        point="before closing",
        wording="May the mast foot be closed?",
        picture_ids=[tracked],
    )
    approvals.answer(
        store, pack.uid, "changes", words="Yes, but\nthe collar white.", person="A. Client", at="2026-03-26"
    )
    return tracked, private


def with_place(path: Path, colour: tuple[int, int, int]) -> Path:
    """A JPEG as a phone writes it: with a place, a serial number, an owner and a small picture inside its Exif."""
    image = Image.new("RGB", (960, 720), colour)
    for x in range(0, 960, 60):
        image.paste((230, 230, 220), (x, 100 + x // 4, x + 30, 500))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Keelson", "K-1", 6
    exif[0x013B] = OWNER
    inner = exif.get_ifd(0x8769)
    inner[0x9003], inner[0xA431], inner[0xA430] = "2026:03:26 15:00:00", SERIAL, OWNER
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", tuple(map(float, (55, 40, 33.6)))
    place[3], place[4] = "E", tuple(map(float, (12, 34, 4.8)))
    image.save(path, "JPEG", quality=90, exif=exif)
    thumb = path.with_suffix(".thumb")
    image.resize((160, 120)).save(thumb, "JPEG")
    subprocess.run(
        ["exiftool", "-q", "-overwrite_original", f"-ThumbnailImage<={thumb}", f"-XMP-dc:Creator={OWNER}",
         f"-IPTC:By-line={OWNER}", f"-Comment={OWNER}", str(path)],
        check=True,
    )  # fmt: skip
    thumb.unlink()
    return path
