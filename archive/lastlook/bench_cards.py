"""Bench cards of a plan's items, ready to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lastlook.cards import Card
from lastlook.cards.sheet import PER_PAGE, Paper, Titled, lost, to_pdf
from lastlook.errors import NoSuchId, UsageError
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Dimension
from lastlook.store import Store

KINDS = {
    "subassemblies": Dimension.SUBASSEMBLY,
    "steps": Dimension.STEP,
    "runs": Dimension.RUN,
    "parts": Dimension.PART,
}
MOST = 400


@dataclass(frozen=True, slots=True)
class Sheet:
    """`lacking`: ids of the cards whose title or build has letters that cannot be printed on them."""

    cards: tuple[Titled, ...]
    pages: int
    pdf: bytes
    lacking: tuple[str, ...] = ()


def sheet(store: Store, ids: Sequence[str], kinds: Sequence[str] = (), paper: str = "a4") -> Sheet:
    """Cards for items of the plan, those named first, then all of some kinds. Raises NoSuchId, UsageError."""
    plan = store.plan
    titled: dict[Card, Titled] = {}
    items = structure.items(plan)
    for typed in ids:
        id = lookup_id(plan, None, typed)
        kind = structure.kind_of(items[id])
        if not isinstance(kind, Dimension):
            raise NoSuchId("subassembly, step, run or part", typed)
        titled.setdefault(Card(kind, id), Titled(Card(kind, id), items[id].title))
    for name in kinds:
        for id, item in items.items():
            kind = structure.kind_of(item)
            if kind is KINDS[name]:
                titled.setdefault(Card(KINDS[name], id), Titled(Card(KINDS[name], id), item.title))
    if not titled:
        raise UsageError("no card was named", "Name subassemblies, steps or runs of the plan, or give --all steps.")
    if len(titled) > MOST:
        raise UsageError(f"{len(titled)} cards are more than one sheet file holds ({MOST})", "Print them in parts.")
    cards = tuple(titled.values())
    lacking = tuple(one.card.id for one in cards if lost(one.title) or lost(plan.build.name))
    pdf = to_pdf(cards, paper=Paper(paper), build=plan.build.name)
    return Sheet(cards, -(-len(cards) // PER_PAGE), pdf, lacking)
