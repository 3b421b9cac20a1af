"""What holds for any claims: the interval holds the point, covers the truth, and never narrows by doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from lastlook import times
from lastlook.records import Claim, ClaimSource, ClockCorrection
from lastlook.times import Order, compare, resolve
from tests.times_helpers import BERLIN, CAMERA, MS, ORIGINAL, name, wall

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
