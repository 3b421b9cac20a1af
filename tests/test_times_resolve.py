"""From claims to a capture time: zones, clocks, clips, doubts, and that the interval never lies."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import times
from lastlook.errors import UsageError
from lastlook.intake.names import name_claim
from lastlook.records import CaptureTime, Claim, ClaimSource, ClockCorrection
from lastlook.times import Order, compare, resolve

BERLIN = "Europe/Berlin"
CAMERA = "Ottermark B2 #0417"
ORIGINAL = ClaimSource.EXIF_ORIGINAL
MS = timedelta(milliseconds=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def exif(text: str, subsec: str | None = None, offset: str | None = None, source: ClaimSource = ORIGINAL) -> Claim:
    return times.exif_claim(source, text, subsec, offset)


def name(text: str) -> Claim:
    claim = name_claim(text)
    assert claim is not None
    return claim


def gps(text: str) -> Claim:
    moment = wall(text)
    return times.gps_claim(f"{moment:%Y:%m:%d}", [moment.hour, moment.minute, moment.second])


def span(time: CaptureTime) -> tuple[datetime | None, datetime | None]:
    return time.earliest, time.latest


def second(text: str) -> tuple[datetime, datetime]:
    """The closed interval of a whole-second stamp."""
    return utc(text), utc(text) + timedelta(milliseconds=999)


def covers(time: CaptureTime, *moments: str) -> bool:
    assert time.earliest is not None
    assert time.latest is not None
    return all(time.earliest <= utc(moment) <= time.latest for moment in moments)


# ------------------------------------------------------------------------------- one stamp, one zone


def test_an_offset_makes_the_time_exact() -> None:
    time = resolve([exif("2026:03:12 10:41:07", "130", "+02:00")], [], BERLIN)
    assert time.instant == time.earliest == time.latest == utc("2026-03-12T08:41:07.130")
    assert time.basis == "exif-original+offset"


def test_without_an_offset_the_zone_of_the_build_counts() -> None:
    claims = [exif("2026:03:12 10:41:07")]
    time = resolve(claims, [], BERLIN)
    assert time.instant == utc("2026-03-12T09:41:07")
    assert span(time) == second("2026-03-12T09:41:07")  # a whole-second stamp covers its second
    assert time.basis == "exif-original+zone"
    assert "Europe/Berlin" in time.why
    assert resolve(claims, [], "Asia/Kathmandu").instant == utc("2026-03-12T04:56:07")
    summer = resolve([exif("2026:07:12 10:41:07")], [], BERLIN)
    assert summer.instant == utc("2026-07-12T08:41:07")


def test_an_hour_that_came_twice_has_both_readings() -> None:
    # IANA: Europe/Berlin goes from +02:00 to +01:00 on 25 October 2026 at 01:00 UTC.
    time = resolve([exif("2026:10:25 02:30:00")], [], BERLIN)
    assert span(time) == (utc("2026-10-25T00:30:00"), utc("2026-10-25T01:30:00.999"))
    assert "twice" in time.why
    for clear, instant in (("01:59:59", "2026-10-24T23:59:59"), ("03:00:00", "2026-10-25T02:00:00")):
        assert span(resolve([exif(f"2026:10:25 {clear}")], [], BERLIN)) == second(instant)
    assert resolve([exif("2026:10:25 02:30:00", None, "+01:00")], [], BERLIN).earliest == utc("2026-10-25T01:30:00")


def test_an_hour_that_never_came_is_read_from_a_clock_not_set_forward() -> None:
    # IANA: Europe/Berlin goes from +01:00 to +02:00 on 29 March 2026 at 01:00 UTC.
    time = resolve([exif("2026:03:29 02:30:00")], [], BERLIN)
    assert time.instant == utc("2026-03-29T01:30:00")
    assert span(time) == (utc("2026-03-29T00:30:00"), utc("2026-03-29T01:30:00.999"))
    assert "went forward" in time.why
    assert span(resolve([exif("2026:03:29 03:00:00")], [], BERLIN)) == second("2026-03-29T01:00:00")


def test_a_bare_date_is_its_whole_day() -> None:
    time = resolve([exif("2026:03:12")], [], BERLIN)
    assert span(time) == (utc("2026-03-11T23:00"), utc("2026-03-12T23:00") - MS)
    short = resolve([exif("2026:03:29")], [], BERLIN)  # a day of 23 hours
    assert span(short) == (utc("2026-03-28T23:00"), utc("2026-03-29T22:00") - MS)
    long = resolve([exif("2026:10:25")], [], BERLIN)  # and one of 25
    assert span(long) == (utc("2026-10-24T22:00"), utc("2026-10-25T23:00") - MS)


def test_an_unknown_zone_is_an_error_with_a_hint() -> None:
    with pytest.raises(UsageError) as caught:
        resolve([], [], "Europe/Berln")
    assert "Europe/Berlin" in caught.value.hint


# ------------------------------------------------------------------------------- which source


def test_sources_are_tried_in_order_of_what_they_prove() -> None:
    claims = {
        "creation-date": times.creation_date_claim("2026-03-01T10:00:00+0100"),
        "exif-original": exif("2026:03:02 10:00:00"),
        "exif-digitized": exif("2026:03:03 10:00:00", source=ClaimSource.EXIF_DIGITIZED),
        "xmp": times.xmp_claim("2026-03-04T10:00:00"),
        "container": times.container_claim("2026-03-05T09:00:00Z"),
        "file-name": name("IMG_20260306_100000.jpg"),
        "gps": gps("2026-03-07T09:00:00"),
        "exif-modified": exif("2026:03:08 10:00:00", source=ClaimSource.EXIF_MODIFIED),
        "file-system": times.file_system_claim(1_772_960_400 * 10**9),
    }
    left = dict(claims)
    for source in claims:
        time = resolve(list(reversed(left.values())), [], BERLIN, duration_ms=1000)
        assert time.basis.startswith(source)
        assert time.instant is not None
        del left[source]
    assert resolve([], [], BERLIN).basis == "unknown"


def test_nothing_usable_is_unknown_and_says_what_was_refused() -> None:
    time = resolve([exif("    :  :     :  :  "), times.container_claim(0)], [], BERLIN)
    assert (time.instant, time.earliest, time.latest, time.basis) == (None, None, None, "unknown")
    assert "blank date" in time.why
    assert "not set" in time.why


def test_a_refused_better_source_is_named() -> None:
    time = resolve([exif("1980:01:01 00:00:04"), name("IMG_20260312_104107.jpg")], [], BERLIN)
    assert time.instant == utc("2026-03-12T09:41:07")
    assert "looks like a clock reset" in time.why


def test_disagreement_is_said_and_the_better_source_kept() -> None:
    original = exif("2026:03:12 10:41:07")
    other = exif("2026:03:12 12:41:07", source=ClaimSource.EXIF_DIGITIZED)
    assert "The Exif time of digitizing is 2 h later." in resolve([original, other], [], BERLIN).why
    edited = exif("2026:04:01 09:00:00", source=ClaimSource.EXIF_MODIFIED)
    assert "change" not in resolve([original, edited], [], BERLIN).why  # an edit is no disagreement
    odd = exif("2026:03:11 10:41:07", source=ClaimSource.EXIF_MODIFIED)
    assert "The Exif time of change is 1 d earlier." in resolve([original, odd], [], BERLIN).why
    assert "The file name agrees." in resolve([original, name("IMG_20260312_104107.jpg")], [], BERLIN).why
    assert "The file name says 2026-03-11." in resolve([original, name("IMG-20260311-WA0004.jpg")], [], BERLIN).why
    for claims in ([original, other], [original, odd], [original, name("IMG-20260311-WA0004.jpg")]):
        assert span(resolve(claims, [], BERLIN)) == second("2026-03-12T09:41:07")


def test_the_exif_change_alone_bounds_from_above() -> None:
    time = resolve([exif("2026:03:12 10:41:07", source=ClaimSource.EXIF_MODIFIED)], [], BERLIN)
    assert time.latest == utc("2026-03-12T09:41:07.999")
    assert time.earliest == times.OPEN_START
    assert time.basis == "exif-modified+zone"
    same_day = [exif("2026:03:12 10:41:07", source=ClaimSource.EXIF_MODIFIED), name("IMG-20260312-WA0004.jpg")]
    assert span(resolve(same_day, [], BERLIN)) == (utc("2026-03-11T23:00"), utc("2026-03-12T09:41:07.999"))
    day_before = [exif("2026:03:13 10:41:07", source=ClaimSource.EXIF_MODIFIED), name("IMG-20260312-WA0004.jpg")]
    assert span(resolve(day_before, [], BERLIN)) == (utc("2026-03-11T23:00"), utc("2026-03-12T23:00") - MS)
    sent_later = [exif("2026:03:10 10:41:07", source=ClaimSource.EXIF_MODIFIED), name("IMG-20260312-WA0004.jpg")]
    assert resolve(sent_later, [], BERLIN).latest == utc("2026-03-10T09:41:07.999")


def test_a_date_in_the_name_is_the_whole_day() -> None:
    time = resolve([name("IMG-20260312-WA0004.jpg")], [], BERLIN)
    assert span(time) == (utc("2026-03-11T23:00"), utc("2026-03-12T23:00") - MS)
    assert (time.basis, time.instant) == ("file-name+date", utc("2026-03-12T10:59:59"))


def test_a_time_in_the_name_may_be_a_little_late() -> None:
    time = resolve([name("IMG_20260312_104107.jpg")], [], BERLIN)
    assert span(time) == (utc("2026-03-12T09:41:02"), utc("2026-03-12T09:41:07.999"))
    assert time.basis == "file-name+zone"
    with_gps = resolve([name("IMG_20260312_174107.jpg"), gps("2026-03-12T09:41:00")], [], BERLIN)
    assert (with_gps.instant, with_gps.basis) == (utc("2026-03-12T09:41:07"), "file-name+gps")
    finer = resolve([times.xmp_claim("2026-03-12"), name("IMG_20260312_104107.jpg")], [], BERLIN)
    assert finer.instant == utc("2026-03-12T09:41:07")  # before a bare date in XMP
    exact = resolve([name("PXL_20260312_094107123.jpg")], [], "Asia/Tokyo")
    assert (exact.instant, exact.basis) == (utc("2026-03-12T09:41:07.123"), "file-name+offset")


def test_the_file_date_alone_never_says_after() -> None:
    ns = int(utc("2026-03-12T09:41:07").timestamp()) * 10**9
    time = resolve([times.file_system_claim(ns)], [], BERLIN)
    assert (time.basis, time.instant) == ("file-system", utc("2026-03-12T09:41:07"))
    assert compare(time, resolve([exif("2026:03:20 10:00:00")], [], BERLIN)) is Order.BEFORE
    # Copied on that day, taken who knows when: it must not be evidence for the time after an earlier closing.
    assert compare(time, resolve([exif("2026:01:20 10:00:00")], [], BERLIN)) is Order.UNDETERMINED


def test_a_claim_from_the_future_is_passed_over() -> None:
    claims = [exif("2062:03:12 10:41:07"), name("IMG_20260312_104107.jpg")]
    time = resolve(claims, [], BERLIN, not_after=utc("2026-04-01T00:00"))
    assert time.instant == utc("2026-03-12T09:41:07")
    assert "lies after the file came in" in time.why
    assert resolve(claims, [], BERLIN).instant == utc("2062-03-12T09:41:07")
    assert not resolve(claims[:1], [], BERLIN, not_after=utc("2026-04-01T00:00")).known


# ------------------------------------------------------------------------------- GPS and other witnesses of UTC


def test_gps_tells_the_zone_of_a_wall_clock() -> None:
    # A camera left at Kathmandu's time (+05:45) in a build in Berlin.
    time = resolve([exif("2026:03:12 15:26:07"), gps("2026-03-12T09:40:30")], [], BERLIN)
    assert span(time) == second("2026-03-12T09:41:07")
    assert time.basis == "exif-original+gps"
    # No clock on earth stands at +05:15, so that is no zone but a disagreement.
    odd = resolve([exif("2026:03:12 14:56:07"), gps("2026-03-12T09:41:07")], [], BERLIN)
    assert odd.basis == "exif-original+zone"


@pytest.mark.parametrize("fix", ["2026-03-12T09:36:00", "2026-03-12T09:47:30"])
def test_gps_that_disagrees_widens_a_guessed_zone(fix: str) -> None:
    time = resolve([exif("2026:03:12 10:41:07"), gps(fix)], [], BERLIN)
    assert time.instant == utc("2026-03-12T09:41:07")
    assert covers(time, fix, "2026-03-12T09:41:07")
    assert "an old fix or a wrong clock" in time.why


def test_gps_that_disagrees_leaves_a_known_zone_or_a_corrected_clock_alone() -> None:
    fix = gps("2026-03-12T06:17:00")
    known = resolve([exif("2026:03:12 10:41:07", None, "+01:00"), fix], [], BERLIN)
    assert span(known) == second("2026-03-12T09:41:07")
    assert "3 h 24 min earlier" in known.why
    corrected = resolve([exif("2026:03:12 10:41:07"), fix], [ClockCorrection(CAMERA)], BERLIN, camera=CAMERA)
    assert not covers(corrected, "2026-03-12T06:17:00")
    stale = resolve([exif("2026:03:12 10:41:07"), gps("2026-02-01T06:17:00")], [], BERLIN)
    assert span(stale) == second("2026-03-12T09:41:07")  # a fix of last month says nothing
    assert (
        "GPS agrees"
        in resolve([exif("2026:03:12 10:41:07", None, "+01:00"), gps("2026-03-12T09:41:00")], [], BERLIN).why
    )


def test_gps_alone_may_be_an_hour_old() -> None:
    time = resolve([gps("2026-03-12T09:41:07")], [], BERLIN)
    assert (time.instant, time.latest) == (utc("2026-03-12T09:41:07"), utc("2026-03-12T10:41:07.999"))
    assert time.basis == "gps"
    both = [gps("2026-03-12T09:41:00"), exif("2026:03:12 10:41:07", source=ClaimSource.EXIF_MODIFIED)]
    assert span(resolve(both, [], BERLIN)) == second("2026-03-12T09:41:07")


def test_an_offset_kept_elsewhere_in_the_file_counts() -> None:
    plain = exif("2026:03:12 17:41:07")
    for other in (
        exif("2026:03:12 17:41:07", None, "+08:00", ClaimSource.EXIF_DIGITIZED),
        exif("2026:03:12 17:41:07", None, "+08:00", ClaimSource.EXIF_MODIFIED),
        name("PXL_20260312_094107300.jpg"),
    ):
        assert span(resolve([plain, other], [], BERLIN)) == second("2026-03-12T09:41:07")
    edited = exif("2026:03:14 09:30:07", None, "+08:00", ClaimSource.EXIF_MODIFIED)
    assert resolve([plain, edited], [], BERLIN).basis == "exif-original+zone"


# ------------------------------------------------------------------------------- a camera's clock


DRIFT = ClockCorrection(CAMERA, 12.0, wall("2026-03-02T09:00:00"), 3.0, 2.0)


def test_the_worked_example_of_a_drifting_clock() -> None:
    """Computed by hand: +12 s at day 0, 09:00, and 3 s a day; day 4, 10:00:00 → 12 + 3 × 4.041667 = 24.125 s fast."""
    time = resolve([exif("2026:03:06 10:00:00")], [DRIFT], "UTC", camera=CAMERA)
    assert time.instant == utc("2026-03-06T09:59:35.875")
    assert span(time) == (utc("2026-03-06T09:59:33.875"), utc("2026-03-06T09:59:38.874"))
    assert time.basis == "exif-original+zone+clock"
    assert "24.1 s fast" in time.why


def test_a_correction_is_for_its_camera_and_its_sources_only() -> None:
    stamp = exif("2026:03:06 10:00:00")
    for camera in ("", "Ottermark B2 #0418"):
        assert resolve([stamp], [DRIFT], "UTC", camera=camera).instant == utc("2026-03-06T10:00:00")
    ns = int(utc("2026-03-06T10:00:00").timestamp()) * 10**9
    for other in (gps("2026-03-06T10:00:00"), times.file_system_claim(ns)):
        assert resolve([other], [DRIFT], "UTC", camera=CAMERA) == resolve([other], [], "UTC")
    for claim in (
        exif("2026:03:06 10:00:00", None, "+00:00"), times.xmp_claim("2026-03-06T10:00:00"),
        name("IMG_20260306_100000.jpg"), times.container_claim("2026-03-06T10:00:00Z"),
    ):  # fmt: skip
        time = resolve([claim], [DRIFT], "UTC", camera=CAMERA, duration_ms=0)
        assert time.instant == utc("2026-03-06T09:59:35.875")
        assert time.basis.endswith("+clock")


def test_corrections_hold_between_since_and_until() -> None:
    first = ClockCorrection(CAMERA, 60, until=wall("2026-03-06T10:00:00"))
    then = ClockCorrection(CAMERA, -30, since=wall("2026-03-06T10:00:00"), until=wall("2026-03-08T00:00:00"))

    def corrected(text: str, *corrections: ClockCorrection) -> datetime | None:
        return resolve([exif(text)], corrections, "UTC", camera=CAMERA).instant

    assert corrected("2026:03:06 09:59:59", first, then) == utc("2026-03-06T09:58:59")
    assert corrected("2026:03:06 10:00:00", first, then) == utc("2026-03-06T10:00:30")
    assert corrected("2026:03:08 00:00:00", first, then) == utc("2026-03-08T00:00:00")
    # Of several, the stretch that began last; of those that began together, the one given last.
    always = ClockCorrection(CAMERA, 5)
    assert corrected("2026:03:07 10:00:00", then, always) == utc("2026-03-07T10:00:30")
    assert corrected("2026:03:07 10:00:00", always, ClockCorrection(CAMERA, 7)) == utc("2026-03-07T09:59:53")


def test_a_clock_kept_at_one_offset_is_read_so_in_summer() -> None:
    fixed = ClockCorrection(CAMERA, fixed_offset_min=60, uncertainty_s=0)
    time = resolve([exif("2026:07:12 10:41:07")], [fixed], BERLIN, camera=CAMERA)
    assert span(time) == second("2026-07-12T09:41:07")
    assert "one offset all year" in time.why
    doubled = resolve([exif("2026:10:25 02:30:00")], [fixed], BERLIN, camera=CAMERA)
    assert span(doubled) == second("2026-10-25T01:30:00")  # such a clock has no doubled hour


def test_a_correction_by_years_sets_a_reset_clock_right() -> None:
    reset = exif("2000:01:01 00:21:07")
    error = (wall("2000-01-01T00:21:07") - wall("2026-03-12T10:41:07")).total_seconds()
    years = ClockCorrection(CAMERA, error, until=wall("2000-02-01T00:00"))
    time = resolve([reset], [years], BERLIN, camera=CAMERA)
    assert time.instant == utc("2026-03-12T09:41:07")
    assert not resolve([reset], [DRIFT], BERLIN, camera=CAMERA).known  # a few seconds do not make it believable


def test_gps_tells_the_zone_after_the_clock_is_corrected() -> None:
    slow = ClockCorrection(CAMERA, -420, uncertainty_s=1)
    time = resolve([exif("2026:03:12 15:19:07"), gps("2026-03-12T09:41:00")], [slow], BERLIN, camera=CAMERA)
    assert (time.instant, time.basis) == (utc("2026-03-12T09:41:07"), "exif-original+gps+clock")


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


# ------------------------------------------------------------------------------- order


def test_order_of_times() -> None:
    seven, eight = (resolve([exif(f"2026:03:12 10:41:0{n}")], [], BERLIN) for n in (7, 8))
    assert compare(seven, eight) is Order.BEFORE  # neighbouring seconds do not touch
    assert compare(eight, seven) is Order.AFTER
    assert compare(seven, seven) is Order.UNDETERMINED
    day = resolve([name("IMG-20260312-WA0004.jpg")], [], BERLIN)
    assert compare(day, seven) is Order.UNDETERMINED
    assert compare(resolve([], [], BERLIN), seven) is Order.UNKNOWN
    assert compare(seven, resolve([], [], BERLIN)) is Order.UNKNOWN


# ------------------------------------------------------------------------------- what always holds

_SANE = st.datetimes(min_value=wall("1991-01-02"), max_value=wall("2099-12-31"))
_NEAR = st.datetimes(min_value=wall("2026-10-24T00:00"), max_value=wall("2026-10-26T00:00"))
_claims = st.builds(
    Claim,
    st.sampled_from(list(ClaimSource)),
    st.just("as written"),
    st.none() | _SANE | _NEAR | st.datetimes(),
    st.none() | st.sampled_from([0, 60, 120, -420, 345]),
    st.sampled_from([1, 10, 1000, 2000, 60_000, 86_400_000]),
    st.none() | st.just("looks like a clock reset"),
)
_corrections = st.builds(
    ClockCorrection,
    st.sampled_from([CAMERA, "other"]),
    st.floats(-1e9, 1e9),
    st.none() | _SANE,
    st.floats(-10, 10),
    st.floats(0, 3600),
    st.none() | st.sampled_from([0, 60, -300]),
    st.none() | _SANE,
    st.none() | _SANE,
)
_zones = st.sampled_from([BERLIN, "UTC", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia"])
_lengths = st.none() | st.integers(0, 4_000_000)


@given(st.lists(_claims, max_size=5), st.lists(_corrections, max_size=2), _zones, st.integers(0, 10**7), _lengths)
def test_the_point_lies_within_its_interval(
    claims: list[Claim], corrections: list[ClockCorrection], zone: str, clip_ms: int, length: int | None
) -> None:
    time = resolve(claims, corrections, zone, camera=CAMERA, clip_ms=clip_ms, duration_ms=length)
    assert time.why
    if time.instant is None:
        assert (time.earliest, time.latest, time.basis) == (None, None, "unknown")
        return
    assert time.earliest is not None
    assert time.latest is not None
    assert time.earliest <= time.instant <= time.latest
    assert time.instant.utcoffset() == time.earliest.utcoffset() == time.latest.utcoffset() == timedelta(0)
    assert times.describe(time, zone)
    assert resolve(claims, corrections, zone, camera=CAMERA, clip_ms=clip_ms, duration_ms=length) == time


@given(st.lists(_claims, max_size=5), _corrections, st.floats(0, 3600), _zones, _lengths)
def test_a_less_certain_correction_never_narrows(
    claims: list[Claim], correction: ClockCorrection, more: float, zone: str, length: int | None
) -> None:
    less = replace(correction, uncertainty_s=correction.uncertainty_s + more)
    one = resolve(claims, [correction], zone, camera=CAMERA, duration_ms=length)
    other = resolve(claims, [less], zone, camera=CAMERA, duration_ms=length)
    assert one.instant == other.instant
    if one.earliest and one.latest and other.earliest and other.latest:
        assert other.earliest <= one.earliest
        assert one.latest <= other.latest


@given(_SANE, _zones)
def test_a_wall_clock_stamp_contains_every_instant_it_can_mean(moment: datetime, zone: str) -> None:
    """Whatever instant a clock set to the zone shows this stamp at, the interval holds it (reference: zoneinfo)."""
    instant = moment.replace(tzinfo=UTC)
    shown = instant.astimezone(times.zone_named(zone))
    time = resolve([times.exif_claim(ORIGINAL, f"{shown:%Y:%m:%d %H:%M:%S}")], [], zone)
    if time.known:  # a first hour of January may look like a reset
        assert time.earliest is not None
        assert time.latest is not None
        assert time.earliest <= instant.replace(microsecond=0) <= time.latest


@given(
    _SANE | _NEAR, st.integers(0, 3_600_000), _zones, st.sampled_from(["start", "end"]), st.booleans(), st.booleans()
)
def test_however_a_clip_was_stamped_its_start_is_covered(
    moment: datetime, length: int, zone: str, end: str, local: bool, named: bool
) -> None:
    """A recording with a known start, stamped in each of the ways that are met."""
    start = moment.replace(tzinfo=UTC, microsecond=0)
    tz = times.zone_named(zone)
    stamp = start + timedelta(milliseconds=length if end == "end" else 0)
    shown = (stamp.astimezone(tz) if local else stamp).replace(tzinfo=None, microsecond=0)
    claims = [times.container_claim(shown)]
    if named:
        claims.append(name(f"VID_{start.astimezone(tz):%Y%m%d_%H%M%S}.mp4"))
    time = resolve(claims, [], zone, duration_ms=length)
    if claims[0].fault or claims[-1].fault:  # a first hour of January may look like a reset
        return
    assert time.earliest is not None
    assert time.latest is not None
    assert time.earliest <= start <= time.latest


@given(_SANE, st.floats(-1e6, 1e6), st.floats(-10, 10), st.floats(0, 60), st.floats(-1, 1), _zones, st.booleans())
def test_a_corrected_clock_covers_the_true_time(
    moment: datetime, error: float, drift: float, uncertainty: float, luck: float, zone: str, with_offset: bool
) -> None:
    """A camera whose clock is off by what the correction says, give or take its uncertainty."""
    tz = times.zone_named(zone)
    shown = moment.replace(microsecond=0)
    correction = ClockCorrection(CAMERA, error, wall("2026-03-02T09:00:00"), drift, uncertainty)
    days = (shown - wall("2026-03-02T09:00:00")).total_seconds() / 86_400
    true = shown - timedelta(seconds=error + drift * days + luck * uncertainty)
    offset = 0 if with_offset else round((true.replace(tzinfo=tz).utcoffset() or timedelta(0)).total_seconds() / 60)
    claim = Claim(ORIGINAL, "as written", shown, offset if with_offset else None)
    time = resolve([claim], [correction], zone, camera=CAMERA)
    assert time.earliest is not None
    assert time.latest is not None
    truth = (true - timedelta(minutes=offset)).replace(tzinfo=UTC)
    assert time.earliest - MS <= truth <= time.latest + MS


@given(st.lists(_claims, max_size=5), _zones)
def test_the_order_of_two_times_is_the_reverse_of_their_reverse(claims: list[Claim], zone: str) -> None:
    resolved = [resolve([claim], [], zone) for claim in claims]
    turned = {Order.BEFORE: Order.AFTER, Order.AFTER: Order.BEFORE}
    for one in resolved:
        for other in resolved:
            assert compare(one, other) is turned.get(compare(other, one), compare(other, one))
