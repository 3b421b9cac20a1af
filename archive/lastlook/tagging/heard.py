"""Proposals from names heard in the sound of a clip: as from captions, but weaker, as machines mishear. Pure."""

from __future__ import annotations

from collections import defaultdict

from lastlook.records import Dimension, Heard, Proposal, ProposalSource
from lastlook.tagging.context import Context, clock
from lastlook.tagging.mention import base, meaning
from lastlook.tagging.words import words_of


def propose(context: Context) -> list[Proposal]:
    """What was heard around a still, one proposal a target; nothing for a photo."""
    if context.clip_ms is None or not context.heard:
        return []
    weights = context.weights
    found: dict[tuple[Dimension, str], list[tuple[float, Heard, str]]] = defaultdict(list)
    for one in context.heard:
        words = words_of(one.text)
        for match in context.lexicon.find(words):
            read = meaning(words, match, weights)
            trust = weights.heard_least + (weights.heard_most - weights.heard_least) * one.sure
            confidence = base(weights.spoken, match) * read.factor * trust
            if not context.clip_ms - weights.near_before_ms <= one.start_ms <= context.clip_ms + weights.near_after_ms:
                confidence *= weights.far
            for name in match.names:
                if name.dimension is not None:
                    found[name.dimension, name.id].append((confidence, one, read.why))
    proposals = []
    for (dimension, target), times in found.items():
        strongest, best, why = max(times, key=lambda each: (each[0], -each[1].start_ms))
        again = sum(1 for _, one, reason in times if one is not best and not reason)
        confidence = min(strongest + weights.again * again, weights.spoken_most)
        if confidence >= weights.floor:
            evidence = f'heard at {clock(best.start_ms)}: "{best.text}" ({round(100 * best.sure)} % sure)'
            if why:
                evidence += f" ({why})"
            elif again:
                evidence += f" and {again} more time{'s' if again > 1 else ''}"
            proposals.append(Proposal(dimension, target, ProposalSource.HEARD, round(confidence, 4), evidence))
    return proposals
