"""From claims to a capture time: which source, which zone, whose clock, and which came first."""

from __future__ import annotations

from datetime import datetime

import pytest

from lastlook import times
from lastlook.errors import UsageError
from lastlook.records import ClaimSource, ClockCorrection
from lastlook.times import Order, compare, resolve
from tests.times_helpers import BERLIN, CAMERA, MS, covers, exif, gps, name, second, span, utc, wall

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
    assert span(time) == (times.OPEN_START, utc("2026-03-13T09:41:07.999"))  # a day more: cards keep no zone
    clip = resolve([times.file_system_claim(ns)], [], BERLIN, duration_ms=60_000)
    assert clip.instant == utc("2026-03-12T09:40:07")  # its file was last written when the recording ended
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


# ------------------------------------------------------------------------------- order


def test_order_of_times() -> None:
    seven, eight = (resolve([exif(f"2026:03:12 10:41:0{n}")], [], BERLIN) for n in (7, 8))
    assert compare(seven, eight) is Order.BEFORE  # neighbouring seconds do not touch
    assert compare(eight, seven) is Order.AFTER
    assert compare(seven, seven) is Order.UNDETERMINED
    moment, next_ms = (resolve([exif("2026:03:12 10:41:07", ms, "+01:00")], [], BERLIN) for ms in ("130", "131"))
    assert compare(moment, moment) is Order.UNDETERMINED  # both ends belong to the interval
    assert compare(moment, next_ms) is Order.BEFORE
    assert compare(next_ms, moment) is Order.AFTER
    day = resolve([name("IMG-20260312-WA0004.jpg")], [], BERLIN)
    assert compare(day, seven) is Order.UNDETERMINED
    assert compare(resolve([], [], BERLIN), seven) is Order.UNKNOWN
    assert compare(seven, resolve([], [], BERLIN)) is Order.UNKNOWN


def test_a_correction_beyond_the_calendar_leaves_the_other_sources() -> None:
    beyond = ClockCorrection(CAMERA, 1e12)
    claims = [exif("2026:03:12 10:41:07"), gps("2026-03-12T09:41:07")]
    assert resolve(claims, [beyond], BERLIN, camera=CAMERA).basis == "gps"
