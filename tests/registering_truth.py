"""Registration against exact truth: one trial of each kind, shared by the tests and the benchmark.

Errors are in mm on the skin, over a lattice of its whole extent or along a run; the true cameras come from
`tests.scenes`. Each trial draws its scene from its own seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import cv2
import numpy as np

from lastlook.registration import band, camera, depth, features, markers, plane, pose, ties
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.registration.pose import Cameras, Length
from lastlook.registration.ties import Ties, TieSource
from tests import scenes
from tests.scenes import Bytes, Floats, Pair

CARD_MM = 22.0  # a sheet with its white margin
SIDE_MM = CARD_MM * 0.8
CLICK_PX = 0.7  # standard error of a person's click in each direction, at 1200 px


@cache
def mats() -> tuple[Bytes, ...]:
    return tuple(scenes.cutting_mat(np.random.default_rng(seed)) for seed in (1, 2, 3))


@cache
def sheet(id: int) -> Bytes:
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    marker = cv2.aruco.generateImageMarker(book, id, 160)
    return np.asarray(cv2.copyMakeBorder(marker, 20, 20, 20, 20, cv2.BORDER_CONSTANT, value=(255,)), dtype=np.uint8)


def grey(image: Bytes) -> Bytes:
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def flat(points: Floats) -> Floats:
    return np.column_stack([points, np.zeros(len(points))])


def plane_errors(pair: Pair, matrix: Floats) -> Floats:
    """mm, over the skin that shows in both pictures."""
    places = pair.grid()
    seen = plane.transfer(matrix, pair.cam_in.project(flat(places)))
    return np.asarray(np.nan_to_num(np.linalg.norm(pair.mm(seen) - places, axis=1), nan=1e3))


# ------------------------------------------------------------------------------------------------ evidence


def by_hand(pair: Pair, rng: np.random.Generator, count: int = 6, careless: float = 1.0) -> Ties:
    """Ties as a person marks them: spread along the flange, each click with its error, `careless` times the usual."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False) + rng.uniform(0, 0.6)
    reach = 1 / np.maximum(np.abs(np.cos(angle)), np.abs(np.sin(angle)))
    on = np.column_stack([np.cos(angle), np.sin(angle)]) * reach[:, None] * pair.model.half * 0.93
    click = CLICK_PX * careless
    a, b = (cam.project(flat(on)) + rng.normal(scale=click, size=on.shape) for cam in (pair.cam_in, pair.cam_out))
    return ties.make(a, b, 1.3 * pair.cam_out.size[0] / 1600, TieSource.HAND)


def by_hand_lengths(pair: Pair, rng: np.random.Generator) -> list[Length]:
    """Two lengths on the skin, across each other, as measured with a rule: to half a millimetre."""
    on = np.array([[-0.95, -0.9], [0.95, -0.9], [0.95, 0.9]]) * pair.model.half
    q = pair.cam_out.project(flat(on)) + rng.normal(scale=CLICK_PX, size=(3, 2))
    sizes = [float(np.linalg.norm(on[n] - on[n + 1])) + float(rng.normal(scale=0.3)) for n in (0, 1)]
    return [Length("b", q[n], q[n + 1], sizes[n], 0.5) for n in (0, 1)]


def by_cards(pair: Pair) -> tuple[Ties, list[Length]]:
    """Ties and lengths from the markers that lie on the skin of a tray made `with_cards`."""
    seen = [{each.name: each for each in markers.find(grey(image))} for image in (pair.inside, pair.outside)]
    lengths = []
    for on, found in zip("ab", seen, strict=True):
        for each in found.values():
            c = each.corners
            for i, j, factor in ((0, 1, 1.0), (1, 2, 1.0), (2, 3, 1.0), (3, 0, 1.0), (0, 2, 2**0.5), (1, 3, 2**0.5)):
                lengths.append(Length("a" if on == "a" else "b", c[i], c[j], SIDE_MM * factor, 0.12))
    both = sorted(seen[0].keys() & seen[1].keys())
    parts = [ties.make(seen[0][name].corners, seen[1][name].corners, 0.15, TieSource.MARKER) for name in both]
    return (ties.joined(*parts) if parts else ties.none()), lengths


def alike(pair: Pair, outline_in: Floats | None, outline_out: Floats | None) -> tuple[Ties, Callable[[Floats], Ties]]:
    fa, fb = features.find(grey(pair.inside), outline_in), features.find(grey(pair.outside), outline_out)
    return features.match(fa, fb), lambda matrix: features.guided(fa, fb, matrix, 6 * fb.pixel)


def lenses(pair: Pair) -> tuple[camera.Lens, camera.Lens]:
    """As Exif gives them: 35 mm equivalent in whole millimetres."""

    def of(cam: scenes.View) -> camera.Lens:
        return camera.from_exif(cam.size, round(cam.focal / float(np.hypot(*cam.size)) * camera.DIAGONAL_35))

    return of(pair.cam_in), of(pair.cam_out)


# ------------------------------------------------------------------------------------------------ trials


@dataclass(frozen=True, slots=True)
class Plane:
    """`refused` or the errors over the skin, mm. `fair`: one model, textured, a usual picture."""

    fair: bool
    refused: bool
    errors: Floats
    kind: str


@dataclass(frozen=True, slots=True)
class Band:
    """A run on the skin: distance of the truth from the carried line, mm, at each of its points; the half-widths; which
    points lie inside with the whole width of the run."""

    errors: Floats
    half: Floats
    estimated: Floats
    inside: Floats


def automatic(seed: int) -> Plane:
    """A pair registered by what matches by itself; some pairs are such that the only right answer is a refusal."""
    rng = np.random.default_rng(seed)
    kind = str(
        rng.choice(["fair", "faint", "bare", "hard", "other", "mirrored"], p=[0.56, 0.12, 0.08, 0.12, 0.06, 0.06])
    )
    detail = {"fair": rng.uniform(0.6, 1.0), "faint": 0.25, "bare": 0.05}.get(kind, 0.8)
    hard = rng.uniform(0.2, 1.0) if kind != "hard" else rng.uniform(1.2, 1.8)
    pair = scenes.pair(rng, detail=float(detail), hard=float(hard), mat=mats()[seed % 3])
    if kind == "other":  # another section of the same size, closed
        different = scenes.pair(rng, detail=0.8, mat=mats()[seed % 3])
        pair = Pair(pair.model, pair.inside, different.outside, pair.cam_in, different.cam_out)
    if kind == "mirrored":
        pair = Pair(pair.model, pair.inside, np.ascontiguousarray(pair.outside[:, ::-1]), pair.cam_in, pair.cam_out)
    draw = 1 + rng.normal(scale=0.02, size=(4, 1))  # outlines are drawn by hand
    around = pair.outline_in()
    one = around.mean(axis=0) + (around - around.mean(axis=0)) * draw
    two = None if rng.random() < 0.4 else pair.outline_out()
    found, grow = alike(pair, one, two if kind not in ("other", "mirrored") else None)
    got = plane.register(found, one, grow=grow)
    if isinstance(got, Refusal):
        return Plane(kind == "fair", True, np.zeros(0), kind)
    errors = plane_errors(pair, got.matrix)
    if kind in ("other", "mirrored"):
        errors = np.full(1, 1e3)  # whatever it says is wrong
    return Plane(kind == "fair", False, errors, kind)


def trial(seed: int, evidence: str) -> tuple[Plane, Band | None]:
    """A pair registered by "cards" (and what matches), "ties" (six by hand alone) or "mixed", then run 0 carried."""
    rng = np.random.default_rng(seed)
    model = scenes.tray(rng)
    if evidence == "cards":
        model = scenes.with_cards(model, (sheet(3), sheet(7)), CARD_MM)
    pair = scenes.pair(rng, model=model, mat=mats()[seed % 3], hard=float(rng.uniform(0.2, 1.0)))
    parts: list[Ties] = []
    grow: plane.Grow | None = None
    lengths: list[Length] = []
    if evidence == "cards":
        printed, lengths = by_cards(pair)
        parts.append(printed)
    else:
        parts.append(by_hand(pair, rng))
        lengths = by_hand_lengths(pair, rng)
    if evidence != "ties":
        matches, grow = alike(pair, pair.outline_in(), pair.outline_out())
        parts.append(matches)
    got = plane.register(ties.joined(*parts), pair.outline_in(), grow=grow)
    if isinstance(got, Refusal):
        return Plane(True, True, np.zeros(0), evidence), None
    cameras = pose.solve(got.ties, got.matrix, *lenses(pair), lengths, allowed=got.allowed)
    seen = Plane(True, False, plane_errors(pair, got.matrix), evidence)
    if cameras is None or not cameras.scaled:
        return seen, None
    return seen, carried(pair, cameras, rng)


def few_ties(seed: int, count: int, careless: float = 1.0) -> Band:
    """Run 0 carried by `count` ties by hand alone; nothing is rendered, since nothing but places goes in. The
    band is that of `locate`."""
    rng = np.random.default_rng(seed)
    pair = scenes.unseen(rng)
    got = plane.register(by_hand(pair, rng, count, careless), pair.outline_in())
    assert isinstance(got, PlaneMap)
    lengths = by_hand_lengths(pair, rng)
    cameras = pose.solve(got.ties, got.matrix, *lenses(pair), lengths, allowed=got.allowed)
    assert cameras is not None
    return carried(pair, cameras, rng)


def carried(pair: Pair, cameras: Cameras, rng: np.random.Generator) -> Band:
    """Run 0 traced as a person does, its depth measured to half a millimetre, carried and compared with the truth."""
    wire = pair.model.wires[0]
    path = wire.path[8:-8:4]
    trace = pair.cam_in.project(path) + rng.normal(scale=CLICK_PX, size=(len(path), 2))
    deep = depth.known(max(0.0, -float(path[0, 2]) + float(rng.normal(scale=0.5))), 0.5, "measured")
    found = band.of_line(cameras, trace, deep, half_bundle=wire.width / 2)
    true = pair.cam_out.project(flat(path[:, :2]))
    on_skin, line = pair.mm(true), pair.mm(found.line)
    errors = np.array([min(_gap(point, p, q) for p, q in pairwise(line)) for point in on_skin])
    seen = band.pixels_on_skin(cameras.best, true)
    inside = np.array([found.distance(point)[1] <= -wire.width / 2 for point in seen], dtype=np.float64)
    return Band(errors, found.half, np.hypot(found.registration, found.depth), inside)


def _gap(point: Floats, p: Floats, q: Floats) -> float:
    along = q - p
    t = np.clip((point - p) @ along / max(float(along @ along), 1e-12), 0, 1)
    return float(np.linalg.norm(point - (p + t * along)))
