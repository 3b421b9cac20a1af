"""Each check of a registration by itself: exact ties that break one rule and keep all others.

The rendered pairs are held by several checks at once, so that none of them could be missed there. Maps are compared
with OpenCV's own exact solution of four pairs.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lastlook.registration import band, depth, fitting, plane, pose, ties
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
