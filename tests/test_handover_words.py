"""The fixed texts of a record: every one translated, with its {values}; dates and figures as locales write them."""

from __future__ import annotations

import ast
import io
import string
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from babel.messages import pofile

from lastlook.closing import cautions
from lastlook.errors import UsageError
from lastlook.handover import words as handover_words
from lastlook.handover.words import Words, words_of
from lastlook.records import CaptureTime
from lastlook.times import OPEN_START

ROOT = Path(handover_words.__file__).parent
SOURCES = [*sorted(ROOT.glob("*.py")), ROOT.parent / "previewing.py", ROOT.parent / "approvals.py"]
GERMAN = ROOT / "locale" / "de" / "LC_MESSAGES" / "handover.po"


def marked() -> Iterator[str | tuple[str, str]]:
    """Every text that the sources mark for translation. Read from their syntax tree: a text may stand in an f-string,
    where the usual extraction does not look."""
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            texts = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
            if name == "N_" and texts:
                yield texts[0]
            elif name == "many" and len(texts) == 2:
                yield texts[0], texts[1]
    for name, value in vars(cautions).items():
        if name.isupper() and isinstance(value, str):
            yield value


def values(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_every_fixed_text_is_translated_with_its_values() -> None:
    catalogue = pofile.read_po(io.BytesIO(GERMAN.read_bytes()), locale="de")
    wanted = set(marked())
    assert len(wanted) > 250  # else the search has found nothing to compare
    for text in sorted(wanted, key=str):
        found = catalogue.get(text if isinstance(text, str) else text[0])
        assert found is not None, f"not translated: {text}"
        assert found.string, f"not translated: {text}"
        assert not found.fuzzy
        if isinstance(text, str):
            assert isinstance(found.string, str)
            assert values(found.string) == values(text), text
        else:
            assert all(values(each) == values(text[0]) for each in found.string)
    known = {message.id if isinstance(message.id, str) else tuple(message.id) for message in catalogue if message.id}
    assert not known - wanted, "translated, but said nowhere"


def test_the_catalogue_is_one_by_gettexts_own_tool(tmp_path: Path) -> None:
    # msgfmt of GNU gettext, where it is installed, checks format and header.
    try:
        done = subprocess.run(
            ["msgfmt", "--check", "-o", str(tmp_path / "out.mo"), str(GERMAN)],
            capture_output=True,
            text=True,
            check=False,
        )
    except FileNotFoundError:
        catalogue = pofile.read_po(io.BytesIO(GERMAN.read_bytes()), abort_invalid=True)
        assert not list(catalogue.check())
        return
    assert done.returncode == 0, done.stderr


def time(first: datetime, last: datetime) -> CaptureTime:
    return CaptureTime(first + (last - first) / 2, first, last, "said", "")


def test_dates_and_figures_by_locale() -> None:
    # The Unicode CLDR's patterns for German: 27. März 2026, 1.234,5; for British English: 27 March 2026, 1,234.5.
    english, german = words_of("en", "Europe/Copenhagen"), words_of("de-DE", "Europe/Copenhagen")
    noon = datetime(2026, 3, 27, 11, 0, tzinfo=UTC)
    assert (english.date(noon), german.date(noon)) == ("27 March 2026", "27. März 2026")
    assert (english.number(1234.5), german.number(1234.5)) == ("1,234.5", "1.234,5")
    assert german.length(0.25) == "0,2 mm"
    assert german.length(12.75) == "12,8 mm"
    assert (english.size(2_500_000), german.size(2_500_000)) == ("2.5 MB", "2,5 MB")


@pytest.mark.parametrize(
    ("first", "last", "english", "german"),
    [
        (
            datetime(2026, 3, 27, 10, 29, 30, tzinfo=UTC),
            datetime(2026, 3, 27, 10, 29, 30, tzinfo=UTC),
            "27 Mar 2026 11:29:30 +01:00",
            "27. März 2026 11:29:30 +01:00",
        ),
        (
            datetime(2026, 3, 26, 23, 0, tzinfo=UTC),
            datetime(2026, 3, 27, 22, 59, 59, 999000, tzinfo=UTC),
            "27 March 2026 (time of day not known)",
            "27. März 2026 (Tageszeit nicht bekannt)",
        ),
        (
            datetime(2026, 3, 27, 10, 0, tzinfo=UTC),
            datetime(2026, 3, 27, 11, 0, tzinfo=UTC),
            "27 March 2026, between 11:00:00 and 12:00:00 +01:00",
            "27. März 2026, zwischen 11:00:00 und 12:00:00 +01:00",
        ),
        (OPEN_START, datetime(2026, 3, 27, 22, 59, 59, 999000, tzinfo=UTC), "not later than 27 March 2026", None),
    ],
)
def test_times_say_their_interval(first: datetime, last: datetime, english: str, german: str | None) -> None:
    assert words_of("en", "Europe/Copenhagen").time(time(first, last)) == english
    if german is not None:
        assert words_of("de", "Europe/Copenhagen").time(time(first, last)) == german


def test_an_unknown_time_and_language_are_said() -> None:
    words = Words("de", "UTC")
    assert words.time(CaptureTime(None, None, None, "unknown", "")) == "Zeit nicht bekannt"
    assert words.many("{n} waiver stands", "{n} waivers stand", 2) == "2 Verzichte gelten"
    with pytest.raises(UsageError, match="cannot be written in 'tlh'"):
        words_of("tlh", "UTC")


def test_a_span_over_days_names_both_ends() -> None:
    start = datetime(2026, 3, 27, 10, 0, tzinfo=UTC)
    said = words_of("en", "UTC").time(time(start, start + timedelta(days=2)))
    assert said == "between 27 Mar 2026 10:00:00 +00:00 and 29 Mar 2026 10:00:00 +00:00"
