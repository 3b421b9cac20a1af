"""How fast photos are taken in, as a share of what no reader could avoid.

The floor on each file: read it, SHA-256, one reduced decode, one thumbnail encoded. Both run on two workers, turn about
in the same process, so that what else the machine does hits both alike; ratios matter, not absolutes.
"""

from __future__ import annotations

import hashlib
import io
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

from lastlook.intake import discover, guard
from lastlook.intake.reader import read_one
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Reading
from tests.benchmarks.rows import Row

WORKERS = 2

# name → width, height, JPEG quality, grain: chosen so that the files are as large as a phone's (2.4 and 8 MB).
_SIZES = {"12 MP": (4000, 3000, 80, 6.2), "48 MP": (8000, 6000, 72, 6.8)}


def run(size: str = "full") -> list[Row]:
    """Measure and return rows; `size` "small" takes some seconds and only proves life."""
    small = size == "small"
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        for name, (width, height, jpeg_quality, grain) in _SIZES.items():
            divide = 4 if small else 1
            label = f"1/16 of {name}" if small else name
            source = Path(folder) / name.replace(" ", "")
            source.mkdir()
            count = 4 if small else 12
            data = noisy_jpeg(width // divide, height // divide, jpeg_quality, grain)
            paths = []
            for number in range(count):
                path = source / f"LV40_{number:04}.jpg"
                path.write_bytes(data + number.to_bytes(4, "big"))  # content differs, so nothing is known already
                paths.append(str(path))
            rows += _photos(label, paths, len(data), Path(folder) / "derived", 2 if small else 7)
        rows += _listing(Path(folder) / "many", 500 if small else 5000)
    return rows


def noisy_jpeg(width: int, height: int, jpeg_quality: int, grain: float) -> bytes:
    """A JPEG with large forms, texture and a sensor's grain: as hard to decode as a bench photo of its size."""
    random = np.random.default_rng(40)
    forms = Image.fromarray(random.integers(0, 255, (height // 64, width // 64, 3), dtype=np.uint8))
    texture = Image.fromarray(random.integers(0, 255, (height // 8, width // 8), dtype=np.uint8))
    pixels = np.asarray(forms.resize((width, height), Image.Resampling.BICUBIC)).astype(np.int16)
    rough = np.asarray(texture.resize((width, height), Image.Resampling.BICUBIC)).astype(np.int16)
    pixels += ((rough - 128) // 6)[..., None]
    pixels += random.normal(0, grain, (height, width)).astype(np.int16)[..., None]
    stream = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Keelson", "K-1", 6
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(
        stream, "JPEG", quality=jpeg_quality, subsampling="4:2:0", exif=exif
    )
    return stream.getvalue()


def floor(path: str) -> bytes:
    """The least any reader does: one read, the hash, one decode at reduced size, one thumbnail."""
    data = Path(path).read_bytes()
    hashlib.sha256(data).hexdigest()
    image = Image.open(io.BytesIO(data))
    longest = max(image.size)
    image.draft("RGB", (image.width * 960 // longest, image.height * 960 // longest))
    image.load()  # else thumbnail() would ask for another reduction on top, and get it wrong
    image.thumbnail((440, 440), Image.Resampling.BICUBIC, reducing_gap=1.1)
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=82)
    return stream.getvalue()


def helped_floor(path: str) -> bytes:
    return guard.run(floor, path, seconds=60)


def _photos(name: str, paths: Sequence[str], length: int, derived: Path, rounds: int) -> list[Row]:
    settings = IntakeSettings(derived=derived)
    copying = IntakeSettings(derived=derived, staging=derived.parent / "staging")
    (derived.parent / "staging").mkdir(exist_ok=True)
    shares, copied, rates, floors = [], [], [], []
    with ThreadPoolExecutor(WORKERS) as workers:

        def ours(path: str) -> None:
            reading = read_one(path, settings)
            assert isinstance(reading, Reading), reading

        def ours_copied(path: str) -> None:
            reading = read_one(path, copying)
            assert isinstance(reading, Reading), reading

        list(workers.map(ours, paths[: 2 * WORKERS]))  # helpers start and load their decoders once
        list(workers.map(floor, paths[: 2 * WORKERS]))
        for _ in range(rounds):
            # Whichever kind of worker serves the floor better on this machine.
            took_floor = min(_seconds(workers, floor, paths), _seconds(workers, helped_floor, paths))
            took_ours = _seconds(workers, ours, paths)
            shares.append(took_floor / took_ours)
            copied.append(took_floor / _seconds(workers, ours_copied, paths))
            rates.append(len(paths) / took_ours)
            floors.append(len(paths) / took_floor)
        peak = _peak_mb(guard.helper_ids())
    guard.close()
    # At a sixteenth of its size a photo is mostly fixed costs: only the whole size has targets.
    share, memory = ("≥ 0.8", "≤ 600") if rounds > 2 else ("", "")
    return [
        Row(f"photos {name} ({length / 1e6:.1f} MB), share of the floor's rate", statistics.median(shares), "", share),
        Row(
            f"photos {name}, the same with a copy made of each, which the floor does not", statistics.median(copied), ""
        ),
        Row(f"photos {name}, taken in", statistics.median(rates), "/s", ""),
        Row(f"photos {name}, the floor", statistics.median(floors), "/s", ""),
        Row(f"photos {name}, peak memory of {WORKERS} helpers and their caller", peak, "MB", memory),
    ]


def _seconds(workers: ThreadPoolExecutor, task: Callable[[str], object], paths: Sequence[str]) -> float:
    start = time.perf_counter()
    list(workers.map(task, paths))
    return time.perf_counter() - start


def _peak_mb(ids: Sequence[int]) -> float:
    """Peak resident memory of these processes and the peak of this one, added, as if all came at the same moment."""
    total = 0.0
    for process in (*ids, os.getpid()) if ids else ():
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("VmHWM" if process != os.getpid() else "VmRSS"):
                total += int(line.split()[1]) / 1024
    return total


def _listing(folder: Path, count: int) -> list[Row]:
    for number in range(count):
        place = folder / f"{number // 500:03}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"LV40_{number:05}.jpg").write_bytes(b"x")
    took = []
    for _ in range(3):
        start = time.perf_counter()
        found = discover.scan([folder]).found
        took.append(time.perf_counter() - start)
        assert len(found) == count
    return [Row("files listed without opening any", count / statistics.median(took), "/s", "≥ 2000")]
