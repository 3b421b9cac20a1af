"""Text into comparable words for tagging: the plan's own folding, and what speech and file names need besides. Pure.

Words are folded by `plan.vocabulary.words`, so that they meet the plan's terms. Added here: number words up to 99 as
digits, "double u" as w, "positive" as +; dates and counters as words that match nothing; and where clauses end.
"W03", "w-03", "W three" and "double u three" all become the words `w` `3`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lastlook.plan import vocabulary


@dataclass(frozen=True, slots=True)
class Word:
    """One folded word and where it stood: text[start:end] of the NFC text it came from.

    `text` is '' for what must match nothing (a date, a counter). `glued`: nothing stood between it and the word before
    ("W03" is `w` and a glued `3`). `clause` counts from 0 and grows at commas, full stops and "but".
    """

    text: str
    start: int
    end: int
    glued: bool = False
    clause: int = 0


# fmt: off
_NUMBERS = {
    "zero": 0, "nought": 0, "naught": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7,
    "eight": 8, "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15,
    "sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19, "twenty": 20, "thirty": 30, "forty": 40,
    "fourty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90,
}
# fmt: on

# "plu" is what the folding of plurals leaves of "plus".
_SAME = {"positive": "+", "plus": "+", "plu": "+", "doubleyou": "w", "doubleu": "w"}

# Dates as folders and cameras write them, with a time of day behind; then any counter of five digits and more.
_DATE = re.compile(
    r"""(?<![^\W_])(?:
        (?:19|20)\d\d([-_. ]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])
        (?:[T_ -]{0,3}\d\d[-_.:h]?\d\d(?:[-_.:]?\d\d)?\d*)?
      | \d{1,2}([-./])\d{1,2}\2(?:19|20)?\d\d
      | (?:19|20)\d\d[-_.](?:0[1-9]|1[0-2])
      | (?:19|20)\d\d
      | \d\d?[:h]\d\d(?::\d\d)?
      | \d{5,}
    )(?!\d)""",
    re.VERBOSE,
)
_PAUSE = re.compile(r"[,;()–—]|[.!?…:](?:\s|$)|\s-\s")
_DECIMAL = re.compile(r"[.,]")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_CLAUSE_STARTERS = frozenset({"but", "however"})


def tens_and_ones(number: int) -> tuple[str, ...]:
    """A number below 100 as it is said: ("twenty", "one")."""
    said = {value: word for word, value in reversed(_NUMBERS.items())}
    if number in said:
        return (said[number],)
    return said[number // 10 * 10], said[number % 10]


def normal(text: str) -> str:
    """The form of `text` in which the positions of words count."""
    return unicodedata.normalize("NFC", text)


Form = tuple[str, tuple[tuple[int, int], ...]]
"""A text in which dates and counters are left blank, and where they stood: all that its words hang on."""


def form_of(text: str) -> Form:
    """The form of `text`. Thousands of files share that of their names: IMG_20260312_104107."""
    text = normal(text)
    spans = tuple(match.span() for match in _DATE.finditer(text))
    for start, end in spans:
        text = text[:start] + " " * (end - start) + text[end:]
    return text, spans


def form_of_name(name: str) -> Form:
    """The form of a file's or folder's name, where a capital inside a word starts a new one: MastFoot."""
    return form_of(_CAMEL.sub(" ", normal(name)))


def name_words(name: str) -> tuple[Word, ...]:
    """Words of a file's or folder's name."""
    return words_in(form_of_name(name))


def words_of(text: str) -> tuple[Word, ...]:
    """Words of `text`, in order. Positions are those of `normal(text)`."""
    return words_in(form_of(text))


def words_in(form: Form) -> tuple[Word, ...]:
    """Words of a text of that form, in order."""
    text, spans = form
    dates = [Word("", *span) for span in spans]
    plain = [Word(word.text, word.start, word.end) for word in vocabulary.words(text)]
    found: list[Word] = []
    clause = 0
    for word in sorted([*dates, *plain], key=lambda word: word.start):
        gap = text[found[-1].end : word.start] if found else ""
        if _PAUSE.search(gap) or word.text in _CLAUSE_STARTERS:
            clause += 1
        # 0.5 is one number: its 5 is not a word of its own.
        decimal = bool(_DECIMAL.fullmatch(gap)) and found[-1].text.isdigit() and word.text.isdigit()
        glued = bool(found) and (not gap or decimal)
        found.append(replace(word, text=_SAME.get(word.text, word.text), glued=glued, clause=clause))
    return tuple(_spoken(found))


def _spoken(words: Sequence[Word]) -> list[Word]:
    """Number words as digits ("twenty one" is one word, 21), "double u" as the letter it is."""
    found: list[Word] = []
    tens_open = False
    for word in words:
        last = found[-1] if found else None
        value = _NUMBERS.get(word.text)
        if last and last.text == "double" and word.text in ("u", "you", "yu"):
            found[-1] = replace(last, text="w", end=word.end)
        elif value is None:
            found.append(word)
        elif last and tens_open and 1 <= value <= 9 and word.clause == last.clause:
            found[-1] = replace(last, text=str(int(last.text) + value), end=word.end)
            value = None
        else:
            found.append(replace(word, text=str(value)))
        tens_open = value is not None and value >= 20
    return found
