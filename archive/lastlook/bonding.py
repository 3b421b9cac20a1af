"""What data sheets of adhesives say, and the bonds that people make: each is one decision with time and author."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from lastlook.acts import celsius, not_negative, number_of, record, when_said, words_of
from lastlook.closing.bonds import LONGEST_H
from lastlook.closing_facts import gather
from lastlook.errors import UsageError
from lastlook.plan.ids import is_id
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Decision
from lastlook.store import Store


def adhesive(store: Store, id: str, sheet: Mapping[str, object]) -> Decision:
    """Record what a data sheet says. A later word on the same id replaces it, but never shortens a bond's hold."""
    if not is_id(id.strip()):
        raise UsageError(f"{id!r} cannot name an adhesive", "Write letters, digits and hyphens, as in EPOXY-SLOW.")
    body: dict[str, object] = {"id": id.strip()}
    for key in ("fixture_h", "handling_h", "full_cure_h", "pot_life_min"):
        body[key] = _span(number_of(sheet.get(key), key), key)
    _full_cure_is_last(body)
    body["minimum_c"] = celsius(number_of(sheet.get("minimum_c"), "minimum_c"), "minimum_c")
    reference = celsius(number_of(sheet.get("reference_c"), "reference_c"), "reference_c")
    body["reference_c"] = 23.0 if reference is None else reference
    for key in ("kind", "ratio", "sheet", "note"):
        body[key] = words_of(str(sheet.get(key, "") or ""))
    return record(store, "adhesive", body)


def _span(value: float | None, what: str) -> float | None:
    """A time of a data sheet. None at all would end a hold at once, and so would a zero that stands for “not said”."""
    if value is not None and not 0 < value <= LONGEST_H:
        raise UsageError(
            f"{what} is {value:g}; it must be more than 0 and at most {LONGEST_H:g}",
            "Leave out what the data sheet does not say.",
        )
    return value


def _full_cure_is_last(body: Mapping[str, object]) -> None:
    full = body["full_cure_h"]
    for key in ("fixture_h", "handling_h"):
        part = body[key]
        if isinstance(full, float) and isinstance(part, float) and part > full:
            raise UsageError(
                f"full cure after {full:g} h would come before {key}, {part:g} h", "Check both on the data sheet."
            )


def bond(
    store: Store,
    target: str,
    adhesive: str,
    joined: str,
    *,
    person: str = "",
    mixed: str = "",
    clamp_on: str = "",
    clamp_off: str = "",
    figures: Mapping[str, float | None] | None = None,
    words: Mapping[str, str] | None = None,
    now: datetime | None = None,
) -> Decision:
    """Record a bond of an opening, step, subassembly or part. `figures`: temperature_c, humidity_percent, mass_g;
    `words`: batch, expiry, ratio, preparation, note."""
    figures, words = figures or {}, words or {}
    known = {one.casefold(): one for one in gather(store, ()).adhesives}
    if adhesive.strip().casefold() not in known:
        listed = ", ".join(sorted(known.values())) or "none yet"
        raise UsageError(
            f"there is no adhesive {adhesive!r} in the list",
            f"Known: {listed}. Copy its data sheet: 'lastlook adhesive add'.",
        )
    body: dict[str, object] = {
        "target": lookup_id(store.plan, None, target),
        "adhesive": adhesive.strip(),
        "joined": when_said(store, joined, now),
        "person": words_of(person) or store.by,
        "mass_g": not_negative(figures.get("mass_g"), "the mass"),
        "humidity_percent": not_negative(figures.get("humidity_percent"), "the humidity"),
        "temperature_c": celsius(figures.get("temperature_c"), "the temperature"),
    }
    for key, said in (("mixed", mixed), ("clamp_on", clamp_on), ("clamp_off", clamp_off)):
        body[key] = when_said(store, said, now) if said.strip() else None
    for key in ("batch", "expiry", "ratio", "preparation", "note"):
        body[key] = words_of(words.get(key, ""))
    return record(store, "bond", body)
