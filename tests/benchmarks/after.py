"""The first page after a change: what bringing up to date what pages keep takes the one who asks first.

Each change is made once more for each time, and every page is then asked for with what was kept before it.
"""

from __future__ import annotations

import copy
import statistics
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from flask import Flask
from PIL import Image

from lastlook import deciding, plan_depths, planning, sessions
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target
from lastlook.ingest import ingest
from lastlook.records import ClockCorrection, Dimension
from lastlook.store import Store

PAGES = (
    "/",
    "/build/drawing",
    "/queue",
    "/handover",
    "/compare/opening/O4",
    "/closings",
    "/closing/O4",
    "/runs",
    "/sub/MAST",
    "/bench",
    "/plan",
    "/clock",
)
_TIMES = 3
_CAMERA = "Shoal S-3"  # of no other picture
_MAKE, _MODEL, _DIGITIZED, _TAKEN, _EXIF = 0x010F, 0x0110, 0x9004, 0x9003, 0x8769

Change = Callable[[Store, int, Path], object]


def _tag(store: Store, number: int, _: Path) -> None:
    photo = media.every(store.catalogue, "photo")[10 + number]
    sub = store.plan.subassemblies[number % len(store.plan.subassemblies)]
    deciding.tag(store, [_picture(store, photo.sha256)], [Target(Dimension.SUBASSEMBLY, sub.id)])


def _caption(store: Store, number: int, _: Path) -> None:
    photo = media.every(store.catalogue, "photo")[30 + number]
    deciding.tag(store, [_picture(store, photo.sha256)], [], f"flange of the mast foot, {number}")


def _session(store: Store, number: int, _: Path) -> None:
    day = date(2026, 3, 21) + timedelta(days=number)
    sessions.add(store, [Target(Dimension.SUBASSEMBLY, "MAST")], f"{day} 08:00", f"{day} 18:00")


def _photo(store: Store, number: int, folder: Path) -> None:
    path = folder / f"S3_{number:04}.JPG"
    exif = Image.Exif()
    exif[_MAKE], exif[_MODEL] = _CAMERA.split()
    exif.get_ifd(_EXIF).update(dict.fromkeys((_TAKEN, _DIGITIZED), f"2026:03:25 1{number % 10}:20:00"))
    Image.effect_noise((400, 300), 20 + number).save(path, exif=exif)
    with ThreadPoolExecutor(1) as executor:
        assert ingest(store, [path], executor=executor).added == 1


def _title(store: Store, number: int, _: Path) -> None:
    before = store.plan.subassemblies[0].title
    planning.load(store, store.plan_text.replace(before, f"{before.split(', no.')[0]}, no. {number}"), "plan.toml")


def _depth(store: Store, number: int, _: Path) -> None:
    plan_depths.change(store, "MAST", 20.0 + number, None, planning.uid_in_force(store))


def _opened(store: Store, number: int, _: Path) -> None:
    deciding.reopen(store, ("O3", "O2", "O1")[number], f"2026-11-{10 + number} 10:00")


def _clock(store: Store, number: int, _: Path) -> None:
    (camera,) = (key for key, _ in media.cameras(store.catalogue) if _CAMERA in key)
    deciding.correct_clock(store, ClockCorrection(camera, 60 * (number + 1)))


CHANGES: dict[str, Change] = {
    "a tag": _tag,
    "a caption": _caption,
    "a session": _session,
    "a photo": _photo,
    "a title of the plan": _title,
    "a depth of the plan": _depth,
    "a closing opened again": _opened,
    "a clock's correction of few": _clock,
}


def first_pages(app: Flask, archive: Archive, folder: Path) -> Iterator[tuple[str, float, str]]:
    """(change, milliseconds of the dearest first page after it, its address), in time of the request's thread. New
    photos are made in `folder`."""
    client = app.test_client()
    kept = [app.extensions[name] for name in ("lastlook-caches", "lastlook-overview")]
    folder.mkdir()
    for kind, change in CHANGES.items():
        taken: dict[str, list[float]] = {page: [] for page in PAGES}
        for number in range(_TIMES):
            for page in PAGES:
                client.get(page, buffered=True)
            were = [_state(one) for one in kept]
            with Store(archive, by="Ada") as store:
                change(store, number, folder)
            for page in PAGES:
                for one, state in zip(kept, were, strict=True):
                    vars(one).update(_copied(state))
                began = time.thread_time()
                code = client.get(page, buffered=True).status_code
                taken[page].append((time.thread_time() - began) * 1000)
                assert code == 200, (kind, page, code)
        dearest = max(PAGES, key=lambda page: statistics.median(taken[page]))
        yield kind, statistics.median(taken[dearest]), dearest


def _picture(store: Store, sha256: str) -> str:
    return pictures.of_medium(store.catalogue, sha256)[0].id


def _state(one: object) -> dict[str, Any]:
    """What is kept, but for its locks."""
    return _copied({name: value for name, value in vars(one).items() if name not in {"lock", "following"}})


def _copied(state: dict[str, Any]) -> dict[str, Any]:
    return {name: copy.copy(value) if isinstance(value, (dict, list)) else value for name, value in state.items()}
