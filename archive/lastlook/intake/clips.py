"""A recorded clip in, a reading with its stills out.

PyAV walks the container and decodes key frames; OpenCV judges every look, says what was held in view, and fetches any
other frame. Where PyAV cannot decode a clip, OpenCV decodes it as a whole. Only a few small grey pictures are in memory
at any time, however long the clip is.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import PurePath

from lastlook import times
from lastlook.errors import UsageError
from lastlook.intake import clipfacts, codes, derived, frames, judging, quality, stills
from lastlook.intake.clipav import AvStream
from lastlook.intake.clipstream import ClipError, ClipFacts, ClipStalled, ClipStream, Look, Patience
from lastlook.intake.names import name_claim
from lastlook.intake.settings import IntakeSettings
from lastlook.records import MediaKind, Problem, Reading, StillReading

LOOK_EVERY_MS = 1_000
"""How far apart looks are: three fall into the shortest hold that must not be missed."""

CUT_SHORT_MS = 1_000
"""By how much a clip may end before what it claims without a word: sound often runs on a little."""

Progress = Callable[[int, int | None], None]
"""Told (ms done, ms in all as claimed or None). It may raise to stop; nothing is left open then."""


def read_clip(path: str, sha256: str, settings: IntakeSettings, progress: Progress | None = None) -> Reading | Problem:
    """Read the clip at `path` (absolute), whose content is `sha256`, and write its stills under `settings.derived`.

    Never raises for what a clip may be. A clip that is damaged further on gives what can be read, with a warning.
    """
    patience = Patience(settings.seconds_per_file)
    try:
        status = os.lstat(path)
        with AvStream(path, patience) as stream:
            _check_size(stream.facts, settings)
            try:
                return _read(stream, stream.facts, path, sha256, settings, progress, status)
            except ClipError as fault:
                if fault.final or isinstance(fault, ClipStalled):
                    raise
                known, first = stream.facts, fault
        return _read_by_opencv(known, first, path, sha256, settings, progress, status)
    except ClipError as fault:
        return Problem(path, fault.reason, fault.hint)
    except OSError as fault:
        what = (fault.strerror or type(fault).__name__).lower()
        return Problem(path, f"the clip could not be read or its stills not be written ({what})", "Check the disk.")


def _read_by_opencv(
    known: ClipFacts,
    first: ClipError,
    path: str,
    sha256: str,
    settings: IntakeSettings,
    progress: Progress | None,
    status: os.stat_result,
) -> Reading:
    try:
        with frames.CvStream(path, Patience(settings.seconds_per_file)) as other:
            _check_size(other.facts, settings)
            return _read(other, known, path, sha256, settings, progress, status)
    except ClipError:
        raise first from None


def _read(
    stream: ClipStream,
    container: ClipFacts,
    path: str,
    sha256: str,
    settings: IntakeSettings,
    progress: Progress | None,
    status: os.stat_result,
) -> Reading:
    looks, warnings = _look(stream, container, settings, progress)
    end_ms = max(stream.end_ms, looks[-1].clip_ms)
    if container.claimed_ms is not None and end_ms < container.claimed_ms - CUT_SHORT_MS:
        claimed = clock_text(container.claimed_ms // 1000 * 1000)
        warnings.append(
            f"the clip claims to last {claimed} but its pictures end at {clock_text(end_ms)}: it is cut short"
        )
    # Refining may move a still a little: what is chosen keeps that much distance from the limit.
    interval_ms = max(settings.still_interval_ms - 2 * stills.REFINE_REACH_MS, settings.still_interval_ms // 2)
    choices = stills.choose(looks, end_ms, hold_ms=settings.hold_ms, interval_ms=interval_ms)
    choices = stills.with_cards(choices, looks)
    choices = _refined(stream, choices, end_ms)
    taken: dict[int, StillReading] = {}
    for choice in choices:
        try:
            image, moment = stream.frame_at(choice.clip_ms)
        except ClipError as fault:
            warnings.append(f"the still at {clock_text(choice.clip_ms)} is missing: {fault.reason}")
            continue
        if moment not in taken:
            taken[moment] = _write(image, moment, sha256, settings, hold_ms=choice.hold_ms, why=choice.why)
    if not taken:
        raise ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")
    facts = stream.facts
    known = replace(facts, format=container.format, brand=container.brand, codec=container.codec, tags=container.tags)
    known = replace(known, sound=container.sound, frames_per_second=container.frames_per_second)
    always = (name_claim(PurePath(path).name), times.file_system_claim(status.st_mtime_ns))
    return Reading(
        path=path,
        sha256=sha256,
        size_bytes=status.st_size,
        mtime_ns=status.st_mtime_ns,
        kind=MediaKind.CLIP,
        format=clipfacts.format_name(known, path),
        width=facts.width,
        height=facts.height,
        orientation=clipfacts.orientation(facts),
        camera=clipfacts.camera(known),
        claims=clipfacts.claims(known) + tuple(claim for claim in always if claim is not None),
        thumb=_face(taken).thumb,
        page=_face(taken).page,
        duration_ms=end_ms,
        stills=tuple(taken[moment] for moment in sorted(taken)),
        pair_id=clipfacts.pair_id(known),
        warnings=tuple(dict.fromkeys((*warnings, *stream.complaints))),
        facts=clipfacts.shown(known),
    )


def _face(taken: dict[int, StillReading]) -> StillReading:
    """The still that stands for the clip: the one of the longest hold, else the first."""
    return max(taken.values(), key=lambda still: (still.hold_ms, -still.clip_ms))


def _look(
    stream: ClipStream, container: ClipFacts, settings: IntakeSettings, progress: Progress | None
) -> tuple[list[stills.JudgedLook], list[str]]:
    """All looks of the clip, judged; and what is to be said where it ended early."""
    views = judging.Views()
    looks: list[stills.JudgedLook] = []
    warnings: list[str] = []
    try:
        for look in stream.looks(LOOK_EVERY_MS, settings.hold_ms, judging.same_state):
            judged = _judged(look, views.place(look.grey))
            # A card that is held into the view makes it another; one that is there may be taken away unnoticed.
            if not looks or looks[-1].view != judged.view or looks[-1].card:
                judged = replace(judged, card=codes.in_view(look.grey))
            looks.append(judged)
            if progress is not None:
                progress(look.clip_ms, container.claimed_ms)
    except ClipStalled as fault:
        if not looks:
            raise
        warnings.append(f"{fault.reason} after {clock_text(looks[-1].clip_ms)}; what follows was not read")
    if not looks:
        raise ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")
    return looks, warnings


def _judged(look: Look, view: int) -> stills.JudgedLook:
    judgement = judging.judge(look.grey)
    return stills.JudgedLook(look.clip_ms, view, judgement.sharpness, judgement.blur, look.key)


def _refined(stream: ClipStream, choices: list[stills.Choice], end_ms: int) -> list[stills.Choice]:
    """`choices` with the blurred ones moved to sharper neighbours, where there are."""
    moved = {}
    for choice in stills.to_refine(choices, end_ms):
        with contextlib.suppress(ClipError):
            neighbours = [_judged(look, 0) for look in stream.frames(*stills.reach(choice))]
            moved[choice.clip_ms] = stills.refine(choice, neighbours)
    return [moved.get(choice.clip_ms, choice) for choice in choices]


def take_still(path: str, sha256: str, clip_ms: int, settings: IntakeSettings) -> StillReading | Problem:
    """Take the frame that is on show at `clip_ms` of the clip at `path` (content `sha256`) and write its pictures.

    The reading says when that frame really appeared. A moment before the start or after the end is a Problem.
    """
    patience = Patience(settings.seconds_per_file)
    try:
        if clip_ms < 0:
            raise ClipError("a clip starts at 0:00")
        with AvStream(path, patience) as stream:
            _check_size(stream.facts, settings)
            try:
                image, moment = frames.frame_at(path, clip_ms, patience)
            except ClipError:
                image, moment = stream.frame_at(clip_ms)
            if clip_ms > moment and clip_ms >= (end_ms := stream.find_end()):
                raise ClipError(f"the clip ends at {clock_text(end_ms)}", "Ask for an earlier moment.")
        return _write(image, moment, sha256, settings, hold_ms=0, why="by hand")
    except ClipError as fault:
        return Problem(path, fault.reason, fault.hint)
    except OSError as fault:
        what = (fault.strerror or type(fault).__name__).lower()
        return Problem(path, f"the still could not be written ({what})", "Check the archive's disk and folder.")


def _write(
    image: judging.Bytes, clip_ms: int, sha256: str, settings: IntakeSettings, *, hold_ms: int, why: str
) -> StillReading:
    """Write the two pictures of a still from its frame (BGR, upright) and judge it."""
    thumb, page = derived.thumb_name(sha256, clip_ms), derived.page_name(sha256, clip_ms)
    large = judging.as_rgb(image, max(settings.page_edge, settings.thumb_edge))
    derived.save_jpeg(settings.derived, page, large)
    derived.save_jpeg(settings.derived, thumb, judging.shrink(large, settings.thumb_edge))
    height, width = image.shape[:2]
    judged = quality.measure(judging.as_grey(image))
    return StillReading(clip_ms, width, height, judged, thumb, page, hold_ms, why)


def _check_size(facts: ClipFacts, settings: IntakeSettings) -> None:
    if facts.width * facts.height > settings.max_pixels:
        raise ClipError(f"its pictures claim {facts.width} × {facts.height} pixels, more than is read", final=True)


# ------------------------------------------------------------------------------------------------ positions

_POSITION = re.compile(
    r"""(?: (?P<hours>\d{1,3}) : (?P<mm>[0-5]?\d) : (?P<ss>[0-5]?\d (?:[.,]\d{1,9})?)
          | (?P<minutes>\d{1,5}) : (?P<s>[0-5]?\d (?:[.,]\d{1,9})?)
          | (?: (?P<uh>\d{1,3}) \s* h \s* )? (?: (?P<um>\d{1,5}) \s* m (?:in)? \s* )?
            (?: (?P<us>\d{1,7} (?:[.,]\d{1,9})?) \s* s? )? )""",
    re.VERBOSE | re.ASCII | re.IGNORECASE,
)


def parse_position(text: str) -> int:
    """A place in a clip as people write it, in ms: "12:31.5", "1:02:03", "751.5", "90s", "1h 2m 3s".

    Raises UsageError for anything else.
    """
    match = _POSITION.fullmatch(text.strip())
    if match is None or not any(match.groupdict().values()):
        raise UsageError(
            f"{text!r} is no place in a clip", "Write minutes and seconds, as in 12:31.5, or seconds, as in 751.5."
        )
    part = match.groupdict()
    hours = int(part["hours"] or part["uh"] or 0)
    minutes = int(part["mm"] or part["minutes"] or part["um"] or 0)
    whole, _, fraction = (part["ss"] or part["s"] or part["us"] or "0").replace(",", ".").partition(".")
    # Decimal digits as whole numbers: a float would turn 1.0005 into either neighbour.
    thousandths = (int((fraction + "0000")[:4]) + 5) // 10
    return ((hours * 60 + minutes) * 60 + int(whole)) * 1000 + thousandths


def clock_text(clip_ms: int) -> str:
    """A place in a clip as `parse_position` reads it: "0:07.250", "12:31.500", "1:02:03"."""
    seconds, rest = divmod(max(0, clip_ms), 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    tail = f".{rest:03d}" if rest else ""
    return f"{hours}:{minutes:02d}:{seconds:02d}{tail}" if hours else f"{minutes}:{seconds:02d}{tail}"
