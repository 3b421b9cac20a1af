"""Same views, traces, changes and lengths against exact truth: one trial of each, for the tests and the benchmark."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lastlook.registration import change, measure, sameview, trace
from tests import scenes
from tests.registering_truth import CLICK_PX, flat, grey, mats
from tests.scenes import Floats


@dataclass(frozen=True, slots=True)
class Judged:
    """Two pictures: `same` place and side in truth, `mirrored` in truth, and whether they were `told` the same."""

    same: bool
    mirrored: bool
    told: bool


def views(seed: int) -> list[Judged]:
    """One picture against four, all on the one bench: the same section seen again, mirrored, another section, and the
    bench without a model."""
    rng = np.random.default_rng(seed)
    mat = mats()[seed % 3]
    size = (900, 675)
    model, other = scenes.tray(rng), scenes.tray(rng)

    def picture(of: scenes.Tray, closed: bool, on: scenes.Bytes) -> scenes.Bytes:
        cam = scenes.view(
            tilt=rng.uniform(0, 30),
            azimuth=rng.uniform(0, 360),
            roll=rng.uniform(-180, 180),
            field_mm=rng.uniform(380, 480),
            size=size,
            focal=size[0] * 0.9,
        )
        return grey(scenes.render(of, scenes.bench(rng, on, hard=0.8), cam, closed=closed))

    state = bool(rng.integers(2))
    first = sameview.look(picture(model, state, mat))
    again = picture(model, state, mat)
    against = [
        (again, True, False),
        (np.ascontiguousarray(again[:, ::-1]), False, True),
        (picture(other, state, mat), False, False),
        (picture(replace(other, half=(4.0, 3.0), rim=1.0, wires=()), True, mat), False, False),
    ]
    return [Judged(same, turned, sameview.compare(first, sameview.look(image)).same) for image, same, turned in against]


def trace_errors(seed: int) -> tuple[float, float, float]:
    """Largest distance in mm from the wire, length as a share of the true one, and the likeness that was stated."""
    rng = np.random.default_rng(seed)
    pair = scenes.pair(rng, mat=mats()[seed % 3], hard=0.5)
    wire = pair.model.wires[int(rng.integers(len(pair.model.wires)))]
    seen = pair.cam_in.project(wire.path)
    i, j = int(rng.integers(15, 50)), int(rng.integers(90, 145))
    clicks = seen[[i, j]] + rng.normal(scale=CLICK_PX, size=(2, 2))
    found = trace.follow(np.ascontiguousarray(pair.inside[:, :, ::-1]), clicks)
    true = seen[i : j + 1]
    off = max(float(np.linalg.norm(true - point, axis=1).min()) for point in found.line)
    pixel = float(np.linalg.norm(np.diff(wire.path[i : j + 1], axis=0), axis=1).sum() / _length(true))
    return off * pixel, _length(found.line) / _length(true), found.likeness


def change_found(seed: int) -> tuple[bool, int]:
    """Whether a patch of 16 × 10 mm that was put on the skin is found, and how many places are named without it."""
    rng = np.random.default_rng(seed)
    model = scenes.tray(rng)
    cams = [
        scenes.view(tilt=rng.uniform(0, 25), azimuth=rng.uniform(0, 360), roll=rng.uniform(-40, 40)) for _ in range(2)
    ]
    states = [replace(scenes.bench(rng, mats()[seed % 3], hard=0.7), on_flange=0) for _ in range(2)]
    at = rng.uniform(-0.5, 0.5, 2) * model.half
    patch = at + np.array([[-8, -5], [8, -5], [8, 5], [-8, 5]])
    tone = (30, 30, 170) if rng.random() < 0.5 else (60, 60, 60)
    first = scenes.render(model, states[0], cams[0], closed=True)
    plain = scenes.render(model, states[1], cams[1], closed=True)
    with_patch = scenes.render(model, replace(states[1], extra=((patch, tone),)), cams[1], closed=True)
    pair = scenes.Pair(model, first, plain, cams[0], cams[1])
    none = change.compare(grey(first), grey(plain), pair.skin_map(), pair.outline_in())
    some = change.compare(grey(first), grey(with_patch), pair.skin_map(), pair.outline_in())
    true = cams[0].project(flat(at[None]))[0]
    return any(np.linalg.norm(each.middle - true) < 30 for each in some.places), len(none.places)


def length_errors(seed: int) -> Floats:
    """(8, 2): error of a length as a share of it, and 1 where the stated half-width holds it; from one known length,
    from four known places, from a marker, and from two known lengths that cross, two lengths each."""
    rng = np.random.default_rng(seed)
    size = (1600, 1200)
    cam = scenes.view(
        tilt=abs(rng.normal(scale=12)), azimuth=rng.uniform(0, 360), roll=rng.uniform(-180, 180), size=size
    )
    corners = np.array([[-130.0, -70.0], [130.0, -70.0], [130.0, 70.0], [-130.0, 70.0]])

    def clicked(places: Floats, sigma: float = 1.0) -> Floats:
        return cam.project(flat(places)) + rng.normal(scale=sigma, size=places.shape)

    def span(ends: Floats, true: float = 260.0) -> measure.Span:
        return measure.Span(ends[0], ends[1], true + float(rng.normal(scale=0.3)), 0.3)

    ends = clicked(corners[:2])
    marker = np.array([[-15.0, -15.0], [15.0, -15.0], [15.0, 15.0], [-15.0, 15.0]]) + rng.uniform(-60, 60, 2)
    scales = [
        measure.from_lengths([span(ends)], size, "a rule"),
        measure.from_points(clicked(corners), corners, size, "four places"),
        measure.from_marker(clicked(marker, 0.2), 30.0, size, "a marker"),
        measure.from_lengths([span(ends), span(clicked(corners[1:3]), 140.0)], size, "two rules that cross"),
    ]
    out = []
    for scale in scales:
        for _ in range(2):
            places = rng.uniform(-1, 1, (2, 2)) * [120, 65]
            true = float(np.linalg.norm(places[0] - places[1]))
            got = measure.length(scale, clicked(places))
            out.append([abs(got.value - true) / max(true, 1), abs(got.value - true) <= got.within])
    return np.array(out, dtype=np.float64)


def _length(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
