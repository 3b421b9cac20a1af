"""Codes as a camera would see them: seen aslant on the bench, blurred, half in shadow, with grain; the truth beside it.

A pinhole camera a little over a metre from the card; light is scaled as bytes (0.45 of the value is about a seventh of
the light). The same random generator gives the same picture.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lastlook.cards import Card, layout
from lastlook.cards.sheet import COLUMNS, ROWS, Titled, to_pdf
from lastlook.clocks import qr
from lastlook.records import Dimension
from tests.media import bench_picture

Grey = NDArray[np.uint8]
FINE = 4  # how many times finer than the picture the card is drawn
FOCAL = 1200.0


@dataclass(frozen=True)
class Seen:
    """`corners`: the code's own four corners in pixels of the picture (middles of pixels are whole numbers); `frame`:
    those of the whole face."""

    grey: Grey
    corners: NDArray[np.float64]
    frame: NDArray[np.float64]


def marker_face(number: int, cell: int = 40) -> tuple[Grey, float]:
    """A marker with its light frame, and the part of the picture's side that the marker takes."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_25h9)
    face = cv2.aruco.generateImageMarker(dictionary, number, 7 * cell)
    framed = cv2.copyMakeBorder(face, *(2 * cell,) * 4, borderType=cv2.BORDER_CONSTANT, value=(255,))
    return np.asarray(framed, dtype=np.uint8), 7 / 11


def qr_face(text: str, cell: int = 12) -> tuple[Grey, float]:
    """A QR code with its light frame, and the part of the picture's side that the code takes."""
    rows = np.array(qr.modules(text))
    framed = np.pad(np.where(rows, 0, 255).astype(np.uint8), qr.QUIET, constant_values=255)
    return np.kron(framed, np.ones((cell, cell), np.uint8)), len(rows) / len(framed)


def printed_cards(dpi: int = 300) -> list[Grey]:
    """A page of printed cards, as poppler draws it, cut apart."""
    words = ("Lantern mast", "Loom pulled through bulkhead 11", "Deck house wired", "Anchor light")
    sheet = to_pdf([Titled(Card(Dimension.STEP, f"S{at:02}"), word) for at, word in enumerate(words)], build="LV-40")
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder) / "sheet"
        base.with_suffix(".pdf").write_bytes(sheet)
        subprocess.run(
            ["pdftoppm", "-gray", "-r", str(dpi), "-singlefile", f"{base}.pdf", str(base)], check=True, timeout=60
        )
        with Image.open(base.with_suffix(".pgm")) as drawn:
            page = np.asarray(drawn.convert("L"))
    pixels = dpi / 25.4
    left, top = (210 - COLUMNS * layout.WIDTH) / 2, (297 - ROWS * layout.HEIGHT) / 2
    cut = []
    for at in range(len(words)):
        x, y = left + at % COLUMNS * layout.WIDTH, top + at // COLUMNS * layout.HEIGHT
        rows = slice(round(y * pixels), round((y + layout.HEIGHT) * pixels))
        cut.append(page[rows, round(x * pixels) : round((x + layout.WIDTH) * pixels)])
    return cut


def card_face(card: Grey) -> tuple[Grey, float, Grey]:
    """A printed bench card (its picture, of the card's own shape) in the middle of a square, the part of the square's
    side that one of its markers takes, and what of the square the card covers."""
    high, wide = card.shape
    above = (wide - high) // 2
    pads = (above, wide - high - above, 0, 0)
    cover = cv2.copyMakeBorder(np.full_like(card, 255), *pads, borderType=cv2.BORDER_CONSTANT, value=(0,))
    face = cv2.copyMakeBorder(card, *pads, borderType=cv2.BORDER_CONSTANT, value=(255,))
    return np.asarray(face, np.uint8), layout.MARKER / layout.WIDTH, np.asarray(cover, np.uint8)


def on_card(seen: Seen, millimetres: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points of the card's frame (N×2, mm) in pixels of a view of `card_face`."""
    edge = layout.WIDTH
    square = np.array([[0, 0], [edge, 0], [edge, edge], [0, edge]], np.float32)
    down = (layout.WIDTH - layout.HEIGHT) / 2
    to_view = cv2.getPerspectiveTransform(square, seen.frame.astype(np.float32))
    return np.asarray(cv2.perspectiveTransform((millimetres + np.array([0, down]))[None], to_view)[0], np.float64)


def ground(width: int = 960, height: int = 720, seed: int = 40) -> Grey:
    return np.asarray(bench_picture(width, height, seed).convert("L"))


def seen(
    face: tuple[Grey, float] | tuple[Grey, float, Grey],
    side: float,
    dice: np.random.Generator,
    *,
    tilt: float = 0.0,
    blur: float = 0.0,
    shadow: float = 1.0,
    mirrored: bool = False,
    on: Grey | None = None,
) -> Seen:
    """`face` with its code `side` pixels large, tilted by `tilt` degrees about any axis and turned any way; `blur`:
    sigma in pixels; `shadow`: what is left of the light on one side of a line through the middle."""
    picture, part = face[0], face[1]
    covering = face[2] if len(face) == 3 else np.full_like(picture, 255)
    light = (ground() if on is None else on).astype(np.float64)
    height, width = light.shape
    about, turn = dice.uniform(0, 2 * np.pi, 2)
    lean = np.deg2rad(tilt)
    leaning = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    whole = _turning(about) @ leaning @ _turning(turn)
    square = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])
    reach = min(0.75 * side / part, width / 2 - 1, height / 2 - 1)
    middle = np.array([dice.uniform(reach, width - reach), dice.uniform(reach, height - reach)])
    framed, corners = (_seen_at(square * size, whole, middle) for size in (side / part, side))
    # Corner points are edges between pixels: half a pixel before the middle of the first.
    sheet = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * len(picture)
    low = np.floor(framed.min(axis=0)).astype(int) - 3
    high = np.ceil(framed.max(axis=0)).astype(int) + 4
    size = high - low
    fine = cv2.getPerspectiveTransform(sheet - 0.5, ((framed - low) * FINE - 0.5).astype(np.float32))
    drawn = cv2.warpPerspective(picture, fine, tuple(int(one) * FINE for one in size), flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(covering, fine, tuple(int(one) * FINE for one in size))
    drawn, cover = (
        cv2.resize(one, tuple(int(n) for n in size), interpolation=cv2.INTER_AREA) for one in (drawn, cover)
    )
    x0, y0 = np.maximum(low, 0)
    x1, y1 = np.minimum(high, (width, height))
    inside = (slice(y0 - low[1], y1 - low[1]), slice(x0 - low[0], x1 - low[0]))
    ink = drawn[inside].astype(np.float64) * 0.75 + 25
    share = cover[inside].astype(np.float64) / 255
    light[y0:y1, x0:x1] = light[y0:y1, x0:x1] * (1 - share) + ink * share
    if shadow < 1:
        way = dice.uniform(0, 2 * np.pi)
        ys, xs = np.mgrid[0:height, 0:width]
        lit = np.clip(((xs - middle[0]) * np.cos(way) + (ys - middle[1]) * np.sin(way)) / 2 + 0.5, 0, 1)
        light *= shadow + (1 - shadow) * lit
    if blur:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), blur), dtype=np.float64)
    light += dice.normal(0, 3, light.shape)
    grey = np.clip(light, 0, 255).astype(np.uint8)
    points, edges = corners - 0.5, framed - 0.5
    if mirrored:
        grey = np.ascontiguousarray(grey[:, ::-1])
        points[:, 0] = width - 1 - points[:, 0]
        edges[:, 0] = width - 1 - edges[:, 0]
    return Seen(grey, points, edges)


def photo_of(text: str, dice: np.random.Generator, *, width: int = 1600, height: int = 1200) -> Image.Image:
    """A photo of a clock card or bench card's code on the bench, as a builder would take it."""
    return Image.fromarray(
        seen(qr_face(text), height * 0.4, dice, tilt=25, blur=0.8, on=ground(width, height)).grey
    ).convert("RGB")


def _turning(angle: float) -> NDArray[np.float64]:
    return np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])


def _seen_at(
    points: NDArray[np.float64], whole: NDArray[np.float64], middle: NDArray[np.float64]
) -> NDArray[np.float64]:
    there = points @ whole.T
    return np.asarray(there[:, :2] * (FOCAL / (FOCAL + there[:, 2:3])) + middle)
