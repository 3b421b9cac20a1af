"""The plan's names as they are said aloud, for a recogniser to listen for. Pure."""

from __future__ import annotations

from lastlook.plan.structure import items
from lastlook.plan.vocabulary import words as folded
from lastlook.records import Plan
from lastlook.tagging.lexicon import Form, Lexicon
from lastlook.tagging.words import tens_and_ones

_SHORT_COLOURS = frozenset({"red", "tan"})  # words of three letters that are no abbreviation


def phrases(plan: Plan, lexicon: Lexicon) -> tuple[tuple[str, ...], ...]:
    """Each name as lower-case words, numbers as words: ("w", "three"), ("lantern", "mast").

    Left out is what is hardly said or easily misheard: parts of titles, and abbreviations of colours.
    """
    written = _as_written(plan)
    found: dict[tuple[str, ...], None] = {}
    for words, names in lexicon.names():
        forms = {name.form for name in names}
        if forms <= {Form.PARTIAL} or (forms <= {Form.COLOUR, Form.PARTIAL} and any(map(_abbreviated, words))):
            continue
        found.setdefault(tuple(part for word in words for part in _aloud(word, written)))
    return tuple(sorted(found))


def _aloud(word: str, written: dict[str, str]) -> tuple[str, ...]:
    if word.isdigit():
        return tens_and_ones(int(word)) if int(word) < 100 else tuple(tens_and_ones(int(digit))[0] for digit in word)
    return ("plus",) if word == "+" else (written.get(word, word),)


def _as_written(plan: Plan) -> dict[str, str]:
    """Folded word → as the plan writes it: nobody says "port light"."""
    found: dict[str, str] = {}
    for item in items(plan).values():
        for text in (item.title, *item.aliases):
            for word in folded(text):
                plain = text[word.start : word.end].casefold()
                if plain.isascii() and plain.isalpha():
                    found.setdefault(word.text, plain)
    return found


def _abbreviated(word: str) -> bool:
    return len(word) < 4 and word not in _SHORT_COLOURS
