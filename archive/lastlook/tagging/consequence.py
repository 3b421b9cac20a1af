"""Proposals that follow from other tags by the plan alone. Pure.

A step and a part lie in one subassembly. A run that lies in one subassembly points there too; one that crosses several
does not say which of them is in view, so nothing follows from it alone.
"""

from __future__ import annotations

from lastlook.records import Dimension, Proposal, ProposalSource, TagState
from lastlook.tagging.context import Context
from lastlook.tagging.places import places


def propose(context: Context) -> list[Proposal]:
    """Subassemblies that follow from `context.so_far` and from the tags a person set."""
    weights = context.weights
    of_item = places(context.plan).of_item
    best: dict[str, Proposal] = {}

    def keep(place: str, confidence: float, evidence: str) -> None:
        if confidence >= weights.floor and (place not in best or confidence > best[place].confidence):
            best[place] = Proposal(Dimension.SUBASSEMBLY, place, ProposalSource.STEP, round(confidence, 4), evidence)

    for tag in context.tags:
        place = of_item.get((tag.dimension, tag.target))
        if tag.state is TagState.SET and place:
            sure = weights.run_place if tag.dimension is Dimension.RUN else weights.person_place
            keep(place, sure, f"{tag.dimension.value} {tag.target} lies in {place}")
    for proposal in context.so_far:
        said = _said_beside(context, proposal)
        place = of_item.get((proposal.dimension, proposal.target))
        if place and (not said or place in said):
            factor = weights.run_place if proposal.dimension is Dimension.RUN else weights.step_place
            evidence = f"{proposal.dimension.value} {proposal.target} lies in {place}; {proposal.evidence}"
            keep(place, proposal.confidence * factor, evidence)
    return list(best.values())


def _said_beside(context: Context, proposal: Proposal) -> set[str]:
    """The places that a person named in one breath with a step: a session on MAST and S08 is about S08 at the mast,
    wherever the plan has most of that step."""
    if proposal.source is not ProposalSource.SESSION:
        return set()
    return {
        target
        for overlap in context.sessions
        if (proposal.dimension, proposal.target) in overlap.targets
        for dimension, target in overlap.targets
        if dimension is Dimension.SUBASSEMBLY
    }
