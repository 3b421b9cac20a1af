"""How long a hand-over record of 2,000 pictures takes, and how soon its first page is there.

The pictures are photographs of noise and forms as large as the derived pictures of an archive, no two alike; all of
them are in the record, with pages, print, tables and bag.
"""

from __future__ import annotations

import os
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

from lastlook import archive, ingest, planning
from lastlook.handing_over import Options, write
from lastlook.handover.material import Audience
from lastlook.store import Store
from tests import browser, lightship
from tests.benchmarks.rows import Row

WIDTH, HEIGHT = 1600, 1200


def run(size: str = "full") -> list[Row]:
    """Measure and return rows; `size` "small" takes some seconds and only proves life."""
    count = 8 if size == "small" else 2000
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        base = Path(folder)
        _pictures(base / "card", count)
        made = archive.create(base / "build", name="LV-40", zone="Europe/Copenhagen")
        with Store(made, create=True) as store:
            planning.load(store, (lightship.MEDIA / "plan.toml").read_text(encoding="utf-8"), "plan.toml")
            with ThreadPoolExecutor(2) as executor:
                ingest.ingest(store, [base / "card"], executor=executor)
            began = time.perf_counter()
            written = write(store, Options(audience=Audience.REPAIRER), base / "record")
            took = time.perf_counter() - began
        assert written.pictures == count
        first = _first_page(written.folder / "data" / "index.html")
    minutes = "≤ 180" if count == 2000 else ""
    return [
        Row(f"a record of {count} pictures, pages and print and bag", took, "s", minutes),
        Row("the same, pictures a second", count / took, "/s", ""),
        Row("its size", written.size_bytes / 1e6, "MB", ""),
        Row("its first page, from the address to the last picture", first, "s", "≤ 1"),
        Row("processors of this machine", float(os.cpu_count() or 0), "", ""),
    ]


def _pictures(folder: Path, count: int) -> None:
    """`count` photographs, dated a minute apart, named as a camera names them."""
    random = np.random.default_rng(40)
    base = random.integers(0, 255, (HEIGHT // 40, WIDTH // 40, 3), dtype=np.uint8)
    large = Image.fromarray(base).resize((WIDTH + count, HEIGHT), Image.Resampling.BICUBIC)
    grain = random.normal(0, 5, (HEIGHT, WIDTH, 1)).astype(np.int16)
    places = ["2026-03-12 port lights W07 W08", "2026-03-20 mast foot", "2026-04-09 main deck"]
    for number in range(count):
        into = folder / places[number % len(places)]
        into.mkdir(parents=True, exist_ok=True)
        pixels = np.asarray(large.crop((number, 0, number + WIDTH, HEIGHT))).astype(np.int16) + grain
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"2026:03:{1 + number // 1440:02} {number // 60 % 24:02}:{number % 60:02}:00"
        image = Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))
        image.save(into / f"BL{number:06}.JPG", "JPEG", quality=85, exif=exif)


def _first_page(page: Path) -> float:
    with browser.chromium() as driver:
        driver.get("about:blank")
        best = []
        for _ in range(3):
            began = time.perf_counter()
            browser.open_page(driver, page.as_uri())
            best.append(time.perf_counter() - began)
    return sorted(best)[1]
