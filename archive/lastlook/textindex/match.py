"""From a question's tree to documents and scores, over one snapshot.

Ranking is BM25 (Robertson and Zaragoza, "The Probabilistic Relevance Framework: BM25 and Beyond", 2009) with k1 1.2 and
b 0.75 and idf = ln(N / (df + 1)) + 1, which never falls below zero on small archives. N, df and the mean length count
live documents only, so that replacing documents does not shift scores. A phrase or a prefix counts as one term.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from lastlook.textindex import analysis
from lastlook.textindex.query import AllOf, AnyOf, Node, Phrase, Prefix, Without, Word, leaves, spell, wanted
from lastlook.textindex.snapshot import NOTHING, PLACES, Docs, Postings, Snapshot, stem_or_raw

K1 = 1.2
B = 0.75
MAX_EXPANSIONS = 1000  # words a prefix may stand for
MAX_SUBSET_PARTS = 8


@dataclass(frozen=True, slots=True)
class WordCount:
    """How many documents answer one part of a question; `text` as a person would type it."""

    text: str
    hits: int
    excluded: bool = False


@dataclass(frozen=True, slots=True)
class Together:
    """Parts of a question that do occur in the same document, and in how many: where all of them never do."""

    text: str
    hits: int


class Evaluation:
    """One question over one snapshot; leaves are looked up once."""

    def __init__(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot
        self._found: dict[Node, Postings] = {}

    def documents(self, node: Node) -> Docs:
        """Numbers of the documents that match, ascending."""
        if isinstance(node, Word | Phrase | Prefix):
            return self.leaf(node).docs
        if isinstance(node, Without):
            return np.flatnonzero(self._snapshot.live & ~self._mask(node.part)).astype(np.int32)
        if isinstance(node, AnyOf):
            mask = self._mask(node.parts[0])
            for part in node.parts[1:]:
                mask |= self._mask(part)
            return np.flatnonzero(mask).astype(np.int32)
        positive = sorted((p for p in node.parts if not isinstance(p, Without)), key=self._cost)
        found = self.documents(positive[0]) if positive else self._snapshot.all_docs()
        for part in positive[1:]:
            if not found.size:
                return found
            found = found[self._mask(part)[found]]
        for part in node.parts:
            if isinstance(part, Without) and found.size:
                found = found[~self._mask(part.part)[found]]
        return found

    def scores(self, node: Node, docs: Docs) -> NDArray[np.float32]:
        """The scores of `docs`, which `documents(node)` gave."""
        snapshot = self._snapshot
        total = np.zeros(snapshot.count, dtype=np.float64)
        for leaf in dict.fromkeys(wanted(node)):
            found = self.leaf(leaf)
            total[found.docs] += bm25(
                found.counts.astype(np.float64),
                snapshot.sizes[found.docs],
                snapshot.mean_size,
                snapshot.live_count,
                found.docs.size,
            )
        return total[docs].astype(np.float32)

    def leaf(self, leaf: Word | Phrase | Prefix) -> Postings:
        """Documents and counts of one word, phrase or prefix."""
        if leaf not in self._found:
            if isinstance(leaf, Word):
                self._found[leaf] = self._word(leaf)
            elif isinstance(leaf, Phrase):
                self._found[leaf] = self._phrase(leaf.tokens)
            else:
                self._found[leaf] = self._prefix(leaf)
        return self._found[leaf]

    def _mask(self, node: Node) -> NDArray[np.bool_]:
        mask = np.zeros(self._snapshot.count, dtype=np.bool_)
        mask[self.documents(node)] = True
        return mask

    def _cost(self, node: Node) -> float:
        """Roughly how much there is to read: the rarest part goes first, and an empty one ends the work."""
        if isinstance(node, Word):
            return self._snapshot.frequency(*stem_or_raw(node.token)) if node.apart is None else 1.0
        if isinstance(node, Phrase):
            return 3.0 * min(self._snapshot.frequency("raw", token) for token in node.tokens)
        return math.inf

    def _word(self, word: Word) -> Postings:
        field, term = stem_or_raw(word.token)
        found = [self._snapshot.postings(field, term)]
        if word.apart is not None:
            found.append(self._phrase(word.apart))
        if "." in term and analysis.is_number(term):  # "0.5" also finds "0.5mm"
            found += [self._snapshot.postings(field, f"{term}{unit}") for unit in analysis.UNITS]
        return self._any(found)

    def _phrase(self, tokens: tuple[str, ...]) -> Postings:
        snapshot = self._snapshot
        order = sorted(range(len(tokens)), key=lambda place: snapshot.frequency("raw", tokens[place]))
        starts: NDArray[np.int64] | None = None
        for place in order:
            if snapshot.frequency("raw", tokens[place]) == 0:
                return NOTHING
            # Where the phrase would have to begin. No place goes below its own document: a start that would is dropped.
            here = snapshot.places(tokens[place])
            here = here[here % PLACES >= place] - place
            starts = here if starts is None else _common(starts, here)
            if not starts.size:
                return NOTHING
        assert starts is not None
        docs, counts = np.unique(starts // PLACES, return_counts=True)
        keep = snapshot.live[docs]
        return Postings(docs[keep].astype(np.int32), counts[keep].astype(np.float32))

    def _prefix(self, prefix: Prefix) -> Postings:
        terms = self._snapshot.terms("raw", prefix.start)
        if prefix.then_digit:
            terms = [term for term in terms if len(term) == len(prefix.start) + 1 and term[-1].isdecimal()]
        return self._any([self._snapshot.postings("raw", term) for term in terms[:MAX_EXPANSIONS]])

    def _any(self, found: list[Postings]) -> Postings:
        found = [postings for postings in found if postings.docs.size]
        if len(found) <= 1:
            return found[0] if found else NOTHING
        counts = np.zeros(self._snapshot.count, dtype=np.float32)
        for postings in found:
            counts[postings.docs] += postings.counts
        docs = np.flatnonzero(counts).astype(np.int32)
        return Postings(docs, counts[docs])


def bm25(
    counts: NDArray[np.float64], sizes: NDArray[np.float64], mean_size: float, documents: int, holding: int
) -> NDArray[np.float64]:
    """BM25 of one term in each document that holds it. `holding` documents of `documents` do."""
    if not counts.size:  # an index of an archive that holds nothing yet has no document either
        return np.zeros_like(counts)
    idf = math.log(documents / (holding + 1)) + 1.0
    length = (1.0 - B) + B * sizes / mean_size if mean_size else np.ones_like(sizes)
    return idf * counts * (K1 + 1.0) / (counts + K1 * length)


def word_counts(evaluation: Evaluation, root: Node) -> tuple[WordCount, ...]:
    """How many documents answer each word, phrase or prefix, in the order asked."""
    asked = set(wanted(root))
    return tuple(
        WordCount(spell(leaf), int(evaluation.leaf(leaf).docs.size), leaf not in asked)
        for leaf in dict.fromkeys(leaves(root))
    )


def occur_together(evaluation: Evaluation, root: Node, most: int = 3) -> tuple[Together, ...]:
    """The largest groups of a question's parts that do occur together; empty where all do, or none."""
    if not isinstance(root, AllOf) or len(root.parts) > MAX_SUBSET_PARTS or evaluation.documents(root).size:
        return ()
    parts = [part for part in root.parts if not isinstance(part, Without)]
    kept = [part for part in root.parts if isinstance(part, Without)]
    for size in range(len(parts) - 1, 0, -1):
        groups: list[Together] = []
        for group in combinations(parts, size):
            tree = AllOf((*group, *kept)) if len(group) + len(kept) > 1 else group[0]
            hits = int(evaluation.documents(tree).size)
            if hits:
                groups.append(Together(spell(tree), hits))
        if groups:
            return tuple(sorted(groups, key=lambda group: -group.hits)[:most])
    return ()


def _common(one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.int64]:
    """What two ascending arrays without repeats have in common."""
    small, large = (one, other) if one.size <= other.size else (other, one)
    places = np.searchsorted(large, small)
    places[places == large.size] = 0
    common: NDArray[np.int64] = small[large[places] == small]
    return common
