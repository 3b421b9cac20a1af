"""The numbers by which proposals are weighed, each with its reason, in one place.

They are judgements ("common practice, no source"), set so that one plain naming (an id, a title) is applied; one
ordinary word is only where it is said near the still or typed as a name; a name that is only mentioned is not; and two
independent sources, each short of enough, together are. How the probabilities that come of them hold is measured by
the benchmark `tagging`, on years and pictures that they were not made for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lastlook.records import Dimension


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

    contested: float = 0.7
    """What other evidence of comparable weight speaks against must be at least so sure to be applied."""

    floor: float = 0.1
    """Below, a proposal is noise and is not made."""

    folder: FormWeights = FormWeights(code=0.94, phrase=0.93, numbered=0.9, colour=0.58, word=0.88, partial=0.65)
    """Somebody sorted the file there on purpose; but whole cards are emptied into one folder, hence not near 1."""

    folder_above: float = 0.85
    """Factor for each level up: "wiring/W03/close-ups" names W03 more surely than "mast/W03" names the mast."""

    file_name: FormWeights = FormWeights(code=0.85, phrase=0.82, numbered=0.7, colour=0.5, word=0.65, partial=0.55)
    """Typed for this very file, but often a series name given to many at once."""

    serial: float = 0.6
    """Factor for "run_03.jpg": a number at the end of a file name is more often a counter than an id."""

    spoken: FormWeights = FormWeights(code=0.85, phrase=0.82, numbered=0.78, colour=0.55, word=0.62, partial=0.42)
    """Speech names what is at hand most of the time, but also what is not; and it is misheard by machines."""

    near_before_ms: int = 8_000
    near_after_ms: int = 3_000
    """A name said from 8 s before the still (named, then held up) to 3 s after it (held up, then named) is near."""

    far: float = 0.85
    """Factor for a name that falls in the still's stretch but not near it: the hands may have moved on."""

    again: float = 0.05
    """What each further naming in the same stretch adds; speech that keeps to one thing shows that thing."""

    spoken_most: float = 0.9
    """Words alone never reach more: nobody looked at the picture."""

    heard_least: float = 0.3
    heard_most: float = 0.72
    """Factor for a name heard in the sound, from not sure at all to wholly: about one in ten heard was not said."""

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

    step_place: float = 0.97
    """From a step or part to its subassembly: the plan is sure, the picture may be taken from outside it."""

    run_place: float = 0.8
    """From a run that lies in one subassembly alone: its ends may show elsewhere."""

    person_place: float = 0.95
    """From a step or part that a person tagged: the plan is sure and so is the person."""

    card: float = 0.975
    """A card in view: laid there to say it, read with check digits; but it may lie there from the step before."""

    card_carried: float = 0.92
    """Shown to the clip before, and no other since."""

    card_moment_ms: int = 1_500
    """A card seen in a clip within this of a still is in view in it; three times this apart, cards are held up
    together."""

    session: float = 0.95
    session_step: float = 0.94
    session_item: float = 0.5
    """Said at the bench while it was done; but people look at something else in between, and forget to stop. A run or
    part that a session is about is not in each of its pictures."""

    after_card: float = 0.93
    after_card_fade_ms: int = 12 * 3600 * 1000
    before_card: float = 0.3
    before_card_fade_ms: int = 2 * 60 * 1000
    """Photos behind a photographed card: until the next card or the session's end. Before it, at most some seconds."""

    beside: float = 0.8
    beside_fade_ms: int = 12 * 60 * 1000
    beside_most: float = 0.9
    """Beside a picture that a person tagged; both sides agreeing count as two."""

    alike: float = 0.9
    alike_half: float = 12.0
    """Looks like a tagged picture: at this many agreeing places half of `alike`, more towards all of it."""

    family_most: float = 0.96
    """No one kind of evidence but a card in view counts for more in the sum."""

    around_most: float = 0.96
    """What session, folder and neighbours come to together: about one shot in twenty-five shows something else."""

    most: float = 0.98
    """No sum of machines' evidence is a fact."""

    comparable: float = 0.6
    """Two claims conflict where the weaker reaches this share of the stronger."""

    conflict_floor: float = 0.3
    """A claim weaker than this contradicts nothing."""

    def session_of(self, dimension: Dimension) -> float:
        if dimension is Dimension.SUBASSEMBLY:
            return self.session
        return self.session_step if dimension is Dimension.STEP else self.session_item

    def beside_of(self, dimension: Dimension) -> float:
        """Factor: what is in view changes faster than what is worked on."""
        return {Dimension.SUBASSEMBLY: 1.0, Dimension.STEP: 0.95}.get(dimension, 0.45)

    def alike_of(self, dimension: Dimension) -> float:
        """Factor: the same view may show a later step, or a run that was not there yet."""
        return {Dimension.SUBASSEMBLY: 1.0, Dimension.STEP: 0.7}.get(dimension, 0.5)


DEFAULT: Final = Weights()
