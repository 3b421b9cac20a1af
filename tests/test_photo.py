"""Photos, from any file to an upright picture: formats, orientation, depth, colour, damage, bounds."""

from __future__ import annotations

import io
import os
import struct
import time
import warnings
import zlib
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from lastlook.intake import colour, guard, photo, raw
from lastlook.intake.reader import larger_view, read_here, read_one
from lastlook.intake.settings import IntakeSettings
from lastlook.records import ClaimSource, Problem, Reading
from tests.media import (
    as_stored,
    bench_picture,
    exif_block,
    grey_steps,
    jpeg_bytes,
    write_photo,
    write_raw,
)


@pytest.fixture
def intake(tmp_path: Path) -> IntakeSettings:
    return IntakeSettings(derived=tmp_path / "derived")


def shown(reading: Reading | Problem, intake: IntakeSettings, which: str = "page") -> Image.Image:
    assert isinstance(reading, Reading), reading
    with Image.open(intake.derived / (reading.page if which == "page" else reading.thumb)) as picture:
        picture.load()
        return picture


def apart(one: Image.Image, other: Image.Image) -> float:
    """Mean difference of two pictures of one size, in steps of 255."""
    assert one.size == other.size
    first, second = (np.asarray(picture.convert("RGB")).astype(np.int16) for picture in (one, other))
    return float(np.abs(first - second).mean())


# ------------------------------------------------------------------------------------------------ formats


@pytest.mark.parametrize(
    ("suffix", "word"),
    [
        (".jpg", "JPEG"),
        (".mpo", "MPO"),
        (".png", "PNG"),
        (".tif", "TIFF"),
        (".webp", "WebP"),
        (".heic", "HEIC"),
        (".avif", "AVIF"),
        (".gif", "GIF"),
    ],
)
def test_each_format_is_read(tmp_path: Path, intake: IntakeSettings, suffix: str, word: str) -> None:
    path = write_photo(tmp_path / f"LV40_0001{suffix}", exif=exif_block())
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading), reading
    assert (reading.format, reading.width, reading.height, reading.shown) == (word, 640, 480, True)
    assert reading.warnings == ()
    assert apart(shown(reading, intake), bench_picture()) < (9 if suffix == ".gif" else 6)
    thumb = shown(reading, intake, "thumb")
    assert max(thumb.size) in range(360, 513)
    sources = {claim.source for claim in reading.claims}
    assert ClaimSource.FILE_SYSTEM in sources
    assert suffix == ".gif" or ClaimSource.EXIF_ORIGINAL in sources
    assert reading.quality is not None
    assert reading.size_bytes == path.stat().st_size


def test_derived_pictures_carry_no_metadata(tmp_path: Path, intake: IntakeSettings) -> None:
    path = write_photo(tmp_path / "a.jpg", exif=exif_block(serial="secret", gps=None), comment=b"made at home")
    for which in ("page", "thumb"):
        picture = shown(read_here(str(path), intake), intake, which)
        assert not picture.getexif()
        assert "comment" not in picture.info


def test_the_page_of_a_large_photo_is_bounded(tmp_path: Path, intake: IntakeSettings) -> None:
    for width, height in ((4000, 3000), (3264, 2448), (2000, 1500), (1590, 1000), (400, 300), (3000, 200)):
        path = write_photo(tmp_path / f"{width}.jpg", bench_picture(width, height))
        reading = read_here(str(path), intake)
        page, thumb = shown(reading, intake), shown(reading, intake, "thumb")
        assert min(width, 960) <= max(page.size) <= 1600
        assert min(width, 374) <= max(thumb.size) <= 512
        assert page.width / page.height == pytest.approx(width / height, rel=0.02)
        assert isinstance(reading, Reading)
        assert (reading.width, reading.height) == (width, height)


# ------------------------------------------------------------------------------------------------ orientation


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp", ".heic", ".avif"])
def test_all_orientations_come_upright_once(
    tmp_path: Path, intake: IntakeSettings, suffix: str, orientation: int
) -> None:
    upright = bench_picture(600, 400)
    path = tmp_path / f"o{suffix}"
    if suffix in (".heic", ".avif"):
        # These formats keep the turn in the container; their writers make it of Exif's.
        write_photo(path, as_stored(upright, orientation), exif=exif_block(orientation=orientation))
    else:
        write_photo(path, as_stored(upright, orientation), exif=exif_block(orientation=orientation))
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading), reading
    assert (reading.width, reading.height, reading.orientation) == (600, 400, orientation)
    page = shown(reading, intake)
    assert apart(page, upright) < 6
    # Reference: PIL.ImageOps.exif_transpose on the file as opened.
    with Image.open(path) as opened:
        assert apart(page, ImageOps.exif_transpose(opened)) < 6
    # Every other lie of the picture is far off, so that this test can fail.
    assert apart(ImageOps.mirror(page), upright) > 20
    assert apart(ImageOps.flip(page), upright) > 20
    assert apart(page.transpose(Image.Transpose.ROTATE_180), upright) > 20


@pytest.mark.parametrize("orientation", [0, 9, 255])
def test_an_orientation_without_meaning_is_told(tmp_path: Path, intake: IntakeSettings, orientation: int) -> None:
    path = write_photo(tmp_path / "o.jpg", exif=exif_block(orientation=orientation))
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading)
    assert reading.orientation == 1
    if orientation:
        assert reading.warnings == (f"its orientation, {orientation}, has no meaning; it is shown as it lies",)
    assert apart(shown(reading, intake), bench_picture()) < 6


# ------------------------------------------------------------------------------------------------ depth and colour


def many_bits() -> dict[str, Any]:
    steps = grey_steps()
    return {
        "16.png": (steps * 65535).astype(np.uint16),
        "16.tif": (steps * 65535).astype(np.uint16),
        "12.tif": (steps * 4095).astype(np.uint16),
        "32.tif": (steps * 60000).astype(np.int32),
        "float.tif": steps.astype(np.float32),
        "float255.tif": (steps * 255).astype(np.float32),
    }


@pytest.mark.parametrize("name", list(many_bits()))
def test_grey_of_many_bits_is_scaled(tmp_path: Path, intake: IntakeSettings, name: str) -> None:
    path = tmp_path / name
    Image.fromarray(many_bits()[name]).save(path)
    page = np.asarray(shown(read_here(str(path), intake), intake).convert("L")).astype(float)
    full = 60000 / 65535 if name == "32.tif" else 1.0
    assert np.abs(page - grey_steps() * 255 * full).mean() < 2


def test_nan_and_infinity_do_not_spoil_a_picture(tmp_path: Path, intake: IntakeSettings) -> None:
    values = grey_steps().astype(np.float32)
    values[0, 0], values[0, 1] = np.nan, np.inf
    Image.fromarray(values).save(tmp_path / "f.tif")
    page = np.asarray(shown(read_here(str(tmp_path / "f.tif"), intake), intake).convert("L")).astype(float)
    assert np.abs(page - grey_steps() * 255).mean() < 2


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P", "PA"])
@pytest.mark.parametrize("suffix", [".png", ".webp", ".tif", ".gif"])
def test_transparency_lies_on_a_neutral_ground(tmp_path: Path, intake: IntakeSettings, mode: str, suffix: str) -> None:
    if (mode, suffix) in {("LA", ".webp"), ("PA", ".png"), ("PA", ".webp"), ("P", ".tif"), ("P", ".webp")}:
        mode = "RGBA"  # the format has no such mode
    clear = Image.new("RGBA", (300, 200), (200, 30, 30, 0))
    clear.paste((40, 40, 40, 255), (150, 0, 300, 200))
    path = tmp_path / f"t{suffix}"
    if suffix == ".gif":
        clear.save(path)
    elif mode == "P":
        clear.quantize(8).save(path)
    else:
        (clear.convert("P").convert("PA") if mode == "PA" else clear.convert(mode)).save(path)
    page = shown(read_here(str(path), intake), intake).convert("RGB")
    if mode != "PA":  # its palette lost which part was clear
        assert np.abs(np.asarray(page)[100, 60].astype(int) - colour.GROUND).max() <= 6
    assert np.asarray(page)[100, 240].max() < 60


@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_one_colour_named_as_clear_is_clear(tmp_path: Path, intake: IntakeSettings, mode: str) -> None:
    """A PNG may name one colour that is clear (chunk tRNS), without an alpha channel."""
    picture = Image.new(mode, (300, 200), 30 if mode == "L" else (30, 30, 30))
    picture.paste(90 if mode == "L" else (90, 90, 90), (150, 0, 300, 200))
    picture.save(tmp_path / "t.png", transparency=30 if mode == "L" else (30, 30, 30))
    page = np.asarray(shown(read_here(str(tmp_path / "t.png"), intake), intake).convert("L"))
    assert abs(int(page[100, 60]) - colour.GROUND[0]) <= 3
    assert abs(int(page[100, 240]) - 90) <= 3


def test_cmyk_has_its_colours(tmp_path: Path, intake: IntakeSettings) -> None:
    path = tmp_path / "c.jpg"
    bench_picture().convert("CMYK").save(path, quality=95)
    assert apart(shown(read_here(str(path), intake), intake), bench_picture()) < 8


def test_lab_is_shown(tmp_path: Path, intake: IntakeSettings) -> None:
    lab = ImageCms.profileToProfile(
        bench_picture(), ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    assert lab is not None
    lab.save(tmp_path / "l.tif")
    assert apart(shown(read_here(str(tmp_path / "l.tif"), intake), intake), bench_picture()) < 8


def wide_profile(size: int) -> bytes:
    """A colour profile of some size that is not sRGB's: that of LAB's sibling XYZ stands in for a monitor's."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile = bytearray(bytes(profile).replace(b"s\0R\0G\0B", b"o\0w\0n\0X").replace(b"\0s\0R\0G\0B", b"\0o\0w\0n\0X"))
    profile += bytes(max(0, size - len(profile)))
    profile[:4] = struct.pack(">I", len(profile))
    return bytes(profile)


def test_a_small_profile_goes_along_and_a_large_one_is_applied(tmp_path: Path, intake: IntakeSettings) -> None:
    small = write_photo(tmp_path / "s.jpg", icc_profile=wide_profile(0))
    page = shown(read_here(str(small), intake), intake)
    assert page.info.get("icc_profile") == wide_profile(0)
    large = write_photo(tmp_path / "l.jpg", icc_profile=wide_profile(60_000))
    page = shown(read_here(str(large), intake), intake)
    assert "icc_profile" not in page.info
    assert apart(page, bench_picture()) < 6  # it is sRGB under another name: applying it changes nothing
    plain = write_photo(
        tmp_path / "p.jpg", icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    )
    assert "icc_profile" not in shown(read_here(str(plain), intake), intake).info


def test_a_broken_profile_does_no_harm(tmp_path: Path, intake: IntakeSettings) -> None:
    for number, profile in enumerate((b"nonsense", b"nonsense" * 4000)):
        path = write_photo(tmp_path / f"{number}.jpg", icc_profile=profile)
        page = shown(read_here(str(path), intake), intake)
        assert "icc_profile" not in page.info
        assert apart(page, bench_picture()) < 6


# ------------------------------------------------------------------------------------------------ raw files


def test_a_raw_file_is_shown_through_its_preview(tmp_path: Path, intake: IntakeSettings) -> None:
    path = write_raw(tmp_path / "r.NEF", jpeg_bytes(as_stored(bench_picture(600, 400), 6)), orientation=6)
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading), reading
    assert (reading.format, reading.width, reading.height, reading.orientation) == ("raw", 600, 400, 6)
    assert reading.warnings == ("a raw file, shown through its camera's preview of 600 × 400",)
    assert reading.camera.key == "Keelson K-9 raw"
    assert apart(shown(reading, intake), bench_picture(600, 400)) < 6


def test_a_raw_file_in_a_container_of_its_own(tmp_path: Path, intake: IntakeSettings) -> None:
    # The manner of RAF: a header with the place of a whole JPEG that has its own Exif and thumbnail.
    inner = jpeg_bytes(as_stored(bench_picture(600, 400), 8), exif_block(orientation=8))
    path = tmp_path / "r.raf"
    path.write_bytes(b"FUJIFILMCCD-RAW 0201".ljust(148, b"\0") + inner + bytes(5000))
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading), reading
    assert apart(shown(reading, intake), bench_picture(600, 400)) < 6
    assert reading.camera.key == "Keelson K-1"
    assert any(claim.source is ClaimSource.EXIF_ORIGINAL for claim in reading.claims)


def test_the_largest_preview_wins() -> None:
    data = b"x" * 50 + jpeg_bytes(bench_picture(320, 240)) + jpeg_bytes(bench_picture(640, 480)) + b"\xff\xd8\xff"
    assert [(found.width, found.height) for found in raw.previews(data)] == [(640, 480), (320, 240)]


def test_a_raw_file_without_preview_is_kept_but_not_shown(tmp_path: Path, intake: IntakeSettings) -> None:
    reading = read_here(str(write_raw(tmp_path / "r.dng", None)), intake)
    assert isinstance(reading, Reading), reading
    assert not reading.shown
    assert reading.page == reading.thumb == ""
    assert reading.camera.key == "Keelson K-9 raw"
    assert reading.warnings == ("is a raw file without a preview inside: it is kept, but cannot be shown",)


def test_a_jpeg_under_a_raw_files_name_is_a_jpeg(tmp_path: Path, intake: IntakeSettings) -> None:
    path = tmp_path / "r.nef"
    path.write_bytes(jpeg_bytes())
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading)
    assert (reading.format, reading.warnings) == ("JPEG", ())


# ------------------------------------------------------------------------------------------------ damage and bounds


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_truncated_photo_is_shown_as_far_as_it_goes(
    tmp_path: Path, intake: IntakeSettings, kind: str, share: float
) -> None:
    whole = np.random.default_rng(1).integers(0, 255, (600, 800, 3), dtype=np.uint8)  # evenly costly from top to end
    stream = io.BytesIO()
    Image.fromarray(whole).save(stream, kind)
    path = tmp_path / "t.bin"
    path.write_bytes(stream.getvalue()[: int(len(stream.getvalue()) * share)])
    reading = read_here(str(path), intake)
    assert isinstance(reading, Reading), reading
    (said,) = reading.warnings
    assert said.startswith("damaged: only about the upper ")
    assert int(said.split()[5]) == pytest.approx(share * 100, abs=4)
    # A tolerant reading leaves no trace: the next broken file is told as well.
    again = read_here(str(path), intake)
    assert isinstance(again, Reading)
    assert again.warnings == (said,)


def png_bomb() -> bytes:
    """A PNG of 20000 × 20000 black pixels, whole and valid, in under two megabytes."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", 20000, 20000, 8, 0, 0, 0, 0)
    squeeze = zlib.compressobj(1)
    body = b"".join(squeeze.compress(bytes(20001)) for _ in range(20000)) + squeeze.flush()
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def huge_jpeg() -> bytes:
    """A small JPEG whose frame header claims 65500 × 65500 pixels."""
    data = bytearray(jpeg_bytes())
    place = data.find(b"\xff\xc0")
    data[place + 5 : place + 9] = struct.pack(">HH", 65500, 65500)
    return bytes(data)


@pytest.mark.parametrize("make", [png_bomb, huge_jpeg])
def test_more_pixels_than_the_limit_are_refused_by_the_header(
    tmp_path: Path, intake: IntakeSettings, make: Any
) -> None:
    path = tmp_path / "bomb"
    path.write_bytes(make())
    started = time.monotonic()
    problem = read_here(str(path), intake)
    assert time.monotonic() - started < 1
    assert isinstance(problem, Problem)
    assert problem.reason.startswith("claims ")
    assert "limit of 250 million" in problem.reason


def test_phones_of_200_megapixels_are_not_refused(tmp_path: Path, intake: IntakeSettings) -> None:
    path = tmp_path / "p.png"
    path.write_bytes(write_photo(tmp_path / "a.png").read_bytes())
    assert isinstance(read_here(str(path), replace(intake, max_pixels=640 * 480)), Reading)
    assert isinstance(read_here(str(path), replace(intake, max_pixels=640 * 480 - 1)), Problem)
    assert intake.max_pixels >= 200_000_000
    assert Image.MAX_IMAGE_PIXELS is None


@pytest.mark.parametrize(
    ("name", "data", "word"),
    [
        ("a.jpg", b"", "is empty"),
        ("a.jpg", b"Dear client, the lantern is done.", "it holds text"),
        ("a.jpg", bytes(5000), "nothing but zeros"),
        ("a.jpg", b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(50), "is damaged"),
        ("a.heic", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(90), "is damaged"),
        ("a.bmp", b"BM" + bytes(90), "is a BMP file"),
        ("a.dat", bytes(range(256)), "is no kind of photo"),
    ],
)
def test_each_refusal_has_a_reason(tmp_path: Path, intake: IntakeSettings, name: str, data: bytes, word: str) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    problem = read_here(str(path), intake)
    assert isinstance(problem, Problem)
    assert word in problem.reason
    assert problem.path == str(path)
    assert problem.hint
    assert "\n" not in problem.reason + problem.hint
    assert not intake.derived.exists()


def test_a_refused_file_leaves_no_copy(tmp_path: Path, intake: IntakeSettings) -> None:
    staging = tmp_path / "staging"
    staging.mkdir()
    (tmp_path / "bad.jpg").write_bytes(b"no picture")
    good = write_photo(tmp_path / "good.jpg")
    assert isinstance(read_here(str(tmp_path / "bad.jpg"), replace(intake, staging=staging)), Problem)
    reading = read_here(str(good), replace(intake, staging=staging))
    assert isinstance(reading, Reading)
    (copy,) = staging.iterdir()
    assert copy.read_bytes() == good.read_bytes()
    assert reading.sha256 in copy.name


def test_a_picture_like_a_thread_is_read(tmp_path: Path, intake: IntakeSettings) -> None:
    # Longer than its page's edge for each pixel of width: reduced to scale it would be less than one pixel wide.
    (tmp_path / "thread.jpg").write_bytes(jpeg_bytes(Image.new("RGB", (9000, 4), (90, 120, 40))))
    reading = read_here(str(tmp_path / "thread.jpg"), intake)
    assert isinstance(reading, Reading), reading
    assert shown(reading, intake).height >= 1


def test_a_full_disk_is_a_problem_not_a_crash(
    tmp_path: Path, intake: IntakeSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lastlook.intake.derived.save_jpeg", full)
    problem = read_here(str(write_photo(tmp_path / "a.jpg")), intake)
    assert isinstance(problem, Problem)
    assert "no space left" in problem.reason


def test_a_name_that_is_no_utf8_is_read(tmp_path: Path, intake: IntakeSettings) -> None:
    path = os.fsdecode(os.fsencode(tmp_path) + b"/bull\xe9head.jpg")
    Path(path).write_bytes(jpeg_bytes())
    assert isinstance(read_one(path, intake), Reading)


@pytest.fixture(scope="module")
def samples() -> dict[str, bytes]:
    """Small but real files whose bytes are changed at random below."""
    small = bench_picture(96, 64)
    made = {}
    for kind, options in (
        ("JPEG", {"exif": exif_block(orientation=6, taken_with=True)}),
        ("PNG", {"exif": exif_block(orientation=3).tobytes()}),
        ("TIFF", {"compression": "tiff_lzw", "exif": exif_block(orientation=8)}),
        ("HEIF", {"exif": exif_block(orientation=5).tobytes()}),
        ("WEBP", {"exif": exif_block().tobytes()}),
    ):
        stream = io.BytesIO()
        small.save(stream, kind, **options)
        made[kind] = stream.getvalue()
    return made


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF", "WEBP"])
def test_no_changed_file_raises(
    tmp_path: Path, intake: IntakeSettings, samples: dict[str, bytes], kind: str, data: st.DataObject
) -> None:
    file = bytearray(samples[kind])
    for _ in range(data.draw(st.integers(1, 6), label="changes")):
        place = data.draw(st.integers(0, len(file) - 1), label="place")
        file[place] ^= data.draw(st.integers(1, 255), label="flip")
    length = data.draw(st.one_of(st.just(len(file)), st.integers(0, len(file))), label="length")
    path = tmp_path / "changed.bin"
    path.write_bytes(file[:length])
    # In a helper: were the decoder to crash or hang, this process would live to tell.
    result = read_one(str(path), intake)
    if isinstance(result, Problem):
        assert result.reason
        assert result.reason.count("\n") == 0
    else:
        assert all("\n" not in line for line in result.warnings)
        assert result.shown
        assert 1 <= result.orientation <= 8
        assert (intake.derived / result.page).is_file()


# ------------------------------------------------------------------------------------------------ the guard


def hang(_path: str, _intake: IntakeSettings) -> None:
    while True:
        pass


def crash(_path: str, _intake: IntakeSettings) -> None:
    os.kill(os.getpid(), 11)


def own_id() -> int:
    return os.getpid()


def slow_id() -> int:
    time.sleep(0.5)
    return os.getpid()


def helpers_known() -> int:
    return len(guard._idle) + len(guard._busy)


@pytest.mark.parametrize("pool", ["threads", "processes"])
def test_a_hang_is_ended_and_a_crash_survived_in_any_pool(tmp_path: Path, intake: IntakeSettings, pool: str) -> None:
    path = write_photo(tmp_path / "a.jpg")
    workers: Executor = (
        ThreadPoolExecutor(2) if pool == "threads" else ProcessPoolExecutor(2, mp_context=get_context("spawn"))
    )
    with workers:
        started = time.monotonic()
        hanging = workers.submit(guard.run, hang, str(path), intake, seconds=1.0)
        crashing = workers.submit(guard.run, crash, str(path), intake, seconds=30.0)
        good = [workers.submit(read_one, str(path), intake) for _ in range(4)]
        assert isinstance(hanging.exception(), guard.TimeUp)
        assert isinstance(crashing.exception(), guard.Crashed)
        assert time.monotonic() - started < 20
        assert all(isinstance(each.result(), Reading) for each in good)


def test_a_hang_becomes_a_problem(tmp_path: Path, intake: IntakeSettings) -> None:
    path = write_photo(tmp_path / "a.png", bench_picture(2400, 1800))
    problem = read_one(str(path), replace(intake, seconds_per_file=0.001, photo_bytes_per_second=1e12))
    assert isinstance(problem, Problem)
    assert "gave nothing for" in problem.reason
    assert problem.hint


def errs(path: str, settings: IntakeSettings) -> None:
    raise TypeError("open() got an unexpected keyword argument")


def test_an_error_of_the_program_is_not_called_damage_of_the_file(
    tmp_path: Path, intake: IntakeSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_photo(tmp_path / "a.jpg")
    with pytest.raises(guard.Failed, match=r"^TypeError: open\(\) got"):
        guard.run(errs, str(path), intake, seconds=30.0)
    monkeypatch.setattr("lastlook.intake.reader.read_here", errs)
    problem = read_one(str(path), intake)
    assert isinstance(problem, Problem)
    assert "TypeError: open() got an unexpected keyword argument" in problem.reason
    assert "damaged" not in problem.reason
    assert "report this line" in problem.hint


def gets_on() -> int:
    for _ in range(5):
        time.sleep(0.4)
        guard.go_on(1.0)
    return os.getpid()


def gets_stuck() -> None:
    guard.go_on(0.5)
    time.sleep(30)


def test_what_gets_on_may_take_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour of a still bench is a few megabytes: its bytes do not say how long reading it takes."""
    monkeypatch.setattr(guard, "_START_S", 0.0)
    monkeypatch.setattr(guard, "_GRACE_S", 5.0)  # of which the helper's own start is part, here
    assert guard.run(gets_on, seconds=1.0) != os.getpid()
    with pytest.raises(guard.TimeUp):
        guard.run(gets_stuck, seconds=20.0)
    guard.go_on(1.0)  # outside a helper: nothing


def test_a_helper_is_used_again() -> None:
    first = guard.run(own_id, seconds=10)
    assert guard.run(own_id, seconds=10) == first != os.getpid()
    guard.close()
    assert guard.run(own_id, seconds=10) != first


def test_a_fork_leaves_the_helpers_to_their_master() -> None:
    """A forked worker would else share a line with a helper that is in the middle of its parent's task."""
    with ThreadPoolExecutor(1) as workers:
        asked = workers.submit(guard.run, slow_id, seconds=30)
        while not guard._busy:
            time.sleep(0.01)
        with warnings.catch_warnings(), ProcessPoolExecutor(1, mp_context=get_context("fork")) as forked:
            warnings.simplefilter("ignore", DeprecationWarning)  # of later Pythons: threads and forks go ill together
            assert forked.submit(helpers_known).result() == 0
            forked.submit(guard.stop).result()
        assert asked.result() != os.getpid(), "the helper was ended by a fork"


def test_a_helper_ends_with_its_master() -> None:
    helper = guard.run(own_id, seconds=10)
    (master,) = [each for each in guard._idle if each.process.pid == helper]
    master.connection.close()  # what the helper sees when we are gone, however we went
    assert master.process.wait(10) == 0
    guard.close()


# ------------------------------------------------------------------------------------------------ larger views


def test_a_larger_view_is_made_once_and_upright(tmp_path: Path, intake: IntakeSettings) -> None:
    upright = bench_picture(2400, 1600)
    path = write_photo(tmp_path / "a.jpg", as_stored(upright, 6), exif=exif_block(orientation=6))
    reading = read_one(str(path), intake)
    assert isinstance(reading, Reading)
    name = larger_view(str(path), reading.sha256, intake, 2000)
    with Image.open(intake.derived / name) as view:
        assert view.size == (2000, 1333)
        assert apart(view, upright.resize(view.size)) < 8
    first = (intake.derived / name).stat().st_mtime_ns
    assert larger_view(str(path), reading.sha256, intake, 2000) == name
    assert (intake.derived / name).stat().st_mtime_ns == first
    with Image.open(intake.derived / larger_view(str(path), reading.sha256, intake, 10**9)) as whole:
        assert whole.size == (2400, 1600)


def test_a_view_of_a_lost_original_or_of_another_file_says_so(tmp_path: Path, intake: IntakeSettings) -> None:
    with pytest.raises(photo.NotShowable, match="is gone"):
        larger_view(str(tmp_path / "gone.jpg"), "0" * 64, intake, 2000)
    other = write_photo(tmp_path / "other.jpg", bench_picture(400, 300))
    with pytest.raises(photo.NotShowable, match="is not the file that was taken in"):
        larger_view(str(other), "0" * 64, intake, 2000)


def test_bytes_of_reach_from_black_to_white() -> None:
    for values in (np.array([[0, 65535]], np.uint16), np.array([[0.0, 1.0]], np.float32), np.array([[-5.0, 5.0]])):
        scaled: NDArray[np.uint8] = colour.bytes_of(values)
        assert scaled.tolist() == [[0, 255]]
