"""The plan's names in every form in which they are written or said, and where they occur among words. Pure.

The longest name wins: "lantern mast" is the mast, not the lantern. Inside a longer name of another kind a name is found
all the same, and marked. A name is never found inside a longer word.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from itertools import combinations, product

from lastlook.plan.vocabulary import Term, build_vocabulary
from lastlook.records import Dimension, Opening, Part, Plan, Run, Step, Subassembly
from lastlook.tagging.words import Form as NameForm
from lastlook.tagging.words import Word, form_of_name, words_in, words_of

_MOST_KEPT = 4096  # forms of names of files and folders
MOST_WORDS = 12  # of one name; a longer title is a sentence that nobody repeats word by word

KIND_WORDS: dict[Dimension | None, tuple[str, ...]] = {
    Dimension.RUN: ("run", "wire", "conductor", "lead"),
    Dimension.STEP: ("step",),
    Dimension.PART: ("part",),
    Dimension.SUBASSEMBLY: ("subassembly", "section"),
    None: ("opening",),
}

_ZERO = ("0", "o", "oh")

# Two letters that are a word of their own name nothing, even where a plan uses them.
# fmt: off
_SMALL_WORDS = frozenset((
    "am", "an", "as", "at", "be", "by", "do", "go", "he", "hi", "if", "in", "is", "it", "me", "my", "no", "of", "oh",
    "ok", "on", "or", "so", "to", "up", "us", "we",
))
# fmt: on


# No part of a title starts or ends with these.
_LINKS = frozenset(("and", "the", "for", "from", "with", "into", "onto", "over", "under", "through", "out", "off"))


class Form(StrEnum):
    """What a name looks like; it decides how much its occurrence proves."""

    CODE = "code"  # an id of letters and digits, or of several pieces: W03, BHD-11, HULL-F
    PHRASE = "phrase"  # two words or more: lantern mast
    NUMBERED = "numbered"  # a kind and a number: run three
    COLOUR = "colour"  # a run by its colour: white wire
    WORD = "word"  # one ordinary word: mast
    PARTIAL = "partial"  # words of one step's title and of no other name: dry fit, of "Dry fit of the hull halves"


@dataclass(frozen=True, slots=True)
class Name:
    """One thing of the plan under one of its names. `dimension` None: an opening, which no picture is tagged with."""

    dimension: Dimension | None
    id: str
    form: Form
    how: str


@dataclass(frozen=True, slots=True)
class Match:
    """words[first:last] name `names` (more than one where the plan uses a name twice).

    `inside` says that something else of a longer name covers it ("mast" in "mast foot", which is an opening).
    """

    names: tuple[Name, ...]
    first: int
    last: int
    inside: bool = False


class Lexicon:
    """All names of one plan. Built once, asked for each picture."""

    def __init__(self, names: Iterable[tuple[tuple[str, ...], Name]]) -> None:
        self._names: dict[tuple[str, ...], dict[tuple[Dimension | None, str], Name]] = defaultdict(dict)
        self._longest: dict[str, int] = defaultdict(int)
        self._in_names: dict[NameForm, tuple[tuple[Word, ...], tuple[Match, ...]]] = {}
        for words, name in names:
            if not words or len(words) > MOST_WORDS:
                continue
            # The first entered wins: the vocabulary lists an id before its title, a title before its aliases.
            self._names[words].setdefault((name.dimension, name.id), name)
            self._longest[words[0]] = max(self._longest[words[0]], len(words))

    @classmethod
    def of(cls, plan: Plan) -> Lexicon:
        """The plan's vocabulary, its ids as they are said, and what only one step's title says. Kept, plan by plan."""
        return _lexicon(plan)

    def names(self) -> Iterator[tuple[tuple[str, ...], tuple[Name, ...]]]:
        """Every form of a name, as comparable words, with what it names."""
        for words, names in self._names.items():
            yield words, tuple(names.values())

    def in_name(self, name: str) -> tuple[tuple[Word, ...], tuple[Match, ...]]:
        """Words of a file's or folder's name, and every name of the plan among them. Kept by the form of the name."""
        form = form_of_name(name)
        kept = self._in_names.get(form)
        if kept is None:
            if len(self._in_names) >= _MOST_KEPT:
                self._in_names = {}
            words = words_in(form)
            kept = self._in_names[form] = words, self.find(words)
        return kept

    def find(self, words: Sequence[Word]) -> tuple[Match, ...]:
        """Every name among `words`, in order. Inside a longer name of the same dimension it is left out."""
        spans = [(first, dict(self._at(words, first))) for first in range(len(words))]
        matches: list[Match] = []
        for first, last, names in ((first, last, names) for first, ends in spans for last, names in ends.items()):
            # No name is longer than MOST_WORDS, so a longer one around this starts near.
            longer = [
                name
                for other_first, ends in spans[max(0, last - MOST_WORDS) : first + 1]
                for other_last, other in ends.items()
                if last <= other_last and other_last - other_first > last - first
                for name in other
            ]
            whole = {name.dimension for name in longer if name.form is not Form.PARTIAL}
            any_form = {name.dimension for name in longer}
            own = tuple(
                name
                for name in names
                if name.dimension is not None
                and name.dimension not in (any_form if name.form is Form.PARTIAL else whole)
            )
            if own:
                matches.append(Match(own, first, last, bool(whole)))
        return tuple(matches)

    def _at(self, words: Sequence[Word], first: int) -> Iterator[tuple[int, tuple[Name, ...]]]:
        """Every name that starts at `first`, with the index after its last word."""
        start = words[first]
        if first > 0 and start.glued and not _cut_allowed(words[first - 1], start):
            return
        longest = self._longest.get(start.text, 0)
        for last in range(first + 1, min(first + longest, len(words)) + 1):
            # A full stop or a comma ends a name.
            if words[last - 1].clause != start.clause:
                return
            names = self._names.get(tuple(word.text for word in words[first:last]))
            if names and _one_is_word(names, words[first:last]):
                continue
            if names and (last == len(words) or not words[last].glued or _cut_allowed(words[last - 1], words[last])):
                yield last, tuple(names.values())
        # "deck house" for "deckhouse"
        if first + 1 < len(words) and start.text.isalpha() and words[first + 1].text.isalpha():
            joined = start.text + words[first + 1].text
            names = self._names.get((joined,)) if len(joined) >= 7 else None
            if names and start.clause == words[first + 1].clause:
                yield first + 2, tuple(names.values())


@lru_cache(maxsize=4)
def _lexicon(plan: Plan) -> Lexicon:
    # Every tag that is given asks for it, and a plan does not change.
    names = list(_forms(plan))
    return Lexicon([*names, *_partial(plan, {words for words, _ in names})])


def _one_is_word(names: Mapping[tuple[Dimension | None, str], Name], words: Sequence[Word]) -> bool:
    """Whether "a 1", "oh 1" are more likely English ("a one-off") than the id A1: where they are not written as one."""
    if len(words) != 2 or words[0].text not in ("a", "i", "o") or words[1].glued:
        return False
    return words[1].text == "1" and all(name.form is Form.CODE for name in names.values())


def _cut_allowed(left: Word, right: Word) -> bool:
    """Whether a name may end between two words that nothing separates: "mast2" holds "mast", "W03s" two W03, but
    "W03b" no W03."""
    if right.text == "s" and left.text.isdigit():
        return True
    return left.text.isalpha() and len(left.text) >= 4 and right.text.isdigit()


# ------------------------------------------------------------------------------------------------ forms of a name


def _forms(plan: Plan) -> Iterator[tuple[tuple[str, ...], Name]]:
    for term in build_vocabulary(plan).terms:
        dimension = None if term.kind == "opening" else term.kind
        form = _form(term)
        if form is not None:
            name = Name(dimension, term.id, form, term.how)
            words = tuple(word.text for word in words_of(" ".join(term.words)))  # number words as digits here too
            yield words, name
            if form is Form.PHRASE and len(words) == 2 and _letters(words) and len("".join(words)) >= 7:
                yield ("".join(words),), name  # "deckhouse" for "deck house"
    groups: tuple[tuple[Dimension | None, Sequence[Subassembly | Step | Run | Part | Opening]], ...] = (
        (Dimension.SUBASSEMBLY, plan.subassemblies),
        (Dimension.STEP, plan.steps),
        (Dimension.RUN, plan.runs),
        (Dimension.PART, plan.parts),
        (None, plan.openings),
    )
    for dimension, group in groups:
        numbers = Counter(_number(item.id) for item in group)
        for item in group:
            number = _number(item.id)
            if number:
                yield from _spelled(dimension, item.id, number)
            if numbers[number] == 1 and number:
                name = Name(dimension, item.id, Form.NUMBERED, "number")
                for kind, between, digits in product(KIND_WORDS[dimension], ((), ("number",), ("no",)), _said(number)):
                    yield (kind, *between, *digits), name


def _partial(plan: Plan, taken: Set[tuple[str, ...]]) -> Iterator[tuple[tuple[str, ...], Name]]:
    """Two and more successive words of a step's title that stand in no other step's title and are no name."""
    owners: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for step in plan.steps:
        words = tuple(word.text for word in words_of(step.title))[:MOST_WORDS]
        for first, last in combinations(range(len(words) + 1), 2):
            part = words[first:last]
            if len(part) > 1 and all(
                len(end) > 2 and end.isalpha() and end not in _LINKS for end in (part[0], part[-1])
            ):
                owners[part].add(step.id)
    for part, steps in owners.items():
        if len(steps) == 1 and part not in taken:
            yield part, Name(Dimension.STEP, min(steps), Form.PARTIAL, "title")


def _form(term: Term) -> Form | None:
    """What a term looks like; None where it is too slight to name anything by itself."""
    words = term.words
    if term.how == "colour+run":
        return Form.COLOUR
    if not any(word.isalpha() and (len(word) > 1 or len(words) > 1) for word in words):
        return None  # a bare number or one letter: only behind its kind, "step 11"
    if len(words) == 1:
        if words[0] in _SMALL_WORDS:
            return None
        # HULLF for HULL-F is no ordinary word
        return Form.CODE if term.how == "id" and not term.id.isalpha() else Form.WORD
    if term.how == "id" or all(len(word) == 1 or word.isdigit() for word in words):
        return Form.CODE
    return Form.PHRASE


def _letters(words: Sequence[str]) -> bool:
    return all(word.isalpha() for word in words)


def _number(item: str) -> str:
    """The number at the end of an id, as written: "03" of W03; '' without."""
    match = re.search(r"[0-9]{1,3}$", item)
    return match.group() if match else ""


def _said(number: str) -> Iterator[tuple[str, ...]]:
    """How a number of an id is said: 03 as "three", "zero three", "oh three"; 11 as "eleven", "one one"."""
    yield (str(int(number)),)
    if len(number) > 1:
        yield from product(*(_ZERO if digit == "0" else (digit,) for digit in number))


def _spelled(dimension: Dimension | None, item: str, number: str) -> Iterator[tuple[tuple[str, ...], Name]]:
    """An id of letters and a number as it is said: "W oh three", "B H D eleven"."""
    head = tuple(word.text for word in words_of(item))[:-1]
    if not head or not _letters(head):
        return
    name = Name(dimension, item, Form.CODE, "id")
    for start, digits in product({head, tuple("".join(head))}, _said(number)):
        yield (*start, *digits), name
