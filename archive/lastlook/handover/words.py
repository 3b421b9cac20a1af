"""The fixed texts of a record in several languages, dates and figures by locale.

Translations are gettext catalogues (`locale/<language>/LC_MESSAGES/handover.po`), compiled when they are read, so that
what is read is always what was written. What the builder wrote is never translated.
"""

from __future__ import annotations

import gettext
import io
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from importlib import resources
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_datetime, format_time
from babel.messages import mofile, pofile
from babel.numbers import format_decimal

from lastlook.errors import UsageError
from lastlook.records import CaptureTime
from lastlook.times import OPEN_START

DOMAIN = "handover"
LANGUAGES = {"en": ("en_GB", "English"), "de": ("de_DE", "Deutsch")}
"""Code → (locale for dates and figures, the language's own name)."""


def N_(text: str) -> str:  # noqa: N802 - the name that gettext's tools look for
    """Marks a text for translation where it is written; it is translated where it is used."""
    return text


@cache
def _translations(language: str) -> gettext.NullTranslations:
    if language == "en":
        return gettext.NullTranslations()
    place = resources.files("lastlook.handover") / "locale" / language / "LC_MESSAGES" / f"{DOMAIN}.po"
    catalogue = pofile.read_po(io.BytesIO(place.read_bytes()), locale=language, domain=DOMAIN)
    compiled = io.BytesIO()
    mofile.write_mo(compiled, catalogue)
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


@cache
def _locale(language: str) -> Locale:
    return Locale.parse(LANGUAGES[language][0])


@dataclass(frozen=True, slots=True)
class Words:
    """The texts of one language. `zone` is the build's time zone."""

    language: str
    zone: str

    @property
    def locale(self) -> Locale:
        return _locale(self.language)

    def __call__(self, text: str, /, **values: object) -> str:
        """A fixed text in this language, with its {values} put in."""
        found = _translations(self.language).gettext(text) if text else ""
        return found.format(**values) if values else found

    def many(self, one: str, many: str, count: int) -> str:
        return _translations(self.language).ngettext(one, many, count).format(n=self.number(count))

    # -------------------------------------------------------------------------------------------- figures and dates

    def number(self, value: float, digits: int = 2) -> str:
        """A figure with at most so many decimals, as the locale writes it."""
        return str(format_decimal(round(value, digits), format="#,##0." + "#" * digits, locale=self.locale))

    def length(self, mm: float | None) -> str:
        return "" if mm is None else f"{self.number(mm, 1)} mm"

    def size(self, octets: int) -> str:
        for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
            if octets >= size:
                return f"{self.number(octets / size, 1)} {unit}"
        return f"{octets} B"

    def date(self, instant: datetime) -> str:
        return str(format_date(self._local(instant).date(), "long", locale=self.locale))

    def moment(self, instant: datetime) -> str:
        local = self._local(instant)
        pattern = "d. MMM y HH:mm:ss" if self.language == "de" else "d MMM y HH:mm:ss"
        when = format_datetime(local.replace(tzinfo=None), pattern, locale=self.locale)
        return f"{when} {_offset(local)}"

    def time(self, time: CaptureTime) -> str:
        """A time in words: its instant where it is known to the second, else its interval."""
        first, last, instant = time.earliest, time.latest, time.instant
        if first is None or last is None or instant is None:
            return self(N_("time not known"))
        if last - first < timedelta(seconds=1):
            return self.moment(instant)
        start, end = self._local(first), self._local(last)
        whole_days = (end + timedelta(milliseconds=1)).time() == datetime.min.time()
        if first <= OPEN_START:
            return self(N_("not later than {time}"), time=self.date(last) if whole_days else self.moment(last))
        if whole_days and start.time() == datetime.min.time():
            if start.date() == end.date():
                return self(N_("{date} (time of day not known)"), date=self.date(first))
            return self(N_("between {first} and {last}"), first=self.date(first), last=self.date(last))
        if start.date() == end.date():
            return self(
                N_("{date}, between {first} and {last}"),
                date=self.date(first),
                first=format_time(start.time(), "HH:mm:ss", locale=self.locale),
                last=f"{format_time(end.time(), 'HH:mm:ss', locale=self.locale)} {_offset(end)}",
            )
        return self(N_("between {first} and {last}"), first=self.moment(first), last=self.moment(last))

    def _local(self, instant: datetime) -> datetime:
        return instant.astimezone(ZoneInfo(self.zone))


def words_of(language: str, zone: str) -> Words:
    """Raises UsageError for a language that there is no translation for."""
    code = language.strip().lower().replace("_", "-").split("-")[0]
    if code not in LANGUAGES:
        known = ", ".join(f"{code} ({name})" for code, (_, name) in LANGUAGES.items())
        raise UsageError(f"the record cannot be written in {language!r}", f"Languages: {known}.")
    return Words(code, zone)


def _offset(local: datetime) -> str:
    text = local.strftime("%z")
    return f"{text[:3]}:{text[3:5]}"
