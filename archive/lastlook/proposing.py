"""Propose tags for pictures from what the archive knows of them, and fold people's words over the proposals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import PurePath

from lastlook.archive import text_to_path
from lastlook.catalogue import media, pictures, tags
from lastlook.catalogue.media import Sighting
from lastlook.catalogue.pictures import Seen
from lastlook.intake.spoken_words import cues_of_stills
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Cue, Plan, Proposal, Tag, TagState
from lastlook.store import Store
from lastlook.tagging import DEFAULT, Context, Lexicon, Weights, folders, propose_all

_SLICE = 500


def propose(store: Store, rids: Sequence[int] | None = None, report: Report = silent) -> None:
    """Propose again for pictures, all of them where none are named. Inside a transaction."""
    catalogue = store.catalogue
    wanted = pictures.every_rid(catalogue) if rids is None else list(dict.fromkeys(rids))
    plan = store.plan
    lexicon = Lexicon.of(plan)
    weights = replace(DEFAULT, threshold=store.archive.settings.threshold)
    for start in range(0, len(wanted), _SLICE):
        report(Progress(Stage.PROPOSE, start, len(wanted)))
        seen = pictures.seen(catalogue, wanted[start : start + _SLICE])
        met = media.sightings_of(catalogue, list({picture.sha256 for picture in seen}))
        for sha256, group in groupby(sorted(seen, key=lambda picture: picture.sha256), lambda picture: picture.sha256):
            cues = _cues(store, sha256)
            for picture in group:
                _propose_one(store, picture, plan, lexicon, weights, met.get(sha256, []), cues.get(picture.rid, ()))


def say_words(store: Store, clip: str) -> list[int]:
    """Give a clip's stills the words spoken over them; returns their rows. Inside a transaction."""
    heard = _cues(store, clip)
    spoken = {rid: " ".join(cue.text for cue in cues) for rid, cues in heard.items()}
    rids = [rid for _, rid in pictures.still_moments(store.catalogue, clip)]
    pictures.set_spoken(store.catalogue, {rid: spoken.get(rid, "") for rid in rids})
    return rids


def _cues(store: Store, clip: str) -> dict[int, tuple[Cue, ...]]:
    """The cues that cover each still of a clip, by row; nothing for a photo."""
    moments = pictures.still_moments(store.catalogue, clip)
    cues = media.cues_of_clip(store.catalogue, clip) if moments else []
    if not cues:
        return {}
    groups = cues_of_stills(cues, [clip_ms for clip_ms, _ in moments])
    return {rid: group for (_, rid), group in zip(moments, groups, strict=True)}


def _propose_one(
    store: Store,
    picture: Seen,
    plan: Plan,
    lexicon: Lexicon,
    weights: Weights,
    met: Sequence[Sighting],
    cues: tuple[Cue, ...],
) -> None:
    catalogue = store.catalogue
    said, caption = tags.decided(catalogue, picture.id)
    contexts = [
        Context(
            plan,
            lexicon,
            file=_name(place),
            folders=place.folders,
            clip_ms=picture.clip_ms,
            cues=cues,
            tags=said,
            weights=weights,
        )
        for place in met
    ] or [Context(plan, lexicon, clip_ms=picture.clip_ms, cues=cues, tags=said, weights=weights)]
    # A copy met elsewhere adds what its own folders and name say.
    elsewhere: list[Proposal] = [one for context in contexts[1:] for one in folders.propose(context)]
    weighed = propose_all(replace(contexts[0], so_far=tuple(elsewhere)))
    tags.replace_proposals(catalogue, picture.rid, (one for each in weighed for one in each.evidence))
    standing = list(said)
    for each in weighed:
        proposal = each.proposal
        tag = Tag(
            proposal.dimension,
            proposal.target,
            TagState.PROPOSED,
            proposal.source.value,
            proposal.evidence,
            proposal.confidence,
            counts=each.applies,
        )
        standing.append(tag)
    tags.replace_standing(catalogue, picture.rid, standing)
    pictures.set_caption(catalogue, picture.rid, caption)


def _name(place: Sighting) -> str:
    return PurePath(text_to_path(place.path)).name
