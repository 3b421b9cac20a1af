"""Proposals from bench cards: in view, or shown to the clip before. Pure.

A card in view says what the picture is of more surely than anything but a person. In a clip it holds until the next
card is shown: that is what cards are shown for. A card whose id the plan does not have proposes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lastlook.cards import Card, decode, is_ours
from lastlook.records import Code, CodeKind, Dimension, Plan, Proposal, ProposalSource
from lastlook.tagging.context import CardSeen, Context, clock


def propose(context: Context) -> list[Proposal]:
    """One proposal for each thing that a card names."""
    weights = context.weights
    best: dict[tuple[object, str], Proposal] = {}
    for seen in context.cards:
        confidence = weights.card if seen.in_view else weights.card_carried
        if seen.in_view:
            evidence = f"card {seen.target} in view"
        else:
            evidence = f"card {seen.target} shown to the clip at {clock(seen.at_ms or 0)}, and no other since"
        if seen.mirrored:
            evidence += " (in mirror image)"
        key = (seen.dimension, seen.target)
        if key not in best or confidence > best[key].confidence:
            best[key] = Proposal(seen.dimension, seen.target, ProposalSource.CARD, confidence, evidence)
    return list(best.values())


@dataclass(frozen=True, slots=True)
class Shown:
    """A bench card in a photo (`at_ms` None) or in a clip."""

    card: Card
    at_ms: int | None
    mirrored: bool


def cards_in(codes: Iterable[tuple[int | None, Code]], plan: Plan) -> list[Shown]:
    """The cards among codes of one photo or clip (each with its moment, ms), in order of time, ids as the plan writes
    them. Cards of other plans are left out."""
    kinds = _ids(plan)
    found = []
    for at_ms, code in codes:
        card = decode(code.text) if code.kind is CodeKind.QR else None
        if card is not None and (id := kinds.get((card.dimension, card.id.casefold()))):
            found.append(Shown(Card(card.dimension, id), at_ms, code.mirrored))
    return sorted(found, key=lambda shown: shown.at_ms or 0)


def strange(codes: Iterable[Code], plan: Plan) -> list[str]:
    """What is to be said of bench cards that cannot be used, a line each."""
    kinds = _ids(plan)
    said: list[str] = []
    for code in codes:
        if code.kind is not CodeKind.QR or not is_ours(code.text):
            continue
        card = decode(code.text)
        if card is None:
            said.append(f"a bench card whose code cannot be trusted ({code.text}); print it again")
        elif (card.dimension, card.id.casefold()) not in kinds:
            said.append(f"a bench card for {card.dimension.value} {card.id}, which the plan does not have")
    return list(dict.fromkeys(said))


def held(shown: Iterable[Shown], clip_ms: int | None, moment_ms: int) -> tuple[CardSeen, ...]:
    """What cards say of a picture of the medium they were shown to: of a photo, those in it; of the still at `clip_ms`,
    those in view within `moment_ms` of it, else the last ones shown before."""
    every = tuple(shown)
    if clip_ms is None:
        return tuple(_seen(one, in_view=True) for one in every)
    near = [one for one in every if one.at_ms is not None and abs(one.at_ms - clip_ms) <= moment_ms]
    if near:
        return tuple(_seen(one, in_view=True) for one in near)
    earlier = [one for one in every if one.at_ms is not None and one.at_ms < clip_ms]
    if not earlier:
        return ()
    last = earlier[-1].at_ms or 0
    # Two cards held up together ("MAST" and "S08") are shown within some seconds of each other.
    return tuple(_seen(one, in_view=False) for one in earlier if (one.at_ms or 0) >= last - 3 * moment_ms)


def _seen(one: Shown, *, in_view: bool) -> CardSeen:
    return CardSeen(one.card.dimension, one.card.id, in_view, one.at_ms, one.mirrored)


def _ids(plan: Plan) -> dict[tuple[object, str], str]:
    groups = (
        (Dimension.SUBASSEMBLY, plan.subassemblies),
        (Dimension.STEP, plan.steps),
        (Dimension.RUN, plan.runs),
        (Dimension.PART, plan.parts),
    )
    return {(dimension, item.id.casefold()): item.id for dimension, items in groups for item in items}
