"""One clip: played at a still's second, with its stills and the words spoken over it; any moment can be kept."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import stills_by_hand, viewing
from lastlook.errors import UsageError
from lastlook.records import Cue, Picture
from lastlook_web.app import store
from lastlook_web.words import position

pages = Blueprint("clips", __name__)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A still with the words spoken from it up to the next one; the first stretch may have words and no still."""

    still: Picture | None
    cues: tuple[Cue, ...]


@pages.get("/clip/<id>")
def page(id: str) -> str:
    clip = viewing.clip(store(), id)
    at = request.args.get("at", 0, type=int)
    at = min(max(0, at), clip.medium.duration_ms or 0)
    return render_template(
        "clip.html",
        clip=clip,
        medium=clip.medium,
        at=at,
        stretches=_stretches(clip),
        first=clip.stills[0] if clip.stills else None,
        playable=viewing.original(store(), clip.medium).is_file(),
        zone=store().zone,
    )


def _stretches(clip: viewing.Clip) -> list[Stretch]:
    """Stills and spoken words in one order of time."""
    stretches: list[Stretch] = []
    cues = list(clip.cues)
    for n, still in enumerate(clip.stills):
        start, end = still.clip_ms or 0, clip.stills[n + 1].clip_ms if n + 1 < len(clip.stills) else None
        if n == 0 and (before := tuple(cue for cue in cues if cue.start_ms < start)):
            stretches.append(Stretch(None, before))
        said = tuple(cue for cue in cues if cue.start_ms >= start and (end is None or cue.start_ms < end))
        stretches.append(Stretch(still, said))
    return stretches or ([Stretch(None, tuple(cues))] if cues else [])


@pages.post("/clip/<id>/keep")
def keep(id: str) -> Response:
    """Keep a moment as a still."""
    clip = viewing.clip(store(), id)
    at = request.form.get("at", "").strip()
    if not at:
        raise UsageError("no moment was given", "Write it like 12:31.5, minutes and seconds from the start.")
    picture, new = stills_by_hand.keep(store(), clip.medium.id, at)
    moment = position(picture.clip_ms)
    flash(f"The frame at {moment} is kept." if new else f"The frame at {moment} was kept already.")
    return redirect(url_for("pictures.page", id=picture.id), 303)
