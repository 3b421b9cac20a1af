"""Whole photos with a bench card in them, taken in and searched as ingest does; what another reader finds in the same.

Sides of markers are pixels of the photo as it came. A new seed each run (LASTLOOK_SEED to repeat).
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from lastlook.cards import decode, layout
from lastlook.intake import reader
from lastlook.intake.code_search import search_here
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Code, CodeKind, Reading
from tests import cardviews
from tests.benchmarks.rows import Row


@dataclass
class _Tally:
    found: int = 0
    said: int = 0
    strange: int = 0
    turned: int = 0
    other: int = 0
    answered: int = 0


_ASKED = 20  # photos that the other reader is shown: at 12 megapixels it takes some seconds each

# name, width, height, kind of file, side of a marker in pixels of the photo, how many photos, target. A PNG stands for
# all whose decoder does not reduce, such as HEIC, which takes most of a minute to write.
_SHOTS = (
    ("12 MP JPEG", 4000, 3000, "JPEG", 25, 100, "≥ 95"),
    ("12 MP PNG", 4000, 3000, "PNG", 25, 20, "≥ 95"),
    ("48 MP JPEG", 8000, 6000, "JPEG", 50, 20, "≥ 95"),
    ("48 MP JPEG", 8000, 6000, "JPEG", 25, 20, ""),
)


def photos(full: bool) -> list[Row]:
    """Whole photos taken in and searched as ingest does; sides are pixels of the photo as it came. Beside it what
    pupil-apriltags (PyPI) reads in the same photos at full size. Half lie in half shadow, a third are mirrored."""
    seed = fresh_seed()
    dice = np.random.default_rng(seed)
    faces = [cardviews.card_face(card) for card in cardviews.printed_cards()]
    rows = [Row("seed of the photos with a card", seed, "")]
    for name, width, height, kind, side, count, target in _SHOTS if full else _SHOTS[:1]:
        count = count if full else 1
        asked = _ASKED if full and target and width == 4000 and kind == "JPEG" else 0
        with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
            tally = _shots(Path(folder), (width, height), kind, side, count, asked, faces, dice)
        label = f"{name}, cards of {side} px a marker"
        rows += [
            Row(f"{label}, found as ingest does", 100 * tally.found / count, "%", target),
            Row("  of these, the square code read too", 100 * tally.said / count, "%"),
            Row("  read where nothing is, or as another", tally.strange, "", "≤ 0"),
            Row("  mirrored said of straight ones, or the other way", tally.turned, "", "≤ 0"),
        ]
        if asked:
            rows += [
                Row("  photos that pupil-apriltags gave an answer to", tally.answered, ""),
                Row("  of these, found by it at full size", 100 * tally.other / max(1, tally.answered), "%"),
            ]
    return rows


def _shots(
    folder: Path,
    size: tuple[int, int],
    kind: str,
    side: int,
    count: int,
    asked: int,
    faces: list[tuple[cardviews.Grey, float, cardviews.Grey]],
    dice: np.random.Generator,
) -> _Tally:
    settings = IntakeSettings(derived=folder / "derived")
    bench = cv2.resize(cardviews.ground(4000, 3000, int(dice.integers(0, 2**31))), size, interpolation=cv2.INTER_CUBIC)
    light = bench.astype(np.float32) + dice.normal(0, 3, bench.shape)
    grained = np.clip(light, 0, 255).astype(np.uint8)
    tally = _Tally()
    for number in range(count):
        # The card, its shadow and its blur within a part of the bench, the rest of it as it is.
        x, y = int(dice.integers(0, size[0] - 960)), int(dice.integers(0, size[1] - 720))
        mirrored = number % 3 == 2
        seen = cardviews.seen(
            faces[int(dice.integers(0, len(faces)))],
            side,
            dice,
            tilt=float(dice.uniform(0, 60)),
            blur=float(dice.uniform(0, 1.1)) * side / 25,
            shadow=0.4 if number % 2 else 1.0,
            mirrored=mirrored,
            on=np.asarray(bench[y : y + 720, x : x + 960], dtype=np.uint8),
        )
        whole = grained.copy()
        whole[y : y + 720, x : x + 960] = seen.grey
        path = folder / f"K1000101.{kind}"
        Image.fromarray(whole).convert("RGB").save(path, kind, quality=85, compress_level=1)
        read = reader.read_here(str(path), settings)
        assert isinstance(read, Reading)
        found = search_here(str(path), str(settings.derived / read.page), None, (read.width, read.height), settings)
        at = np.array([x, y])
        there = cardviews.Seen(whole, seen.corners + at, seen.frame + at)
        right = [code for code in found if in_its_place(code, there, side / 2)]
        tally.found += any(code.kind is CodeKind.MARKER for code in right)
        tally.said += any(code.kind is CodeKind.QR for code in right)
        tally.strange += len(found) - len(right)
        tally.turned += sum(code.mirrored is not mirrored for code in right)
        if number < asked:
            with Image.open(path) as picture:
                grey = np.asarray(picture.convert("L"))
            # It reads no mirrored marker, so it is shown the card as it was.
            theirs = _read_by_another(grey[:, ::-1] if mirrored else grey, folder)
            if theirs is not None:
                tally.answered += 1
                tally.other += any(_another_in_its_place(one, there, mirrored) for one in theirs)
    return tally


_OTHER = """
import json, os, sys
import numpy, pupil_apriltags
found = pupil_apriltags.Detector(families="tag25h9", quad_decimate=1.0).detect(numpy.load(sys.argv[1]))
print(json.dumps([[one.tag_id, one.center.tolist()] for one in found]), flush=True)
os._exit(0)
"""


def _read_by_another(grey: cardviews.Grey, folder: Path) -> list[tuple[int, list[float]]] | None:
    """Numbers and middles that pupil-apriltags reads; None where it gives no answer. In a process of its own: it
    damages its memory, mostly when it ends, sometimes before."""
    np.save(folder / "view.npy", np.ascontiguousarray(grey))
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", _OTHER, str(folder / "view.npy")], capture_output=True, text=True, check=False
        )
        if done.stdout:
            return [(int(number), middle) for number, middle in json.loads(done.stdout)]
    return None


def _another_in_its_place(one: tuple[int, list[float]], seen: cardviews.Seen, mirrored: bool) -> bool:
    number, (x, y) = one
    if number not in layout.MARKER_AT:
        return False
    if mirrored:
        x = seen.grey.shape[1] - x
    middle = cardviews.on_card(seen, np.array(layout.corners_of_marker(number))).mean(axis=0)
    return bool(np.abs(np.array([x, y]) - 0.5 - middle).max() < 12)


def in_its_place(code: Code, seen: cardviews.Seen, within: float = 12) -> bool:
    """Within half a marker: which code it is, not how fine its corners are, is asked here."""
    if code.kind is CodeKind.QR:
        where, known = layout.corners_of_code(), decode(code.text) is not None
    else:
        number = int(code.text.rpartition(":")[2])
        known = number in layout.MARKER_AT
        where = layout.corners_of_marker(number) if known else ()
    if not known:
        return False
    middle = cardviews.on_card(seen, np.array(where)).mean(axis=0)
    return bool(np.abs(np.mean(code.corners, axis=0) - middle).max() < within)


def fresh_seed() -> int:
    return int(os.environ.get("LASTLOOK_SEED", "0")) or random.SystemRandom().randrange(1, 10**6)
