"""What a source of proposals may look at, and the shape all sources share. Pure.

A source is a module with `propose(context) -> list[Proposal]`. It reads what it understands of the context and leaves
the rest alone; a new kind of evidence is a new field here (with a default) and a new module beside the others.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from lastlook.records import Cue, Plan, Proposal, Tag
from lastlook.tagging.lexicon import Lexicon
from lastlook.tagging.weights import DEFAULT, Weights


@dataclass(frozen=True, slots=True)
class Context:
    """The facts about one picture that speak for tags.

    `lexicon` is made once per plan (`Lexicon.of`). `file` is the name of the source file, `folders` the folders above
    it as the builder keeps them, outermost first. `clip_ms` and `cues` are for a still: its moment, and the cues that
    cover its stretch (`intake.spoken_words.cues_of_stills`). `tags` are those already on the picture; `so_far` the
    proposals of the direct sources, for sources that draw conclusions.
    """

    plan: Plan
    lexicon: Lexicon = field(repr=False)
    file: str = ""
    folders: tuple[str, ...] = ()
    clip_ms: int | None = None
    cues: tuple[Cue, ...] = ()
    tags: tuple[Tag, ...] = ()
    so_far: tuple[Proposal, ...] = ()
    weights: Weights = DEFAULT


Source = Callable[[Context], list[Proposal]]


def clock(ms: int) -> str:
    """A moment of a clip as a player shows it: 0:42, 1:02:03 (seconds cut, not rounded)."""
    minutes, seconds = divmod(max(0, ms) // 1000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
