"""Times inside sentences. Expected bounds are local days of Copenhagen, reckoned by hand; weeks are ISO 8601's."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook.times.phrases import find_time_phrases

ZONE = "Europe/Copenhagen"
NOW = datetime(2026, 4, 20, 12, tzinfo=UTC)  # a Monday


def local_days(text: str) -> tuple[date | None, date | None]:
    """First and last local day of the one phrase in `text`; it must begin and end with a day."""
    (phrase,) = find_time_phrases(text, ZONE, NOW)
    tz = ZoneInfo(ZONE)
    since = phrase.since.astimezone(tz) if phrase.since else None
    until = (phrase.until + timedelta(milliseconds=1)).astimezone(tz) if phrase.until else None
    assert since is None or since.hour == since.minute == 0
    assert until is None or until.hour == until.minute == 0
    return (since.date() if since else None, until.date() - timedelta(days=1) if until else None)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("early March", "2026-03-01", "2026-03-10"),
        ("in mid March", "2026-03-11", "2026-03-20"),
        ("late February 2024", "2024-02-21", "2024-02-29"),
        ("at the end of April", "2026-04-21", "2026-04-30"),
        ("before the end of March", None, "2026-03-20"),
        ("in March", "2026-03-01", "2026-03-31"),
        ("during November", "2025-11-01", "2025-11-30"),
        ("last March", "2026-03-01", "2026-03-31"),
        ("March 2025", "2025-03-01", "2025-03-31"),
        ("between 3 and 10 March", "2026-03-03", "2026-03-10"),
        ("3–10 March 2025", "2025-03-03", "2025-03-10"),
        ("from 28 February to 3 March", "2026-02-28", "2026-03-03"),
        ("from November to February", "2025-11-01", "2026-02-28"),
        ("2026-03-10 to 2026-03-12", "2026-03-10", "2026-03-12"),
        ("on 12 March", "2026-03-12", "2026-03-12"),
        ("on the 3rd of March", "2026-03-03", "2026-03-03"),
        ("March 12, 2026", "2026-03-12", "2026-03-12"),
        ("12 December", "2025-12-12", "2025-12-12"),
        ("before 9 April", None, "2026-04-08"),
        ("until 9 April", None, "2026-04-09"),
        ("by 12 Mar.", None, "2026-03-12"),
        ("after 9 April", "2026-04-10", None),
        ("since 9 April", "2026-04-09", None),
        ("from 9 April onwards", "2026-04-09", None),
        ("from 9 April", "2026-04-09", "2026-04-09"),  # "photos from 9 April"
        ("since 2026-03", "2026-03-01", None),
        ("around 12 March", "2026-03-09", "2026-03-15"),
        ("today", "2026-04-20", "2026-04-20"),
        ("yesterday", "2026-04-19", "2026-04-19"),
        ("this week", "2026-04-20", "2026-04-26"),
        ("last week", "2026-04-13", "2026-04-19"),
        ("last month", "2026-03-01", "2026-03-31"),
        ("last year", "2025-01-01", "2025-12-31"),
        ("3 days ago", "2026-04-17", "2026-04-17"),
        ("2 weeks ago", "2026-04-06", "2026-04-12"),
        ("two weeks ago", "2026-04-06", "2026-04-12"),
        ("a month ago", "2026-03-01", "2026-03-31"),
        ("27.3.2026", "2026-03-27", "2026-03-27"),
        ("before 09.04.2026", None, "2026-04-08"),
        ("20.3.2026 to 27.3.2026", "2026-03-20", "2026-03-27"),
        ("on Tuesday", "2026-04-14", "2026-04-14"),
        ("last Monday", "2026-04-13", "2026-04-13"),
        ("in 2025", "2025-01-01", "2025-12-31"),
        ("through 29 March", "2026-03-29", "2026-03-29"),  # 23 hours long: the clocks went forward
    ],
)
def test_bounds(text: str, first: str | None, last: str | None) -> None:
    assert local_days(f"W03 {text} at the mast") == (
        date.fromisoformat(first) if first else None,
        date.fromisoformat(last) if last else None,
    )


@pytest.mark.parametrize(
    "text",
    [
        "may I drill",
        "the march of the mast",
        "30 February",
        "1 to 31 April",
        "2026-13-01",
        "frame 11",
        "3 of 10",
        "31.2.2026",
        "3/4/2026",
        "a month",
        "",
    ],
)
def test_what_is_no_time(text: str) -> None:
    assert find_time_phrases(text, ZONE, NOW) == ()


def test_the_last_days_reach_up_to_now() -> None:
    (phrase,) = find_time_phrases("in the last 2 weeks", ZONE, NOW)
    assert phrase.until == NOW
    assert phrase.since == datetime(2026, 4, 5, 22, tzinfo=UTC)


def test_a_time_of_day() -> None:
    (phrase,) = find_time_phrases("W03 on 12 March at 10:41", ZONE, NOW)
    assert phrase.since == datetime(2026, 3, 12, 9, 41, tzinfo=UTC)
    assert phrase.until == datetime(2026, 3, 12, 9, 41, 59, 999000, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "day", "hours"),
    [
        ("this morning", 20, (0, 12)),
        ("taken yesterday afternoon", 19, (12, 18)),
        ("yesterday evening", 19, (18, 24)),
    ],
)
def test_parts_of_a_day(text: str, day: int, hours: tuple[int, int]) -> None:
    # In April Copenhagen is two hours ahead of UTC.
    (phrase,) = find_time_phrases(text, ZONE, NOW)
    midnight = datetime(2026, 4, day, tzinfo=UTC) - timedelta(hours=2)
    assert phrase.since == midnight + timedelta(hours=hours[0])
    assert phrase.until == midnight + timedelta(hours=hours[1]) - timedelta(milliseconds=1)


_words = st.sampled_from(
    [
        *("in", "March", "May", "2026", "0000", "99", "31", "3rd", "of", "to", "-", "between", "and", "from", "last"),
        *("week", "early", "end of", "since", "ago", "days", "months", "2026-02-30", "monday", "10:41", "24:00", "999"),
    ]
)


@settings(deadline=None)
@given(st.one_of(st.text(max_size=120), st.lists(_words, max_size=10).map(" ".join)))
def test_any_text(text: str) -> None:
    end = 0
    for phrase in find_time_phrases(text, ZONE, NOW):
        assert end <= phrase.start < phrase.end <= len(text)
        assert phrase.since or phrase.until
        assert phrase.since is None or phrase.until is None or phrase.since <= phrase.until
        end = phrase.end
