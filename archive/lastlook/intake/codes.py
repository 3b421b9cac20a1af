"""QR codes and fiducial markers in a grey picture: the clock card's and the bench cards'.

Markers are AprilTag 25h9: 7×7 modules with their black border, 35 numbers, no two nearer than 9 of 25 bits, so three
or four per card read far apart from one another and a picture without a card hardly ever looks like one. The corner
squares of a QR code are 7×7 modules too, so one search for dark squares finds both.

OpenCV finds the squares; the bits are read here, softly: the brightness of each module against its neighbourhood is
compared with every marker in every turn, as it would look a little blurred. That reads at half the size at which
OpenCV's own decision module by module does, and bears a shadow's edge across the marker.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from lastlook.intake.marker_bits import Face, bit_for_bit, flat
from lastlook.records import Code, CodeKind

Grey = NDArray[np.uint8]
Quads = NDArray[np.float32]

MARKER_FAMILY = "25h9"
MARKERS = 35
CARDS = (31, 32, 33, 34)
"""The numbers that are printed on bench cards, and so the only ones that are read. The others are known so as not to be
taken for one of these."""
MODULES = 7
"""Modules along the side of a marker, its black border included."""

_QUIET = 1  # light modules around it that are looked at as well
_GRID = MODULES + 2 * _QUIET
_FINDER = MARKERS  # the number that stands for a corner square of a QR code
_SAMPLES = 3  # points a module and direction
_LIKE = 0.83  # correlation from which a square is that marker
_SUSPECT, _SUSPECT_FINDER = 0.6, 0.5  # correlations worth a closer look; corner squares are coarser
_APART = 0.12  # by how much the next best number has to be worse
_RING = 0.45  # correlation with a dark ring on light ground from which a square is looked at at all
_TOO_MANY = 400  # squares a picture is searched for: what has more is a grid, a keyboard, a brick wall
_SMALL = 70.0  # pixels: a square below this is read from a picture of twice the size
_MIN_SIDE = 9.0
_GLANCE_EDGE = 480  # long edge in pixels of what a clip's look is searched in first
_NUDGES = (0.0, 0.06, -0.06)
_STEPS = np.round(255 * np.log1p(np.arange(256) / 8) / np.log1p(255 / 8)).astype(np.uint8)
"""Light → steps of light, as bytes."""


def read_codes(grey: Grey) -> tuple[Code, ...]:
    """Every code in `grey` (H×W bytes, upright), in pixels of it. Costs about 30 ms a megapixel.

    A marker is read from a side of about 25 pixels, a QR code from about three pixels a module.
    """
    # By light as it is and in steps of light: the edge of a shadow hides a square from the one or the other.
    views = [(grey, 1.0), (_STEPS[grey], 1.0)]
    large = _doubled(grey)
    if large is not None:
        views += [(large, 2.0), (_STEPS[large], 2.0)]
    quads = np.concatenate([(_squares(view) + 0.5) / scale - 0.5 for view, scale in views])
    markers = _unique(_markers(grey, quads))
    return (*_qr_codes(grey, quads), *markers)


def suspected(grey: Grey, *, quick: bool = False) -> bool:
    """Whether a closer look may be worth it: a dark square ring on light ground, such as codes have. About 8 ms for a
    page. `quick` takes half the time and is for small squares: those that a larger picture shows and its page does not.
    """
    return _like_a_code(grey, _squares(grey, quick=quick))


def in_view(grey: Grey) -> bool:
    """Whether a code is held into a clip's view: a marker, or two corner squares of a QR code, of a fifth of the
    picture's width or more. For every look of a clip: about 2 ms where nothing is like a code, 10 ms where it is."""
    factor = _GLANCE_EDGE / max(grey.shape)
    small = grey
    if factor < 1:
        size = (max(1, round(grey.shape[1] * factor)), max(1, round(grey.shape[0] * factor)))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if not _like_a_code(small, _squares(small, quick=True)):
        return False
    quads = _squares(grey)
    if not len(quads):
        return False
    like, number = _compared(_cells(grey, quads))
    sure = like >= _LIKE
    return bool(np.any(sure & np.isin(number, CARDS))) or len(_apart(quads[sure & (number == _FINDER)])) >= 2


def _like_a_code(grey: Grey, quads: Quads) -> bool:
    if not len(quads):
        return False
    like, number = _compared(_cells(grey, quads))
    asked = np.where(number == _FINDER, _SUSPECT_FINDER, _SUSPECT)
    return bool(np.any((like >= asked) & np.isin(number, (*CARDS, _FINDER))))


# ------------------------------------------------------------------------------------------------ squares


@lru_cache(maxsize=2)
def _detector(quick: bool) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = (13, 13) if quick else (5, 21)
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = 0.012
    parameters.maxMarkerPerimeterRate = 4.0
    parameters.minDistanceToBorder = 1
    parameters.polygonalApproxAccuracyRate = 0.05
    parameters.errorCorrectionRate = 0.0
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_25h9), parameters)


def _squares(grey: Grey, *, quick: bool = False) -> Quads:
    """Four-cornered outlines, N×4×2, clockwise, that stand out dark."""
    if min(grey.shape) < 16:
        return np.empty((0, 4, 2), np.float32)
    taken, _, left = _detector(quick).detectMarkers(grey)
    quads = [np.asarray(one, np.float32).reshape(4, 2) for one in (*taken, *left)]
    if not quads:
        return np.empty((0, 4, 2), np.float32)
    found = np.stack(quads)
    sides = np.linalg.norm(found - np.roll(found, 1, axis=1), axis=2)
    large = (sides.min(axis=1) >= _MIN_SIDE / 2) & (sides.max(axis=1) >= _MIN_SIDE)
    return np.asarray(found[large][:_TOO_MANY], dtype=np.float32)


def _doubled(grey: Grey) -> Grey | None:
    """Twice the size, where that is not too large."""
    if grey.size > 2_000_000:
        return None
    return np.asarray(cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def _cells(grey: Grey, quads: Quads, nudge: float = 0.0) -> NDArray[np.float32]:
    """N×9×9: how light each module of each square and of the frame around it is, in steps of light (log)."""
    count = len(quads)
    maps = _homographies(quads)
    low, high = -_QUIET / MODULES, 1 + _QUIET / MODULES
    steps = _GRID * _SAMPLES
    # Points keep away from the edges of their module, where the neighbour shines in.
    inside = (np.arange(_SAMPLES) + 0.5) / _SAMPLES * 0.6 + 0.2
    line = ((np.arange(_GRID)[:, None] + inside).ravel() / _GRID) * (high - low) + low
    line = (line - 0.5) * (1 + nudge) + 0.5
    x, y = np.meshgrid(line, line)
    points = np.stack((x.ravel(), y.ravel(), np.ones(steps * steps)))
    there = maps @ points
    depth = there[:, 2:3]
    there = there[:, :2] / np.where(np.abs(depth) < 1e-6, 1e-6, depth)
    # Towards remap's limit of rows: one row a square.
    light = cv2.remap(
        grey,
        there[:, 0].astype(np.float32),
        there[:, 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    values = np.log(light.astype(np.float32) + 12.0).reshape(count, _GRID, _SAMPLES, _GRID, _SAMPLES)
    return np.asarray(values.mean(axis=(2, 4)), dtype=np.float32)


def _homographies(quads: Quads) -> NDArray[np.float64]:
    """N×3×3: from the unit square, its corners clockwise from the top left, to each of the quads (Heckbert, 1989)."""
    x, y = quads[:, :, 0].astype(np.float64), quads[:, :, 1].astype(np.float64)
    dx1, dx2, dx3 = x[:, 1] - x[:, 2], x[:, 3] - x[:, 2], x[:, 0] - x[:, 1] + x[:, 2] - x[:, 3]
    dy1, dy2, dy3 = y[:, 1] - y[:, 2], y[:, 3] - y[:, 2], y[:, 0] - y[:, 1] + y[:, 2] - y[:, 3]
    area = dx1 * dy2 - dx2 * dy1
    area = np.where(np.abs(area) < 1e-9, 1e-9, area)
    g, h = (dx3 * dy2 - dx2 * dy3) / area, (dx1 * dy3 - dx3 * dy1) / area
    rows = (
        (x[:, 1] - x[:, 0] + g * x[:, 1], x[:, 3] - x[:, 0] + h * x[:, 3], x[:, 0]),
        (y[:, 1] - y[:, 0] + g * y[:, 1], y[:, 3] - y[:, 0] + h * y[:, 3], y[:, 0]),
        (g, h, np.ones_like(g)),
    )
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1)


# ------------------------------------------------------------------------------------------------ bits


@lru_cache(maxsize=1)
def _bank() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(templates K×M in unit length, the ring's template); K runs over number, mirror, turn."""
    rows = [
        flat(np.array(_face(number, lie), np.float32)[None])[0]
        for number in (*range(MARKERS), _FINDER)
        for lie in range(8)
    ]
    return np.stack(rows), _ring()


@lru_cache(maxsize=8 * (MARKERS + 1))
def _face(number: int, lie: int) -> Face:
    """A marker's modules, or a corner square's, with the frame around it; mirrored (4..7) or not, and turned by so many
    quarters clockwise."""
    if number == _FINDER:
        own = np.zeros((MODULES, MODULES), bool)
        own[1:-1, 1:-1] = True
        own[2:-2, 2:-2] = False
    else:
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_25h9)
        own = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, MODULES) > 127)
    framed = np.pad(own, _QUIET, constant_values=True)
    mirrored, turn = divmod(lie, 4)
    seen = np.rot90(framed[:, ::-1] if mirrored else framed, -turn)
    return tuple(tuple(bool(light) for light in row) for row in seen)


def _ring() -> NDArray[np.float32]:
    """Light frame, dark ring: the two outermost rings of modules, for what every marker shares."""
    framed = np.ones((_GRID, _GRID), np.float32)
    framed[1:-1, 1:-1] = 0
    edge = np.zeros((_GRID, _GRID), bool)
    edge[:2], edge[-2:], edge[:, :2], edge[:, -2:] = True, True, True, True
    values = np.where(edge, framed - framed[edge].mean(), 0).ravel()
    return np.asarray(values / np.linalg.norm(values), dtype=np.float32)


def _compared(cells: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """For each square, how like its best number it is (0 where it is no ring), and that number."""
    like, number, _, _ = _best(cells)
    return like, number


def _best(
    cells: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """(likeness, number, which of its 8 lies, by how much the next number is worse)."""
    templates, ring = _bank()
    rounds = cells.reshape(len(cells), -1)
    edge = ring != 0
    outer = np.where(edge, rounds - rounds[:, edge].mean(axis=1, keepdims=True), 0)
    rings = (outer @ ring) / np.maximum(np.linalg.norm(outer, axis=1), 1e-6)
    scores = flat(cells) @ templates.T
    scores = scores.reshape(len(cells), -1, 8)
    lies = scores.argmax(axis=2)
    tops = scores.max(axis=2)
    number = tops.argmax(axis=1)
    at = np.arange(len(cells))
    best = tops[at, number]
    tops[at, number] = -1
    ringed = rings >= _RING
    # A code has contrast: module against module, in steps of light.
    contrast = rounds.max(axis=1) - rounds.min(axis=1) >= 0.5
    like = np.where(ringed & contrast, best, 0.0).astype(np.float32)
    return like, number, lies[at, number], (best - tops.max(axis=1)).astype(np.float32)


def _markers(grey: Grey, quads: Quads) -> list[Code]:
    if not len(quads):
        return []
    found = []
    for nudge in _NUDGES:
        cells = _cells(grey, quads, nudge)
        like, number, lie, apart = _best(cells)
        good = (like >= _LIKE) & (apart >= _APART) & np.isin(number, CARDS)
        found += [
            _marker(quads[at], int(number[at]), int(lie[at]), float(like[at]))
            for at in np.flatnonzero(good)
            if bit_for_bit(cells[at], _face(int(number[at]), int(lie[at])))
        ]
    return found


def _marker(quad: NDArray[np.float32], number: int, lie: int, like: float) -> Code:
    """`lie`: mirrored (4..7) or not, and by how many quarter turns clockwise it is seen."""
    mirrored, turn = divmod(lie, 4)
    # quad[0] is the top left as seen; the code's own top left was turned away from it clockwise.
    corners = np.roll(quad, -turn, axis=0)
    if mirrored:
        corners = corners[[1, 0, 3, 2]]
    points = tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)
    return Code(CodeKind.MARKER, f"{MARKER_FAMILY}:{number}", points, round(like, 3), bool(mirrored))


def _unique(found: list[Code]) -> list[Code]:
    """One of each marker in its place, the surest."""
    kept: list[Code] = []
    for code in sorted(found, key=lambda code: -code.sure):
        middle = np.mean(code.corners, axis=0)
        size = max(8.0, float(np.ptp(np.asarray(code.corners), axis=0).max()) / 2)
        if all(np.abs(np.mean(other.corners, axis=0) - middle).max() > size for other in kept):
            kept.append(code)
    return sorted(kept, key=lambda code: (code.text, code.corners))


def _apart(quads: Quads) -> list[NDArray[np.float32]]:
    kept: list[NDArray[np.float32]] = []
    for quad in quads:
        middle, size = quad.mean(axis=0), float(np.ptp(quad, axis=0).max())
        if all(np.abs(other.mean(axis=0) - middle).max() > size / 2 for other in kept):
            kept.append(quad)
    return kept


# ------------------------------------------------------------------------------------------------ QR codes


def _qr_codes(grey: Grey, quads: Quads) -> list[Code]:
    """QR codes, where corner squares of one are in view."""
    if not len(quads):
        return []
    like, number = _compared(_cells(grey, quads))
    corners = _apart(quads[(number == _FINDER) & (like >= _SUSPECT_FINDER)])
    if len(corners) < 2:
        return []
    every = np.concatenate(corners)
    side = max(float(np.ptp(quad, axis=0).max()) for quad in corners)
    margin = 5 * side
    x0, y0 = np.maximum(every.min(axis=0) - margin, 0).astype(int)
    x1, y1 = (every.max(axis=0) + margin + 1).astype(int)
    part = grey[y0:y1, x0:x1]
    scale = 2.0 if side < _SMALL and part.size < 2_000_000 else 1.0
    if part.size > 4_000_000:
        scale = (3_000_000 / part.size) ** 0.5
    for size in dict.fromkeys((scale, 1.0 if scale != 1.0 else 0.5)):
        how = cv2.INTER_CUBIC if size > 1 else cv2.INTER_AREA
        resized = part if size == 1.0 else cv2.resize(part, None, fx=size, fy=size, interpolation=how)
        view = np.ascontiguousarray(resized, dtype=np.uint8)
        # The edge of a shadow across a code hides it from a reader that takes one level of light for all of it.
        for seen in (view, _evened(view, side * size)):
            found = _decoded(seen, size, (int(x0), int(y0)))
            if found:
                return found
    return []


def _evened(view: Grey, side: float) -> Grey:
    """Each pixel against the light around it, as far as a corner square of `side` pixels reaches."""
    light = view.astype(np.float32) + 8.0
    around = cv2.GaussianBlur(light, (0, 0), max(2.0, side * 0.6))
    return np.asarray(np.clip(light / around * 128.0, 0, 255), dtype=np.uint8)


def _decoded(view: Grey, scale: float, origin: tuple[int, int]) -> list[Code]:
    for reader in (cv2.QRCodeDetectorAruco(), cv2.QRCodeDetector()):
        try:
            _, texts, points, plain = reader.detectAndDecodeMulti(view)
        except cv2.error:
            continue
        if not texts:
            continue
        found = []
        for text, quad, face in zip(texts, points, plain, strict=False):
            if not text:
                continue
            corners = (np.asarray(quad, np.float64).reshape(4, 2) + 0.5) / scale - 0.5 + origin
            # The reader takes a mirrored code as it is, by its main diagonal; its corners then run the other way.
            mirrored = _mirrored(np.asarray(face))
            if mirrored:
                corners = corners[[0, 3, 2, 1]]
            said = tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)
            found.append(Code(CodeKind.QR, str(text), said, 1.0, mirrored))
        if found:
            return sorted(found, key=lambda code: (code.text, code.corners))
    return []


def _mirrored(face: NDArray[np.uint8]) -> bool:
    """Whether a code's modules (N×N, dark is 0) stand mirrored on the main diagonal: its format information, 15 bits
    around the top left corner square (ISO/IEC 18004, 7.9), is then no such word but its reverse is."""
    if face.size < 21 * 21 or face.shape[0] != face.shape[-1]:
        return False
    dark = face < 128
    places = [(8, 0), (8, 1), (8, 2), (8, 3), (8, 4), (8, 5), (8, 7), (8, 8)]
    places += [(7, 8), (5, 8), (4, 8), (3, 8), (2, 8), (1, 8), (0, 8)]
    bits = [bool(dark[place]) for place in places]
    return _astray(bits) > _astray(bits[::-1])


def _astray(bits: list[bool]) -> int:
    """In how many of 15 bits the nearest word of format information differs."""
    word = int("".join("01"[bit] for bit in bits), 2)
    return min((word ^ known).bit_count() for known in _format_words())


@lru_cache(maxsize=1)
def _format_words() -> tuple[int, ...]:
    """The 32 words of the (15, 5) BCH code, masked, as a QR code carries them (ISO/IEC 18004, Annex C)."""
    words = []
    for data in range(32):
        rest = data << 10
        for shift in range(4, -1, -1):
            if rest >> (shift + 10) & 1:
                rest ^= 0b10100110111 << shift
        words.append((data << 10 | rest) ^ 0b101010000010010)
    return tuple(words)
