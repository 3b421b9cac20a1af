"""The numbers by which proposals are weighed, each with its reason, in one place.

They are judgements ("common practice, no source"), set so that one plain naming (an id, a title) is applied; one
ordinary word is only where it is said near the still or typed as a name; a name that is only mentioned is not; and two
independent sources, each short of enough, together are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class FormWeights:
    """How much a name counts by its form: an id with letters and digits is never an accident, "deck" often is.

    A colour names a run only as long as no wire outside the plan has it; a part of a step's title is often said of
    another day's work, while nobody would name a folder by it without meaning the step."""

    code: float
    phrase: float
    numbered: float
    colour: float
    word: float
    partial: float


@dataclass(frozen=True, slots=True)
class Weights:
    """All settings of the tagging. Confidences and factors are 0..1, spans are ms of the clip's time line."""

    threshold: float = 0.5
    """At or above, a proposal is applied as a proposed tag; below, it is only offered where asked for."""

    floor: float = 0.1
    """Below, a proposal is noise and is not made."""

    folder: FormWeights = FormWeights(code=0.8, phrase=0.75, numbered=0.7, colour=0.5, word=0.6, partial=0.5)
    """Somebody sorted the file there on purpose; but whole cards are emptied into one folder, hence not near 1."""

    folder_above: float = 0.85
    """Factor for each level up: "wiring/W03/close-ups" names W03 more surely than "mast/W03" names the mast."""

    file_name: FormWeights = FormWeights(code=0.75, phrase=0.7, numbered=0.6, colour=0.5, word=0.55, partial=0.5)
    """Typed for this very file, but often a series name given to many at once."""

    serial: float = 0.6
    """Factor for "run_03.jpg": a number at the end of a file name is more often a counter than an id."""

    spoken: FormWeights = FormWeights(code=0.7, phrase=0.65, numbered=0.65, colour=0.52, word=0.52, partial=0.4)
    """Speech names what is at hand most of the time, but also what is not; and it is misheard by machines."""

    near_before_ms: int = 8_000
    near_after_ms: int = 3_000
    """A name said from 8 s before the still (named, then held up) to 3 s after it (held up, then named) is near."""

    far: float = 0.75
    """Factor for a name that falls in the still's stretch but not near it: the hands may have moved on."""

    again: float = 0.05
    """What each further naming in the same stretch adds; speech that keeps to one thing shows that thing."""

    spoken_most: float = 0.85
    """Words alone never reach more: nobody looked at the picture."""

    negated: float = 0.25
    """"not W03": the thing is named to say that it is not this one, or not here."""

    denied: float = 0.6
    """"W03 is not in yet": it is talked about, and may well be in view."""

    postponed: float = 0.4
    """"we'll do the mast later"."""

    beforehand: float = 0.45
    """"before the mast goes on": it is not on."""

    afterward: float = 0.55
    """"after the mast went on": it is on, though the talk is of something else."""

    past: float = 0.8
    """"W03 came out too short yesterday": told of the past, but the thing is often at hand while it is told."""

    compared: float = 0.5
    """"instead of W07", "unlike the fore hull"."""

    leads_to: float = 0.8
    """"up to the lantern": where something leads; perhaps not in view."""

    inside_other: float = 0.6
    """"mast" in "mast foot" (an opening) or in "mast motor test" (a step): near it, but not named for itself. Not for
    ids: "the splice in W03" names W03."""

    shown: float = 1.15
    """"here is the mast": pointing words; only where nothing lowers it."""

    step_place: float = 0.9
    """From a step or part to its subassembly: the plan is sure, the picture may be taken from outside it."""

    run_place: float = 0.7
    """From a run that lies in one subassembly alone: its ends may show elsewhere."""

    person_place: float = 0.95
    """From a step or part that a person tagged: the plan is sure and so is the person."""

    family_most: float = 0.9
    """No one kind of evidence counts for more in the sum."""

    most: float = 0.97
    """No sum of machines' evidence is a fact."""

    comparable: float = 0.6
    """Two claims conflict where the weaker reaches this share of the stronger."""

    conflict_floor: float = 0.3
    """A claim weaker than this contradicts nothing."""


DEFAULT: Final = Weights()
