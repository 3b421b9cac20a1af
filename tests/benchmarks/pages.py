"""Every page of the viewer over generated archives: what the server takes for it, once it has been asked for before.

The addresses are those at which the tests look at every page. A page that reads an original says that it is missing:
generated archives have none.
"""

from __future__ import annotations

import logging
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from flask.testing import FlaskClient

from lastlook import sessions
from lastlook.catalogue import media, pictures
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import generated
from tests.benchmarks import after
from tests.benchmarks.rows import Row
from tests.test_web_every_page import NO_PAGES, PAGES

SMALL, FULL = (500,), (1_000, 10_000, 100_000)
TARGET_MS = 100.0
_TIMES = 5
_PARTS = ("ask.words", "build.drawing", "bench.state", "jobs.state")  # what open pages ask for again and again


def run(size: str = "full") -> list[Row]:
    """Milliseconds of each page, the median of some askings in time of the processor, so that what else the
    machine does is left out; the largest archive is held to the target."""
    logging.getLogger("lastlook_web").setLevel(logging.CRITICAL)
    sizes = SMALL if size == "small" else FULL
    rows: list[Row] = []
    for count in sizes:
        with tempfile.TemporaryDirectory() as folder:
            rows += _of(Path(folder) / "build", count, held=count == sizes[-1])
    return rows


def _of(root: Path, count: int, *, held: bool) -> Iterator[Row]:
    archive = generated.make(root, count)
    bench = _bench(Store(archive, by="Ada"))
    app = create_app(ViewerConfig(archive, by="Ada"))
    client = app.test_client()
    addresses = [(name, one) for name, of in PAGES.items() if name in app.view_functions for one in of(bench)]
    addresses += [(name, NO_PAGES[name](bench)) for name in _PARTS if name in app.view_functions]
    for name, address in addresses:
        milliseconds, code = _time(client, address)
        shown = address.split("?")[1][:34] if "?" in address else ""
        what = f"{count}: {name} {shown}{'' if code < 400 else f' ({code})'}"
        yield Row(what, milliseconds, "ms", f"≤ {TARGET_MS:g}" if held else "")
    for kind, milliseconds, address in after.first_pages(app, archive, root.parent / "photos"):
        yield Row(f"{count}: after {kind}, dearest {address}", milliseconds, "ms", f"≤ {TARGET_MS:g}" if held else "")


def _time(client: FlaskClient, address: str) -> tuple[float, int]:
    code = client.get(address, buffered=True).status_code
    for thread in threading.enumerate():
        if thread.name == "lastlook-aside":  # what the page has begun beside itself is no part of it
            thread.join()
    taken = []
    for _ in range(_TIMES):
        began = time.process_time()
        client.get(address, buffered=True)
        taken.append((time.process_time() - began) * 1000)
    return statistics.median(taken), code


def _bench(store: Store) -> Any:
    """Ids of the archive in the places where the addresses look for them."""
    with store:
        session = sessions.add(store, [Target(Dimension.SUBASSEMBLY, "MAST")], "2026-03-20 13:00", "2026-03-20 14:00")
        clip = media.every(store.catalogue, "clip")[0]
        still = pictures.of_medium(store.catalogue, clip.sha256)[0].id
        photos = [
            pictures.of_medium(store.catalogue, one.sha256)[0].id for one in media.every(store.catalogue, "photo")[:3]
        ]
    names = dict.fromkeys(("IMG_20260330_090000.jpg", "K1000152.JPG"), photos[1])
    filled = SimpleNamespace(clip=clip.id, ids=names)
    return SimpleNamespace(filled=filled, picture=photos[0], other=photos[1], still=still, session=session.uid)
