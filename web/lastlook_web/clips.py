"""One clip: played at a still's second, its stills and the words spoken over it along its line; any frame can be kept,
any stretch tagged."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from flask import (
    Blueprint,
    Response,
    flash,
    get_template_attribute,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response as AnyResponse

from lastlook import clip_stretches, originals, stills_by_hand
from lastlook.cameras import cameras
from lastlook.catalogue import media, pictures
from lastlook.catalogue.media import Medium
from lastlook.deciding import Target
from lastlook.errors import LastlookError, NoSuchId, UsageError
from lastlook.records import Cue, Dimension, Picture
from lastlook_web import clip_line
from lastlook_web.app import store
from lastlook_web.words import position

pages = Blueprint("clips", __name__)

PART = 60
"""Rows of stills and words that one page shows; a recording of hours has more, and each part has its address."""
SHOWN = 24
"""Stills of a stretch that are shown before it is tagged; the others are counted."""

_BOXED = frozenset({"MP4", "MOV", "3GP"})
_PLAYED = {"h264": _BOXED, "av1": _BOXED | {"WebM"}, "vp9": _BOXED | {"WebM"}, "vp8": frozenset({"WebM"})}
"""What every browser of today plays, by codec and the containers it plays it in (WHATWG HTML leaves codecs open; common
practice, no source)."""
_ASKED = {
    ("hevc", "MP4"): 'video/mp4; codecs="hvc1.1.6.L93.B0"',
    ("hevc", "MOV"): 'video/mp4; codecs="hvc1.1.6.L93.B0"',
    ("h264", "MKV"): 'video/x-matroska; codecs="avc1.640028"',
    ("vp8", "MKV"): 'video/x-matroska; codecs="vp8"',
    ("vp9", "MKV"): 'video/x-matroska; codecs="vp9"',
    ("av1", "MKV"): 'video/x-matroska; codecs="av01.0.04M.08"',
}
"""What some browsers play: each is asked (RFC 6381, "codecs"), and shows the stills where it says no."""
_NAMED = {
    "hevc": "HEVC (H.265)",
    "h264": "H.264",
    "mpeg4": "MPEG-4 Part 2",
    "mjpeg": "Motion JPEG",
    "mpeg2video": "MPEG-2",
    "prores": "ProRes",
    "av1": "AV1",
    "vp8": "VP8",
    "vp9": "VP9",
}


@dataclass(frozen=True, slots=True)
class Playing:
    """Whether a browser plays a clip: `state` is "plays", "asks" (by `type`) or "never"; `named` says what it is."""

    state: str
    type: str
    named: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """A still (its row and moment) with the words spoken from it up to the next one; the first stretch may have words
    and no still. `still` is read only for what is shown."""

    start_ms: int
    rid: int | None
    cues: tuple[Cue, ...]
    still: Picture | None = None


def playing(medium: Medium) -> Playing:
    """What can be said of a clip before a browser has tried it."""
    codec = medium.facts.get("codec", "").lower()
    named = f"{_NAMED.get(codec, codec.upper() or 'pictures of an unknown kind')} in {medium.format}"
    if medium.format in _PLAYED.get(codec, ()):
        return Playing("plays", "", named)
    asked = _ASKED.get((codec, medium.format), "")
    return Playing("asks" if asked else "never", asked, named)


# ------------------------------------------------------------------------------------------------ the page


@pages.get("/clip/<id>")
def page(id: str) -> str | tuple[str, int]:
    """The clip at `at` (ms). With `from`, `to` and what it shows (`sub`, `step`, `run`): what tagging that stretch
    would do."""
    medium = _medium(id)
    preview, wrong = None, ""
    if any(name in request.args for name in ("sub", "step", "run")):
        try:
            preview = _preview(id, request.args)
        except UsageError as error:
            wrong = f"{error.message[:1].upper()}{error.message[1:]}. {error.hint}"
    made = _page(medium, preview, wrong)
    return (made, 400) if wrong else made


def _medium(id: str) -> Medium:
    """A clip by its whole id. Raises NoSuchId."""
    medium = media.find_clip(store().catalogue, id)
    if medium.id != id:
        raise NoSuchId("clip", id)
    return medium


def _page(medium: Medium, preview: clip_stretches.Preview | None, wrong: str) -> str:
    catalogue = store().catalogue
    at = min(max(0, request.args.get("at", 0, type=int)), medium.duration_ms or 0)
    moments = pictures.still_moments(catalogue, medium.sha256)
    cues = media.cues_of_clip(catalogue, medium.sha256)
    rows = _stretches(moments, cues)
    part = _part(rows, at)
    by_hand = clip_stretches.kept_by_hand(store(), medium.sha256)
    said = clip_stretches.of_clip(store(), medium.sha256)
    line = clip_line.draw(medium.duration_ms or (moments[-1][0] if moments else 0), moments, cues, said, by_hand)
    shown = rows[part * PART : (part + 1) * PART]
    wanted = [row.rid for row in shown if row.rid is not None] + [each.rid for each in line.hung]
    stills = {one.rid: one for one in pictures.by_rids(catalogue, [*wanted, *(rid for _, rid in moments[:1])])}
    there = originals.where(store(), medium).is_file()
    kind = playing(medium)
    return render_template(
        "clip.html",
        medium=medium,
        camera_shown=cameras(catalogue).shown(medium.camera.key) if medium.camera.key else "the file does not say",
        at=at,
        line=line,
        hung=[(each, stills[each.rid]) for each in line.hung if stills[each.rid].thumb],
        rows=[replace(row, still=stills.get(row.rid) if row.rid is not None else None) for row in shown],
        parts=[rows[n].start_ms for n in range(0, len(rows), PART)],
        part=part,
        count=len(moments),
        words=bool(cues),
        by_hand=by_hand,
        said=said,
        preview=preview,
        wrong=wrong,
        shown=SHOWN,
        first=stills[moments[0][1]] if moments else None,
        there=there,
        playing=kind,
        seekable=there and kind.state != "never",
        fps=_fps(medium),
        plan=store().plan,
        steps=sorted(store().plan.steps, key=lambda step: step.order),
        typed=request.args,
        zone=store().zone,
    )


def _fps(medium: Medium) -> float:
    """Pictures a second, for going on by one; 25 where the clip does not say."""
    words = medium.facts.get("frame rate", "").split()
    try:
        rate = float(words[0]) if words else 25.0
    except ValueError:
        return 25.0
    return rate if 1 <= rate <= 480 else 25.0


def _part(rows: Sequence[Stretch], at: int) -> int:
    before = sum(row.start_ms <= at for row in rows)
    return max(0, before - 1) // PART


def _stretches(moments: Sequence[tuple[int, int]], cues: Sequence[Cue]) -> list[Stretch]:
    """Stills, (ms, row) in order, and spoken words in one order of time."""
    starts = [cue.start_ms for cue in cues]
    places = [bisect_left(starts, ms) for ms, _ in moments] + [len(cues)]
    before = tuple(cues[: places[0]])
    found = [Stretch(before[0].start_ms, None, before)] if before else []
    for (ms, rid), start, end in zip(moments, places, places[1:], strict=False):
        found.append(Stretch(ms, rid, tuple(cues[start:end])))
    return found


@pages.get("/clip/<id>/words.vtt")
def words(id: str) -> Response:
    """The spoken words for the player (W3C WebVTT), made from the caption files that lie with the clip."""
    cues = media.cues_of_clip(store().catalogue, _medium(id).sha256)
    blocks = ["WEBVTT"]
    for cue in cues:
        text = "\n".join(line for line in cue.text.splitlines() if line.strip())
        for plain, escaped in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
            text = text.replace(plain, escaped)
        blocks.append(f"{_stamp(cue.start_ms)} --> {_stamp(max(cue.end_ms, cue.start_ms + 1))}\n{text}")
    answer = Response("\n\n".join(blocks) + "\n", content_type="text/vtt; charset=utf-8")
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer


def _stamp(ms: int) -> str:
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


# ------------------------------------------------------------------------------------------------ keeping a frame


@pages.post("/clip/<id>/keep")
def keep(id: str) -> AnyResponse | tuple[Response, int]:
    """Keep a frame as a still. To the page's own module the new row of the line is given, to a form the page."""
    medium = _medium(id)
    for_module = request.accept_mimetypes.best == "application/json"
    try:
        at = request.form.get("at", "").strip()
        if not at:
            raise UsageError("no moment was given", "Write it like 12:31.5, minutes and seconds from the start.")
        picture, new = stills_by_hand.keep(store(), medium.id, at)
    except LastlookError as error:
        if not for_module:
            raise
        return jsonify(said=f"{error.message[:1].upper()}{error.message[1:]}. {error.hint}"), 400
    moment = position(picture.clip_ms)
    said = f"The frame at {moment} is kept." if new else f"The frame at {moment} was kept already."
    if not for_module:
        flash(said)
        return redirect(url_for("clips.page", id=id, at=picture.clip_ms, _anchor=f"at-{picture.clip_ms}"), 303)
    catalogue = store().catalogue
    by_hand = clip_stretches.kept_by_hand(store(), medium.sha256)
    moments = pictures.still_moments(catalogue, medium.sha256)
    rows = _stretches(moments, media.cues_of_clip(catalogue, medium.sha256))
    here = next(n for n, row in enumerate(rows) if row.rid == picture.rid)
    # The words before a new still are divided anew: the row before it is given too.
    changed = rows[max(0, here - 1) : here + 1]
    stills = {one.rid: one for one in pictures.by_rids(catalogue, [row.rid for row in changed if row.rid is not None])}
    row_of = get_template_attribute("clip_parts.html", "row_of")
    seekable = playing(medium).state != "never"
    address = url_for("clips.page", id=id)
    made = [str(row_of(replace(row, still=stills.get(row.rid or -1)), address, by_hand, seekable)) for row in changed]
    length = medium.duration_ms or 1
    return jsonify(said=said, new=new, at=picture.clip_ms, rows=made, x=round((picture.clip_ms or 0) * 100 / length, 2))


@pages.post("/clip/<id>/undo")
def undo(id: str) -> AnyResponse:
    """Take back a frame that was kept, or what was said of a stretch."""
    undone = clip_stretches.undo(store(), id, request.form.get("uid", ""))
    body: Any = undone.body
    at = body["clip_ms"] if undone.kind == "still" else body["stretch"]["from_ms"]
    if undone.kind == "still":
        flash(f"The frame at {position(at)} is let go again.")
    else:
        flash(f"Taken back: {' '.join(target for _, target in body['set'])} from {position(at)} on.")
    return redirect(url_for("clips.page", id=id, at=at, _anchor="line"), 303)


# ------------------------------------------------------------------------------------------------ tagging a stretch


def _preview(id: str, given: Any) -> clip_stretches.Preview:
    targets = [
        Target(dimension, given[name])
        for dimension, name in ((Dimension.SUBASSEMBLY, "sub"), (Dimension.STEP, "step"), (Dimension.RUN, "run"))
        if given.get(name, "").strip()
    ]
    return clip_stretches.preview(store(), id, given.get("from", ""), given.get("to", ""), targets)


@pages.post("/clip/<id>/tag")
def tag(id: str) -> AnyResponse:
    """Tag the stretch that was shown; refused where its stills are no longer those."""
    _medium(id)
    shown = _preview(id, request.form)
    if request.form.get("count") != str(len(shown.stills)):
        raise UsageError("the stills of that stretch have changed since they were shown", "Look at it again.")
    clip_stretches.say(store(), shown)
    count = len(shown.stills)
    stills = f"{count} still{'' if count == 1 else 's'}"
    named = ", ".join(target for _, target in shown.targets)
    flash(f"{position(shown.from_ms)} to {position(shown.to_ms)}, {stills}: {named}.")
    return redirect(url_for("clips.page", id=id, at=shown.from_ms, _anchor="said"), 303)
