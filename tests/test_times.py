"""From what files say to claims: every way a date was met written, wrong and right."""

from __future__ import annotations

import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from lastlook import times
from lastlook.records import Claim, ClaimSource
from lastlook.times.stamps import read_fraction, read_offset, read_stamp

ORIGINAL = ClaimSource.EXIF_ORIGINAL


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def exif(text: str, subsec: str | None = None, offset: str | None = None) -> Claim:
    return times.exif_claim(ORIGINAL, text, subsec, offset)


# ------------------------------------------------------------------------------- Exif: CIPA DC-008 (Exif 2.32)


def test_a_strict_date_is_read_as_written() -> None:
    # CIPA DC-008: "YYYY:MM:DD HH:MM:SS", 24 hours, one space, ended by NUL.
    claim = exif("2026:03:12 10:41:07\0")
    assert (claim.wall, claim.offset_min, claim.resolution_ms, claim.fault) == (
        wall("2026-03-12T10:41:07"), None, 1000, None,
    )  # fmt: skip
    assert claim.text == "2026:03:12 10:41:07"


@pytest.mark.parametrize(
    "text",
    [
        "    :  :     :  :  ",  # CIPA DC-008: unknown is blank but for the colons
        "                   ",  # or all blank
        "",
        "\0\0\0\0",
        "0000:00:00 00:00:00",  # met in practice
        "0000-00-00T00:00:00Z",
        "0000:00:00 12:13:14",
    ],
)
def test_a_blank_date_is_unknown(text: str) -> None:
    claim = exif(text, "130", "+01:00")
    assert claim.wall is None
    assert claim.fault == "blank date"


@pytest.mark.parametrize(
    ("text", "expected", "offset"),
    [
        # All but the last four were met in real files.
        ("1997:08:25:13:12:50", "1997-08-25T13:12:50", None),
        ("2005.09.15 13:12:50", "2005-09-15T13:12:50", None),
        ("Tue May  7 21:48:30 2002", "2002-05-07T21:48:30", None),
        ("2010:07:11 13:53:00+02:00", "2010-07-11T13:53:00", 120),
        ("2019-10-17T16:55:20-07:00", "2019-10-17T16:55:20", -420),
        ("2024-04-22T14:38:09GMT+2", "2024-04-22T14:38:09", 120),
        ("2024-04-22T14:38:09Z", "2024-04-22T14:38:09", 0),
        ("2026/03/12 10:41:07", "2026-03-12T10:41:07", None),
        ("2026: 3: 5  9:05:01", "2026-03-05T09:05:01", None),
        ("20260312T104107", "2026-03-12T10:41:07", None),
    ],
)
def test_unmistakable_forms_are_read(text: str, expected: str, offset: int | None) -> None:
    claim = exif(text)
    assert claim.fault is None
    assert (claim.wall, claim.offset_min) == (wall(expected), offset)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("06:01:1998", "day and month"),  # met
        ("06/01/1998 10:11:12", "day and month"),
        ("25:01:1998 10:11:12", "day and month"),
        ("2026:03:12 24:00:00", "hour 24"),  # met; the start or the end of that day
        ("2026:03:12 25:00:00", "no such"),
        ("2026:03:12 10:60:00", "no such"),
        ("2026:03:12 10:41:60", "no such"),
        ("2026:02:30 10:00:00", "no such"),
        ("2026:13:01 10:00:00", "no such"),
        ("2026:00:12 10:00:00", "no such"),
        ("Wed May  7 21:48:30 2002", "weekday"),  # that day was a Tuesday
        ("Tue Foo  7 21:48:30 2002", "known form"),
        ("at the bench", "known form"),
        ("2026:03.12 10:41:07", "known form"),
        ("２０２６:03:12 10:41:07", "known form"),  # digits of another script
        ("2026:03:12 10:41:07 and on and on " * 10, "known form"),
    ],
)
def test_doubtful_forms_are_refused_with_a_reason(text: str, fault: str) -> None:
    claim = exif(text)
    assert claim.wall is None
    assert fault in (claim.fault or "")
    assert len(claim.text) <= 100


@pytest.mark.parametrize(
    "text",
    [
        "1970:01:01 00:00:00", "1970:01:01 13:00:00", "1969:12:31 19:00:00", "1980:01:01 00:00:12",
        "1990:01:01 09:00:00", "2000:01:01 00:00:00", "2000:01:01 21:10:00", "2001:01:01 00:00:00",
        "2017:01:01 00:04:59",
    ],
)  # fmt: skip
def test_a_reset_clock_is_kept_but_not_believed(text: str) -> None:
    # Common practice, no source: clocks without power start at a 1 January.
    claim = exif(text)
    assert claim.fault == "looks like a clock reset"
    assert claim.wall is not None  # a correction of this clock may still use it
    assert times.resolve([claim], [], "UTC").known is False


@pytest.mark.parametrize(
    "text", ["2017:01:01 01:00:00", "2026:01:01 10:41:00", "2000:01:02 00:00:00", "2025:12:31 23:59:00"]
)
def test_other_new_year_pictures_are_believed(text: str) -> None:
    assert exif(text).fault is None


def test_a_bare_first_of_january_is_no_reset() -> None:
    assert exif("2026:01:01").fault is None


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("1989:12:30 10:00:00", "year 1989"),
        ("2101:01:02 10:00:00", "year 2101"),
        ("2038:01:19 03:14:07", "end of its counter"),  # 2^31 − 1 s from 1970
        ("2038:01:18 22:14:07", "end of its counter"),  # the same in another zone
        ("2040:02:06 06:28:15", "end of its counter"),  # 2^32 − 1 s from 1904
    ],
)
def test_impossible_years_keep_their_reading_and_say_why(text: str, fault: str) -> None:
    claim = exif(text)
    assert claim.wall is not None
    assert fault in (claim.fault or "")


def test_the_rest_of_2038_is_a_year_like_any_other() -> None:
    assert exif("2038:06:01 10:00:00").fault is None


@pytest.mark.parametrize(
    ("digits", "micro", "step"),
    [
        # CIPA DC-008 SubSecTime: the digits are the decimal fraction.
        ("5", 500_000, 100), ("05", 50_000, 10), ("130", 130_000, 1), ("786067", 786_067, 1), ("1234567", 123_456, 1),
        ("", 0, 1000), ("13a", 0, 1000), ("-1", 0, 1000), ("²", 0, 1000),
        # Cameras without a finer clock write "00" into every picture (met in two of three real series).
        ("00", 0, 1000),
    ],
)  # fmt: skip
def test_subsec_digits_are_a_decimal_fraction(digits: str, micro: int, step: int) -> None:
    assert read_fraction(digits) == (micro, step)


@pytest.mark.parametrize("padded", ["130  ", "130\0", " 130"])
def test_subsec_padding_is_dropped(padded: str) -> None:
    claim = exif("2026:03:12 10:41:07", padded)
    assert claim.wall == wall("2026-03-12T10:41:07.130")
    assert claim.resolution_ms == 1


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("+01:00", 60), ("-03:30", -210), ("+14:00", 840), ("-12:00", -720), ("+0545", 345), ("Z", 0), ("-00:00", 0),
        # CIPA DC-008 OffsetTime: unknown is blank digits with the colon kept, or all blank.
        ("   :  ", None), ("      ", None), ("", None), ("\0", None),
        # No clock on earth stands there (IANA time zone database: −12:00 to +14:00).
        ("+14:15", None), ("-12:30", None), ("+25:00", None), ("+01:60", None), ("CET", None), ("+1:2:3", None),
    ],
)  # fmt: skip
def test_offsets_from_utc(text: str, minutes: int | None) -> None:
    assert read_offset(text) == minutes
    assert exif("2026:03:12 10:41:07", None, text).offset_min == minutes


def test_an_offset_within_the_text_wins() -> None:
    assert exif("2026:03:12 10:41:07+02:00", None, "+01:00").offset_min == 120


# ------------------------------------------------------------------------------- GPS


def test_gps_time_is_utc_from_three_rationals() -> None:
    claim = times.gps_claim("2026:03:12", [(9, 1), (41, 1), (717, 100)])
    assert (claim.wall, claim.offset_min, claim.resolution_ms) == (wall("2026-03-12T09:41:07.170"), 0, 10)
    for seconds in (Fraction(7), 7.0, 7, [7, 1]):
        assert times.gps_claim("2026:03:12\0", [9, Fraction(41), seconds]).wall == wall("2026-03-12T09:41:07")


@pytest.mark.parametrize(
    ("date", "time", "fault"),
    [
        ("2026:03:12", [(0, 0), (0, 0), (0, 0)], "blank"),  # met: rationals 0/0
        ("2026:03:12", [(9, 1), (41, 1), (7, 0)], "blank"),
        ("2026:03:12", [(9, 1), (41, 1)], "blank"),
        ("2026:03:12", [float("nan"), 1, 2], "blank"),
        ("2026:03:12", [object(), "x", None], "blank"),
        ("2026:03:12", [(24, 1), (0, 1), (0, 1)], "no such time"),
        ("2026:03:12", [(23, 1), (59, 1), (60, 1)], "no such time"),
        ("2026:03:12", [(-1, 1), (0, 1), (0, 1)], "no such time"),
        ("", [(9, 1), (41, 1), (7, 1)], "without its date"),  # met in two cameras
        ("0000:00:00", [(0, 1), (0, 1), (0, 1)], "without its date"),  # met
        ("1970:01:01", [(0, 1), (0, 1), (0, 1)], "no fix"),  # met
        ("1980:01:06", [(0, 1), (0, 1), (13, 1)], "no fix"),  # the epoch of GPS time
        ("12/03/2026", [(9, 1), (41, 1), (7, 1)], "day and month"),
    ],
)
def test_unusable_gps_times_say_why(date: str, time: list[object], fault: str) -> None:
    claim = times.gps_claim(date, time)
    assert fault in (claim.fault or "")


# ------------------------------------------------------------------------------- XMP


@pytest.mark.parametrize(
    ("text", "expected", "offset", "step"),
    [
        # XMP part 1 (ISO 16684-1) §8.2.1.2, the date forms.
        ("2026", "2026-01-01T00:00", None, 365 * 86_400_000),
        ("2026-02", "2026-02-01T00:00", None, 28 * 86_400_000),
        ("2026-03-12", "2026-03-12T00:00", None, 86_400_000),
        ("2026-03-12T10:41+01:00", "2026-03-12T10:41", 60, 60_000),
        ("2026-03-12T10:41:07", "2026-03-12T10:41:07", None, 1000),
        ("2026-03-12T10:41:07Z", "2026-03-12T10:41:07", 0, 1000),
        ("2026-03-12T10:41:07.13+01:00", "2026-03-12T10:41:07.130", 60, 10),
    ],
)
def test_xmp_dates(text: str, expected: str, offset: int | None, step: int) -> None:
    claim = times.xmp_claim(text)
    assert (claim.wall, claim.offset_min, claim.resolution_ms, claim.fault) == (wall(expected), offset, step, None)
    assert claim.source is ClaimSource.XMP


# ------------------------------------------------------------------------------- clips


@pytest.mark.parametrize(
    ("seconds", "instant"),
    [
        # ISO/IEC 14496-12: seconds since 1904-01-01T00:00:00 UTC; values computed from that definition.
        (2_082_844_800, "1970-01-01T00:00:00"),
        (3_029_529_600, "2000-01-01T00:00:00"),
        (3_792_139_200, "2024-03-01T12:00:00"),
        (3_850_070_400, "2026-01-01T00:00:00"),
        (2**32 - 1, "2040-02-06T06:28:15"),
    ],
)
def test_seconds_since_1904(seconds: int, instant: str) -> None:
    assert times.since_1904(seconds) == wall(instant).replace(tzinfo=UTC)


def test_seconds_past_the_calendar_are_none() -> None:
    assert times.since_1904(2**64 - 1) is None
    assert times.container_claim(2**64 - 1).fault


def test_a_creation_time_is_utc() -> None:
    claim = times.container_claim("2019-07-24T08:25:57.000000Z")
    assert (claim.wall, claim.offset_min, claim.resolution_ms) == (wall("2019-07-24T08:25:57"), 0, 1000)
    assert times.container_claim(3_792_139_200).wall == wall("2024-03-01T12:00:00")
    berlin = datetime(2019, 7, 24, 10, 25, 57, tzinfo=times.zone_named("Europe/Berlin"))
    assert times.container_claim(berlin).wall == wall("2019-07-24T08:25:57")


@pytest.mark.parametrize("value", [0, "1904-01-01T00:00:00Z", "1970-01-01T00:00:00.000000Z", 2_082_844_800, ""])
def test_an_unset_creation_time_is_unknown(value: str | int) -> None:
    claim = times.container_claim(value)
    assert (claim.wall, claim.fault) == (None, "not set")


def test_a_time_counted_from_the_wrong_epoch_is_read_from_1970() -> None:
    # From memory: a creation time that decodes before 1970 was written as seconds since 1970.
    unix = int(wall("2026-03-12T09:41:07").replace(tzinfo=UTC).timestamp())
    claim = times.container_claim(unix)
    assert claim.wall == wall("2026-03-12T09:41:07")
    assert "from 1970" in claim.text
    shown = times.since_1904(unix)
    assert shown is not None
    assert times.container_claim(shown.isoformat()).wall == claim.wall


def test_an_avi_date_is_local_time() -> None:
    for claim in (times.avi_date_claim("Mon Sep 10 20:52:00 2012\n\0"), times.container_claim("2012-09-10 20:52:00")):
        assert (claim.source, claim.wall, claim.offset_min) == (
            ClaimSource.CONTAINER, wall("2012-09-10T20:52:00"), None,
        )  # fmt: skip
    assert times.avi_date_claim("MON SEP 10 20:52:00 2012").fault is None


def test_a_creation_date_carries_its_offset() -> None:
    claim = times.creation_date_claim("2019-07-24T11:25:40+0300")
    assert (claim.source, claim.wall, claim.offset_min) == (
        ClaimSource.CREATION_DATE, wall("2019-07-24T11:25:40"), 180,
    )  # fmt: skip
    assert times.creation_date_claim("2019-07-24T11:25:40").source is ClaimSource.CONTAINER


# ------------------------------------------------------------------------------- the file system


@pytest.mark.parametrize(
    ("ns", "step"), [(1773308467_123456789, 1), (1773308467_000000000, 1000), (1773308468_000000000, 2000)]
)
def test_a_file_date_knows_its_step(ns: int, step: int) -> None:
    claim = times.file_system_claim(ns)
    assert claim.wall == datetime(1970, 1, 1) + timedelta(microseconds=ns // 1000)  # noqa: DTZ001
    assert (claim.offset_min, claim.resolution_ms, claim.fault) == (0, step, None)


@pytest.mark.parametrize("ns", [0, -1, 315_532_800 * 10**9, 2**80])
def test_unset_file_dates_are_not_believed(ns: int) -> None:
    assert times.file_system_claim(ns).fault  # 1970, before it, 1980 (FAT and ZIP), beyond the calendar


# ------------------------------------------------------------------------------- never an exception

_NEAR = st.text(alphabet="0123456789:-/. TZ+gmtWedMaryGMT\0\n,", max_size=40)


@given(st.text(max_size=120) | _NEAR, st.none() | st.text(max_size=12), st.none() | st.text(max_size=12))
def test_no_text_raises(text: str, subsec: str | None, offset: str | None) -> None:
    claims = [
        exif(text, subsec, offset), times.xmp_claim(text), times.container_claim(text),
        times.creation_date_claim(text), times.avi_date_claim(text), times.gps_claim(text, [(9, 1), (41, 1), (7, 1)]),
    ]  # fmt: skip
    for claim in claims:
        assert claim.wall is not None or claim.fault
        assert claim.resolution_ms >= 1
        assert claim.wall is None or claim.wall.tzinfo is None
        assert len(claim.text) <= 130


@given(st.lists(st.tuples(st.integers(), st.integers()) | st.floats() | st.integers() | st.none(), max_size=5))
def test_no_rationals_raise(time: list[object]) -> None:
    claim = times.gps_claim("2026:03:12", time)
    assert claim.fault or (claim.wall is not None and claim.wall.date() == wall("2026-03-12").date())


@given(st.datetimes(min_value=wall("1991-01-02"), max_value=wall("2037-12-31")), st.integers(-720, 840))
def test_what_is_written_strictly_is_read_back(moment: datetime, offset: int) -> None:
    sign = "-" if offset < 0 else "+"
    words = f"{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"
    claim = exif(f"{moment:%Y:%m:%d %H:%M:%S}", f"{moment.microsecond:06d}", words)
    assert claim.wall == moment
    assert claim.offset_min == offset
    assert read_stamp(f"{moment:%Y-%m-%dT%H:%M:%S}{words}").offset_min == offset


# ------------------------------------------------------------------------------- against exiftool and ffmpeg


def _exiftool(*arguments: str | Path) -> list[dict[str, str]]:
    """Reference: exiftool (Debian libimage-exiftool-perl), which the test command installs."""
    program = shutil.which("exiftool")
    assert program, "exiftool is missing: apt install libimage-exiftool-perl"
    done = subprocess.run([program, "-j", *map(str, arguments)], capture_output=True, text=True, check=True)
    read: list[dict[str, str]] = json.loads(done.stdout)
    return read


def test_dates_agree_with_exiftool(tmp_path: Path) -> None:
    """exiftool's composite SubSecDateTimeOriginal on files written here; values chosen for their traps."""
    cases = [
        ("2026:03:12 10:41:07", "130", "+01:00"), ("2026:03:12 10:41:07", "5", "-03:30"),
        ("2026:03:12 10:41:07", "05", "+05:45"), ("2026:10:25 02:30:00", "786067", "+02:00"),
        ("2026:03:12 10:41:07", "25  ", "+14:00"), ("2025:12:31 23:59:59", "999", "-12:00"),
    ]  # fmt: skip
    for number, (date, subsec, offset) in enumerate(cases):
        tags = Image.Exif()
        tags.get_ifd(0x8769).update({0x9003: date, 0x9291: subsec, 0x9011: offset})
        Image.new("RGB", (8, 8), "white").save(tmp_path / f"{number}.jpg", exif=tags)
    answers = _exiftool("-SubSecDateTimeOriginal", tmp_path)
    told = {Path(answer["SourceFile"]).stem: answer["SubSecDateTimeOriginal"] for answer in answers}
    assert len(told) == len(cases)
    for number, (date, subsec, offset) in enumerate(cases):
        theirs = datetime.fromisoformat(told[str(number)].replace(":", "-", 2).replace(" ", "T", 1).replace("  ", ""))
        ours = times.resolve([exif(date, subsec, offset)], [], "UTC")
        assert ours.instant == theirs.astimezone(UTC)


@pytest.mark.parametrize("instant", ["2026-03-12T09:41:07", "2031-01-01T10:00:00"])
@pytest.mark.parametrize("epoch", [1904, 1970])
def test_creation_times_agree_with_ffmpeg_and_exiftool(tmp_path: Path, instant: str, epoch: int) -> None:
    """The raw field of a clip written here, read by ffmpeg (through PyAV), exiftool and us, from either epoch."""
    path = tmp_path / "lantern mast.mp4"
    with av.open(str(path), "w", options={"movflags": "+faststart"}) as clip:
        stream = clip.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 32, 32, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((32, 32, 3), np.uint8), format="rgb24")
        clip.mux(stream.encode(frame))
        clip.mux(stream.encode(None))
    raw = int((wall(instant) - datetime(epoch, 1, 1)).total_seconds())  # noqa: DTZ001
    data = bytearray(path.read_bytes())
    at = data.index(b"mvhd")
    assert data[at + 4] == 0  # version 0: 32 bits
    data[at + 8 : at + 12] = raw.to_bytes(4, "big")
    path.write_bytes(data)

    assert times.container_claim(raw).wall == wall(instant)
    with av.open(str(path)) as clip:
        assert times.container_claim(clip.metadata["creation_time"]).wall == wall(instant)
    [told] = _exiftool("-QuickTime:CreateDate", path)
    assert told["CreateDate"] == f"{wall(instant):%Y:%m:%d %H:%M:%S}"
