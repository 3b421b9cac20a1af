"""Say of a stretch of a clip what it shows: of every still in it, and of every still that is ever taken in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lastlook import deciding
from lastlook.catalogue import decisions, media, pictures
from lastlook.catalogue.media import Medium
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.intake.clips import clock_text, parse_position
from lastlook.plan.vocabulary import lookup_id
from lastlook.projecting import project
from lastlook.records import Decision, Dimension, Picture, TagState
from lastlook.store import Store

SHORTEST_MS = 1
OVERRUN_MS = 2_000
"""By how much a player may run past the last frame: sound often lasts a little longer."""


@dataclass(frozen=True, slots=True)
class Preview:
    """What tagging a stretch would do. `stills` lie in it; of those, `there` say so already, and `differing` say
    another thing of the same kind, which stays as well; `rejected` are those of which somebody has said no."""

    medium: Medium
    from_ms: int
    to_ms: int
    targets: tuple[tuple[Dimension, str], ...]
    stills: tuple[Picture, ...]
    there: tuple[Picture, ...]
    differing: tuple[tuple[Picture, str], ...]
    rejected: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of a stretch of a clip, by whom; `uid` takes it back."""

    from_ms: int
    to_ms: int
    targets: tuple[str, ...]
    by: str
    uid: str


def preview(store: Store, clip: str, start: str, end: str, targets: Sequence[Target]) -> Preview:
    """What saying `targets` of the stretch from `start` to `end` ("0:07", "1:12.5") would do. Raises NoSuchId,
    UsageError."""
    medium = media.find_clip(store.catalogue, clip)
    first, last = _place(medium, start, "begins"), _place(medium, end, "ends")
    if last < first:
        raise UsageError(
            f"the stretch ends at {end.strip()}, before it begins at {start.strip()}", "Turn the two round."
        )
    if last - first < SHORTEST_MS:
        raise UsageError("the stretch begins and ends at the same moment", "Say where it ends.")
    if not targets:
        raise UsageError("nothing was said of the stretch", "Choose a subassembly, a step or a run.")
    said = tuple(dict.fromkeys((each.dimension, lookup_id(store.plan, each.dimension, each.typed)) for each in targets))
    stills = tuple(
        one
        for one in pictures.of_medium(store.catalogue, medium.sha256)
        if one.clip_ms is not None and first <= one.clip_ms <= last
    )
    there, differing, rejected = [], [], []
    for still in stills:
        stand = {(tag.dimension, tag.target): tag for tag in still.tags}
        if all(key in stand and stand[key].state is TagState.SET for key in said):
            there.append(still)
        if any(key in stand and stand[key].state is TagState.REJECTED for key in said):
            rejected.append(still)
        # Runs lie side by side; of a subassembly or step a picture as a rule shows one.
        single = {dimension for dimension, _ in said if dimension is not Dimension.RUN}
        other = [tag.target for tag in still.tags if tag.state is TagState.SET and tag.dimension in single]
        other = [target for target in other if target not in {target for _, target in said}]
        if other:
            differing.append((still, " ".join(other)))
    return Preview(medium, first, last, said, stills, tuple(there), tuple(differing), tuple(rejected))


def say(store: Store, shown: Preview) -> Decision:
    """Record what was shown. It holds for stills that are kept in the stretch later, too."""
    body: dict[str, object] = {
        "pictures": [still.id for still in shown.stills],
        "set": [[dimension.value, target] for dimension, target in shown.targets],
        "reject": [],
        "stretch": {"clip": shown.medium.sha256, "from_ms": shown.from_ms, "to_ms": shown.to_ms},
    }
    with store.deciding():
        decision = decisions.append(store.catalogue, "tag", body, by=store.by)
        project(store, decision)
    return decision


def of_clip(store: Store, sha256: str) -> tuple[Said, ...]:
    """What was said of stretches of a clip and still stands, by where they begin."""
    found = []
    for decision in decisions.live(store.catalogue, "tag", f"clip:{sha256}"):
        body: Any = decision.body
        stretch = body["stretch"]
        targets = tuple(target for _, target in body["set"])
        found.append(Said(stretch["from_ms"], stretch["to_ms"], targets, decision.by, decision.uid))
    return tuple(sorted(found, key=lambda one: (one.from_ms, one.to_ms)))


def undo(store: Store, clip: str, uid: str) -> Decision:
    """Take back a frame that was kept of a clip, or what was said of a stretch of it. Raises UsageError, NoSuchId."""
    medium = media.find_clip(store.catalogue, clip)
    decision = decisions.by_uid(store.catalogue, uid) if uid else None
    body: Any = decision.body if decision is not None else {}
    about = body.get("clip") or body.get("stretch", {}).get("clip")
    if decision is None or decision.kind not in ("tag", "still") or about != medium.sha256:
        raise UsageError("that was not said of this clip", "Load the page again.")
    return deciding.undo(store, uid)[0]


def kept_by_hand(store: Store, sha256: str) -> dict[int, str]:
    """Moments of a clip that were kept by hand (ms), each with the decision that did."""
    found = {}
    for decision in decisions.live(store.catalogue, "still", f"clip:{sha256}"):
        body: Any = decision.body
        found[int(body["clip_ms"])] = decision.uid
    return found


def _place(medium: Medium, text: str, what: str) -> int:
    if not text.strip():
        raise UsageError(f"where the stretch {what} was not said", "Write it like 12:31.5, minutes and seconds.")
    at = parse_position(text)
    if medium.duration_ms is None:
        return at
    if at > medium.duration_ms + OVERRUN_MS:
        raise UsageError(
            f"{medium.file} is {clock_text(medium.duration_ms)} long; there is nothing at {text.strip()}",
            "Give a place inside the clip.",
        )
    return min(at, medium.duration_ms)
