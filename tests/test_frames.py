"""Streams of clips: both backends give the same frames at the same times, and what a view is is judged alike."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from lastlook.intake import frames, judging
from lastlook.intake.clipav import AvStream
from lastlook.intake.clipstream import ClipError, ClipStalled, ClipStream, Patience, milliseconds
from tests.clipmedia import READABLE, UNREADABLE, Probed, Shelf, probe, shared_shelf

Bytes = NDArray[np.uint8]
Opener = Callable[[Path], ClipStream]

BACKENDS: dict[str, Opener] = {"pyav": AvStream, "opencv": frames.CvStream}


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return shared_shelf(tmp_path_factory.getbasetemp())


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> Opener:
    return BACKENDS[request.param]


def never(first: Bytes, second: Bytes) -> bool:
    return False


def always(first: Bytes, second: Bytes) -> bool:
    return True


# ------------------------------------------------------------------------------------------- streams


@pytest.mark.parametrize("name", READABLE)
def test_every_frame_is_given_at_the_time_ffprobe_says(name: str, backend: Opener, shelf: Shelf) -> None:
    path = shelf.get(name)
    truth = probe(path)
    with backend(path) as stream:
        given_ms = [look.clip_ms for look in stream.frames(0, 10**9)]
    assert given_ms == pytest.approx(truth.times_ms, abs=0)


@pytest.mark.parametrize("name", READABLE)
def test_a_wanted_frame_is_the_one_on_show(name: str, backend: Opener, shelf: Shelf) -> None:
    path = shelf.get(name)
    truth = probe(path)
    with backend(path) as stream:
        every = {look.clip_ms: look.grey for look in stream.frames(0, 10**9)}
        for wanted in _moments(truth):
            image, moment = stream.frame_at(wanted)
            assert moment == max(time for time in truth.times_ms if time <= max(0, wanted)), wanted
            assert _apart(judging.as_grey(image), every[moment]) < 2.0, wanted


@pytest.mark.parametrize("name", READABLE)
def test_both_backends_see_the_same(name: str, shelf: Shelf) -> None:
    path = shelf.get(name)
    with AvStream(path) as one, frames.CvStream(path) as other:
        for wanted in _moments(probe(path))[::3]:
            image_1, moment_1 = one.frame_at(wanted)
            image_2, moment_2 = other.frame_at(wanted)
            assert moment_1 == moment_2
            assert image_1.shape == image_2.shape
            # Square pixels are made by two different scalers, which differ at the hard edges of the test picture.
            assert _apart(image_1, image_2) < (5.0 if name in ("anamorphic", "third_generation") else 2.0)
        assert (one.facts.width, one.facts.height) == (other.facts.width, other.facts.height)


@pytest.mark.parametrize("name", READABLE)
def test_no_hold_can_hide_between_two_looks(name: str, backend: Opener, shelf: Shelf) -> None:
    path = shelf.get(name)
    truth = probe(path)
    with backend(path) as stream:
        seen = [look.clip_ms for look in stream.looks(1000, 3000, never)]
        # OpenCV knows the usual length of a frame, not that of the last one.
        assert stream.end_ms == pytest.approx(truth.end_ms, abs=2 if backend is AvStream else 120)
    assert seen[0] == 0
    assert set(seen) <= set(truth.times_ms)
    longest_frame = max([b - a for a, b in itertools.pairwise(truth.times_ms)], default=0)
    for before, after in itertools.pairwise([*seen, truth.end_ms]):
        assert 0 <= after - before <= 1500 + longest_frame


def test_looks_are_frames_of_their_time(backend: Opener, shelf: Shelf) -> None:
    """Key frames decoded one by one, and frames decoded from the middle of a group, are the frames they claim to be."""
    for name in ("open_group", "hevc", "long_group", "avi_b_frames", "edit_list", "transport_cut"):
        with backend(shelf.get(name)) as stream:
            every = {look.clip_ms: look.grey for look in stream.frames(0, 10**9)}
            for look in stream.looks(1000, 3000, never):
                assert _apart(look.grey, every[look.clip_ms]) < 2.0, (name, look.clip_ms)


def test_a_gap_shorter_than_a_hold_is_only_searched_where_its_sides_differ(tmp_path: Path) -> None:
    path = _two_second_groups(tmp_path)
    with AvStream(path) as stream:
        assert [look.clip_ms for look in stream.looks(1000, 3000, always)] == [0, 2000, 4000, 6000]
        assert [look.clip_ms for look in stream.looks(1000, 3000, never)] == list(range(0, 7000, 1000))


def _two_second_groups(folder: Path) -> Path:
    from tests.clipmedia import H264, draw

    return draw(folder / "two.mp4", *H264, "-g", "50", "-keyint_min", "50", "-sc_threshold", "0")


@pytest.mark.parametrize("name", ["turned_90", "turned_180", "turned_270", "anamorphic", "third_generation"])
def test_frames_are_upright_with_square_pixels(name: str, backend: Opener, shelf: Shelf) -> None:
    """Against ffmpeg itself, which turns by default; the stored shape of pixels is resolved by its scale filter."""
    import subprocess

    path = shelf.get(name)
    shown = path.with_suffix(".png")
    scale = "scale=round(iw*sar):ih:flags=area" if name in ("anamorphic", "third_generation") else "null"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-i", str(path), "-vf", scale, "-frames:v", "1", str(shown)], check=True
    )
    truth = cv2.imread(os.fsencode(shown))  # type: ignore[call-overload]
    with backend(path) as stream:
        image, _ = stream.frame_at(0)
        assert (stream.facts.width, stream.facts.height) == truth.shape[1::-1]
    assert image.shape == truth.shape
    assert _apart(image, truth) < 4.0


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_is_no_clip_is_refused(name: str, backend: Opener, shelf: Shelf) -> None:
    if name in ("encrypted", "cover_only") and backend is not AvStream:
        return  # OpenCV decodes what it is given, scrambled or not, cover or not; PyAV tells, and is asked first
    with pytest.raises(ClipError), backend(shelf.get(name)) as stream:
        for _ in stream.looks(1000, 3000, never):
            pass


def test_a_pipe_is_never_opened(tmp_path: Path, backend: Opener) -> None:
    pipe = tmp_path / "pipe.mp4"
    os.mkfifo(pipe)
    with pytest.raises(ClipError, match="pipe"):
        backend(pipe)


def test_a_link_is_not_followed(tmp_path: Path, backend: Opener, shelf: Shelf) -> None:
    link = tmp_path / "link.mp4"
    link.symlink_to(shelf.get("constant"))
    with pytest.raises(ClipError):
        backend(link)


@pytest.mark.parametrize("name", [b"12:30 mast.mp4", b"file:x.mp4", b"m\xe4st \xff.mp4", b"%d.mp4", b"-i.mp4"])
def test_odd_names_are_only_names(
    name: bytes, tmp_path: Path, backend: Opener, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    odd = tmp_path / os.fsdecode(name)
    odd.write_bytes(shelf.get("constant").read_bytes())
    monkeypatch.chdir(tmp_path)
    for path in (odd, Path(os.fsdecode(name))):
        with backend(path) as stream:
            assert stream.frame_at(2000)[1] == 2000


def test_a_clip_that_gives_nothing_is_left() -> None:
    ticking = itertools.count(0, 3)
    patience = Patience(10, clock=lambda: float(next(ticking)))
    for _ in range(3):
        patience.check()
    with pytest.raises(ClipStalled, match="10 seconds"):
        patience.check()
    patience.sign()
    patience.check()


def test_a_closed_stream_leaves_no_file_open(shelf: Shelf, backend: Opener) -> None:
    before = set(Path("/proc/self/fd").iterdir())
    with backend(shelf.get("b_frames")) as stream:
        stream.frame_at(3000)
        next(iter(stream.looks(1000, 3000, never)))
    assert set(Path("/proc/self/fd").iterdir()) <= before


def _moments(truth: Probed) -> list[int]:
    """Moments to ask for: frames, between frames, before the start, after the end; the same in every run."""
    times = truth.times_ms
    some = times[:: max(1, len(times) // 7)]
    return sorted({0, *some, *(time + 17 for time in some), times[-1], truth.end_ms + 500})


def _apart(first: Bytes, second: Bytes) -> float:
    return float(np.abs(first.astype(np.int16) - second.astype(np.int16)).mean())


@given(st.integers(-(10**9), 10**9), st.integers(1, 10**6), st.integers(1, 1001))
def test_milliseconds_are_the_nearest(ticks: int, rate: int, step: int) -> None:
    from fractions import Fraction

    exact = Fraction(ticks * step * 1000, rate)
    assert abs(milliseconds(ticks, Fraction(step, rate)) - exact) <= Fraction(1, 2)


# ------------------------------------------------------------------------------------------- judging


def bench(seed: int = 0, width: int = 960, height: int = 540) -> Bytes:
    """A drawn bench: texture, edges, parts; grey."""
    random = np.random.default_rng(seed)
    small = random.integers(90, 150, (height // 12, width // 12), dtype=np.uint8)
    image = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    for _ in range(25):
        x, y = (int(v) for v in random.integers(0, [width, height]))
        w, h = (int(v) for v in random.integers(30, 180, 2))
        cv2.rectangle(image, (x, y), (x + w, y + h), int(random.integers(20, 235)), -1)
    for _ in range(12):
        a, b = ([int(v) for v in random.integers(0, [width, height])] for _ in range(2))
        cv2.line(image, a, b, int(random.integers(0, 255)), 3, cv2.LINE_AA)
    return np.asarray(image, dtype=np.uint8)


def shaken(image: Bytes, right: float = 0, down: float = 0, degrees: float = 0, zoom: float = 1) -> Bytes:
    height, width = image.shape[:2]
    move = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, zoom)
    move[:, 2] += (right * width, down * width)
    return np.asarray(cv2.warpAffine(image, move, (width, height), borderMode=cv2.BORDER_REFLECT), dtype=np.uint8)


def noisy(image: Bytes, sigma: float = 4, seed: int = 5) -> Bytes:
    noise = np.random.default_rng(seed).normal(0, sigma, image.shape)
    return np.clip(image + noise, 0, 255).astype(np.uint8)


def wired(image: Bytes, shift: int = 0) -> Bytes:
    """A wire of 5 px laid over the bench; `shift` moves it sideways."""
    image = image.copy()
    cv2.polylines(
        image, [np.array([[300 + shift, 60], [330 + shift, 240], [310 + shift, 480]], dtype=np.int32)], False, 245, 5
    )
    return image


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "change",
    [
        lambda image: noisy(image),
        lambda image: noisy(shaken(image, 0.03, -0.02)),
        lambda image: noisy(shaken(image, 0.06, 0.01)),
        lambda image: noisy(shaken(image, 0.01, 0.01, degrees=1.2)),
        lambda image: noisy(shaken(image, 0.01, 0, zoom=1.03)),
        lambda image: noisy(np.clip(image * 1.25 + 4, 0, 255).astype(np.uint8)),
        lambda image: noisy(np.clip(image * 0.8, 0, 255).astype(np.uint8)),
        lambda image: np.asarray(cv2.GaussianBlur(image, (0, 0), 2), dtype=np.uint8),
    ],
    ids=["noise", "shift", "more-shift", "turn", "nearer", "brighter", "darker", "soft"],
)
def test_a_hand_and_a_camera_do_not_change_a_state(seed: int, change: Callable[[Bytes], Bytes]) -> None:
    image = wired(bench(seed))
    assert judging.same_state(noisy(image, seed=9), change(image))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shift", [30, 60, -45])
def test_a_moved_wire_is_another_state(seed: int, shift: int) -> None:
    image = bench(seed)
    assert not judging.same_state(noisy(wired(image)), noisy(wired(shaken(image, 0.01, 0.005), shift), seed=8))


@pytest.mark.parametrize("seed", range(4))
def test_another_view_is_another_state(seed: int) -> None:
    assert not judging.same_state(bench(seed), bench(seed + 50))
    assert not judging.same_state(bench(seed), shaken(bench(seed), 0.25))


def test_blur_and_shake_lower_both_measures() -> None:
    image = bench(3)
    shake = np.zeros((1, 15), dtype=np.float32) + 1 / 15
    sharp = judging.judge(image)
    for softer in (cv2.GaussianBlur(image, (0, 0), 3), cv2.filter2D(image, -1, shake)):
        judged = judging.judge(np.asarray(softer, dtype=np.uint8))
        assert judged.sharpness < 0.7 * sharp.sharpness
        assert judged.blur > sharp.blur + 0.05


@settings(max_examples=25, deadline=None)
@given(st.floats(0.5, 1.0), st.integers(0, 5))
def test_exposure_does_not_change_sharpness(gain: float, seed: int) -> None:
    image = bench(seed)
    darker = np.round(image * gain).astype(np.uint8)
    assert judging.judge(darker).sharpness == pytest.approx(judging.judge(image).sharpness, rel=0.05)


def test_views_are_numbered_and_found_again_after_one_stray_look() -> None:
    views = judging.Views()
    first, second = bench(1), bench(2)
    assert [views.place(look) for look in (first, noisy(first), second, first, first)] == [0, 0, 1, 0, 0]
    views = judging.Views()
    assert [views.place(look) for look in (first, second, second, first)] == [0, 1, 1, 2]


def test_a_slow_pan_is_no_endless_hold() -> None:
    wide = bench(4, 2400, 540)
    views = judging.Views()
    numbers = [views.place(np.ascontiguousarray(wide[:, x : x + 960])) for x in range(0, 1400, 30)]
    assert len(set(numbers)) >= 8
