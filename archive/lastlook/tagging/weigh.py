"""Several proposals for the same target into one, by one rule; contradictions shown, not averaged away. Pure.

The rule. Evidence of one family (both names of the source; speech; cards; …) is not independent: its strongest counts,
at most `family_most`, a card in view for what it is. Families are independent: noisy-or, c = 1 − Π(1 − cᵢ), at most
`most`; but those that speak of what went on around the picture (session, folder, neighbours) come to `around_most`
together, since all of them are wrong at once where something else is photographed in between. What follows from another
proposal is not independent of anything: it only counts where it is stronger than the rest together.

A contradiction. A picture shows one step and mostly one subassembly. Against a claim stands what other families than
its own say for another one ("mast and deck" said in one breath is no contradiction, a folder that says mast and speech
that says deck is), unless one lies within the other; against a step also what says another place than its own. Of two
that cannot both be true, what is left of a claim of c against one of d is c · (1 − d) / (1 − c · d): the share of the
cases in which not both hold. A claim is so measured against the strongest that contradicts it. Claims of comparable
weight are marked as in conflict, and both stay with their evidence; what is contested is applied only where it is as
sure as `contested`, or a card in view says it: else a person is asked.

The result is a probability: of the proposals given 0.9, nine in ten are right. The benchmark `tagging` prints how that
holds.

A person's word wins: what a person has set or rejected is not proposed again, and where a person has set a step or a
subassembly, others are offered but not applied.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from lastlook.records import Dimension, Plan, Proposal, ProposalSource, Tag, TagState
from lastlook.tagging.places import Places, places
from lastlook.tagging.weights import DEFAULT, Weights

_FAMILIES = {
    ProposalSource.FILE_NAME: ProposalSource.FOLDER,  # both were typed when the file was put away
    ProposalSource.HEARD: ProposalSource.SPOKEN,  # the same speech, written down or heard by a machine
}
OTHER = " — other evidence says "
"""Stands in the evidence of a claim that another contradicts."""

_AROUND = frozenset({ProposalSource.SESSION, ProposalSource.FOLDER, ProposalSource.NEIGHBOUR})
"""Families that speak of the time or the place at which a picture was taken, not of the picture itself."""

_EXCLUSIVE = (Dimension.SUBASSEMBLY, Dimension.STEP)


@dataclass(frozen=True, slots=True)
class Weighed:
    """All that speaks for one target. `evidence` strongest first; `conflicts` are the targets that contradict it;
    `applies` whether it is to be put on the picture as a proposed tag."""

    dimension: Dimension
    target: str
    confidence: float
    evidence: tuple[Proposal, ...]
    conflicts: tuple[str, ...] = ()
    applies: bool = False

    @property
    def proposal(self) -> Proposal:
        """As one proposal: the source of the strongest, the evidence of all in one line."""
        lines = dict.fromkeys(one.evidence for one in self.evidence)
        said = "; ".join(lines)
        if self.conflicts:
            said += OTHER + ", ".join(self.conflicts)
        return Proposal(self.dimension, self.target, self.evidence[0].source, self.confidence, said)


def weigh(
    proposals: Iterable[Proposal],
    *,
    plan: Plan | None = None,
    tags: Sequence[Tag] = (),
    weights: Weights = DEFAULT,
) -> list[Weighed]:
    """Combine `proposals` of one picture, the surest first. `plan` tells nested subassemblies; `tags` are its tags."""
    decided = {(tag.dimension, tag.target) for tag in tags if tag.state is not TagState.PROPOSED}
    fixed = {tag.dimension for tag in tags if tag.state is TagState.SET}
    groups: dict[tuple[Dimension, str], list[Proposal]] = defaultdict(list)
    for proposal in proposals:
        if (proposal.dimension, proposal.target) not in decided:
            groups[proposal.dimension, proposal.target].append(proposal)
    strongest = {key: _strongest(group, weights) for key, group in groups.items()}
    exclusive = [key for key in groups if key[0] in _EXCLUSIVE]
    known = places(plan)
    found: list[Weighed] = []
    for (dimension, target), group in groups.items():
        own = strongest[dimension, target]
        alone = _together(own, weights)
        # What of another comes from elsewhere than this does. What merely follows has no source of its own, unless a
        # claim has nothing else.
        against = {
            key: strength
            for key in (exclusive if dimension in _EXCLUSIVE else ())
            if _rivals(dimension, target, *key, known)
            and (strength := _together({one: sure for one, sure in strongest[key].items() if one not in own}, weights))
        }
        conflicts = tuple(
            sorted(
                other
                for (other_dimension, other), strength in against.items()
                if other_dimension is dimension and _comparable(alone, strength, weights)
            )
        )
        confidence = contradicted(alone, max(against.values(), default=0.0))
        needed = weights.threshold
        if conflicts and not any(one.confidence >= weights.card for one in group if one.source is ProposalSource.CARD):
            needed = max(needed, weights.contested)
        applies = confidence >= needed and not (dimension in _EXCLUSIVE and dimension in fixed)
        ordered = tuple(sorted(group, key=lambda one: (-one.confidence, one.source, one.evidence)))
        found.append(Weighed(dimension, target, confidence, ordered, conflicts, applies))
    found.sort(key=lambda one: (-one.confidence, one.dimension, one.target))
    return found


def combined(group: Iterable[Proposal], weights: Weights = DEFAULT) -> float:
    """One confidence for proposals of the same target, by the rule of this module; four decimals."""
    return _together(_strongest(group, weights), weights)


def _strongest(group: Iterable[Proposal], weights: Weights) -> dict[ProposalSource, float]:
    """What the strongest of each family counts for; what follows from others is a family of its own."""
    found: dict[ProposalSource, float] = {}
    for one in group:
        source, sure = one.source, one.confidence
        if source is not ProposalSource.STEP:
            source = _FAMILIES.get(source, source)
            sure = min(sure, weights.most if source is ProposalSource.CARD else weights.family_most)
        if sure > found.get(source, 0.0):
            found[source] = sure
    return found


def _together(strongest: Mapping[ProposalSource, float], weights: Weights) -> float:
    around = itself = 1.0
    for family, sure in strongest.items():
        if family in _AROUND:
            around *= 1.0 - sure
        elif family is not ProposalSource.STEP:
            itself *= 1.0 - sure
    together = 1.0 - max(around, 1.0 - weights.around_most) * itself
    return round(min(max(together, strongest.get(ProposalSource.STEP, 0.0)), weights.most), 4)


def contradicted(claim: float, against: float) -> float:
    """What is left of `claim` where `against` cannot be true as well; four decimals."""
    return round(claim * (1.0 - against) / (1.0 - claim * against), 4) if against else claim


def _rivals(
    dimension: Dimension,
    target: str,
    other_dimension: Dimension,
    other: str,
    known: Places,
) -> bool:
    """Whether a picture that shows the one thing hardly shows the other: two steps, two places of which neither lies in
    the other, a step and a place that is not its own."""
    if dimension is Dimension.STEP and other_dimension is Dimension.STEP:
        return target != other
    if dimension is Dimension.STEP and target in known.of_step:
        target, dimension = known.of_step[target], Dimension.SUBASSEMBLY
    if not dimension is other_dimension is Dimension.SUBASSEMBLY or target == other:
        return False
    return not (_lies_within(target, other, known.within) or _lies_within(other, target, known.within))


def _comparable(one: float, other: float, weights: Weights) -> bool:
    low, high = sorted((one, other))
    return low >= weights.conflict_floor and low >= weights.comparable * high


def _lies_within(inner: str, outer: str, within: Mapping[str, str]) -> bool:
    seen: set[str] = set()
    while inner in within and inner not in seen:
        seen.add(inner)
        inner = within[inner]
        if inner == outer:
            return True
    return False
