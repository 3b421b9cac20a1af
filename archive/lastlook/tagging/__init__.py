"""Proposals for tags: where they come from and how they are weighed. Pure; `propose_all` is the way in."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from lastlook.tagging import cards, consequence, folders, heard, likeness, neighbours, sessions, spoken
from lastlook.tagging.context import Context, Source
from lastlook.tagging.lexicon import Lexicon
from lastlook.tagging.weigh import Weighed, weigh
from lastlook.tagging.weights import DEFAULT, Weights

DIRECT: Final[tuple[Source, ...]] = (
    cards.propose,
    sessions.propose,
    folders.propose,
    spoken.propose,
    heard.propose,
    neighbours.propose,
    likeness.propose,
)
"""Sources that look at facts about the picture."""

DERIVED: Final[tuple[Source, ...]] = (consequence.propose,)
"""Sources that draw conclusions from the proposals of the direct ones."""

__all__ = ["DEFAULT", "DERIVED", "DIRECT", "Context", "Lexicon", "Source", "Weighed", "Weights", "propose_all", "weigh"]


def propose_all(context: Context) -> list[Weighed]:
    """Everything that speaks for tags on one picture, weighed, the surest first; `applies` marks what to apply."""
    direct = [proposal for source in DIRECT for proposal in source(context)]
    with_direct = replace(context, so_far=(*context.so_far, *direct))
    derived = [proposal for source in DERIVED for proposal in source(with_direct)]
    return weigh([*with_direct.so_far, *derived], plan=context.plan, tags=context.tags, weights=context.weights)
