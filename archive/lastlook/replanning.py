"""For which pictures it matters that a plan has become another: which to propose for anew, and which the text index is
to learn anew.

A proposal hangs on the plan by its names, as they stand in names of files and folders and in what was spoken; by its
ids, as cards show them; and by what lies in what. A name is compared only where all its words stand in a picture's
texts: that finds more pictures than change, never fewer. Depths, figures, ends and requirements name no picture.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePath
from typing import Any

from lastlook import placing
from lastlook.archive import text_to_path
from lastlook.catalogue import decisions, pictures, placed, worded
from lastlook.indexing import PlanWords
from lastlook.plan import structure
from lastlook.records import Dimension, Plan
from lastlook.store import Store
from lastlook.tagging import Lexicon, cards
from lastlook.tagging.words import Word, name_words, normal, words_of

_COUNTER = re.compile(r"\d{5,}")


@dataclass(frozen=True, slots=True)
class Concerned:
    """Rows of pictures: `proposed` for which a proposal may be another, `reworded` that are found by other words; None
    for all. `times`: the zone is another, and with it any time."""

    proposed: Sequence[int] | None
    reworded: Sequence[int] | None
    times: bool


EVERYTHING = Concerned(None, None, True)


def concerned(store: Store, before: Plan, after: Plan) -> Concerned:
    """What it matters for that `before` was in force, and `after` is."""
    if before.build.zone != after.build.zone:
        return EVERYTHING
    words = PlanWords(before), PlanWords(after)
    ids = before.ids | after.ids
    reworded = worded.counting(store.catalogue, {id for id in ids if words[0].of(id) != words[1].of(id)})
    if _cards_differ(store, before, after):
        return Concerned(None, sorted(reworded), False)
    placed_elsewhere = _placed_elsewhere(before, after)
    found = _named(store, _names_that_differ(before, after))
    if placed_elsewhere:
        found |= worded.knowing(store.catalogue, placed_elsewhere)
        for session in placing.all_sessions(store):  # one says what a card in between does not
            if any(target in placed_elsewhere for _, target in session.targets):
                found.update(placed.touching(store.catalogue, pictures.ms(session.start), pictures.ms(session.end)))
    return Concerned(sorted(found), sorted(reworded), False)


# ------------------------------------------------------------------------------------------------ what lies where


def _placed_elsewhere(before: Plan, after: Plan) -> set[str]:
    """Ids of what lies in something else now, and of all that lies in it."""
    moved = {id for id, _ in _places(before) ^ _places(after)}
    for plan in (before, after):
        inside = {id for sub in plan.subassemblies if sub.id in moved for id in structure.subtree(plan, sub.id)}
        moved |= inside | {step.id for step in plan.steps if step.subassembly in inside}
    return moved


def _places(plan: Plan) -> set[tuple[str, object]]:
    # Ids of different kinds may be the same; the kind stands along.
    found: set[tuple[str, object]] = {(sub.id, ("", sub.within)) for sub in plan.subassemblies}
    found |= {(step.id, (Dimension.STEP, step.subassembly)) for step in plan.steps}
    found |= {(part.id, (Dimension.PART, part.subassembly)) for part in plan.parts}
    return found | {(run.id, (Dimension.RUN, run.subassemblies)) for run in plan.runs}


def _cards_differ(store: Store, before: Plan, after: Plan) -> bool:
    """Whether any bench card in a picture is read otherwise."""
    if {(type(item), item.id) for item in structure.items(before).values()} == {
        (type(item), item.id) for item in structure.items(after).values()
    }:
        return False
    catalogue = store.catalogue
    seen = placed.codes_of(catalogue, placed.media_with_codes(catalogue, placing.CARDS), placing.CARDS)
    return any(cards.cards_in(each, before) != cards.cards_in(each, after) for each in seen.values())


# ------------------------------------------------------------------------------------------------ names in texts


def _names_that_differ(before: Plan, after: Plan) -> set[frozenset[str]]:
    """The words of every name that names something else, or in another way, in one plan than in the other."""
    one, other = (dict(Lexicon.of(plan).names()) for plan in (before, after))
    return {frozenset(words) for words in one.keys() | other.keys() if one.get(words) != other.get(words)}


def _named(store: Store, names: Set[frozenset[str]]) -> set[int]:
    """Rows of the pictures in whose texts all words of any of `names` stand."""
    if not names:
        return set()
    catalogue = store.catalogue
    media = _met(store, names)
    for clip, texts in worded.spoken(catalogue).items():
        if _among(words_of(" ".join(normal(text) for text in texts)), names):
            media.add(clip)
    for decision in decisions.live(catalogue, "heard"):
        entries: Any = decision.body["heard"]
        if any(_among(words_of(one["text"]), names) for one in entries):
            media.add(str(decision.body["clip"]))
    return set(placed.of_media(catalogue, sorted(media)))


def _met(store: Store, names: Set[frozenset[str]]) -> set[str]:
    """Contents that were met under a name, or in a folder, in which such words stand."""
    counters = any(len(word) > 4 and word.isdigit() for words in names for word in words)
    known: dict[str, bool] = {}

    def has(text: str, name: bool) -> bool:
        # Thousands of files differ by a counter alone, which names nothing.
        key = f"{name}{text if counters else _COUNTER.sub('00000', text)}"
        if key not in known:
            known[key] = _among(name_words(PurePath(text).stem if name else text), names)
        return known[key]

    by_folders: dict[str, bool] = {}
    found: set[str] = set()
    for sha256, path, folders in worded.met(store.catalogue):
        if folders not in by_folders:
            by_folders[folders] = any(has(folder, False) for folder in json.loads(folders))
        if by_folders[folders] or has(_file(path), True):
            found.add(sha256)
    return found


def _file(path: str) -> str:
    plain = path.rpartition("/")[2]
    return plain if plain.isascii() and "%" not in plain and "\\" not in plain else text_to_path(path).name


def _among(words: Sequence[Word], names: Iterable[Collection[str]]) -> bool:
    there = {word.text for word in words} | set(_joined(words))
    return any(there.issuperset(name) for name in names)


def _joined(words: Sequence[Word]) -> Iterator[str]:
    """ "deck house" may be "deckhouse"."""
    for left, right in pairwise(words):
        yield left.text + right.text
