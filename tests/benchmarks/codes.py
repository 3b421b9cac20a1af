"""Codes in pictures: found where they are small, aslant, blurred and half in shadow; not found where none is; the cost.

Pictures without cards are crops of the sample media, turned, mirrored and scaled, and drawn scenes full of dark
squares, lettering and grids, a new one each.
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from PIL import Image

from lastlook.clocks import card
from lastlook.intake import codes, reader
from lastlook.intake.code_search import search_here
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Reading
from tests import cardviews
from tests.benchmarks.rows import Row
from tests.media import bench_picture, exif_block, write_photo

SAMPLES = Path(__file__).parent.parent.parent / "sample_media"


def run(size: Literal["full", "small"]) -> list[Row]:
    full = size == "full"
    return [*_markers(400 if full else 8), *_cards(60 if full else 3), *_nothing(10_000 if full else 40), *_cost(full)]


def _markers(count: int) -> list[Row]:
    dice = np.random.default_rng(2027)
    read: dict[str, list[bool]] = {"all": []}
    wrong = 0
    for number in range(count):
        tilt = float(dice.uniform(0, 60))
        marker = int(dice.integers(0, codes.MARKERS))
        seen = cardviews.seen(
            cardviews.marker_face(marker),
            25,
            dice,
            tilt=tilt,
            blur=float(dice.uniform(0, 1.1)),
            shadow=0.4 if number % 2 else 1.0,
            on=cardviews.ground(480, 360, number % 20),
        )
        found = [code.text for code in codes.read_codes(seen.grey)]
        good = f"25h9:{marker}" in found
        wrong += sum(text != f"25h9:{marker}" for text in found)
        read["all"].append(good)
        read.setdefault("tilt over 45" if tilt > 45 else "tilt to 45", []).append(good)
        read.setdefault("half in shadow" if number % 2 else "even light", []).append(good)
    rows = [
        Row(f"markers of 25 px read, {name}", 100 * sum(each) / len(each), "%", "≥ 95" if name == "all" else "")
        for name, each in read.items()
    ]
    return [*rows, Row("markers read as others", wrong, "", "≤ 0")]


def _cards(count: int) -> list[Row]:
    dice = np.random.default_rng(2028)
    began = datetime(2027, 3, 12, 9, 0, tzinfo=UTC)
    good = 0
    for number in range(count):
        text = card.compose(began + timedelta(seconds=number), 1.3)
        seen = cardviews.seen(
            cardviews.qr_face(text),
            25 * 5,
            dice,
            tilt=float(dice.uniform(0, 45)),
            blur=float(dice.uniform(0, 1)),
            shadow=0.5 if number % 2 else 1.0,
            mirrored=number % 3 == 2,
        )
        good += codes.suspected(seen.grey) and text in [one.text for one in codes.read_codes(seen.grey)]
    return [Row("clock cards of 5 px a module read, tilt to 45°", 100 * good / count, "%", "≥ 95")]


def _nothing(count: int) -> list[Row]:
    """As ingest searches: closer only where something looks like a code."""
    dice = np.random.default_rng(2029)
    samples = []
    for path in sorted((SAMPLES / "camera").glob("**/*.JPG")):
        with Image.open(path) as picture:
            samples.append(np.asarray(picture.convert("L")))
    wrong = close = 0
    for number in range(count):
        view = _crop(samples[number % len(samples)], dice) if samples and number % 2 else _drawn(dice)
        if codes.suspected(view):
            close += 1
            wrong += bool(codes.read_codes(view))
    return [
        Row(f"false reads in {count} pictures without a code", wrong, "", "≤ 0"),
        Row("pictures without a code that were looked at closely", 100 * close / count, "%"),
    ]


def _crop(picture: cardviews.Grey, dice: np.random.Generator) -> cardviews.Grey:
    height, width = picture.shape
    part = float(dice.uniform(0.3, 1.0))
    tall, wide = int(height * part), int(width * part)
    y, x = int(dice.integers(0, height - tall + 1)), int(dice.integers(0, width - wide + 1))
    view = np.rot90(picture[y : y + tall, x : x + wide], int(dice.integers(0, 4)))
    if dice.random() < 0.5:
        view = view[:, ::-1]
    scale = 640 / max(view.shape)
    size = (max(16, int(view.shape[1] * scale)), max(16, int(view.shape[0] * scale)))
    return np.asarray(cv2.resize(np.ascontiguousarray(view), size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _drawn(dice: np.random.Generator) -> cardviews.Grey:
    view = np.full((480, 640), int(dice.integers(60, 230)), np.uint8)
    for _ in range(int(dice.integers(5, 60))):
        x, y = int(dice.integers(0, 600)), int(dice.integers(0, 440))
        side = int(dice.integers(8, 90))
        shade = int(dice.integers(0, 256))
        kind = int(dice.integers(0, 3))
        if kind == 0:
            cv2.rectangle(view, (x, y), (x + side, y + side), (shade,), -1)
        elif kind == 1:
            cv2.rectangle(view, (x, y), (x + side, y + side), (shade,), max(1, side // 7))
        else:
            cv2.putText(view, "LV-40 W03 O4", (x, y), cv2.FONT_HERSHEY_SIMPLEX, side / 40, (shade,), 2)
    noise = dice.normal(0, 4, view.shape)
    turned = cv2.warpAffine(view, cv2.getRotationMatrix2D((320, 240), float(dice.uniform(0, 90)), 1.0), (640, 480))
    return np.clip(turned + noise, 0, 255).astype(np.uint8)


def _cost(full: bool) -> list[Row]:
    """CPU of the search beside that of taking a photo in; both on one thread."""
    edge = (4000, 3000) if full else (800, 600)
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        root = Path(folder)
        path = write_photo(root / "K1000101.JPG", bench_picture(*edge), exif=exif_block())
        settings = IntakeSettings(derived=root / "derived")
        began = time.process_time()
        for _ in range(3):
            read = reader.read_here(str(path), settings)
        taken = time.process_time() - began
        assert isinstance(read, Reading)
        page = str(settings.derived / read.page)
        began = time.process_time()
        for _ in range(3):
            search_here(str(path), page, None, (read.width, read.height), settings)
        searched = time.process_time() - began
    return [
        Row(
            "search for codes, a photo of 12 megapixels" if full else "search for codes", 1000 * searched / 3, "ms CPU"
        ),
        Row("search for codes beside taking the photo in", searched / taken, "×", "≤ 0.35" if full else ""),
    ]
