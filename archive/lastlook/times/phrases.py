"""Times inside a sentence: "early March", "between 3 and 10 March", "before 9 April", "last week".

A phrase becomes bounds, both included: `since` and `until`, either of which may be open. Single dates are read by
`when.parse_when`; only the phrases around them are ours. Own rules: early is to the 10th, mid from the 11th to the
20th, late from the 21st; "around" is three days to either side; weeks begin on Monday (ISO 8601); a morning ends at
noon, an afternoon at six. "27.3.2026" is a day, month and year; with strokes nobody can tell which is which, so that
"3/4/2026" stays words.

"March" and "May" are also other words, so that a month alone counts only behind a preposition.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from lastlook.errors import UsageError

from .when import STEP, When, parse_when
from .zones import day_start, zone_named

_MONTH = (
    r"(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|"
    r"nov(?:ember)?|dec(?:ember)?)"
)
_DAY = r"(?:[0-9]{1,2}(?:st|nd|rd|th)?)"
_YEAR = r"(?:,? (?:20|19)[0-9]{2})"
_CLOCK = r"(?:,? (?:at )?[0-9]{1,2}:[0-9]{2})"
_WEEKDAY = r"(?:mon|tues|wednes|thurs|fri|satur|sun)day"
_DOTTED = r"(?:[0-9]{1,2}\.[0-9]{1,2}\.(?:20|19)[0-9]{2})"
_NUMBER = r"(?:[0-9]{1,3}|an?|one|two|three|four|five|six)"
_NUMBERS = {"a": 1, "an": 1, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6}
_HOURS = {"morning": (0, 12), "afternoon": (12, 18), "evening": (18, 24)}
_DATE = (
    rf"(?:{_DOTTED}{_CLOCK}?"
    rf"|[0-9]{{4}}-[0-9]{{2}}(?:-[0-9]{{2}}{_CLOCK}?)?|(?:the )?{_DAY} (?:of )?{_MONTH}\b\.?{_YEAR}?{_CLOCK}?"
    rf"|{_MONTH}\.? (?:the )?{_DAY}\b{_YEAR}?{_CLOCK}?|{_MONTH}\.?{_YEAR}"
    rf"|(?:this|yesterday) (?:{'|'.join(_HOURS)})|(?:today|yesterday)\b{_CLOCK}?|(?:(?:last|this) )?{_WEEKDAY}"
    rf"|(?:last|this) (?:week|month|year|{_MONTH}\b)|{_NUMBER} (?:days?|weeks?|months?) ago)"
)
_BARE = rf"(?:{_DATE}|{_MONTH}\b|(?:20|19)[0-9]{{2}})"  # a month or a year alone needs a preposition
_PART = r"(?:(?:early|mid|late)(?: |-)(?:in )?|(?:the )?(?:beginning|start|middle|end) of )"
_PATTERNS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (name, re.compile(rf"(?<![\w.-]){pattern}(?![\w-])", re.IGNORECASE))
    for name, pattern in (
        ("range", rf"(?:between|from) (?P<a>{_BARE}|{_DAY}) (?:and|to|until|till|-) (?P<b>{_BARE})"),
        ("range", rf"(?:between |from |on )?(?P<a>{_DATE}|{_DAY}) ?(?:to|until|till|-|–) ?(?P<b>{_DATE})"),
        ("part", rf"(?P<bound>before|after|since|until|till|by|in )? ?(?P<part>{_PART})(?P<a>{_MONTH}{_YEAR}?)"),
        ("lately", rf"(?:in |within |over |during )?the (?:last|past) (?P<n>{_NUMBER}) (?P<unit>days?|weeks?|months?)"),
        ("before", rf"(?:before|earlier than|prior to) (?P<a>{_BARE})"),
        ("until", rf"(?:until|till|up to|by) (?:and including )?(?P<a>{_BARE})"),
        ("after", rf"(?:after|later than) (?P<a>{_BARE})"),
        ("since", rf"since (?P<a>{_BARE})"),
        ("since", rf"from (?P<a>{_BARE}) on(?:wards?)?"),
        ("around", rf"(?:around|about|near|circa) (?P<a>{_DATE})"),
        ("in", rf"(?:in|during|throughout|on|of|at|from) (?P<a>{_BARE})"),
        ("in", rf"(?P<a>{_DATE})"),
    )
)


@dataclass(frozen=True, slots=True)
class TimePhrase:
    """A stretch [start, end) of a text that bounds time. `since`, `until`: UTC, both included, None is open."""

    start: int
    end: int
    since: datetime | None
    until: datetime | None


def find_time_phrases(text: str, zone: str, now: datetime) -> tuple[TimePhrase, ...]:
    """The times that `text` speaks of, from left to right, without overlaps. `now` is aware. Never raises on any text.

    What looks like a time and is none (30 February) is left alone.
    """
    found: list[TimePhrase] = []
    for name, pattern in _PATTERNS:
        for match in pattern.finditer(text):
            if any(match.start() < other.end and other.start < match.end() for other in found):
                continue
            try:
                since, until = _bounds(name, match, zone_named(zone), now)
            except (UsageError, ValueError, OverflowError):
                continue
            if since is None or until is None or since <= until:
                found.append(TimePhrase(match.start(), match.end(), since, until))
    return tuple(sorted(found, key=lambda phrase: phrase.start))


def _bounds(name: str, match: re.Match[str], tz: ZoneInfo, now: datetime) -> tuple[datetime | None, datetime | None]:
    if name == "lately":
        return _ago(_number(match["n"]), match["unit"], tz, now), now
    if name == "range":
        last = _date(match["b"], tz, now)
        first = _date(_completed(match["a"], match["b"]), tz, now)
        if first.earliest > last.latest and not re.search(r"(?:20|19)[0-9]{2}", match["a"]):
            # "from November to February": each is the last one up to now, and the first lies a year earlier.
            first = _date(_completed(match["a"], match["b"]), tz, first.earliest - STEP)
        return first.earliest, last.latest
    when = _date(match["a"], tz, now)
    if name == "part":
        when = _part_of(match["part"], when, tz)
        bound = (match["bound"] or "in").strip().lower()
        name = {"by": "until", "till": "until"}.get(bound, bound)
    if name == "before":
        return None, when.earliest - STEP
    if name == "until":
        return None, when.latest
    if name == "after":
        return when.latest + STEP, None
    if name == "since":
        return when.earliest, None
    if name == "around":
        return when.earliest - timedelta(days=3), when.latest + timedelta(days=3)
    return when.earliest, when.latest


def _completed(first: str, second: str) -> str:
    """ "3" of "3 to 10 March 2026" is "3 March 2026"; a day without a year takes that of the second."""
    year = re.search(r"(?:20|19)[0-9]{2}", second)
    if re.fullmatch(_DAY, first, re.IGNORECASE):
        month = re.search(_MONTH, second, re.IGNORECASE)
        if month is None:
            raise ValueError("a day without a month")
        first = f"{first} {month[0]}"
    if year and re.search(_MONTH, first, re.IGNORECASE) and not re.search(r"(?:20|19)[0-9]{2}", first):
        first = f"{first} {year[0]}"
    return first


def _date(words: str, tz: ZoneInfo, now: datetime) -> When:
    low = re.sub(r"\b(?:the|of|at) |(?<=[0-9])(?:st|nd|rd|th)\b", "", words.lower()).replace(",", "").strip()
    low = re.sub(rf"({_MONTH})\.", r"\1", low)
    low = re.sub(r"^([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})", lambda m: f"{m[3]}-{int(m[2]):02}-{int(m[1]):02}", low)
    special = _relative(low, tz, now)
    if special is not None:
        return special
    low = re.sub(rf"(?:last|this) (?={_MONTH}$)", "", low)
    if re.fullmatch(_MONTH, low):
        return _month_alone(low, tz, now)
    return parse_when(low, tz.key, now)


def _relative(low: str, tz: ZoneInfo, now: datetime) -> When | None:
    today = _today(tz, now)
    ago = re.fullmatch(rf"({_NUMBER}) (day|week|month)s? ago", low)
    if ago is not None:
        return _unit_back(ago[2], _number(ago[1]), today, tz, low)
    part = re.fullmatch(rf"(this|yesterday) ({'|'.join(_HOURS)})", low)
    if part is not None:
        day = today - timedelta(days=part[1] == "yesterday")
        first, after = (day + timedelta(hours=hours) for hours in _HOURS[part[2]])
        return _days(first, after, tz, low)
    named = re.fullmatch(r"(last|this) (week|month|year)", low)
    if named is not None:
        return _unit_back(named[2], 1 if named[1] == "last" else 0, today, tz, low)
    weekday = re.fullmatch(rf"(?:(last|this) )?({_WEEKDAY})", low)
    if weekday is not None:
        number = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday").index(weekday[2])
        days = (today.weekday() - number) % 7  # a log looks back: the last such day up to today
        if weekday[1] == "last" and days == 0:
            days = 7
        return _unit_back("day", days, today, tz, low)
    return None


def _unit_back(unit: str, number: int, today: datetime, tz: ZoneInfo, words: str) -> When:
    """The whole day, week, month or year that lies `number` of them before the one `today` is in."""
    if unit == "day":
        first = today - timedelta(days=number)
        return _days(first, first + timedelta(days=1), tz, words)
    if unit == "week":
        first = today - timedelta(days=today.weekday() + 7 * number)
        return _days(first, first + timedelta(days=7), tz, words)
    if unit == "month":
        first = _months_back(today.replace(day=1), number)
        return _days(first, _months_back(first, -1), tz, words)
    first = today.replace(year=today.year - number, month=1, day=1)
    return _days(first, first.replace(year=first.year + 1), tz, words)


def _month_alone(low: str, tz: ZoneInfo, now: datetime) -> When:
    number = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec").index(low[:3]) + 1
    today = _today(tz, now)
    first = today.replace(year=today.year - (number > today.month), month=number, day=1)
    return _days(first, _months_back(first, -1), tz, low)


def _part_of(part: str, when: When, tz: ZoneInfo) -> When:
    first = when.earliest.astimezone(tz).replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)
    word = part.lower()
    if "early" in word or "beginning" in word or "start" in word:
        return _days(first, first.replace(day=11), tz, part)
    if "mid" in word:
        return _days(first.replace(day=11), first.replace(day=21), tz, part)
    return _days(first.replace(day=21), _months_back(first, -1), tz, part)


def _number(word: str) -> int:
    return _NUMBERS[word.lower()] if word.lower() in _NUMBERS else int(word)


def _ago(number: int, unit: str, tz: ZoneInfo, now: datetime) -> datetime:
    today = _today(tz, now)
    if unit.startswith("month"):
        back = _months_back(today.replace(day=1), number)
        last_day = (_months_back(back, -1) - timedelta(days=1)).day
        return day_start(back.replace(day=min(today.day, last_day)), tz)
    return day_start(today - timedelta(days=number * (7 if unit.startswith("week") else 1)), tz)


def _today(tz: ZoneInfo, now: datetime) -> datetime:
    return now.astimezone(tz).replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)


def _months_back(first: datetime, number: int) -> datetime:
    months = first.year * 12 + first.month - 1 - number
    return first.replace(year=months // 12, month=months % 12 + 1)


def _days(first: datetime, after: datetime, tz: ZoneInfo, words: str) -> When:
    return When(day_start(first, tz), day_start(after, tz) - STEP, words)
