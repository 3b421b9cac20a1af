"""Words of caution, each one sentence; all defer to the product's safety data sheet and to local law."""

from __future__ import annotations

from typing import Final

RESIN: Final = (
    "Uncured resin and hardener can sensitise skin permanently, so avoid contact, ventilate and follow the safety "
    "data sheet."
)
EXOTHERM: Final = (
    "A mixed mass can overheat, smoke or distort the part, so mix small batches, spread them and keep within the data "
    "sheet's mass limit."
)
ISOCYANATES: Final = (
    "Polyurethane resins, foams and two-pack paints may contain isocyanates that cause asthma; use only with the "
    "controls, and where the law asks for it the training, that apply."
)
VAPOUR: Final = (
    "Vapour irritates, and trapped vapour fogs or crazes clear parts, so ventilate the work and the closed volume "
    "before sealing."
)
UNCURED: Final = "Do not move, load, clamp elsewhere or stand over a joint before the recorded no-load time has passed."
LIGHT: Final = (
    "Do not look into a bright source at bench distance, and check it before closing through a diffuser or camera."
)
ROTATING: Final = "A motor may start without warning when power is applied, so keep fingers, hair and wires clear."
ADAPTER: Final = (
    "Use only an approved adapter of the marked voltage, current and polarity, keep mains out of the model, and leave "
    "mains work to a qualified person."
)
CELLS: Final = (
    "A damaged, shorted or sealed-in lithium cell can burn; use protected cells that can be removed, do not charge "
    "inside a closed model, and check carriage rules before shipping."
)
LIMITS: Final = (
    "This record describes what was photographed and noted; it is not a certificate of electrical or structural safety."
)


def of_adhesive(kind: str) -> tuple[str, ...]:
    """Cautions for a kind of adhesive, by the words in its name; those of resins where it is not known."""
    said = kind.casefold()
    if any(word in said for word in ("cyano", "solvent", "styrene cement", "plastic cement")):
        return (VAPOUR,)
    if any(word in said for word in ("urethane", "foam", "pur ", "isocyan")):
        return (RESIN, EXOTHERM, ISOCYANATES)
    return (RESIN, EXOTHERM)
