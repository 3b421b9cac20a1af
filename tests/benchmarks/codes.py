"""Codes in pictures: found where they are small, aslant, blurred and half in shadow; not found where none is; the cost.

Pictures without cards are crops of the sample media, turned by any angle, mirrored, scaled, brightened and grained;
painted benches; and drawn scenes full of dark squares, lettering, grids, chessboards and markers of other families: a
new one each, from a new seed each run (LASTLOOK_SEED to repeat).
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
from lastlook.records import CodeKind, Reading
from tests import cardviews
from tests.benchmarks import card_photos
from tests.benchmarks.card_photos import fresh_seed, in_its_place
from tests.benchmarks.rows import Row
from tests.media import bench_picture, exif_block, write_photo

SAMPLES = Path(__file__).parent.parent.parent / "sample_media"


def run(size: Literal["full", "small"]) -> list[Row]:
    full = size == "full"
    return [
        *_markers(400 if full else 8),
        *_whole_cards(300 if full else 4),
        *card_photos.photos(full),
        *_cards(120 if full else 3),
        *_nothing(10_000 if full else 40),
        *_cost(full),
    ]


def _markers(count: int) -> list[Row]:
    dice = np.random.default_rng(fresh_seed())
    read: dict[str, list[bool]] = {"all": []}
    wrong = glanced = 0
    for number in range(count):
        tilt = float(dice.uniform(0, 60))
        marker = int(dice.choice(codes.CARDS))
        seen = cardviews.seen(
            cardviews.marker_face(marker),
            25,
            dice,
            tilt=tilt,
            blur=float(dice.uniform(0, 1.1)),
            shadow=0.4 if number % 2 else 1.0,
            on=cardviews.ground(480, 360, number % 20),
        )
        glanced += codes.suspected(seen.grey)
        found = [code.text for code in codes.read_codes(seen.grey)]
        good = f"25h9:{marker}" in found
        wrong += sum(text != f"25h9:{marker}" for text in found)
        read["all"].append(good)
        read.setdefault("tilt over 45" if tilt > 45 else "tilt to 45", []).append(good)
        read.setdefault("half in shadow" if number % 2 else "even light", []).append(good)
    rows = [
        Row(f"lone markers of 25 px read in a close look, {name}", 100 * sum(each) / len(each), "%", _target(name))
        for name, each in read.items()
    ]
    return [
        *rows,
        Row("lone markers of 25 px that the first glance lets pass to it", 100 * glanced / count, "%"),
        Row("markers read as others", wrong, "", "≤ 0"),
    ]


def _target(name: str) -> str:
    return "≥ 95" if name == "all" else ""


def _whole_cards(count: int) -> list[Row]:
    """Cards as they are printed, in a picture no larger than its page: first the glance at it, then the close look."""
    dice = np.random.default_rng(fresh_seed())
    faces = [cardviews.card_face(card) for card in cardviews.printed_cards()]
    found = said = strange = 0
    smaller = {13: 0, 9: 0}
    for number in range(count):
        which = int(dice.integers(0, len(faces)))
        seen = cardviews.seen(
            faces[which],
            25,
            dice,
            tilt=float(dice.uniform(0, 60)),
            blur=float(dice.uniform(0, 1.1)),
            shadow=0.4 if number % 2 else 1.0,
            on=cardviews.ground(seed=number % 20),
        )
        for side in smaller:
            page = cv2.resize(seen.grey, None, fx=side / 25, fy=side / 25, interpolation=cv2.INTER_AREA)
            smaller[side] += codes.suspected(np.asarray(page, dtype=np.uint8))
        read = codes.read_codes(seen.grey) if codes.suspected(seen.grey) else ()
        right = [code for code in read if in_its_place(code, seen)]
        found += any(code.kind is CodeKind.MARKER for code in right)
        said += any(code.kind is CodeKind.QR for code in right)
        strange += len(read) - len(right)
    return [
        Row("cards of 25 px a marker found in a picture as large as its page", 100 * found / count, "%", "≥ 95"),
        Row("of these, the square code read too (2 px a module)", 100 * said / count, "%"),
        Row("codes read in them that are not there", strange, "", "≤ 0"),
        *(
            Row(f"cards of {side} px on the page that are suspected there", 100 * n / count, "%")
            for side, n in smaller.items()
        ),
    ]


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
    """As ingest searches: closer only where something looks like a code; one in ten is looked at closely anyhow."""
    seed = fresh_seed()
    dice = np.random.default_rng(seed)
    samples = []
    for path in sorted(SAMPLES.glob("c*/**/*.JPG")):
        with Image.open(path) as picture:
            samples.append(np.asarray(picture.convert("L")))
    wrong = close = large = larger = 0
    laid: list[cardviews.Grey] = []
    for number in range(count):
        kind = number % 4
        if kind < 2:
            view = _crop(samples[int(dice.integers(0, len(samples)))], dice)
        elif kind == 2:
            view = _drawn(dice)
        else:
            view = _grained(cardviews.ground(640, 480, int(dice.integers(0, 2**31))), dice)
        suspect = codes.suspected(view)
        close += suspect
        if suspect or number % 40 < 4:
            wrong += bool(codes.read_codes(view))
        laid.append(view)
        if len(laid) == _ACROSS**2:
            large += 1
            larger += _read_laid_together(laid)
            laid = []
    return [
        Row("seed of the pictures without a code", seed, ""),
        Row(f"false reads in {count} pictures without a code", wrong, "", "≤ 0"),
        Row("pictures without a code that were looked at closely", 100 * close / count, "%"),
        Row("the same laid together as photos of 11 MP", large, ""),
        Row("false reads in these, as ingest does", larger, "", "≤ 0"),
    ]


_ACROSS = 6


def _read_laid_together(views: list[cardviews.Grey]) -> bool:
    """Whether a code is read in a photo of these, six by six, taken in as any other."""
    rows = [np.hstack(views[at : at + _ACROSS]) for at in range(0, len(views), _ACROSS)]
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        path = Path(folder) / "K1000102.JPG"
        Image.fromarray(np.vstack(rows)).convert("RGB").save(path, "JPEG", quality=90)
        settings = IntakeSettings(derived=Path(folder) / "derived")
        read = reader.read_here(str(path), settings)
        assert isinstance(read, Reading)
        page = str(settings.derived / read.page)
        return bool(search_here(str(path), page, None, (read.width, read.height), settings))


def _crop(picture: cardviews.Grey, dice: np.random.Generator) -> cardviews.Grey:
    """A part of a picture, 640×480, turned by any angle."""
    height, width = picture.shape
    scale = float(dice.uniform(0.35, 2.0))
    turn = cv2.getRotationMatrix2D(
        (float(dice.uniform(0.25, 0.75)) * width, float(dice.uniform(0.25, 0.75)) * height),
        float(dice.uniform(0, 360)),
        scale,
    )
    turn[:, 2] += np.array([320, 240]) - turn @ np.array([width / 2, height / 2, 1])
    view = cv2.warpAffine(picture, turn, (640, 480), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT)
    if dice.random() < 0.5:
        view = np.ascontiguousarray(view[:, ::-1])
    return _grained(np.asarray(view, dtype=np.uint8), dice)


def _grained(view: cardviews.Grey, dice: np.random.Generator) -> cardviews.Grey:
    """Under another exposure, with grain."""
    light = view.astype(np.float32) * float(dice.uniform(0.5, 1.5)) + float(dice.uniform(-20, 20))
    return np.clip(light + dice.normal(0, float(dice.uniform(0, 8)), view.shape), 0, 255).astype(np.uint8)


def _drawn(dice: np.random.Generator) -> cardviews.Grey:
    view = np.full((480, 640), int(dice.integers(60, 230)), np.uint8)
    for _ in range(int(dice.integers(5, 60))):
        x, y = int(dice.integers(0, 600)), int(dice.integers(0, 440))
        side = int(dice.integers(8, 90))
        shade = int(dice.integers(0, 256))
        kind = int(dice.integers(0, 6))
        if kind == 0:
            cv2.rectangle(view, (x, y), (x + side, y + side), (shade,), -1)
        elif kind == 1:
            cv2.rectangle(view, (x, y), (x + side, y + side), (shade,), max(1, side // 7))
        elif kind == 2:
            cv2.putText(view, "LV-40 W03 O4", (x, y), cv2.FONT_HERSHEY_SIMPLEX, side / 40, (shade,), 2)
        elif kind == 3:
            step = max(2, side // 8)
            board = (np.indices((8, 8)).sum(axis=0) % 2 * 255).astype(np.uint8)
            _put(view, np.kron(board, np.ones((step, step), np.uint8)), x, y)
        elif kind == 4:
            bits = (dice.random((5, 5)) < 0.5).astype(np.uint8) * 255  # such as nobody printed
            framed = np.pad(np.pad(bits, 1), 1, constant_values=255)
            _put(view, np.asarray(np.kron(framed, np.ones((9, 9), np.uint8)), dtype=np.uint8), x, y)
        else:
            family = (cv2.aruco.DICT_APRILTAG_36h11, cv2.aruco.DICT_4X4_50)[int(dice.integers(0, 2))]
            face = cv2.aruco.generateImageMarker(
                cv2.aruco.getPredefinedDictionary(family), int(dice.integers(0, 50)), max(24, side)
            )
            _put(view, np.pad(np.asarray(face, dtype=np.uint8), max(3, side // 8), constant_values=255), x, y)
    turned = cv2.warpAffine(view, cv2.getRotationMatrix2D((320, 240), float(dice.uniform(0, 90)), 1.0), (640, 480))
    return np.clip(turned + dice.normal(0, 4, view.shape), 0, 255).astype(np.uint8)


def _put(view: cardviews.Grey, part: cardviews.Grey, x: int, y: int) -> None:
    part = part[: view.shape[0] - y, : view.shape[1] - x]
    view[y : y + part.shape[0], x : x + part.shape[1]] = part


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
        Row("search for codes beside taking the photo in", searched / taken, "×", "≤ 1.5" if full else ""),
    ]
