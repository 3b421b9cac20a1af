"""Keep any other moment of a clip by hand."""

from __future__ import annotations

from dataclasses import replace

from lastlook import grouping, originals, placing, proposing, retime
from lastlook.catalogue import decisions, media, pictures
from lastlook.catalogue.media import Medium
from lastlook.errors import ArchiveError, UsageError
from lastlook.ingest import intake_settings
from lastlook.intake import guard
from lastlook.intake.clips import parse_position, take_still
from lastlook.records import Picture, Problem, StillReading, still_id
from lastlook.store import Store


def keep(store: Store, clip: str, at: str) -> tuple[Picture, bool]:
    """Keep the frame shown at `at` ("12:31.5") of a clip. Returns its picture and whether it is new.

    Raises NoSuchId, UsageError for a position outside the clip, ArchiveError where the frame cannot be read.
    """
    medium = media.find_clip(store.catalogue, clip)
    wanted = parse_position(at)
    if medium.duration_ms is not None and wanted > medium.duration_ms:
        raise UsageError(
            f"{medium.file} is {_clock(medium.duration_ms)} long; there is nothing at {at}",
            "Give a position inside the clip, like 12:31.5.",
        )
    still = take(store, medium, wanted)
    with store.deciding():
        known = pictures.rids_of_ids(store.catalogue, [still_id(medium.sha256, still.clip_ms)])
        if known:
            return pictures.by_rids(store.catalogue, list(known.values()))[0], False
        decisions.append(
            store.catalogue,
            "still",
            {"clip": medium.sha256, "clip_ms": still.clip_ms},
            by=store.by,
        )
        rid = add(store, medium, still)
        grouping.regroup(store.catalogue)
    return pictures.by_rids(store.catalogue, [rid])[0], True


def take(store: Store, medium: Medium, clip_ms: int) -> StillReading:
    """Read one frame of a clip and write its derived pictures. Raises ArchiveError."""
    original = originals.at_hand(store, medium)
    settings = intake_settings(store, in_place=True)
    try:
        still = guard.run(
            take_still, str(original), medium.sha256, clip_ms, settings, seconds=settings.seconds_per_file * 4
        )
    except (guard.TimeUp, guard.Crashed):
        still = Problem(str(original), "cannot be decoded there")
    if isinstance(still, Problem):
        raise ArchiveError(f"{medium.file} {still.reason}", still.hint or "Run 'lastlook verify'.")
    return still


def add(store: Store, medium: Medium, still: StillReading) -> int:
    """Add a still kept by hand; returns its row. Inside a transaction."""
    time = retime.resolve_medium(store.catalogue, store.zone, medium, still.clip_ms)
    rid = pictures.add_still(store.catalogue, medium.sha256, replace(still, why="by hand"), time)
    # A new still divides the clip's words anew between its neighbours and itself. In a stretch that somebody tagged, or
    # behind a card, it speaks for what was taken around it.
    rids = proposing.say_words(store, medium.sha256)
    proposing.propose(store, sorted({*rids, *placing.reached(store, [rid])}))
    return rid


def _clock(ms: int) -> str:
    return f"{ms // 60000}:{ms // 1000 % 60:02d}"
