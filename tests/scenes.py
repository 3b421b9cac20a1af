"""Rendered bench scenes with exact cameras: a shallow tray with runs in it, open and closed, on a bench that moves.

A light renderer for registration's tests: pinhole cameras, textured planes and tubes painted from far to near, so that
nearer things hide farther ones as they would. Millimetres; the skin is the plane z = 0, the camera above it (z > 0),
the inside below (z < 0). Every picture comes with the exact camera that made it. Nothing here imports the project.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Generator = np.random.Generator


@dataclass(frozen=True, slots=True)
class View:
    """A pinhole camera: `matrix` 3×4 takes (x, y, z, 1) in mm to homogeneous pixels; `focal` in pixels."""

    matrix: Floats
    focal: float
    size: tuple[int, int]

    def project(self, points: Floats) -> Floats:
        """(N, 3) mm → (N, 2) pixels."""
        full = np.hstack([points, np.ones((len(points), 1))]) @ self.matrix.T
        return np.asarray(full[:, :2] / full[:, 2:3])

    def plane(self, z: float = 0.0) -> Floats:
        """The homography that takes (x, y) mm on the plane at height z to pixels."""
        return np.column_stack([self.matrix[:, 0], self.matrix[:, 1], self.matrix[:, 2] * z + self.matrix[:, 3]])


def view(
    *,
    tilt: float,
    azimuth: float,
    roll: float,
    field_mm: float = 400.0,
    size: tuple[int, int] = (1200, 900),
    focal: float | None = None,
    aim: tuple[float, float] = (0.0, 0.0),
) -> View:
    """A camera that looks at `aim` on the skin, tilted by `tilt` degrees towards `azimuth`, turned by `roll` about its
    axis; about `field_mm` of the skin fill the long edge."""
    width, height = size
    f = focal or 0.8 * width
    distance = field_mm * f / width
    t, a, r = np.deg2rad([tilt, azimuth, roll])
    away = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    centre = np.array([*aim, 0.0]) + distance * away
    forward = -away
    side = np.array([-np.sin(a), np.cos(a), 0.0])
    down = np.cross(forward, side)
    right = np.cos(r) * side + np.sin(r) * down
    down = np.cross(forward, right)
    rotation = np.stack([right, down, forward])
    k = np.array([[f, 0, width / 2 - 0.5], [0, f, height / 2 - 0.5], [0, 0, 1]])
    return View(k @ np.column_stack([rotation, -rotation @ centre]), f, size)


# --------------------------------------------------------------------------------------------------- textures

PX_MM = 3.2  # texture pixels a millimetre: about what the pictures resolve


def _noise(rng: Generator, shape: tuple[int, int], cell: int) -> Floats:
    small = rng.normal(size=(shape[0] // cell + 2, shape[1] // cell + 2)).astype(np.float32)
    big = cv2.resize(small, None, fx=cell, fy=cell, interpolation=cv2.INTER_CUBIC)
    return np.asarray(big[: shape[0], : shape[1]], dtype=np.float64)


def worked_surface(rng: Generator, size_mm: tuple[float, float], base: tuple[int, int, int], detail: float) -> Bytes:
    """Bare worked material: mottling, scratches, pencil strokes, specks. `detail` 0 is a freshly sprayed surface."""
    w, h = (int(edge * PX_MM) for edge in size_mm)
    grey = 5 * _noise(rng, (h, w), 40) + detail * (6 * _noise(rng, (h, w), 9) + 4 * _noise(rng, (h, w), 3))
    image = np.clip(np.array(base, dtype=np.float64) + grey[..., None], 0, 255).astype(np.uint8)
    for _ in range(int(detail * w * h / 2600)):
        p = rng.uniform((0, 0), (w, h))
        q = p + rng.normal(scale=rng.uniform(5, 34), size=2)
        tone = np.clip(np.array(base) + rng.normal(scale=45), 0, 255)
        cv2.line(image, _at(p), _at(q), tuple(map(float, tone)), int(rng.integers(1, 3)), cv2.LINE_AA)
    for _ in range(int(detail * w * h / 1400)):
        tone = np.clip(np.array(base) + rng.normal(scale=60), 0, 255)
        cv2.circle(
            image, _at(rng.uniform((0, 0), (w, h))), int(rng.integers(1, 4)), tuple(map(float, tone)), -1, cv2.LINE_AA
        )
    return image


def cutting_mat(rng: Generator, edge_mm: float = 900.0) -> Bytes:
    """A bench with far more to match than the model: a printed grid with figures, stains and cuts."""
    edge = int(edge_mm * PX_MM * 0.6)
    image = np.full((edge, edge, 3), (70, 96, 62), np.uint8)
    for at in range(0, edge, int(10 * PX_MM * 0.6)):
        cv2.line(image, (at, 0), (at, edge), (120, 150, 112), 1, cv2.LINE_AA)
        cv2.line(image, (0, at), (edge, at), (120, 150, 112), 1, cv2.LINE_AA)
    for _ in range(900):
        p = rng.uniform(0, edge, 2)
        kind = rng.integers(3)
        tone = tuple(float(v) for v in rng.uniform(30, 220, 3))
        if kind == 0:
            cv2.putText(image, str(rng.integers(10, 999)), _at(p), cv2.FONT_HERSHEY_SIMPLEX, 0.6, tone, 1, cv2.LINE_AA)
        elif kind == 1:
            cv2.line(image, _at(p), _at(p + rng.normal(scale=40, size=2)), tone, 1, cv2.LINE_AA)
        else:
            cv2.circle(image, _at(p), int(rng.integers(1, 7)), tone, -1, cv2.LINE_AA)
    return image


def _at(point: Floats) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


# --------------------------------------------------------------------------------------------------- the model


@dataclass(frozen=True, slots=True)
class Wire:
    """A run in the tray: `path` (N, 3) mm along its axis, z below 0; `width` mm over its insulation; `bgr`."""

    path: Floats
    width: float
    bgr: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Tray:
    """A section with its skin at z = 0: a flange around an opening, a floor `depth` mm below, runs between them.

    `half`: half width and half height of the whole; `rim`: breadth of the flange. Textures are BGR, `PX_MM` pixels a
    millimetre, their middle at the origin.
    """

    half: tuple[float, float]
    rim: float
    depth: float
    wires: tuple[Wire, ...]
    flange: Bytes
    lid: Bytes
    floor: Bytes
    cards: tuple[tuple[Bytes, tuple[float, float], float], ...] = ()  # (marker, middle mm, side mm of its white sheet)

    @property
    def outline(self) -> Floats:
        """Corners of the whole, (4, 2) mm on the skin."""
        x, y = self.half
        return np.array([[-x, -y], [x, -y], [x, y], [-x, y]])

    @property
    def hole(self) -> Floats:
        x, y = self.half[0] - self.rim, self.half[1] - self.rim
        return np.array([[-x, -y], [x, -y], [x, y], [-x, y]])


COLOURS = ((60, 220, 240), (40, 40, 200), (200, 90, 40), (40, 140, 240), (70, 170, 60), (235, 235, 235))


def tray(rng: Generator, *, detail: float = 1.0, rim: float | None = None, depth: float | None = None) -> Tray:
    """A tray of its own dimensions, runs and textures."""
    half = (float(rng.uniform(120, 165)), float(rng.uniform(62, 100)))
    rim = rim if rim is not None else float(rng.uniform(14, 26))
    depth = depth if depth is not None else float(rng.uniform(8, 22))
    size = (2 * half[0] + 20, 2 * half[1] + 20)
    wires = tuple(_wire(rng, half, rim, depth, COLOURS[n]) for n in range(int(rng.integers(3, 6))))
    return Tray(
        half,
        rim,
        depth,
        wires,
        worked_surface(rng, size, (168, 176, 182), detail),
        worked_surface(rng, size, (150, 168, 186), 0.8),
        worked_surface(rng, size, (120, 126, 134), 0.7),
    )


def _wire(rng: Generator, half: tuple[float, float], rim: float, depth: float, bgr: tuple[int, int, int]) -> Wire:
    width = float(rng.uniform(0.6, 1.2))  # over insulation: about 30 to 26 AWG
    low = -rng.uniform(0.25, 0.97) * depth + width / 2
    x, y = half[0] - rim - 12, half[1] - rim - 8
    knots = np.column_stack([np.linspace(-x, x, 5), rng.uniform(-y, y, 5)])
    s = np.linspace(0, 4, 160)
    # A smooth line through the knots by cubic interpolation of each coordinate.
    fit = [np.polyfit(range(5), knots[:, n], 4) for n in (0, 1)]
    path = np.column_stack([np.polyval(fit[0], s), np.clip(np.polyval(fit[1], s), -y, y), np.full(160, low)])
    return Wire(path, width, bgr)


# --------------------------------------------------------------------------------------------------- a picture


@dataclass(frozen=True, slots=True)
class Bench:
    """What changes between two pictures: where the model lies, the light, the clutter, the camera's faults."""

    mat: Bytes
    shift: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    clutter: int = 3
    on_flange: int = 0
    gain: float = 1.0
    slope: float = 0.0
    blur: float = 0.6
    noise: float = 2.0
    quality: int = 90
    shadow: bool = False
    seed: int = 0
    extra: tuple[tuple[Floats, tuple[int, int, int]], ...] = field(default=())


def bench(rng: Generator, mat: Bytes, *, moved: bool = True, hard: float = 1.0) -> Bench:
    """A bench state drawn at random; `hard` scales clutter, light change, blur and noise."""
    return Bench(
        mat,
        shift=tuple(rng.uniform(-60, 60, 2)) if moved else (0.0, 0.0),
        turn=float(rng.uniform(-40, 40)) if moved else 0.0,
        clutter=int(rng.integers(0, 6)),
        on_flange=int(rng.integers(0, 1 + round(2 * hard))),
        gain=float(np.exp(rng.normal(scale=0.18 * hard))),
        slope=float(rng.normal(scale=0.22 * hard)),
        blur=float(rng.uniform(0.4, 0.5 + 0.7 * hard)),
        noise=float(rng.uniform(1, 1 + 4 * hard)),
        quality=int(rng.integers(75, 95)),
        shadow=bool(rng.random() < 0.4 * hard),
        seed=int(rng.integers(1 << 31)),
    )


def render(model: Tray, state: Bench, cam: View, *, closed: bool) -> Bytes:
    """The picture, BGR, of the model open or closed on the bench."""
    rng = np.random.default_rng(state.seed)
    width, height = cam.size
    bench_z = -model.depth - 25.0
    laid = cam.plane(bench_z) @ _mat_to_mm(state)
    image = np.asarray(
        cv2.warpPerspective(state.mat, laid, cam.size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT),
        dtype=np.uint8,
    )
    for _ in range(state.clutter):
        middle = rng.uniform(-260, 260, 2)
        if abs(middle[0]) < model.half[0] + 25 and abs(middle[1]) < model.half[1] + 25:
            continue
        _polygon(image, cam, _blob(rng, middle, rng.uniform(12, 40)), bench_z + 8, _tone(rng))
    _walls(image, cam, model.outline, bench_z, 0.0, (92, 98, 104))
    if closed:
        _textured(image, cam, model.flange, model.outline, 0.0)
        _textured(image, cam, model.lid, model.hole, 0.0)
        _polygon(image, cam, model.hole, 0.0, (90, 96, 100), outline=1)
    else:
        inside = image.copy()
        _textured(inside, cam, model.floor, model.hole, -model.depth)
        _walls(inside, cam, model.hole, -model.depth, 0.0, (105, 112, 120))
        for wire in sorted(model.wires, key=lambda each: float(each.path[0, 2])):
            _tube(inside, cam, wire)
        mask = np.zeros((height, width), np.uint8)
        cv2.fillConvexPoly(mask, _pixels(cam, model.hole, 0.0), 255)
        _textured(image, cam, model.flange, model.outline, 0.0)
        image[mask > 0] = inside[mask > 0]
    for marker, at, side in model.cards:
        _marker(image, cam, marker, at, side)
    for _ in range(state.on_flange):
        along = rng.uniform(-1, 1)
        edge = rng.choice([-1.0, 1.0])
        place = (along, edge) if rng.random() < 0.5 else (edge, along)
        _polygon(image, cam, _blob(rng, np.array(place) * model.half, rng.uniform(14, 34)), 6.0, _tone(rng))
    for corners, tone in state.extra:
        _polygon(image, cam, corners, 0.0, tone)
    return _camera(image, state, rng)


def develop(image: Bytes, state: Bench) -> Bytes:
    """Light, blur, noise and JPEG of a bench state on any picture."""
    return _camera(image, state, np.random.default_rng(state.seed))


def _camera(image: Bytes, state: Bench, rng: Generator) -> Bytes:
    height, width = image.shape[:2]
    ramp = 1 + state.slope * np.linspace(-1, 1, width, dtype=np.float32)
    lit = image.astype(np.float32) * (state.gain * ramp)[None, :, None]
    if state.shadow:
        mask = np.zeros((height, width), np.float32)
        middle = rng.uniform((0.1 * width, 0.1 * height), (0.9 * width, 0.9 * height))
        cv2.circle(mask, _at(middle), int(0.3 * width), 1.0, -1)
        lit *= (1 - 0.4 * cv2.blur(mask, (61, 61)))[..., None]
    lit = cv2.GaussianBlur(lit, (0, 0), max(state.blur, 0.3))
    grain = rng.standard_normal((height, width), dtype=np.float32) * state.noise
    lit = np.clip(lit + grain[..., None], 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", lit, [cv2.IMWRITE_JPEG_QUALITY, state.quality])[1]
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)


def _mat_to_mm(state: Bench) -> Floats:
    scale = 1 / (PX_MM * 0.6)
    edge = state.mat.shape[0]
    c, s = np.cos(np.deg2rad(state.turn)), np.sin(np.deg2rad(state.turn))
    centre = np.array([[scale, 0, -edge * scale / 2], [0, -scale, edge * scale / 2], [0, 0, 1]])
    return np.asarray(np.array([[c, -s, state.shift[0]], [s, c, state.shift[1]], [0, 0, 1]]) @ centre)


def _pixels(cam: View, corners: Floats, z: float) -> NDArray[np.int32]:
    return np.round(cam.project(np.column_stack([corners, np.full(len(corners), z)]))).astype(np.int32)


def _textured(image: Bytes, cam: View, texture: Bytes, corners: Floats, z: float) -> None:
    h, w = texture.shape[:2]
    to_mm = np.array([[1 / PX_MM, 0, -w / 2 / PX_MM], [0, -1 / PX_MM, h / 2 / PX_MM], [0, 0, 1]])
    laid = cv2.warpPerspective(texture, cam.plane(z) @ to_mm, cam.size, flags=cv2.INTER_LINEAR)
    mask = np.zeros(image.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, _pixels(cam, corners, z), 255)
    image[mask > 0] = laid[mask > 0]


def _walls(image: Bytes, cam: View, corners: Floats, low: float, high: float, bgr: tuple[int, int, int]) -> None:
    closed = np.vstack([corners, corners[:1]])
    for n, (p, q) in enumerate(pairwise(closed)):
        quad = np.array([[*p, low], [*q, low], [*q, high], [*p, high]])
        tone = tuple(float(v * (0.8 + 0.12 * n)) for v in bgr)
        cv2.fillConvexPoly(image, np.round(cam.project(quad)).astype(np.int32), tone, cv2.LINE_AA)


def _tube(image: Bytes, cam: View, wire: Wire) -> None:
    line = cam.project(wire.path)
    middle = wire.path.mean(axis=0)
    ends = cam.project(np.stack([middle, middle + np.array([1.0, 0, 0])]))
    scale = float(np.linalg.norm(ends[1] - ends[0]))
    thick = max(1, round(wire.width * scale))
    points = np.round(line * 8).astype(np.int32)
    dark = tuple(0.45 * v for v in wire.bgr)
    cv2.polylines(image, [points], False, dark, thick + 1, cv2.LINE_AA, 3)
    cv2.polylines(image, [points], False, tuple(map(float, wire.bgr)), max(1, thick - 1), cv2.LINE_AA, 3)


def _marker(image: Bytes, cam: View, marker: Bytes, middle: tuple[float, float], side: float) -> None:
    n = marker.shape[0]
    to_mm = np.array([[side / n, 0, middle[0] - side / 2], [0, -side / n, middle[1] + side / 2], [0, 0, 1]])
    shift = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])  # pixel centres of the sheet
    laid = cv2.warpPerspective(marker, cam.plane(0.0) @ to_mm @ shift, cam.size, flags=cv2.INTER_AREA)
    half = side / 2
    corners = np.array(middle) + np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    mask = np.zeros(image.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, _pixels(cam, corners, 0.0), 255)
    image[mask > 0] = np.repeat(laid[..., None], 3, axis=2)[mask > 0] if laid.ndim == 2 else laid[mask > 0]


def _polygon(
    image: Bytes, cam: View, corners: Floats, z: float, bgr: tuple[int, int, int], *, outline: int = 0
) -> None:
    points = _pixels(cam, corners, z)
    if outline:
        cv2.polylines(image, [points], True, tuple(map(float, bgr)), outline, cv2.LINE_AA)
    else:
        cv2.fillPoly(image, [points], tuple(map(float, bgr)), cv2.LINE_AA)


def _blob(rng: Generator, middle: Floats, radius: float) -> Floats:
    angle = np.sort(rng.uniform(0, 2 * np.pi, 7))
    reach = radius * rng.uniform(0.5, 1.2, 7)
    return np.asarray(middle + np.column_stack([np.cos(angle), np.sin(angle)]) * reach[:, None])


def _tone(rng: Generator) -> tuple[int, int, int]:
    b, g, r = (int(v) for v in rng.uniform(20, 235, 3))
    return b, g, r


# --------------------------------------------------------------------------------------------------- pairs


@dataclass(frozen=True, slots=True)
class Pair:
    """The model open, then closed, each with its exact camera."""

    model: Tray
    inside: Bytes
    outside: Bytes
    cam_in: View
    cam_out: View

    def skin_map(self) -> Floats:
        """The true homography of the skin from the inside picture to the outside one."""
        return np.asarray(self.cam_out.plane() @ np.linalg.inv(self.cam_in.plane()))

    def outline_in(self) -> Floats:
        return self.cam_in.project(np.column_stack([self.model.outline, np.zeros(4)]))

    def outline_out(self) -> Floats:
        return self.cam_out.project(np.column_stack([self.model.outline, np.zeros(4)]))

    def mm(self, pixels: Floats) -> Floats:
        """Where pixels of the outside picture lie on the skin, (N, 2) mm."""
        full = np.hstack([pixels, np.ones((len(pixels), 1))]) @ np.linalg.inv(self.cam_out.plane()).T
        return np.asarray(full[:, :2] / full[:, 2:3])

    def grid(self) -> Floats:
        """Points over the whole skin, (N, 2) mm."""
        x, y = self.model.half
        u, v = np.meshgrid(np.linspace(-x, x, 9), np.linspace(-y, y, 7))
        return np.column_stack([u.ravel(), v.ravel()])


def pair(
    rng: Generator,
    *,
    detail: float = 1.0,
    hard: float = 1.0,
    tilt: tuple[float, float] = (0.0, 35.0),
    size: tuple[int, int] = (1200, 900),
    model: Tray | None = None,
    mat: Bytes | None = None,
) -> Pair:
    """An open and a closed picture of one tray from two cameras drawn at random, the bench moved between them."""
    model = model or tray(rng, detail=detail)
    mat = cutting_mat(rng) if mat is None else mat
    cams = _looks(rng, tilt, size)
    inside = render(model, bench(rng, mat, hard=hard), cams[0], closed=False)
    outside = render(model, bench(rng, mat, hard=hard), cams[1], closed=True)
    return Pair(model, inside, outside, cams[0], cams[1])


def _looks(rng: Generator, tilt: tuple[float, float], size: tuple[int, int]) -> list[View]:
    """Two cameras drawn at random, as a builder holds them over the bench."""
    return [
        view(
            tilt=rng.uniform(*tilt),
            azimuth=rng.uniform(0, 360),
            roll=rng.uniform(-180, 180),
            field_mm=rng.uniform(390, 470),
            size=size,
            focal=size[0] * rng.uniform(0.7, 1.3),
            aim=tuple(rng.uniform(-15, 15, 2)),
        )
        for _ in range(2)
    ]


def unseen(rng: Generator) -> Pair:
    """A pair of which only the cameras and the places of things are wanted: its pictures are blank."""
    blank = np.zeros((1, 1, 3), np.uint8)
    half, rim, depth = (float(rng.uniform(120, 165)), float(rng.uniform(62, 100))), 20.0, float(rng.uniform(8, 22))
    model = Tray(half, rim, depth, (_wire(rng, half, rim, depth, COLOURS[0]),), blank, blank, blank)
    return Pair(model, blank, blank, *_looks(rng, (0.0, 35.0), (1200, 900)))


def with_cards(model: Tray, markers: tuple[Bytes, ...], side: float = 22.0) -> Tray:
    """The tray with square markers, `side` mm with their white margin, lying on its skin at the ends of the rim."""
    x, y = model.half[0] - side / 2 - 1, model.half[1] - side / 2 - 1
    places = [(-x, -y), (x, y), (x, -y), (-x, y)]
    return replace(model, cards=tuple((marker, places[n], side) for n, marker in enumerate(markers)))
