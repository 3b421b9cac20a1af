"""Times as text: RFC 3339, what a builder types, and what a builder reads."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import times
from lastlook.errors import UsageError
from lastlook.records import CaptureTime

BERLIN = "Europe/Berlin"
MS = timedelta(milliseconds=1)
NOW = datetime(2026, 5, 20, 14, 30, tzinfo=UTC)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def when(text: str, zone: str = BERLIN) -> tuple[datetime, datetime]:
    read = times.parse_when(text, zone, NOW)
    assert read.text
    return read.earliest, read.latest


# ------------------------------------------------------------------------------- RFC 3339


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # RFC 3339 §5.8, the examples and what the text says they equal.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00"),  # a leap second, counted as POSIX time does
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870"),
        # RFC 3339 §4.3: UTC known, local offset unknown; §5.6: lower case, and a blank for the T.
        ("2026-03-12T09:41:07-00:00", "2026-03-12T09:41:07"),
        ("2026-03-12t09:41:07z", "2026-03-12T09:41:07"),
        ("2026-03-12 09:41:07Z", "2026-03-12T09:41:07"),
        ("2026-03-12T09:41:07.123456789Z", "2026-03-12T09:41:07.123456"),
    ],
)
def test_rfc_3339_examples(text: str, instant: str) -> None:
    assert times.parse_rfc3339(text) == utc(instant)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-12T24:00:00Z", "2026-13-12T10:00:00Z", "2026-02-30T10:00:00Z", "2026-03-12T10:00:00", "2026-03-12",
        "2026-03-12T10:00Z", "2026-03-12T10:00:00+1:00", "2026-03-12T10:00:00+0100", "2026-03-12T10:00:00+24:00",
        "2026-03-12T10:00:60Z", "2026-03-12T23:59:60Z", "2026-03-31T23:59:61Z", "0001-01-01T00:00:00+01:00",
        "9999-12-31T23:59:59-01:00", "２０26-03-12T10:00:00Z", "", "now",
    ],
)  # fmt: skip
def test_what_is_no_rfc_3339_is_refused(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        times.parse_rfc3339(text)
    assert caught.value.hint


@given(
    st.datetimes(min_value=datetime(1, 1, 3), max_value=datetime(9999, 12, 29)),  # noqa: DTZ001
    st.sampled_from(sorted(available_timezones() - {"localtime"})),
)
def test_instants_survive_being_written(moment: datetime, zone: str) -> None:
    instant = moment.replace(tzinfo=UTC)
    text = times.format_rfc3339(instant, zone)
    assert times.parse_rfc3339(text) == instant
    assert datetime.fromisoformat(text) == instant  # reference: the standard library
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3}|\.\d{6})?[+-]\d\d:\d\d", text)


def test_instants_are_written_with_the_offset_of_their_day() -> None:
    assert times.format_rfc3339(utc("2026-03-12T09:41:07"), BERLIN) == "2026-03-12T10:41:07+01:00"
    assert times.format_rfc3339(utc("2026-07-12T09:41:07.130"), BERLIN) == "2026-07-12T11:41:07.130+02:00"
    assert times.format_rfc3339(utc("2026-07-12T09:41:07")) == "2026-07-12T09:41:07+00:00"
    assert times.format_rfc3339(utc("1880-01-01T00:00:00"), BERLIN) == "1880-01-01T00:00:00+00:00"  # +00:53:28 there


# ------------------------------------------------------------------------------- what a builder types


@pytest.mark.parametrize(
    ("text", "earliest", "after"),
    [
        ("2026-03-12", "2026-03-11T23:00", "2026-03-12T23:00"),
        ("12 Mar 2026", "2026-03-11T23:00", "2026-03-12T23:00"),
        ("12. march 2026", "2026-03-11T23:00", "2026-03-12T23:00"),
        ("March 12, 2026", "2026-03-11T23:00", "2026-03-12T23:00"),
        ("12 March", "2026-03-11T23:00", "2026-03-12T23:00"),
        ("12 Sept", "2025-09-11T22:00", "2025-09-12T22:00"),  # a log looks back: September 2026 is yet to come
        ("20 May", "2026-05-19T22:00", "2026-05-20T22:00"),  # today
        ("29 Feb", "2024-02-28T23:00", "2024-02-29T23:00"),
        ("today", "2026-05-19T22:00", "2026-05-20T22:00"),
        ("yesterday", "2026-05-18T22:00", "2026-05-19T22:00"),
        ("yesterday 10:41", "2026-05-19T08:41", "2026-05-19T08:42"),
        ("2026-03-29", "2026-03-28T23:00", "2026-03-29T22:00"),  # 23 hours
        ("2026-10-25", "2026-10-24T22:00", "2026-10-25T23:00"),  # 25 hours
        ("2026-03-12 10:41", "2026-03-12T09:41", "2026-03-12T09:42"),
        ("2026-03-12T10:41", "2026-03-12T09:41", "2026-03-12T09:42"),
        ("12 Mar 2026, 10:41", "2026-03-12T09:41", "2026-03-12T09:42"),
        ("12 Mar 2026 at 10:41:07", "2026-03-12T09:41:07", "2026-03-12T09:41:08"),
        ("2026-03-12 10:41 +05:45", "2026-03-12T04:56", "2026-03-12T04:57"),
        ("2026-03-12T10:41:07+01:00", "2026-03-12T09:41:07", "2026-03-12T09:41:08"),
        ("2026-03-12T10:41:07Z", "2026-03-12T10:41:07", "2026-03-12T10:41:08"),
        ("2026-10-25 02:30", "2026-10-25T00:30", "2026-10-25T01:31"),  # came twice
        # EDTF level 0 and 1 (Library of Congress, 2019); how far a qualifier reaches is our own rule.
        ("2026-03", "2026-02-28T23:00", "2026-03-31T22:00"),
        ("2026", "2025-12-31T23:00", "2026-12-31T23:00"),
        ("2026-03-XX", "2026-02-28T23:00", "2026-03-31T22:00"),
        ("2026-XX-XX", "2025-12-31T23:00", "2026-12-31T23:00"),
        ("2026-03-12~", "2026-03-10T23:00", "2026-03-13T23:00"),
        ("2026-03-12?", "2026-03-10T23:00", "2026-03-13T23:00"),
        ("2026-03%", "2026-01-31T23:00", "2026-04-30T22:00"),
        ("2026~", "2024-12-31T23:00", "2027-12-31T23:00"),
        ("2026-03-10/2026-03-12", "2026-03-09T23:00", "2026-03-12T23:00"),
        ("2026-02/2026-03-12~", "2026-01-31T23:00", "2026-03-13T23:00"),
    ],
)
def test_written_times_are_intervals(text: str, earliest: str, after: str) -> None:
    assert when(text) == (utc(earliest), utc(after) - MS)


def test_exact_times_are_moments() -> None:
    assert when("2026-03-12T10:41:07.130+01:00") == (utc("2026-03-12T09:41:07.130"),) * 2
    assert when("now") == (NOW, NOW)


def test_a_midnight_that_never_came_begins_its_day_at_the_jump() -> None:
    # IANA: America/Sao_Paulo went from 00:00 to 01:00 on 4 November 2018, at 03:00 UTC.
    assert when("2018-11-04", "America/Sao_Paulo")[0] == utc("2018-11-04T03:00")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("03/12/2026", "day and month cannot be told apart"),
        ("12.3.2026", "day and month cannot be told apart"),
        ("2026-03-29 02:30", "clocks went forward"),
        ("2026-03-10/..", "open end"),
        ("2026-03-10/", "open end"),
        ("2026-03-12/2026-03-10", "ends before it begins"),
        ("2026-21", "season"),
        # EDTF: invalid by the specification.
        ("1985-02-30", "cannot read"),
        ("1985-4-1", "cannot read"),
        ("2004-06-11T10:00?", "cannot read"),
        ("1985-04-12T10:00:00/1985-04-12T11:00:00", "cannot read"),
        ("2012-10-10uu", "cannot read"),
        ("2026-13", "cannot read"),
        ("2026-03-12 25:00", "cannot read"),
        ("31 Feb", "cannot read"),
        ("12 Foo 2026", "cannot read"),
        ("2026-03-12 +01:00", "cannot read"),
        ("", "cannot read"),
        ("after lunch", "cannot read"),
        ("2026-03-12 " * 20, "cannot read"),
    ],
)
def test_what_cannot_be_read_is_explained(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=re.escape(words)) as caught:
        when(text)
    assert caught.value.hint
    assert "\n" not in caught.value.message + caught.value.hint


@given(st.text(max_size=90) | st.text(alphabet="0123456789-/:. TZ+~?%XMarchtody", max_size=30))
def test_any_text_is_read_or_explained(text: str) -> None:
    try:
        read = times.parse_when(text, BERLIN, NOW)
    except UsageError:
        return
    assert read.earliest <= read.latest


@given(st.datetimes(min_value=datetime(1991, 1, 1), max_value=datetime(2099, 1, 1)))  # noqa: DTZ001
def test_a_day_holds_its_instants(moment: datetime) -> None:
    instant = moment.replace(tzinfo=UTC, microsecond=0)
    local = instant.astimezone(times.zone_named(BERLIN))
    for text in (
        f"{local:%Y-%m-%d}",
        f"{local:%Y-%m-%d %H:%M}",
        f"{local:%Y-%m}",
        times.format_rfc3339(instant, BERLIN),
    ):
        earliest, latest = when(text)
        assert earliest <= instant <= latest


def test_a_written_time_can_be_compared_with_pictures() -> None:
    time = times.parse_when("2026-03-12", BERLIN, NOW).capture_time()
    assert time.basis == "said"
    assert time.earliest is not None
    assert time.latest is not None
    assert time.instant == utc("2026-03-12T10:59:59.999500")
    assert time.earliest <= time.instant <= time.latest
    minute = times.parse_when("2026-03-12 10:41", BERLIN, NOW).capture_time()
    assert minute.instant == minute.earliest


# ------------------------------------------------------------------------------- what a builder reads


def taken(instant: str, earliest: str | None = None, latest: str | None = None) -> CaptureTime:
    return CaptureTime(utc(instant), utc(earliest or instant), utc(latest or instant), "test", "why")


@pytest.mark.parametrize(
    ("time", "words"),
    [
        (taken("2026-03-12T09:41:07"), "12 Mar 2026 10:41:07 +01:00"),
        (taken("2026-03-12T09:41:07", latest="2026-03-12T09:41:07.999"), "12 Mar 2026 10:41:07 +01:00"),
        (taken("2026-07-02T22:41:07"), "3 Jul 2026 00:41:07 +02:00"),
        (
            taken("2026-03-12T09:41:07", "2026-03-12T09:41:05", "2026-03-12T09:41:09.999"),
            "12 Mar 2026 10:41:07 +01:00 ± 3 s",
        ),
        (
            taken("2026-03-12T09:41:07", "2026-03-12T09:41:05", "2026-03-12T09:41:09"),
            "12 Mar 2026 10:41:07 +01:00 ± 2 s",
        ),
        (
            taken("2026-03-12T09:41:07", latest="2026-03-12T11:41:07"),
            "12 Mar 2026, between 10:41:07 and 12:41:07 +01:00",
        ),
        (
            taken("2026-03-12T09:41:07", latest="2026-03-13T11:41:07"),
            "between 12 Mar 2026 10:41:07 +01:00 and 13 Mar 2026 12:41:07 +01:00",
        ),
        (
            taken("2026-10-25T00:30", latest="2026-10-25T01:30:00.999"),
            "between 25 Oct 2026 02:30:00 +02:00 and 25 Oct 2026 02:30:00 +01:00",
        ),
        (
            taken("2026-03-12T11:00", "2026-03-11T23:00", "2026-03-12T22:59:59.999"),
            "12 Mar 2026 (time of day not known)",
        ),
        (
            taken("2026-03-12T11:00", "2026-03-09T23:00", "2026-03-12T22:59:59.999"),
            "between 10 Mar 2026 and 12 Mar 2026",
        ),
        (taken("2026-03-12T09:41:07", "1990-01-01T00:00"), "not later than 12 Mar 2026 10:41:07 +01:00"),
        (taken("2026-03-12T09:41:07", "1990-01-01T00:00", "2026-03-12T22:59:59.999"), "not later than 12 Mar 2026"),
        (CaptureTime(None, None, None, "unknown", "why"), "not known"),
    ],
)
def test_times_in_words(time: CaptureTime, words: str) -> None:
    assert times.describe(time, BERLIN) == words


def test_an_interval_in_words() -> None:
    assert times.describe_interval(*when("2026-03"), BERLIN) == "between 1 Mar 2026 and 31 Mar 2026"
    assert times.describe_interval(*when("2026-03-12"), BERLIN) == "12 Mar 2026 (time of day not known)"
    assert times.describe_interval(*when("2026-03-12 10:41"), BERLIN) == (
        "12 Mar 2026, between 10:41:00 and 10:41:59 +01:00"
    )
    # RFC 3339 §4.3: "-00:00" would say that the local offset is not known.
    assert times.describe_interval(*when("2026-03-12 10:41:00"), "UTC") == "12 Mar 2026 09:41:00 +00:00"


@pytest.mark.parametrize(
    "name", ["Europe/Berln", "", "../etc/passwd", "Mars/Base\0", "/UTC", "Europe", "localtime", "right/UTC"]
)
def test_an_unknown_zone_is_explained(name: str) -> None:
    with pytest.raises(UsageError, match="no time zone") as caught:
        times.zone_named(name)
    assert "IANA" in caught.value.hint
