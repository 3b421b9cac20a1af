"""How a camera's clock stands, from pictures of the clock card: the text of the card, the fit, its doubts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import times
from lastlook.clocks import card
from lastlook.clocks.card import Shown
from lastlook.clocks.fit import ClockFit, fit
from lastlook.clocks.line import Bound, least_squares
from lastlook.clocks.reference import reference
from lastlook.records import CaptureTime, Claim, ClaimSource, ClockReference
from tests.benchmarks import clocks as simulated

ZONE = "Europe/Copenhagen"
TZ = ZoneInfo(ZONE)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def exif(when: datetime, *, offset: int | None = None, step: int = 1000) -> Claim:
    return Claim(ClaimSource.EXIF_ORIGINAL, when.isoformat(), when, offset, step)


def seen(
    picture: str, true: datetime, clock: datetime, *, offset: int | None = None, step: int = 1000
) -> ClockReference:
    """A picture of the card taken at `true` (UTC) by a camera that showed `clock`."""
    shown = Shown(true - timedelta(milliseconds=500), true + timedelta(milliseconds=500))
    made = reference(picture, "C", (exif(clock, offset=offset, step=step),), shown, TZ)
    assert made is not None
    return made


def asked(found: ClockFit, clock: str) -> CaptureTime:
    return times.resolve((exif(wall(clock)),), found.corrections, ZONE, camera="C")


# ------------------------------------------------------------------------------------------------ the card's text


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    st.floats(0.1, 60),
)
def test_a_card_says_when_it_was_on_show(instant: datetime, lasting: float) -> None:
    text = card.compose(instant, lasting)
    said = card.read(text)
    assert said is not None
    assert said.earliest <= instant < said.earliest + timedelta(milliseconds=100)
    assert said.latest >= instant + timedelta(seconds=lasting) - timedelta(microseconds=1)
    assert said.latest - said.earliest <= timedelta(seconds=lasting + 0.2)
    assert set(text) <= set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"), "no QR code's alphanumeric mode"


def test_a_card_that_was_misread_is_no_card() -> None:
    text = card.compose(datetime(2027, 3, 12, 9, 41, 7, tzinfo=UTC), 1.3)
    for at, letter in enumerate(text):
        for other in "0189ABZ:":
            if other != letter:
                assert card.read(text[:at] + other + text[at + 1 :]) is None
    for wrong in ("", "LLCLOCK1:", "https://example.org", text[:-1], text + "0", text.replace("LLCLOCK1", "LLCLOCK2")):
        assert card.read(wrong) is None
    with pytest.raises(ValueError, match="on show"):
        card.compose(datetime(2027, 3, 12, tzinfo=UTC), 0)


@given(st.text(max_size=60))
def test_any_text_is_read_without_harm(text: str) -> None:
    assert card.read(text) is None or text.strip().startswith(card.PREFIX)


# ------------------------------------------------------------------------------------------------ the fit


def test_the_worked_example() -> None:
    """Trade practice, worked by hand: +12 s on day 0 at 09:00, +42 s on day 10 → 3 s a day; a photo stamped day 4,
    10:00:00 is 24.125 s early → 09:59:35.875."""
    references = (
        seen("a", datetime(2027, 3, 1, 8, 59, 48, tzinfo=UTC), wall("2027-03-01T10:00:00"), step=1),
        seen("b", datetime(2027, 3, 11, 8, 59, 18, tzinfo=UTC), wall("2027-03-11T10:00:00"), step=1),
    )
    found = fit("C", references, TZ)
    (stretch,) = found.stretches
    assert stretch.error_s == pytest.approx(12, abs=0.002)
    assert stretch.drift_s_per_day == pytest.approx(3, abs=0.001)
    # Day 4 at 10:00 where day 0 was at 09:00: an hour later than the first reference.
    time = asked(found, "2027-03-05T11:00:00")
    assert time.instant is not None
    assert abs((time.instant - datetime(2027, 3, 5, 9, 59, 35, 875_000, tzinfo=UTC)).total_seconds()) < 0.005
    assert time.basis.endswith("+clock")
    assert "found from 2 pictures of the clock card" in time.why


def test_least_squares_is_the_textbooks() -> None:
    """Against numpy.polyfit with the same weights."""
    import numpy as np

    bounds = [Bound(0, 10, 12), Bound(3, 18, 22), Bound(7, 31.5, 32.5), Bound(9, 36, 40)]
    offset, drift = least_squares(bounds)
    weights = [12**0.5 / (one.high - one.low) for one in bounds]
    expected = np.polyfit([one.x for one in bounds], [one.middle for one in bounds], 1, w=weights)
    assert (drift, offset) == pytest.approx(tuple(expected))


def test_one_reference_gives_an_offset_and_doubt_that_grows() -> None:
    found = fit("C", [seen("a", datetime(2027, 3, 1, 9, tzinfo=UTC), wall("2027-03-01T10:05:00"))], TZ)
    (stretch,) = found.stretches
    assert stretch.drift_s_per_day is None
    near, far = asked(found, "2027-03-01T12:05:00"), asked(found, "2027-03-11T10:05:00")
    assert near.instant is not None
    assert abs((near.instant - datetime(2027, 3, 1, 11, tzinfo=UTC)).total_seconds()) < 2
    widths = [(one.latest - one.earliest).total_seconds() / 2 for one in (near, far) if one.latest and one.earliest]
    assert widths[0] < 10 < 100 < widths[1] < 250, "a clock may drift by ten seconds a day"


def test_whole_second_stamps_do_not_pretend_to_more() -> None:
    """A camera 0.9 s fast that writes whole seconds: the truth lies in the interval, whatever the second's fraction."""
    for fraction in range(0, 1000, 90):
        true = datetime(2027, 3, 1, 9, 0, 0, fraction * 1000, tzinfo=UTC)
        stamp = (true + timedelta(hours=1, seconds=0.9)).replace(tzinfo=None, microsecond=0)
        time = asked(fit("C", [seen("a", true, stamp)], TZ), stamp.isoformat())
        assert time.earliest is not None
        assert time.latest is not None
        assert time.earliest <= true <= time.latest


def days(start: datetime, *errors: tuple[float, float]) -> list[ClockReference]:
    """References: (day, error in seconds) of a camera whose display is in the zone's time."""
    out = []
    for day, error in errors:
        true = start + timedelta(days=day)
        clock = true.astimezone(TZ).replace(tzinfo=None) + timedelta(seconds=error)
        out.append(seen(f"p{day:05}", true, clock.replace(microsecond=0)))
    return out


START = datetime(2027, 2, 1, 9, tzinfo=UTC)


def test_one_that_fits_nothing_is_named_and_not_used() -> None:
    found = fit("C", days(START, (0, 10), (5, 20), (10, 410), (15, 40), (20, 50)), TZ)
    (outlier,) = [one for one in found.residuals if one.outlier]
    assert outlier.reference.picture == "p00010"
    assert outlier.left_s is None
    (stretch,) = found.stretches
    assert stretch.drift_s_per_day == pytest.approx(2, abs=0.1)
    assert all(abs(one.left_s) < 1.5 for one in found.residuals if one.left_s is not None)


def test_a_clock_that_was_set_anew_gives_two_stretches() -> None:
    found = fit("C", days(START, (0, 100), (10, 130), (20, -4), (30, 26)), TZ)
    first, second = found.stretches
    assert (first.came_by, second.came_by) == ("", "set")
    assert first.drift_s_per_day == pytest.approx(3, abs=0.2)
    # Nobody knows when between day 10 and 20 it was set: both are covered.
    between = asked(found, "2027-02-16T10:00:00")
    assert between.earliest is not None
    assert between.latest is not None
    assert (between.latest - between.earliest) > timedelta(seconds=140)
    sure = asked(found, "2027-02-06T10:00:00")
    assert sure.earliest is not None
    assert sure.latest is not None
    assert (sure.latest - sure.earliest) < timedelta(seconds=12)


def test_a_reset_to_the_makers_first_day() -> None:
    references = days(START, (0, 5), (10, 5))
    true = START + timedelta(days=14)
    references += [
        seen("r1", true, wall("2000-01-01T01:00:00")),
        seen("r2", true + timedelta(days=6), wall("2000-01-07T01:00:00")),
    ]
    found = fit("C", references, TZ)
    assert [one.came_by for one in found.stretches] == ["", "set"]
    claim = Claim(ClaimSource.EXIF_ORIGINAL, "", wall("2000-01-03T01:00:00"), None, 1000, "factory reset date")
    time = times.resolve((claim,), found.corrections, ZONE, camera="C")
    assert time.instant is not None
    assert abs(time.instant - (true + timedelta(days=2))) < timedelta(seconds=5)


def test_a_clock_that_does_not_follow_summer_time_is_known_by_a_reference_on_each_side() -> None:
    """Summer time in Copenhagen began on 28 March 2027 (IANA time zone database)."""
    references = []
    for number, day in enumerate((0, 20, 40, 70, 90)):
        true = START + timedelta(days=day)
        clock = true.replace(tzinfo=None) + timedelta(hours=1, seconds=7)
        references.append(seen(f"p{number}", true, clock))
    found = fit("C", references, TZ)
    assert found.fixed_offset_min == 60
    assert len(found.stretches) == 1
    time = asked(found, "2027-05-01T10:00:07")
    assert time.instant is not None
    assert abs(time.instant - datetime(2027, 5, 1, 9, tzinfo=UTC)) < timedelta(seconds=2)


def test_beyond_a_change_no_reference_has_crossed_it_stays_open_whether_the_clock_follows() -> None:
    found = fit("C", days(START, (0, 0), (10, 0)), TZ)
    time = asked(found, "2027-04-10T10:00:00")
    assert time.earliest is not None
    assert time.latest is not None
    for truth in (datetime(2027, 4, 10, 8, tzinfo=UTC), datetime(2027, 4, 10, 9, tzinfo=UTC)):
        assert time.earliest <= truth <= time.latest
    # A phone writes its offset: nothing is open.
    phone = [
        seen(one.picture, one.earliest + timedelta(seconds=0.75), one.wall, offset=60)
        for one in days(START, (0, 0), (10, 0))
    ]
    found = fit("C", phone, TZ)
    sure = times.resolve((exif(wall("2027-04-10T10:00:00"), offset=120),), found.corrections, ZONE, camera="C")
    assert sure.earliest is not None
    assert sure.latest is not None
    assert sure.latest - sure.earliest < timedelta(minutes=2)


def test_a_clock_moved_by_a_whole_zone_and_back() -> None:
    found = fit("C", days(START, (0, 3), (5, 3), (8, 3603), (11, 3603), (15, 3), (19, 3)), TZ)
    assert [one.came_by for one in found.stretches] == ["", "zone", "zone"]
    assert [round(one.jump_s) for one in found.stretches[1:]] == [3600, -3600]


def test_twelve_hours_are_told_as_such() -> None:
    found = fit("C", days(START, (0, 43_200), (5, 43_200), (9, 0), (12, 0)), TZ)
    assert [one.came_by for one in found.stretches] == ["", "half a day"]


@settings(max_examples=60, deadline=None)
@given(st.permutations(range(6)))
def test_the_order_of_references_does_not_matter(order: list[int]) -> None:
    references = days(START, (0, 10), (4, 18), (9, 28), (12, 900), (13, 36), (20, 50))
    assert fit("C", [references[n] for n in order], TZ) == fit("C", references, TZ)


def test_simulated_cameras_hold_the_truth() -> None:
    """A sample of the benchmark's thousand."""
    good = 0
    for seed in range(60):
        _, answers = simulated.resolved(simulated.simulated(seed + 7_000_000))
        good += all(simulated.held(true, time) for true, time in answers)
    assert good >= 57


# ------------------------------------------------------------------------------------------------ clips


def clip(box: str, offset: int | None = 0, *, into: int = 4000, length: int = 60_000) -> ClockReference:
    """A reference of a clip whose card was on show at 09:00:04 UTC, four seconds into it."""
    shown = Shown(datetime(2027, 3, 12, 9, 0, 4, tzinfo=UTC), datetime(2027, 3, 12, 9, 0, 5, tzinfo=UTC))
    claim = Claim(ClaimSource.CONTAINER, box, wall(box), offset)
    made = reference("s", "C", (claim,), shown, TZ, clip_ms=into, duration_ms=length)
    assert made is not None
    return made


@pytest.mark.parametrize(
    ("box", "said"),
    [
        ("2027-03-12T09:00:00", ""),
        ("2027-03-12T09:01:00", "the end of the recording"),
        ("2027-03-12T10:00:00", "local time written as if it were UTC"),
        ("2027-03-12T10:01:00", "the end of the recording, in local time"),
    ],
)
def test_the_card_tells_what_a_clips_container_time_is(box: str, said: str) -> None:
    found = clip(box)
    assert found.said.endswith(said)
    assert bool(found.said) == bool(said)
    (residual,) = fit("C", [found], TZ).residuals
    assert abs(residual.error_s) < 1.5


def test_a_file_without_the_cameras_time_says_nothing() -> None:
    shown = Shown(START, START + timedelta(seconds=1))
    day = Claim(ClaimSource.FILE_NAME, "", wall("2027-02-01T00:00:00"), None, 86_400_000)
    disk = Claim(ClaimSource.FILE_SYSTEM, "", wall("2027-02-01T09:00:00"), 0)
    assert reference("p", "C", (day, disk), shown, TZ) is None
