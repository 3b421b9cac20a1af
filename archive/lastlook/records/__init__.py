"""The records that flow between the stages. Frozen, typed, no I/O.

Units, everywhere: instants are timezone-aware `datetime` in UTC; spans on the time line of a clip are whole
milliseconds (`clip_ms`, presentation time from the first frame shown); lengths are millimetres; picture coordinates
are pixels of the *upright* picture (after its orientation was honoured), x right, y down, origin at the top left.
"""

from lastlook.records.answers import Answer, Closing, Hit, Picture, Question, Sort
from lastlook.records.ids import clip_id, photo_id, still_id
from lastlook.records.moments import CaptureTime, Claim, ClaimSource, ClockCorrection, ClockReference
from lastlook.records.plans import (
    Build,
    HoldKind,
    Opening,
    OpeningKind,
    Part,
    Plan,
    Requirement,
    RequirementKind,
    Run,
    RunStatus,
    Step,
    Subassembly,
)
from lastlook.records.readings import (
    Camera,
    Code,
    CodeKind,
    Cue,
    Heard,
    MediaKind,
    PictureKind,
    Problem,
    Quality,
    Reading,
    StillReading,
)
from lastlook.records.tagging import Decision, Dimension, Proposal, ProposalSource, Tag, TagState

__all__ = [
    "Answer",
    "Build",
    "Camera",
    "CaptureTime",
    "Claim",
    "ClaimSource",
    "ClockCorrection",
    "ClockReference",
    "Closing",
    "Code",
    "CodeKind",
    "Cue",
    "Decision",
    "Dimension",
    "Heard",
    "Hit",
    "HoldKind",
    "MediaKind",
    "Opening",
    "OpeningKind",
    "Part",
    "Picture",
    "PictureKind",
    "Plan",
    "Problem",
    "Proposal",
    "ProposalSource",
    "Quality",
    "Question",
    "Reading",
    "Requirement",
    "RequirementKind",
    "Run",
    "RunStatus",
    "Sort",
    "Step",
    "StillReading",
    "Subassembly",
    "Tag",
    "TagState",
    "clip_id",
    "photo_id",
    "still_id",
]
