"""What a record says beyond pictures, by topic: what the builder states about lifting, supply, cleaning and the like.

A topic of which nothing is stated is listed as not recorded: absence is an answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lastlook.closing import cautions
from lastlook.errors import UsageError
from lastlook.handover.words import N_
from lastlook.plan.ids import nearest


@dataclass(frozen=True, slots=True)
class Topic:
    """`key` as it is typed; `title` a fixed text; `chapter` where it stands; `asked`: said to be missing if absent;
    `cautions`: fixed texts that stand beside it, whether or not anything is stated."""

    key: str
    title: str
    chapter: str
    asked: bool = True
    cautions: tuple[str, ...] = ()


# The sentences of caution are common practice; each defers to the product's data sheet and to local law.
LIFTING: Final = N_(
    "Lift only at the marked points with enough people, keep hands off fittings, and follow local manual-handling "
    "rules."
)
DRILLING: Final = N_(
    "The drawn route is an estimate, so disconnect all supply, keep outside the marked band, use a depth stop and "
    "confirm by another means before cutting."
)
DUST: Final = N_(
    "Sanding or cutting resin, fibre, styrene or old paint makes harmful dust, so use extraction and suitable "
    "respiratory protection, and eye protection with rotary tools."
)
SOLDERING: Final = N_(
    "Rosin flux fume can cause asthma and hot metal can burn, so extract fume at source and wash hands after handling "
    "solder."
)
OLD: Final = N_(
    "Paint may contain lead and insulation may contain asbestos; stop and have it tested before disturbing it."
)

TOPICS: Final = (
    Topic("what", N_("What it is"), "what"),
    Topic("maker", N_("Who made it"), "what"),
    Topic("size", N_("Size"), "what"),
    Topic("mass", N_("Mass and balance point"), "handling"),
    Topic("lift", N_("Lifting points and forbidden grips"), "handling", cautions=(LIFTING,)),
    Topic("carry", N_("Carrying and way up in the crate"), "handling"),
    Topic("supply", N_("Supply: volts, amperes, polarity, connector"), "handling", cautions=(cautions.ADAPTER,)),
    Topic("duty", N_("Duty limits and environment"), "handling", cautions=(cautions.ROTATING, cautions.LIGHT)),
    Topic("cells", N_("Cells and batteries"), "handling", asked=False, cautions=(cautions.CELLS,)),
    Topic("clean", N_("Cleaning"), "handling"),
    Topic("access", N_("How to open it"), "access", asked=False),
    Topic("replace", N_("Replacing lamps, drivers and motors"), "access", cautions=(SOLDERING,)),
    Topic("reversible", N_("What can be undone, and how"), "bonds"),
    Topic("paint", N_("Paint and what must not be painted over"), "bonds", asked=False),
    Topic("spare", N_("Spare parts and where they are"), "spares"),
    Topic("warranty", N_("Warranty"), "limits", asked=False),
    Topic("limit", N_("Limits that the builder states"), "limits", asked=False),
)
BY_KEY: Final = {topic.key: topic for topic in TOPICS}


def topic_of(typed: str) -> Topic:
    """Raises UsageError for a topic that there is not."""
    found = BY_KEY.get(typed.strip().lower())
    if found is None:
        like = nearest(typed, list(BY_KEY))
        near = f" Did you mean {' or '.join(like)}?" if like else ""
        raise UsageError(f"there is no topic {typed!r}", f"Topics: {', '.join(BY_KEY)}.{near}")
    return found


def of_chapter(chapter: str) -> tuple[Topic, ...]:
    return tuple(topic for topic in TOPICS if topic.chapter == chapter)
