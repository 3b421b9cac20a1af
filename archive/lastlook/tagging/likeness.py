"""Proposals from likeness to pictures that a person has tagged. Pure: which pictures are alike is found elsewhere
(`intake.likeness_features` by local features whose places agree).

A link counts by how many places agree. What a person said of the other picture's subassembly and step is taken over;
its runs and parts less, since they may be on the other side or not yet be there.
"""

from __future__ import annotations

from lastlook.records import Dimension, Proposal, ProposalSource
from lastlook.tagging.context import Context


def propose(context: Context) -> list[Proposal]:
    """One proposal for each thing that pictures alike show."""
    weights = context.weights
    best: dict[tuple[Dimension, str], Proposal] = {}
    for one in context.alike:
        sure = weights.alike * one.agreeing / (one.agreeing + weights.alike_half)
        for dimension, target in one.targets:
            confidence = round(sure * weights.alike_of(dimension), 4)
            key = (dimension, target)
            if confidence >= weights.floor and (key not in best or confidence > best[key].confidence):
                evidence = f"looks like {one.file}, tagged so by a person: {one.agreeing} places agree"
                best[key] = Proposal(dimension, target, ProposalSource.LIKENESS, confidence, evidence)
    return list(best.values())
