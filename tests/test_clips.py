"""Clips read whole: facts, times, stills; and stills taken by hand."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from lastlook.errors import UsageError
from lastlook.intake import clips, judging
from lastlook.intake.clipav import AvStream
from lastlook.intake.clipstream import ClipError
from lastlook.intake.settings import IntakeSettings
from lastlook.records import ClaimSource, MediaKind, Problem, Reading, StillReading
from tests.clipmedia import READABLE, UNREADABLE, Shelf, ffmpeg, probe, shared_shelf, write_frames
from tests.test_frames import bench, shaken, wired

Bytes = NDArray[np.uint8]
SHA = "ab" * 32


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return shared_shelf(tmp_path_factory.getbasetemp())


@pytest.fixture
def told(tmp_path: Path) -> IntakeSettings:
    return IntakeSettings(derived=tmp_path / "derived")


def read(path: Path, told: IntakeSettings) -> Reading:
    reading = clips.read_clip(str(path), SHA, told)
    assert isinstance(reading, Reading), reading
    return reading


# ------------------------------------------------------------------------------------------- whole clips

FORMATS = {
    "constant": "MP4", "hevc": "MOV", "motion_jpeg": "AVI", "matroska": "MKV", "webm": "WebM", "transport": "MTS",
    "third_generation": "3GP",
}  # fmt: skip


@pytest.mark.parametrize("name", READABLE)
def test_a_clip_is_read_with_its_real_length_and_stills_on_real_frames(
    name: str, shelf: Shelf, told: IntakeSettings
) -> None:
    path = shelf.get(name)
    truth = probe(path)
    reading = read(path, told)
    assert reading.kind is MediaKind.CLIP
    assert reading.format == FORMATS.get(name, reading.format)
    assert reading.duration_ms == pytest.approx(truth.end_ms, abs=1)
    assert reading.stills
    assert {still.clip_ms for still in reading.stills} <= set(truth.times_ms)
    assert (reading.size_bytes, reading.mtime_ns) == (path.stat().st_size, path.stat().st_mtime_ns)
    for still in reading.stills:
        assert (still.width, still.height) == (reading.width, reading.height)
        for picture in (still.thumb, still.page):
            with Image.open(told.derived / picture) as image:
                assert image.width * reading.height == pytest.approx(image.height * reading.width, rel=0.02)
    assert reading.thumb == next(s.thumb for s in reading.stills if s.page == reading.page)
    assert sorted(p.suffix for p in told.derived.rglob("*") if p.is_file()) == [".jpg"] * 2 * len(reading.stills)


def test_reading_again_gives_the_same(shelf: Shelf, told: IntakeSettings) -> None:
    for name in ("variable", "open_group", "turned_90"):
        assert read(shelf.get(name), told) == read(shelf.get(name), told)


@pytest.mark.parametrize(("name", "orientation"), [("turned_90", 6), ("turned_180", 3), ("turned_270", 8), ("hevc", 1)])
def test_a_turned_clip_is_upright(name: str, orientation: int, shelf: Shelf, told: IntakeSettings) -> None:
    reading = read(shelf.get(name), told)
    assert reading.orientation == orientation
    assert (reading.width, reading.height) == ((180, 320) if orientation in (6, 8) else (320, 180))


def test_a_truncated_clip_is_read_as_far_as_it_goes(shelf: Shelf, told: IntakeSettings) -> None:
    path = shelf.get("truncated")
    with AvStream(path) as stream:
        assert stream.facts.claimed_ms == 7000
    reading = read(path, told)
    assert reading.duration_ms is not None
    assert reading.duration_ms < 6000
    assert "cut short" in reading.warnings[0]
    assert read(shelf.get("edit_list"), told).warnings == ()


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_cannot_be_read_is_a_problem_in_words(name: str, shelf: Shelf, told: IntakeSettings) -> None:
    path = shelf.get(name)
    problem = clips.read_clip(str(path), SHA, told)
    assert isinstance(problem, Problem)
    assert problem.path == str(path)
    assert UNREADABLE[name][1] in problem.reason
    assert not told.derived.exists()


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir])
def test_what_is_no_file_is_a_problem(make: Callable[[Path], None], tmp_path: Path, told: IntakeSettings) -> None:
    make(tmp_path / "x.mp4")
    assert isinstance(clips.read_clip(str(tmp_path / "x.mp4"), SHA, told), Problem)
    assert isinstance(clips.read_clip(str(tmp_path / "none.mp4"), SHA, told), Problem)


def test_a_clip_that_claims_huge_pictures_is_refused(shelf: Shelf, tmp_path: Path) -> None:
    strict = IntakeSettings(derived=tmp_path / "derived", max_pixels=320 * 180 - 1)
    problem = clips.read_clip(str(shelf.get("constant")), SHA, strict)
    assert isinstance(problem, Problem)
    assert "320 × 180" in problem.reason


def test_opencv_reads_what_pyav_cannot(shelf: Shelf, told: IntakeSettings, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ClipError("no picture of the clip can be decoded")

    monkeypatch.setattr(AvStream, "looks", fail)
    reading = read(shelf.get("turned_90"), told)
    assert (reading.width, reading.height, reading.orientation, reading.format) == (180, 320, 6, "MP4")
    assert reading.stills


def test_damage_in_the_middle_costs_only_the_middle(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    data = bytearray(shelf.get("transport").read_bytes())
    for at in range(len(data) * 4 // 10, len(data) // 2):
        data[at] ^= 0xFF
    broken = tmp_path / "broken.ts"
    broken.write_bytes(data)
    assert read(broken, told).duration_ms == pytest.approx(read(shelf.get("transport"), told).duration_ms, abs=1)


def test_progress_is_told_and_may_stop_the_work(shelf: Shelf, told: IntakeSettings) -> None:
    seen: list[tuple[int, int | None]] = []
    clips.read_clip(str(shelf.get("constant")), SHA, told, lambda done, total: seen.append((done, total)))
    assert [done for done, _ in seen] == [0, 1000, 2000, 3000, 4000, 5000, 6000]
    assert {total for _, total in seen} == {7000}

    class Stop(Exception):
        pass

    def stop(done: int, total: int | None) -> None:
        if done >= 2000:
            raise Stop

    open_before = set(Path("/proc/self/fd").iterdir())
    with pytest.raises(Stop):
        clips.read_clip(str(shelf.get("constant")), SHA, told, stop)
    assert set(Path("/proc/self/fd").iterdir()) <= open_before


def test_memory_does_not_grow_with_the_clip(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    long = tmp_path / "long.mp4"
    ffmpeg("-stream_loop", "24", "-i", str(shelf.get("constant")), "-c", "copy", str(long))
    peaks = []
    for path in (shelf.get("constant"), long):
        tracemalloc.start()
        read(path, told)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 2_000_000


# ------------------------------------------------------------------------------------------- what containers say


def tagged(folder: Path, source: Path, name: str, *tags: str) -> Path:
    target = folder / name
    pairs = [part for tag in tags for part in ("-metadata", tag)]
    ffmpeg("-i", str(source), "-c", "copy", *pairs, "-movflags", "use_metadata_tags", str(target))
    return target


def test_every_time_a_container_states_is_a_claim(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    path = tagged(
        tmp_path,
        shelf.get("constant"),
        "VID_20270314_104100.mov",
        "creation_time=2027-03-14T09:41:17Z",
        "com.apple.quicktime.creationdate=2027-03-14T10:41:00+0100",
    )
    claims = {claim.source: claim for claim in read(path, told).claims}
    assert claims[ClaimSource.CONTAINER].text.startswith("2027-03-14T09:41:17")
    assert claims[ClaimSource.CONTAINER].offset_min == 0
    assert claims[ClaimSource.CREATION_DATE].offset_min == 60
    assert str(claims[ClaimSource.CREATION_DATE].wall) == "2027-03-14 10:41:00"
    assert ClaimSource.FILE_NAME in claims
    assert ClaimSource.FILE_SYSTEM in claims


def test_container_times_agree_with_exiftool(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    """exiftool (Debian's libimage-exiftool-perl) reads mvhd by itself; without -api QuickTimeUTC it prints UTC."""
    path = tagged(tmp_path, shelf.get("constant"), "x.mp4", "creation_time=2027-03-14T09:41:17Z")
    done = subprocess.run(
        ["exiftool", "-j", "-d", "%Y-%m-%d %H:%M:%S", "-QuickTime:CreateDate", str(path)],
        capture_output=True, check=True,
    )  # fmt: skip
    said = json.loads(done.stdout)[0]["CreateDate"]
    container = [claim for claim in read(path, told).claims if claim.source is ClaimSource.CONTAINER]
    assert [str(claim.wall) for claim in container] == [said]


def test_an_avi_date_is_local_time_of_an_unknown_zone(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    """IDIT as a camera writes it, put into the header list of a real AVI (after its strl lists)."""
    data = shelf.get("motion_jpeg").read_bytes()
    date = b"Sun Mar 14 10:41:00 2027\n\0"
    chunk = b"IDIT" + len(date).to_bytes(4, "little") + date
    at = data.index(b"hdrl") - 4
    size = int.from_bytes(data[at : at + 4], "little")
    end = at + 4 + size
    whole = int.from_bytes(data[4:8], "little") + len(chunk)
    head = data[:4] + whole.to_bytes(4, "little") + data[8:at] + (size + len(chunk)).to_bytes(4, "little")
    path = tmp_path / "dated.avi"
    path.write_bytes(head + data[at + 4 : end] + chunk + data[end:])
    claim = next(claim for claim in read(path, told).claims if claim.source is ClaimSource.CONTAINER)
    assert str(claim.wall) == "2027-03-14 10:41:00"
    assert claim.offset_min is None


def test_camera_and_pair_are_read_and_the_place_is_not_kept(shelf: Shelf, told: IntakeSettings, tmp_path: Path) -> None:
    path = tagged(
        tmp_path,
        shelf.get("constant"),
        "x.mov",
        "com.apple.quicktime.make=Harbour Optics",
        "com.apple.quicktime.model=Pocket\u202e 2",
        "com.apple.quicktime.content.identifier=7E1C0A52-0000-4000-8000-1A2B3C4D5E6F",
        "com.apple.quicktime.location.ISO6709=+54.1234+008.1234+000.000/",
    )
    assert b"+54.1234" in path.read_bytes()
    reading = read(path, told)
    assert reading.camera.key == "Harbour Optics Pocket 2"
    assert reading.pair_id == "7E1C0A52-0000-4000-8000-1A2B3C4D5E6F"
    assert "54.12" not in repr(reading)


# ------------------------------------------------------------------------------------------- what is held in view

RATE = 25


def filmed(schedule: list[tuple[str, int, int]], size: tuple[int, int] = (480, 270)) -> list[Bytes]:
    """The frames of a hand-held clip: for each (kind, ms, scene) "held" shows the scene with hand shake and drifting
    exposure, "bumped" shakes it out of focus half of the time, "moving" sweeps over it with motion blur."""
    moments = [(kind, scene, at, ms) for kind, ms, scene in schedule for at in range(0, ms, 1000 // RATE)]
    numbers = np.random.default_rng(11)
    drift = np.cumsum(numbers.normal(0, 0.0012, (len(moments), 2)), axis=0)
    grain = numbers.normal(0, 2, (7, size[1], size[0]))
    smear = np.ones((1, 25), dtype=np.float32) / 25
    scenes = {scene: wired(bench(scene % 10), 0 if scene < 10 else 70) for _, _, scene in schedule}
    small = {s: np.asarray(cv2.resize(i, size, interpolation=cv2.INTER_AREA), np.uint8) for s, i in scenes.items()}
    drawn: list[Bytes] = []
    for number, (kind, scene, at, ms) in enumerate(moments):
        image = small[scene]
        if kind == "moving":
            image = np.roll(image, int(size[0] * 2 * at / ms), axis=1)
        else:
            wobble = 0.004 * np.sin(number * 1.1)
            image = shaken(image, float(drift[number, 0] + wobble), float(drift[number, 1]), degrees=0.3 * wobble)
        if kind == "moving" or (kind == "bumped" and (at // 200) % 2 == 0):
            image = np.asarray(cv2.filter2D(image, -1, smear), dtype=np.uint8)
        lit = np.clip(image * (0.9 + 0.1 * np.sin(number / 40)) + grain[number % 7], 0, 255).astype(np.uint8)
        drawn.append(np.repeat(lit[:, :, None], 3, axis=2))
    return drawn


# Lengths are whole numbers of frames of 40 ms.
SCHEDULE = [
    ("held", 3200, 1),
    ("moving", 1520, 2),
    ("held", 3000, 3),
    ("held", 3120, 13),  # the same view, the wire moved
    ("moving", 2000, 4),
    ("bumped", 4000, 5),
    ("held", 3000, 6),
]


@pytest.fixture(scope="module")
def reel() -> list[Bytes]:
    return filmed(SCHEDULE)


@pytest.mark.parametrize("key_every", [12, 25, 60, 1000], ids=["half-second", "second", "uneven", "one-group"])
def test_every_state_held_for_three_seconds_has_a_sharp_still(
    key_every: int, reel: list[Bytes], tmp_path: Path, told: IntakeSettings
) -> None:
    path = write_frames(tmp_path / "filmed.mp4", reel, len(reel), rate=RATE, key_every=key_every)
    reading = read(path, told)
    sharp = [judging.judge(np.ascontiguousarray(image[:, :, 0])).sharpness for image in reel]
    start = 0
    for kind, length, _ in SCHEDULE:
        inside = [still.clip_ms for still in reading.stills if start <= still.clip_ms < start + length]
        if kind != "moving":
            assert inside, (kind, start, [still.clip_ms for still in reading.stills])
            best = max(sharp[start * RATE // 1000 : (start + length) * RATE // 1000])
            assert max(sharp[moment * RATE // 1000] for moment in inside) > 0.5 * best, (kind, inside)
        start += length
    assert len(reading.stills) <= 2 * len(SCHEDULE)


# ------------------------------------------------------------------------------------------- by hand


@pytest.mark.parametrize("name", ["constant", "variable", "edit_list", "turned_90", "hevc", "transport", "late_start"])
def test_a_still_by_hand_is_the_frame_on_show(name: str, shelf: Shelf, told: IntakeSettings) -> None:
    path = shelf.get(name)
    truth = probe(path)
    for wanted in (0, 1234, 3999, truth.times_ms[-1], truth.end_ms - 1):
        still = clips.take_still(str(path), SHA, wanted, told)
        assert isinstance(still, StillReading), still
        assert still.clip_ms == max(moment for moment in truth.times_ms if moment <= wanted)
        assert still.why == "by hand"
        assert (told.derived / still.page).is_file()
        assert (told.derived / still.thumb).is_file()


def test_a_still_taken_again_is_the_still_that_was_chosen(shelf: Shelf, told: IntakeSettings) -> None:
    for chosen in read(shelf.get("open_group"), told).stills:
        again = clips.take_still(str(shelf.get("open_group")), SHA, chosen.clip_ms, told)
        assert isinstance(again, StillReading)
        assert (again.clip_ms, again.thumb, again.page) == (chosen.clip_ms, chosen.thumb, chosen.page)
        assert again.quality.sharpness == pytest.approx(chosen.quality.sharpness, rel=0.05)
        assert (again.quality.phash ^ chosen.quality.phash).bit_count() <= 2


@pytest.mark.parametrize("wanted", [-1, 7000, 99_000])
def test_a_moment_outside_the_clip_is_a_problem(wanted: int, shelf: Shelf, told: IntakeSettings) -> None:
    problem = clips.take_still(str(shelf.get("constant")), SHA, wanted, told)
    assert isinstance(problem, Problem)
    assert "0:00" in problem.reason or "0:07" in problem.reason


@pytest.mark.parametrize("name", UNREADABLE)
def test_no_still_comes_from_what_cannot_be_read(name: str, shelf: Shelf, told: IntakeSettings) -> None:
    assert isinstance(clips.take_still(str(shelf.get(name)), SHA, 500, told), Problem)


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        ("12:31.5", 751_500),
        ("1:02:03", 3_723_000),
        ("751.5", 751_500),
        ("90s", 90_000),
        ("90", 90_000),
        ("0", 0),
        ("90:00", 5_400_000),
        ("1:5", 65_000),
        ("12:31,5", 751_500),
        (" 2m 30s ", 150_000),
        ("1h 2m 3.25s", 3_723_250),
        ("2 min", 120_000),
        ("1h", 3_600_000),
        ("0:00.0004", 0),
        ("0:00.0005", 1),
    ],
)
def test_positions_as_people_write_them(text: str, milliseconds: int) -> None:
    assert clips.parse_position(text) == milliseconds


@pytest.mark.parametrize(
    "text", ["", " ", "s", ":", "1:60", "1:61:00", "-1", "1:2:3:4", "ten", "1e3", "nan", "1.2.3", "٣"]
)
def test_what_is_no_position_is_said(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        clips.parse_position(text)
    assert "12:31.5" in caught.value.hint


@given(st.integers(0, 360_000_000 - 1))
def test_positions_come_back(milliseconds: int) -> None:
    assert clips.parse_position(clips.clock_text(milliseconds)) == milliseconds


@given(st.text(max_size=20))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(UsageError):
        assert clips.parse_position(text) >= 0
