"""How fast clips are taken in, against ffmpeg asked for key frames only, on the same clips in the same run.

A clip is a minute of hand-held bench work: states held for four seconds, sweeps of two between them, a sensor's grain,
16 Mbit/s at 30 frames a second with a key frame each second. Ours judges every look, chooses stills and writes their
pictures; ffmpeg only decodes the key frames and throws them away. Both take turns.
"""

from __future__ import annotations

import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lastlook.intake import clips, guard
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Problem, Reading
from tests.benchmarks.rows import Row

RATE = 30
CODECS = {
    "H.264": ("-c:v", "libx264", "-preset", "veryfast", "-sc_threshold", "0"),
    "HEVC": ("-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "scenecut=0:keyint=30:min-keyint=30:open-gop=0"
             ":log-level=error"),
}  # fmt: skip


def run(size: str = "full") -> list[Row]:
    """Measure; "small" takes some seconds and only proves life."""
    small = size == "small"
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        root = Path(folder)
        settings = IntakeSettings(derived=root / "derived")
        for name, coding in CODECS.items():
            path = film(root / f"{name}.mp4", coding, small=small)
            rows += _one(name, path, settings, 1 if small else 5)
    return rows


def film(target: Path, coding: Sequence[str], *, small: bool = False) -> Path:
    """Draw twelve seconds, encode them, and repeat the coded stream to a minute."""
    width, height, seconds = (320, 180, 6) if small else (1920, 1080, 12)
    part = target.with_name(f"part-{target.name}")
    command = ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gray", "-s", f"{width}x{height}"]
    command += ["-r", str(RATE), "-i", "-", *coding, "-g", str(RATE), "-keyint_min", str(RATE), "-pix_fmt", "yuv420p"]
    command += ["-b:v", "16M", "-maxrate", "16M", "-bufsize", "16M", str(part)]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as encoder:
        assert encoder.stdin is not None
        for frame in _drawn(width, height, seconds):
            encoder.stdin.write(frame.tobytes())
        encoder.stdin.close()
    assert encoder.returncode == 0
    loops = ["-stream_loop", "0" if small else "4"]
    subprocess.run(["ffmpeg", "-v", "error", "-y", *loops, "-i", part, "-c", "copy", str(target)], check=True)
    part.unlink()
    return target


def _drawn(width: int, height: int, seconds: int) -> list[NDArray[np.uint8]]:
    numbers = np.random.default_rng(40)
    margin = width // 16
    frames: list[NDArray[np.uint8]] = []
    grain = [numbers.normal(0, 3, (height, width)).astype(np.int8) for _ in range(5)]
    scene = np.zeros((height + margin, width + margin), dtype=np.uint8)
    sway = np.cumsum(numbers.normal(0, 0.7, (seconds * RATE, 2)), axis=0)
    for number in range(seconds * RATE):
        second = number // RATE
        if number % (6 * RATE) == 0:
            scene = _scene(numbers, width + margin, height + margin)
        x, y = (int(np.clip(margin / 2 + v, 0, margin)) for v in sway[number])
        frame = scene[y : y + height, x : x + width]
        if second % 6 >= 4:
            frame = np.roll(frame, (number % RATE) * width // 20, axis=1)
        noise = grain[number % 5].astype(np.int16)
        frames.append(np.clip(frame + noise, 0, 255).astype(np.uint8))
    return frames


def _scene(numbers: np.random.Generator, width: int, height: int) -> NDArray[np.uint8]:
    rough = numbers.integers(60, 190, (height // 40 + 1, width // 40 + 1), dtype=np.uint8)
    image = np.array(Image.fromarray(rough).resize((width, height), Image.Resampling.BICUBIC))
    for _ in range(40):
        x, y = (int(v) for v in numbers.integers(0, [width, height]))
        image[y : y + height // 9, x : x + width // 12] = int(numbers.integers(10, 245))
    return image


def _one(name: str, path: Path, settings: IntakeSettings, rounds: int) -> list[Row]:
    def floor(_: int = 0) -> None:
        subprocess.run(
            ["ffmpeg", "-v", "error", "-skip_frame", "nokey", "-i", str(path), "-f", "null", "-"], check=True
        )

    def ours(number: int = 0) -> Reading | Problem:
        # As it is in use: in a helper process that is kept, under a name of its own.
        return guard.run(clips.read_clip, str(path), f"{number:064x}", settings, seconds=600)

    ratios, paired, rates = [], [], []
    with ThreadPoolExecutor(2) as workers:
        list(workers.map(ours, range(2)))
        floor()
        for _ in range(rounds):
            took_floor, took = _seconds(floor), _seconds(ours)
            ratios.append(took / took_floor)
            rates.append(took)
            both_floor = _seconds(lambda: list(workers.map(floor, range(2))))
            paired.append(_seconds(lambda: list(workers.map(ours, range(2)))) / both_floor)
    reading = ours()
    guard.close()
    assert isinstance(reading, Reading), reading
    assert reading.duration_ms is not None
    return [
        Row(f"clips {name} 1080p30, time against ffmpeg's key frames", statistics.median(ratios), "", "≤ 1.6"),
        Row(f"clips {name}, two on two workers against two ffmpegs", statistics.median(paired), "", "≤ 1.6"),
        Row(f"clips {name}, a clip of {reading.duration_ms / 1000:.0f} s taken in", statistics.median(rates), "s"),
        Row(f"clips {name}, stills written", len(reading.stills), ""),
    ]


def _seconds(task: Callable[[], object]) -> float:
    began = time.perf_counter()
    task()
    return time.perf_counter() - began
