"""When a recording began: containers that write UTC, local time, the start or the end, and names beside them."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from lastlook import times
from lastlook.records import Claim, ClockCorrection
from lastlook.times import resolve
from tests.times_helpers import BERLIN, CAMERA, covers, name, second, span, utc

# ------------------------------------------------------------------------------- clips


def box(text: str) -> Claim:
    return times.container_claim(text)


def test_a_creation_date_is_preferred_and_a_container_time_near_it_covered() -> None:
    # Met: 17 s apart on a clip of 4 s.
    made = times.creation_date_claim("2019-07-24T11:25:40+0300")
    time = resolve([box("2019-07-24T08:25:57Z"), made], [], BERLIN, duration_ms=4001)
    assert (time.instant, time.basis) == (utc("2019-07-24T08:25:40"), "creation-date+offset")
    assert span(time) == (utc("2019-07-24T08:25:40"), utc("2019-07-24T08:25:57.999"))
    assert "17 s later" in time.why


@pytest.mark.parametrize(
    ("container", "words"),
    [
        ("2026-03-12T09:41:08Z", "agrees"),
        ("2026-03-12T09:42:37Z", "end of the recording"),
        ("2026-03-12T10:41:07Z", "local time"),
        ("2026-05-01T09:41:07Z", "later."),
    ],
)
def test_a_container_time_that_is_explained_does_not_widen(container: str, words: str) -> None:
    made = times.creation_date_claim("2026-03-12T10:41:07+0100")
    time = resolve([made, box(container)], [], BERLIN, duration_ms=90_000)
    assert span(time) == second("2026-03-12T09:41:07")
    assert words in time.why


def test_a_container_time_alone_covers_what_it_may_be() -> None:
    time = resolve([box("2026-07-12T09:41:07Z")], [], BERLIN, duration_ms=90_000)
    assert (time.instant, time.basis) == (utc("2026-07-12T09:41:07"), "container")
    assert covers(time, "2026-07-12T09:39:37", "2026-07-12T07:41:07", "2026-07-12T07:39:37", "2026-07-12T09:42:37")
    assert not covers(time, "2026-07-12T07:39:36")
    assert not covers(time, "2026-07-12T09:42:39")
    west = resolve([box("2026-07-12T09:41:07Z")], [], "America/New_York", duration_ms=90_000)
    assert covers(west, "2026-07-12T13:41:07")
    unknown_length = resolve([box("2026-07-12T09:41:07Z")], [], "UTC")
    assert covers(unknown_length, "2026-07-12T08:41:07", "2026-07-12T10:41:07")


def test_an_avi_date_is_read_in_the_zone() -> None:
    time = resolve([times.avi_date_claim("Mon Sep 10 20:52:00 2012")], [], BERLIN, duration_ms=2599)
    assert (time.instant, time.basis) == (utc("2012-09-10T18:52:00"), "container+zone")
    assert covers(time, "2012-09-10T18:51:57.401")


@pytest.mark.parametrize(
    ("container", "words"),
    [
        ("2026-03-12T09:41:09Z", "agrees"),
        ("2026-03-12T09:42:38Z", "the end of the recording."),
        ("2026-03-12T10:41:07Z", "the same in local time"),
        ("2026-03-12T10:42:37Z", "the end of the recording in local time"),
    ],
)
def test_a_name_tells_what_the_container_time_is(container: str, words: str) -> None:
    time = resolve([box(container), name("VID_20260312_104107.mp4")], [], BERLIN, duration_ms=90_000)
    assert span(time) == second("2026-03-12T09:41:07")
    assert words in time.why
    assert time.basis == "container+name+zone"


def test_a_name_in_utc_is_a_start_too() -> None:
    time = resolve([box("2026-03-12T09:42:37Z"), name("PXL_20260312_094107123.mp4")], [], BERLIN, duration_ms=90_000)
    assert time.instant == utc("2026-03-12T09:41:07.123")
    assert "end of the recording" in time.why


def test_a_name_in_another_zone_leaves_the_container_time() -> None:
    time = resolve([box("2026-03-12T09:41:07Z"), name("VID_20260312_174107.mp4")], [], BERLIN, duration_ms=90_000)
    assert span(time) == second("2026-03-12T09:41:07")
    assert "another time zone" in time.why
    end = resolve([box("2026-03-12T09:42:37Z"), name("VID_20260312_174107.mp4")], [], BERLIN, duration_ms=90_000)
    assert span(end) == second("2026-03-12T09:41:07")


def test_a_container_time_tells_which_of_two_hours_a_name_means() -> None:
    for container, instant in (("00:30:00Z", "00:30:00"), ("01:30:00Z", "01:30:00")):
        time = resolve([box(f"2026-10-25T{container}"), name("VID_20261025_023000.mp4")], [], BERLIN, duration_ms=9000)
        assert span(time) == second(f"2026-10-25T{instant}")
        assert time.instant == utc(f"2026-10-25T{instant}")


def test_a_clip_written_anew_keeps_the_time_of_its_name_and_covers_both() -> None:
    time = resolve([box("2026-05-02T08:13:44Z"), name("VID_20260312_104107.mp4")], [], BERLIN, duration_ms=90_000)
    assert time.instant == utc("2026-03-12T09:41:07")
    assert covers(time, "2026-03-12T09:41:07", "2026-05-02T08:13:44")


def test_a_clip_far_from_the_day_in_its_name_covers_both() -> None:
    sent = name("VID-20260312-WA0004.mp4")
    time = resolve([box("2026-05-02T08:13:44Z"), sent], [], BERLIN, duration_ms=90_000)
    assert covers(time, "2026-03-11T23:00", "2026-05-02T08:13:44")
    near = resolve([box("2026-03-12T08:13:44Z"), sent], [], BERLIN, duration_ms=90_000)
    assert near == resolve([box("2026-03-12T08:13:44Z")], [], BERLIN, duration_ms=90_000)


def test_a_still_lies_at_its_place_in_the_clip() -> None:
    claims = [times.creation_date_claim("2026-03-12T10:41:07+0100")]
    start = resolve(claims, [], BERLIN, duration_ms=90_000)
    still = resolve(claims, [], BERLIN, duration_ms=90_000, clip_ms=61_250)
    shift = timedelta(milliseconds=61_250)
    assert start.instant is not None
    assert start.earliest is not None
    assert start.latest is not None
    assert (still.instant, still.earliest, still.latest) == (
        start.instant + shift, start.earliest + shift, start.latest + shift,
    )  # fmt: skip


def test_local_time_in_a_container_is_read_at_the_offset_the_camera_keeps() -> None:
    fixed = ClockCorrection(CAMERA, fixed_offset_min=-300, uncertainty_s=0)
    time = resolve([box("2026-07-12T09:41:07Z")], [fixed], BERLIN, camera=CAMERA, duration_ms=0)
    assert time.instant == utc("2026-07-12T09:41:07")  # UTC by the standard, whatever the display shows
    assert span(time) == (utc("2026-07-12T09:41:07"), utc("2026-07-12T14:41:07.999"))


def test_a_creation_date_beside_an_avi_date_stands_alone() -> None:
    made = times.creation_date_claim("2026-03-12T10:41:07+0100")
    time = resolve([made, times.avi_date_claim("Thu Mar 12 18:41:07 2026")], [], BERLIN, duration_ms=90_000)
    assert span(time) == second("2026-03-12T09:41:07")


def test_a_time_in_utc_is_set_against_the_cameras_display() -> None:
    """A correction from 10:00 on by the display holds for 09:30 UTC, which the display in Berlin showed as 10:30."""
    later = ClockCorrection(CAMERA, 30, since=datetime(2026, 3, 12, 10, 0))  # noqa: DTZ001 - a display has no zone
    for container, instant in (("09:30:00Z", "09:29:30"), ("08:59:59Z", "08:59:59")):
        time = resolve([box(f"2026-03-12T{container}")], [later], BERLIN, camera=CAMERA, duration_ms=0)
        assert time.instant == utc(f"2026-03-12T{instant}")


def test_a_still_of_a_clip_with_only_a_files_own_date_is_not_later_than_it() -> None:
    claim = times.file_system_claim(1_774_613_370_000_000_000)
    start, still = resolve([claim], [], BERLIN), resolve([claim], [], BERLIN, clip_ms=42_500)
    assert start.earliest == still.earliest == times.OPEN_START
    assert times.describe(still, BERLIN).startswith("not later than 28 Mar 2026")
