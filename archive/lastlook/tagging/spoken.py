"""Proposals from the words spoken over a still. Pure.

The cues are read as one stream, because captions break lines anywhere ("the lantern / mast"); a pause ends a sentence.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

from lastlook.records import Cue, Dimension, Proposal, ProposalSource
from lastlook.tagging.context import Context, clock
from lastlook.tagging.mention import base, meaning
from lastlook.tagging.words import Word, normal, words_of

PAUSE_MS = 1_500
"""Silence between two cues that ends a sentence (common practice, no source: speakers breathe well under a second)."""

QUOTED = 5  # words quoted to either side of a name


@dataclass(frozen=True, slots=True)
class _Heard:
    """One naming: how sure, when in the clip (ms), and the words around it."""

    confidence: float
    at_ms: int
    quote: str
    why: str


def propose(context: Context) -> list[Proposal]:
    """What is named in the cues of a still, one proposal a target; nothing for a photo."""
    if context.clip_ms is None or not context.cues:
        return []
    weights = context.weights
    stream = _Stream(context.cues)
    heard: dict[tuple[Dimension, str], list[_Heard]] = defaultdict(list)
    for match in context.lexicon.find(stream.words):
        read = meaning(stream.words, match, weights)
        at_ms = stream.moment(match.first)
        confidence = base(weights.spoken, match) * read.factor
        if not context.clip_ms - weights.near_before_ms <= at_ms <= context.clip_ms + weights.near_after_ms:
            confidence *= weights.far
        one = _Heard(confidence, at_ms, stream.quote(match.first, match.last), read.why)
        for name in match.names:
            if name.dimension is not None:
                heard[name.dimension, name.id].append(one)
    proposals: list[Proposal] = []
    for (dimension, target), times in heard.items():
        best = max(times, key=lambda one: (one.confidence, -one.at_ms))
        # Only namings that were meant add up: three times "not W03" is no W03.
        meant = sum(1 for one in times if one is not best and not one.why)
        confidence = min(best.confidence + (weights.again * meant if not best.why else 0.0), weights.spoken_most)
        if confidence >= weights.floor:
            evidence = f'said at {clock(best.at_ms)}: "{best.quote}"'
            if best.why:
                evidence += f" ({best.why})"
            elif meant:
                evidence += f" and {meant} more time{'s' if meant > 1 else ''}"
            proposals.append(Proposal(dimension, target, ProposalSource.SPOKEN, round(confidence, 4), evidence))
    return proposals


class _Stream:
    """The cues of one still as one row of words that know their moment."""

    def __init__(self, cues: Sequence[Cue]) -> None:
        self._cues = cues
        texts = [normal(cue.text) for cue in cues]
        # Where each cue starts in the joined text, a space between two.
        self._starts = list(accumulate((len(text) + 1 for text in texts[:-1]), initial=0))
        self.text = " ".join(texts)
        gaps = pairwise(cues)
        pauses = [
            start
            for start, (one, following) in zip(self._starts[1:], gaps, strict=True)
            if following.start_ms - one.end_ms > PAUSE_MS
        ]
        words: list[Word] = []
        for word in words_of(self.text):
            broken = bisect_right(pauses, word.start)
            # Each pause counts as a full stop.
            words.append(replace(word, clause=word.clause + broken))
        self.words: tuple[Word, ...] = tuple(words)

    def moment(self, index: int) -> int:
        """When word `index` is said, ms of the clip, taking each cue's letters as evenly spoken."""
        at = self.words[index].start
        row = bisect_right(self._starts, at) - 1
        cue, start = self._cues[row], self._starts[row]
        length = max(1, len(normal(cue.text)))
        return cue.start_ms + (cue.end_ms - cue.start_ms) * min(at - start, length) // length

    def quote(self, first: int, last: int) -> str:
        """The words heard around words[first:last], as they were written."""
        low, high = max(0, first - QUOTED), min(len(self.words), last + QUOTED)
        # An id is two words here ("W", "03") and one to the reader.
        while low > 0 and self.words[low].glued:
            low -= 1
        while high < len(self.words) and self.words[high].glued:
            high += 1
        start = self.words[low].start if low else 0
        end = self.words[high - 1].end if high < len(self.words) else len(self.text)
        return ("…" if low else "") + self.text[start:end].strip() + ("…" if high < len(self.words) else "")
