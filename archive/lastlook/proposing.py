"""Propose tags for pictures from what the archive knows of them, and fold people's words over the proposals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import PurePath
from typing import Any

from lastlook import placing
from lastlook.archive import text_to_path
from lastlook.catalogue import decisions, media, paths, pictures, placed, tags
from lastlook.catalogue.paths import Sighting
from lastlook.intake.spoken_words import cues_of_stills
from lastlook.placing import Surroundings
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Cue, Heard, Proposal, Tag, TagState
from lastlook.store import Store
from lastlook.tagging import DEFAULT, Context, Lexicon, Weighed, folders, propose_all

_SLICE = 500


def propose(
    store: Store,
    rids: Sequence[int] | None = None,
    report: Report = silent,
    surroundings: Surroundings | None = None,
) -> None:
    """Propose again for pictures, all of them where none are named. Inside a transaction; `surroundings` are those of
    these pictures and maybe more, where they were read before in the same one."""
    catalogue = store.catalogue
    wanted = pictures.every_rid(catalogue) if rids is None else list(dict.fromkeys(rids))
    if not wanted:
        return
    plan = store.plan
    lexicon = Lexicon.of(plan)
    weights = replace(DEFAULT, threshold=store.archive.settings.threshold)
    everyone = placed.by_rids(catalogue, wanted)
    surroundings = surroundings or Surroundings(store, everyone)
    for start in range(0, len(everyone), _SLICE):
        report(Progress(Stage.PROPOSE, start, len(everyone)))
        some = everyone[start : start + _SLICE]
        proposals: dict[int, list[Proposal]] = {}
        standing: dict[int, list[Tag]] = {}
        captions: dict[int, str] = {}
        met = paths.sightings_of(catalogue, list({picture.sha256 for picture in some}))
        for sha256, group in groupby(sorted(some, key=lambda picture: picture.sha256), lambda picture: picture.sha256):
            of_medium = list(group)
            speaks = any(picture.clip_ms is not None for picture in of_medium)
            cues = _cues(store, sha256) if speaks else {}
            heard = _heard(store, sha256) if speaks else {}
            for picture in of_medium:
                around = surroundings.of(picture)
                places = met.get(sha256, ())
                context = Context(
                    plan,
                    lexicon,
                    file=_name(places[0]) if places else "",
                    folders=places[0].folders if places else (),
                    clip_ms=picture.clip_ms,
                    cues=cues.get(picture.rid, ()),
                    heard=heard.get(picture.rid, ()),
                    cards=around.cards,
                    sessions=around.sessions,
                    neighbours=around.neighbours,
                    alike=around.alike,
                    tags=around.said,
                    weights=weights,
                )
                weighed = _weighed(context, places[1:])
                proposals[picture.rid] = [one for each in weighed for one in each.evidence]
                standing[picture.rid] = _standing(context.tags, weighed)
                captions[picture.rid] = around.caption
        tags.replace_proposals(catalogue, proposals)
        tags.replace_standing(catalogue, standing)
        pictures.set_captions(catalogue, captions)


def with_cards(store: Store, rids: Sequence[int]) -> list[int]:
    """Rows of the pictures to propose for when `rids` are new: a card among them speaks for their neighbours too."""
    return sorted({*rids, *placing.with_cards(store, rids)})


def about(store: Store, ids: Sequence[str]) -> None:
    """Propose again wherever it matters what people say of some pictures. Inside a transaction."""
    propose(store, placing.concerned(store, ids))


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


def heard_in(store: Store, clip: str) -> tuple[Heard, ...] | None:
    """What was heard when a clip was last listened to; None where nobody listened, or took it back."""
    listened = decisions.live(store.catalogue, "heard", f"clip:{clip}")
    if not listened:
        return None
    entries: Sequence[Mapping[str, Any]] = listened[-1].body["heard"]  # type: ignore[assignment]
    return tuple(Heard(one["start_ms"], one["end_ms"], one["text"], float(one["sure"])) for one in entries)


def _heard(store: Store, clip: str) -> dict[int, tuple[Heard, ...]]:
    """What was heard around each still of a clip, by row."""
    moments = pictures.still_moments(store.catalogue, clip)
    heard = heard_in(store, clip) if moments else None
    if not heard:
        return {}
    spans = [Cue(one.start_ms, one.end_ms, str(at)) for at, one in enumerate(heard)]
    groups = cues_of_stills(spans, [clip_ms for clip_ms, _ in moments])
    return {
        rid: tuple(heard[int(span.text)] for span in group) for (_, rid), group in zip(moments, groups, strict=True)
    }


def _weighed(context: Context, elsewhere: Sequence[Sighting]) -> list[Weighed]:
    """A copy met elsewhere adds what its own folders and name say."""
    contexts = [replace(context, file=_name(place), folders=place.folders) for place in elsewhere]
    said = tuple(one for each in contexts for one in folders.propose(each))
    return propose_all(replace(context, so_far=said) if said else context)


def _standing(said: Sequence[Tag], weighed: Sequence[Weighed]) -> list[Tag]:
    """The tags that people gave a picture, and those that are proposed for it."""
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
    return standing


def _name(place: Sighting) -> str:
    return PurePath(text_to_path(place.path)).name
