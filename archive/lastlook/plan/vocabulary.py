"""The plan's own words: which item a typed id means, and which items a sentence names.

Used for typed options, for questions, for narration and for folder names, so that "W03", "w-3", "lantern plus" and
"the white wire" mean the same everywhere. Words are compared without capitals, accents and plural endings; letters and
digits are split, so that "W03", "w 3" and "W-03" are the same two words while "W1" and "W10" differ.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from typing import Final, Literal

from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.plan import colours
from lastlook.plan.ids import fold_id, id_key, nearest, plain
from lastlook.plan.structure import Item, Kind, items, kind_of
from lastlook.records import Plan, Run

How = Literal["id", "title", "alias", "colour+run"]

_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)?|\d+|\+")
_WITHIN_ID = re.compile(r"\s{0,2}|\s?[_‐‑‒–—−-]\s?|[._‐‑‒–—−-]+")
# What builders call a run when they name it by its colour.
_RUN_WORDS: Final = ("wire", "run", "lead", "conductor", "cable", "core")
_RANK: Final[Mapping[How, int]] = {"id": 0, "title": 1, "alias": 2, "colour+run": 3}


@dataclass(frozen=True, slots=True)
class Word:
    """One word as compared, and the span [start, end) of the text it was read from."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Term:
    """Words that name an item. `kind` is the dimension of a tag or "opening"; `how` says by what it is named."""

    words: tuple[str, ...]
    kind: Kind
    id: str
    how: How


@dataclass(frozen=True, slots=True)
class Found:
    """A stretch [start, end) of a text and all that it may mean, ids first, then titles, aliases and colours."""

    start: int
    end: int
    terms: tuple[Term, ...]


def words(text: str) -> tuple[Word, ...]:
    """The words of `text` in order, each folded: no capitals, no accents, no plural s, no leading zeros."""
    found: list[Word] = []
    for match in _WORD.finditer(text):
        word = _folded(match.group())
        if word:
            found.append(Word(word, match.start(), match.end()))
    return tuple(found)


def _folded(word: str) -> str:
    if word.isdigit():
        return word.lstrip("0") or "0"
    folded = plain(word).replace("’", "'").removesuffix("'s").replace("'", "")
    return folded[:-1] if len(folded) > 3 and folded.endswith("s") and not folded.endswith("ss") else folded


def _word_texts(text: str) -> tuple[str, ...]:
    return tuple(word.text for word in words(text))


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All terms of a plan, ready to be found in sentences."""

    terms: tuple[Term, ...]
    _by_words: Mapping[tuple[str, ...], tuple[Term, ...]] = field(repr=False)
    _longest: int = field(repr=False)

    def find(self, text: str) -> tuple[Found, ...]:
        """What `text` names, from left to right; where terms overlap, the longest that starts first counts."""
        said = words(text)
        found: list[Found] = []
        at = 0
        while at < len(said):
            for length in range(min(self._longest, len(said) - at), 0, -1):
                stretch = said[at : at + length]
                terms = self._by_words.get(tuple(word.text for word in stretch))
                if terms and _holds_together(text, stretch, terms):
                    found.append(Found(stretch[0].start, stretch[-1].end, _by_spelling(text, stretch, terms)))
                    at += length
                    break
            else:
                at += 1
        return tuple(found)


def _gap(text: str, left: Word, right: Word) -> str:
    return text[left.end : right.start]


def _holds_together(text: str, stretch: tuple[Word, ...], terms: tuple[Term, ...]) -> bool:
    """Whether a stretch is one expression: it ends where words end ("o" in "O2" does not name O), and no sentence ends
    within it; an id may be parted by blanks, hyphens, underscores or a bare full stop.
    """
    before = text[stretch[0].start - 1 : stretch[0].start]
    after = text[stretch[-1].end : stretch[-1].end + 1]
    if before.isalnum() or after.isalnum():
        return False
    gaps = [_gap(text, left, right) for left, right in pairwise(stretch)]
    if all(term.how == "id" for term in terms):
        return all(_WITHIN_ID.fullmatch(gap) for gap in gaps)
    return not any(re.search(r"[.!?;:]\s|\n\s*\n", gap) for gap in gaps)


def _by_spelling(text: str, stretch: tuple[Word, ...], terms: tuple[Term, ...]) -> tuple[Term, ...]:
    """The terms that fit best: where the text spells one id exactly, other ids of the same words are meant no more."""
    start, end = stretch[0].start, stretch[-1].end
    ids = [term for term in terms if term.how == "id"]
    # An id with its minus at the end ("MOT-") beats the same words without it.
    best = [term for term in ids if id_key(term.id) == id_key(text[start : end + 1])]
    best = best or [term for term in ids if id_key(term.id) == id_key(text[start:end])]
    chosen = [term for term in terms if term.how != "id" or not best or term in best]
    return tuple(sorted(chosen, key=lambda term: _RANK[term.how]))


def build_vocabulary(plan: Plan) -> Vocabulary:
    """All words by which the plan's items can be named: ids, titles, aliases, and runs by the colour of their wire."""
    terms: dict[Term, None] = {}
    for name, item in items(plan).items():
        for term in _terms(name, item):
            if term.words:
                terms.setdefault(term)
    plain_colours = {run.colour for run in plan.runs if not run.tracer}
    for run in plan.runs:
        for term in _colour_terms(run, plain_colours):
            terms.setdefault(term)
    by_words: dict[tuple[str, ...], dict[str, Term]] = {}
    for term in terms:
        by_words.setdefault(term.words, {}).setdefault(term.id, term)
    longest = max((len(words) for words in by_words), default=0)
    return Vocabulary(tuple(terms), {words: tuple(known.values()) for words, known in by_words.items()}, longest)


def _terms(name: str, item: Item) -> Iterator[Term]:
    kind = kind_of(item)
    parted = _word_texts(name)
    yield Term(parted, kind, name, "id")
    together = plain(re.sub(r"[-._]", "", name))
    if not any(char.isdigit() for char in name) and len(parted) > 1:
        yield Term(_word_texts(together), kind, name, "id")  # HULL-F typed as HULLF
    yield Term(_word_texts(item.title), kind, name, "title")
    for alias in item.aliases:
        yield Term(_word_texts(alias), kind, name, "alias")


def _colour_terms(run: Run, plain_colours: Iterable[str]) -> Iterator[Term]:
    """ "white wire", "WH wire"; with a tracer "white blue wire", and "white wire" if no other run is plain white."""
    if not run.colour:
        return
    bases = _colour_words(run.colour)
    if run.tracer:
        tracers = _colour_words(run.tracer)
        pairs = [(*base, *tracer) for base in bases for tracer in tracers]
        pairs += [(*base, "with", *tracer) for base in bases for tracer in tracers]
        pairs.append((f"{run.colour}{run.tracer}".casefold(),))
        said = pairs + (bases if run.colour not in plain_colours else [])
    else:
        said = bases
    for colour in said:
        for noun in _RUN_WORDS:
            yield Term((*colour, noun), kind_of(run), run.id, "colour+run")


@cache
def _colour_words(code: str) -> list[tuple[str, ...]]:
    colour = colours.BY_CODE.get(code)
    return [_word_texts(word) for word in (*colour.words, code)] if colour else []


def lookup_id(plan: Plan, kind: Kind | None, typed: str) -> str:
    """The id, as the plan writes it, of the one item that `typed` means; `kind` None takes any kind.

    Tried in turn: the id but for capitals; the id as typed loosely (`fold_id`: w3 for W03); a title or an alias.
    Raises AmbiguousId where `typed` fits more than one, NoSuchId with the nearest known ids where it fits none.
    """
    what = str(kind or "item of the plan")
    known = {name: item for name, item in items(plan).items() if kind in (None, kind_of(item))}
    said = _word_texts(typed)
    folded = fold_id(typed)
    ways = (
        [name for name in known if id_key(name) == id_key(typed)],
        [name for name in known if folded and fold_id(name) == folded],
        [name for name, item in known.items() if said and said in map(_word_texts, (item.title, *item.aliases))],
    )
    for fits in ways:
        if len(fits) == 1:
            return fits[0]
        if fits:
            error = AmbiguousId(what, typed, fits)
            error.hint = "Give the id as the plan writes it."
            raise error
    names = {text: name for name, item in known.items() for text in (name, item.title, *item.aliases)}
    near = tuple(dict.fromkeys(names[text] for text in nearest(typed, names, limit=5)))[:3]
    raise NoSuchId(what, typed, near)
