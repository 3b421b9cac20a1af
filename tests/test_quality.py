"""Judging grey pictures: sharpness ranks blur, the hash is the published one, brightness is the mean."""

from __future__ import annotations

import itertools

import imagehash
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray
from PIL import Image

from lastlook.intake import quality
from tests.media import bench_picture, blurred


def grey(picture: Image.Image) -> NDArray[np.uint8]:
    return np.asarray(picture.convert("L"))


def test_sharpness_ranks_levels_of_blur_at_a_phones_size() -> None:
    sharp = bench_picture(2400, 1800)
    levels = [quality.measure(grey(blurred(sharp, radius))).sharpness for radius in (0.0, 1.5, 3.0, 6.0, 12.0)]
    assert levels == sorted(levels, reverse=True)
    # At full size noise would hide it; here each level is told apart clearly.
    assert all(after < 0.9 * before for before, after in itertools.pairwise(levels))


def test_sharpness_is_the_variance_of_the_laplacian() -> None:
    # Reference: the four-neighbour Laplacian written out with numpy, borders mirrored without repeating the edge.
    picture = grey(bench_picture(400, 300))
    wide = np.pad(picture.astype(np.int64), 1, mode="reflect")
    laplacian = wide[:-2, 1:-1] + wide[2:, 1:-1] + wide[1:-1, :-2] + wide[1:-1, 2:] - 4 * wide[1:-1, 1:-1]
    assert quality.measure(picture).sharpness == pytest.approx(float(laplacian.var()), rel=1e-6)


@pytest.mark.parametrize("seed", range(12))
def test_hash_is_that_of_imagehash(seed: int) -> None:
    # Reference library: PyPI ImageHash, phash(hash_size=8, highfreq_factor=4). Two steps of reduction instead of one
    # may tip a coefficient that lies on the median: at most 2 of 64 bits.
    picture = bench_picture(900, 600, seed=seed).convert("L")
    theirs = int(str(imagehash.phash(picture)), 16)
    assert quality.distance(quality.perceptual_hash(np.asarray(picture)), theirs) <= 2


def test_hash_is_exactly_that_of_imagehash_where_nothing_is_reduced_twice() -> None:
    for seed in range(12):
        picture = bench_picture(32, 32, seed=seed).convert("L")
        assert quality.perceptual_hash(np.asarray(picture)) == int(str(imagehash.phash(picture)), 16)


def test_same_scene_is_near_and_another_far() -> None:
    one = quality.measure(grey(bench_picture(900, 600)))
    again = quality.measure(grey(bench_picture(1600, 1067).resize((1200, 800))))
    other = quality.measure(grey(bench_picture(900, 600, seed=3)))
    assert quality.distance(one.phash, again.phash) <= 8
    assert quality.distance(one.phash, other.phash) > 12


def test_brightness_is_the_mean() -> None:
    assert quality.measure(np.full((30, 40), 77, dtype=np.uint8)).mean_luma == 77.0
    assert quality.measure(np.full((30, 40), 77, dtype=np.uint8)).sharpness == 0.0


@settings(max_examples=40, deadline=None)
@given(arrays.arrays(np.uint8, st.tuples(st.integers(1, 70), st.integers(1, 70))))
def test_any_picture_can_be_judged(picture: NDArray[np.uint8]) -> None:
    judged = quality.measure(picture)
    assert 0 <= judged.phash < 2**64
    assert judged.sharpness >= 0
    assert 0 <= judged.mean_luma <= 255


@pytest.mark.parametrize("shape", [(1, 5000), (5000, 1), (3, 4000)])
def test_very_long_pictures_can_be_judged(shape: tuple[int, int]) -> None:
    assert quality.measure(np.zeros(shape, dtype=np.uint8)).sharpness == 0.0
