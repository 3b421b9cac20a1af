"""Each check of a registration by itself: exact ties that break one rule and keep all others.

The rendered pairs are held by several checks at once, so that none of them could be missed there. Maps are compared
with OpenCV's own exact solution of four pairs.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lastlook.registration import band, change, depth, features, fitting, measure, plane, pose, ties, trace
from lastlook.registration.plane import PlaneMap, Reason, Refusal
from lastlook.registration.ties import Ties, TieSource
from tests import registering_truth as truth
from tests import scenes
from tests.scenes import Floats

SQUARE = np.array([[100.0, 100.0], [900.0, 100.0], [900.0, 700.0], [100.0, 700.0]])
VIEW = np.array([[0.9, -0.2, 120.0], [0.25, 0.95, -40.0], [1e-4, -5e-5, 1.0]])


def spread(low: tuple[float, float] = (110, 110), high: tuple[float, float] = (890, 690), count: int = 8) -> Floats:
    """count² places over the square, or a part of it."""
    x, y = np.meshgrid(np.linspace(low[0], high[0], count), np.linspace(low[1], high[1], count))
    return np.column_stack([x.ravel(), y.ravel()])


def matches(a: Floats, matrix: Floats = VIEW, sigma: float = 0.5) -> Ties:
    return ties.make(a, plane.transfer(matrix, a), sigma, TieSource.FEATURE)


def test_matches_over_the_whole_outline_are_believed() -> None:
    found = plane.register(matches(spread()), SQUARE)
    assert isinstance(found, PlaneMap)
    assert np.allclose(found.matrix, VIEW, rtol=1e-4, atol=1e-6)


def test_matches_of_the_middle_alone_are_not_believed_for_the_rest() -> None:
    """A quarter of the outline, on every side of its middle: no small group decides, and yet nothing holds the edge."""
    found = plane.register(matches(spread((300, 250), (700, 550)), sigma=0.02), SQUARE)
    assert isinstance(found, Refusal)
    assert found.reason is Reason.CROWDED
    assert "covers only" in found.why


def test_what_one_direction_alone_decides_is_not_believed() -> None:
    """All are exact but those to the right, which are off together, by less than tells them from the others."""
    at = np.vstack([spread(high=(560, 690), count=6), spread(low=(700, 110), count=4)])
    found = matches(at, sigma=8.0)
    wrong = at[:, 0] > 600
    found.b[wrong] += np.column_stack([np.zeros(wrong.sum()), 18 * np.sign(at[wrong, 1] - 400)])
    got = plane.register(found, SQUARE, most_error_px=50.0)
    assert isinstance(got, Refusal)
    assert got.reason is Reason.UNCERTAIN
    assert "hangs on a few points" in got.why


@pytest.mark.parametrize(
    ("squeezed", "by_matches", "by_hand"), [(0.6, True, True), (0.36, False, True), (0.2, False, False)]
)
def test_views_beyond_60_degrees_are_not_believed_of_matches_nor_beyond_75_of_hands(
    squeezed: float, by_matches: bool, by_hand: bool
) -> None:
    """A plane seen at an angle is squeezed by its cosine: 0.5 at 60°, 0.26 at 75°."""
    matrix = np.diag([squeezed, 1.0, 1.0])
    for source, believed in ((TieSource.FEATURE, by_matches), (TieSource.HAND, by_hand)):
        at = spread() if source is TieSource.FEATURE else np.vstack([SQUARE, [[500, 100], [500, 700]]])
        got = plane.register(ties.make(at, plane.transfer(matrix, at), 0.5, source), SQUARE, most_error_px=50.0)
        assert isinstance(got, PlaneMap) is believed
        assert believed or (isinstance(got, Refusal) and got.reason is Reason.IMPLAUSIBLE)


def test_a_tie_that_is_left_out_is_missed_by_what_the_others_say() -> None:
    """Of five, the other four have one exact map: OpenCV's getPerspectiveTransform gives it."""
    at = np.vstack([SQUARE, [[420.0, 360.0]]])
    to = plane.transfer(VIEW, at)
    to[2] += [7.0, -4.0]
    got = fitting.leave_one_out(ties.make(at, to, 1.5, TieSource.HAND))
    for n in range(5):
        rest = np.arange(5) != n
        exact = cv2.getPerspectiveTransform(at[rest].astype(np.float32), to[rest].astype(np.float32))
        there = cv2.perspectiveTransform(at[n].reshape(1, 1, 2), exact).ravel()
        assert got[n] == pytest.approx(float(np.linalg.norm(there - to[n])), rel=1e-3, abs=1e-3)
    assert got[2] == pytest.approx(np.hypot(7, 4), rel=1e-3), "the four others are exact"


def test_a_frame_that_gathers_as_much_anywhere_is_not_believed() -> None:
    """Rivets, planks, a net: moved aside, such a map finds as many pairs that look alike."""

    def anywhere(matrix: Floats) -> Ties:
        return matches(spread(count=7), matrix)

    def here(matrix: Floats) -> Ties:
        near = np.linalg.norm(plane.transfer(matrix, spread()) - plane.transfer(VIEW, spread()), axis=1) < 3
        return matches(spread()[near]) if near.any() else ties.none()

    found = plane.register(matches(spread(count=5)), SQUARE, grow=here)
    assert isinstance(found, PlaneMap)
    found = plane.register(matches(spread(count=5)), SQUARE, grow=anywhere)
    assert isinstance(found, Refusal)
    assert found.reason is Reason.TOO_FEW


def test_a_band_is_wider_at_the_ends_of_a_run() -> None:
    """Along a run nothing can be missed but where it ends: there an error along it counts too. Of two like normal
    errors 95 % lie within 2.45 standard errors, of one within 1.96 (tables of the Rayleigh and the normal
    distribution)."""
    rng = np.random.default_rng(44)
    pair = scenes.unseen(rng)
    got = plane.register(truth.by_hand(pair, rng), pair.outline_in())
    assert isinstance(got, PlaneMap)
    p, q = pair.cam_out.project(np.array([[-100.0, 0, 0], [100.0, 0, 0]]))
    cameras = pose.solve(got.ties, got.matrix, *truth.lenses(pair), [pose.Length("b", p, q, 200.0)])
    assert cameras is not None
    line = pair.cam_in.project(np.column_stack([np.linspace(-60, 60, 41), np.zeros(41), np.zeros(41)]))
    # As traced by a shaky hand, so that this error is most of it.
    found = band.of_line(cameras, line, depth.known(0.0, 0.05, ""), half_bundle=0.0, margin=0.0, trace_px=12.0)
    middle = float(np.median(found.half[5:-5]))
    assert found.half[0] > 1.1 * middle
    assert found.half[-1] > 1.1 * middle


def normal_of(view: scenes.View) -> Floats:
    """The skin's normal (3,) in the camera's axes, away from it: the third column of its rotation."""
    inner = np.array([[view.focal, 0, view.size[0] / 2], [0, view.focal, view.size[1] / 2], [0, 0, 1]])
    normal = np.linalg.solve(inner, view.matrix[:, 2])
    return np.asarray(normal / np.linalg.norm(normal) * np.sign(normal[2]))


@pytest.mark.parametrize("seed", [1055, 1081, 1107, 1138])
def test_where_two_tilts_fit_both_go_into_the_spread(seed: int) -> None:
    """Four of the six of 200 drawn pairs without any known length in which the likelier tilt is the wrong one."""
    rng = np.random.default_rng(seed)
    pair = scenes.unseen(rng)
    got = plane.register(truth.by_hand(pair, rng), pair.outline_in())
    assert isinstance(got, PlaneMap)
    cameras = pose.solve(got.ties, got.matrix, *truth.lenses(pair))
    assert cameras is not None
    true = normal_of(pair.cam_in)
    apart = np.degrees(np.arccos([cameras.best.normal @ true, *(each.normal @ true for each in cameras.draws)]))
    assert cameras.two_answers
    assert apart[0] > 10
    assert apart[1:].min() < 5


def test_the_stated_error_of_a_seen_depth_is_the_true_one() -> None:
    """Depths of a run from two traces that are off by 1.5 pixels, in units of their stated errors: a normal spread."""
    rng = np.random.default_rng(2000)
    model = scenes.tray(rng, depth=16.0)
    looks = [scenes.view(tilt=24, azimuth=20, roll=10), scenes.view(tilt=27, azimuth=200, roll=-20)]
    outside = scenes.view(tilt=8, azimuth=100, roll=0)
    on = truth.flat(np.array([[x, y] for x in (-1, 0, 1) for y in (-1, 1)]) * model.half * 0.93)
    ends = truth.flat(np.array([[-0.95, -0.9], [0.95, -0.9], [0.95, 0.9]]) * model.half)
    at = outside.project(ends)
    lengths = [pose.Length("b", at[n], at[n + 1], float(np.linalg.norm(ends[n] - ends[n + 1]))) for n in (0, 1)]
    blank = np.zeros((1, 1, 3), np.uint8)
    cameras = []
    for look in looks:
        pair = scenes.Pair(model, blank, blank, look, outside)
        exact = ties.make(look.project(on), outside.project(on), 0.3, TieSource.HAND)
        matrix = plane.fit(exact)
        assert matrix is not None
        found = pose.solve(exact, matrix, *truth.lenses(pair), lengths)
        assert found is not None
        cameras.append(found)
    path = model.wires[0].path[10:-10:3]
    off = []
    for _ in range(10):
        traces = [look.project(path) + rng.normal(scale=1.5, size=(len(path), 2)) for look in looks]
        seen = depth.triangulate(cameras[0], traces[0], cameras[1], traces[1], most=40.0)
        off.append(((seen.mm + path[:, 2]) / seen.within)[np.isfinite(seen.mm)])
    every = np.concatenate(off)
    assert len(every) > 300
    assert 0.75 < 1.4826 * np.median(np.abs(every)) < 1.35
    assert abs(np.median(every)) < 0.2


# ------------------------------------------------------------------------------------------------ seeing


def test_a_pair_that_looks_alike_is_each_others_nearest() -> None:
    """Two places of one picture look most like one place of the other: the nearer of the two is the pair."""
    axes = np.eye(128, dtype=np.float32)

    def looks(*parts: tuple[int, int, float]) -> features.Features:
        rows = np.stack([axes[a] * np.cos(turn) + axes[b] * np.sin(turn) for a, b, turn in parts]).astype(np.float32)
        at = np.arange(2 * len(parts), dtype=np.float64).reshape(-1, 2) * 10
        one = np.ones(len(parts))
        return features.Features(at, rows, one, one, 1.0, (100, 100))

    first = looks((0, 5, 0.1), (0, 6, 0.4), (1, 7, 0.2))
    second = looks((0, 8, 0.0), (1, 9, 0.0), (2, 10, 0.0))
    a, b = features.alike(first, second)
    assert sorted(zip(a.tolist(), b.tolist(), strict=True)) == [(0, 0), (2, 1)]


def test_a_wire_is_followed_round_a_patch_of_its_colour() -> None:
    """The short way lies through a red blur that touches the wire at both ends; the wire is the thin line."""
    picture = np.full((300, 400, 3), 128, np.uint8)
    picture[110:191, 92:309] = (190, 40, 40)
    picture = np.asarray(cv2.GaussianBlur(picture, (1, 61), 0.1, sigmaY=10), dtype=np.uint8)
    way = np.array([[90, 150], [90, 60], [310, 60], [310, 150]])
    cv2.polylines(picture, [way.astype(np.int32)], False, (190, 40, 40), 5)
    found = trace.follow(picture, [(90.0, 150.0), (310.0, 150.0)])
    assert float(np.linalg.norm(np.diff(found.line, axis=0), axis=1).sum()) == pytest.approx(400, rel=0.08)
    assert found.line[:, 1].min() < 66


LAMP = np.linspace(0.15, 1.0, 800)[None]


@pytest.mark.parametrize("light", [0.22, 0.7, LAMP, LAMP[:, ::-1]], ids=["two stops", "half a stop", "left", "right"])
def test_another_lamp_or_exposure_is_no_change(light: float | Floats) -> None:
    """Strong structure, photographed darker by a factor, or with the lamp on one side; then one thing is moved."""
    rng = np.random.default_rng(5)
    first = np.asarray(np.kron(rng.integers(30, 226, (15, 20)), np.ones((40, 40))), dtype=np.float64)

    def shot(scene: Floats) -> np.typing.NDArray[np.uint8]:
        return np.clip(scene * light + 5 + rng.normal(scale=1, size=scene.shape), 0, 255).astype(np.uint8)

    before = first.astype(np.uint8)
    assert change.compare(before, shot(first), np.eye(3)).places == ()
    moved = first.copy()
    moved[280:400, 400:560] = np.kron(rng.integers(0, 2, (6, 8)) * 180 + 40, np.ones((20, 20)))
    (place,) = change.compare(before, shot(moved), np.eye(3)).places[:1]
    assert np.abs(place.middle - [480, 340]).max() < 60


# ------------------------------------------------------------------------------------------------ measuring


def test_the_error_of_a_known_length_is_that_of_what_is_measured_by_it() -> None:
    """± 8 mm of 200 (one standard error) is ± 4 %, of which 1.96 hold 95 of 100; the lens adds 0.4 %, clicks little."""
    for within in (0.1, 8.0):
        known = measure.Span(SQUARE[0], SQUARE[1], 200.0, within)
        got = measure.length(measure.from_lengths([known], (1000, 800), ""), SQUARE[:2])
        clicks = np.hypot(np.sqrt(2) * 1000 / 1600 / 4, np.sqrt(2) * 1000 / 1600 / 4)
        assert got.within == pytest.approx(1.96 * np.sqrt(within**2 + 0.8**2 + clicks**2), rel=0.25)


def test_a_short_length_is_as_uncertain_as_two_clicks() -> None:
    """Both ends of a line are pointed at to a pixel of 1600 each way: across 12 mm, 4 pixels to a mm, that is most of
    its error."""
    corners = np.array([[0.0, 0], [1600, 0], [1600, 1200], [0, 1200]])
    scale = measure.from_points(corners, corners / 4, (1600, 1200), "places", sigma_px=0.01)
    got = measure.length(scale, np.array([[800.0, 600], [848, 600]]))
    assert got.value == pytest.approx(12, abs=1e-3)
    assert got.within == pytest.approx(1.96 * np.sqrt(2) / 4, rel=0.25)


def test_places_that_no_view_has_so_are_not_measured_by() -> None:
    """Six places on the skin in mm, seen through a map: as they are; one typed 12 for 120 mm; two exchanged."""
    at = np.vstack([SQUARE, [[500.0, 100.0], [500.0, 700.0]]])
    mm = plane.transfer(np.linalg.inv(VIEW), at) / 4
    size = (1000, 800)
    assert measure.length(measure.from_points(at, mm, size, "", checked=True), at[:2]).value == pytest.approx(
        float(np.linalg.norm(mm[0] - mm[1]))
    )
    for many in (4, 6):
        exchanged = mm[:many].copy()
        exchanged[[0, 1]] = exchanged[[1, 0]]
        with pytest.raises(measure.Misplaced):
            measure.from_points(at[:many], exchanged, size, "", checked=True)
    wrong = mm.copy()
    wrong[2, 0] /= 10
    with pytest.raises(measure.Misplaced):
        measure.from_points(at, wrong, size, "", checked=True)


def test_beyond_the_horizon_nothing_is_measured() -> None:
    """A plane whose horizon is the line x = 1000 of the picture."""
    tilted = np.array([[1.0, 0, 0], [0, 1.0, 0], [-1e-3, 0, 1.0]])
    at = SQUARE - [100.0, 0]
    scale = measure.from_points(at, plane.transfer(tilted, at), (1600, 1200), "")
    assert measure.length(scale, at[:2]).value > 0
    with pytest.raises(ValueError, match="horizon"):
        measure.length(scale, np.array([[500.0, 300.0], [1200.0, 300.0]]))
