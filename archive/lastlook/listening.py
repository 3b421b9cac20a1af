"""Listen to clips for the names of the plan. What was heard is a decision: it can be taken back, and outlives a
rebuild on a computer without the recogniser."""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import BrokenExecutor, Executor
from dataclasses import dataclass, replace
from pathlib import Path

from lastlook.catalogue import decisions, media
from lastlook.catalogue.media import Medium
from lastlook.errors import LastlookError, UsageError
from lastlook.intake import hearing
from lastlook.plan.structure import items
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.projecting import project
from lastlook.proposing import heard_in
from lastlook.records import Heard, MediaKind
from lastlook.store import Store
from lastlook.tagging import Lexicon
from lastlook.tagging.phrases import phrases
from lastlook.tagging.words import words_of

PART_MS = 60_000
"""Clips are listened to in parts, so that several are at work and progress shows."""


@dataclass(frozen=True, slots=True)
class Listened:
    """A clip that was listened to. `names`: what each entry of `heard` names, ids of the plan. `problem`: why it could
    not be, else ''; nothing is recorded then."""

    clip: Medium
    heard: tuple[Heard, ...] = ()
    names: tuple[tuple[str, ...], ...] = ()
    problem: str = ""


def choose(recogniser: str = "", model: Path | None = None) -> str:
    """The recogniser to use: the one asked for, else faster-whisper where a model is given, else pocketsphinx. Raises
    UsageError where it is not installed or has no model."""
    wanted = recogniser or (hearing.WHISPER if model is not None else hearing.POCKETSPHINX)
    if not hearing.installed(wanted):
        if wanted == hearing.POCKETSPHINX:
            raise UsageError(
                "nothing to listen with is installed", "Install it beside lastlook: pip install 'lastlook[listen]'."
            )
        raise UsageError(
            "faster-whisper is not installed", "Install it and its model yourself, or listen without --model."
        )
    if wanted == hearing.WHISPER and (model is None or not (model / "model.bin").is_file()):
        raise UsageError(
            "faster-whisper needs a model that lies on this computer; nothing is fetched",
            "Give its folder, the one that holds model.bin: --model DIR.",
        )
    return wanted


def clips_to_hear(store: Store, *, again: bool) -> list[Medium]:
    """Every clip, or those that nobody listened to yet."""
    found = media.every(store.catalogue, MediaKind.CLIP.value)
    return found if again else [clip for clip in found if heard_in(store, clip.sha256) is None]


def listen(
    store: Store,
    clips: Sequence[Medium],
    *,
    recogniser: str,
    executor: Executor,
    model: Path | None = None,
    report: Report = silent,
) -> list[Listened]:
    """Listen to `clips` and record what was heard, each clip by itself, so that a stop keeps what was done."""
    plan = store.plan
    lexicon = Lexicon.of(plan)
    names = phrases(plan, lexicon)
    if not names:
        raise UsageError("the plan names nothing to listen for", "Load a plan: 'lastlook plan load PLAN.toml'.")
    hints = ", ".join(dict.fromkeys(item.title for item in items(plan).values()))
    total = sum((clip.duration_ms or 0) // 1000 for clip in clips)
    done_s = 0
    found: list[Listened] = []
    for clip in clips:
        path = str(store.archive.original(clip.stored, clip.in_place))
        length = clip.duration_ms or 0
        starts = range(0, max(length, 1), PART_MS)
        parts = [
            executor.submit(
                hearing.hear,
                path,
                start,
                min(start + PART_MS, length),
                names,
                recogniser,
                str(model.absolute()) if model is not None else "",
                hints,
            )
            for start in starts
        ]
        heard: list[Heard] = []
        problem = ""
        try:
            for number, part in enumerate(parts):
                report(Progress(Stage.LISTEN, done_s + number * PART_MS // 1000, total, note=clip.file))
                result = part.result()
                if isinstance(result, str):
                    problem = problem or result
                else:
                    heard += result
        except BrokenExecutor as error:
            raise LastlookError("the workers that listen ended unexpectedly", "Run the same command again.") from error
        finally:
            for part in parts:
                part.cancel()
        done_s += length // 1000
        if problem:
            found.append(Listened(clip, problem=problem))
        else:
            found.append(_record(store, clip, recogniser, heard, lexicon))
    if clips:
        report(Progress(Stage.LISTEN, total, total))
    return found


def _record(store: Store, clip: Medium, recogniser: str, heard: Sequence[Heard], lexicon: Lexicon) -> Listened:
    kept: list[tuple[Heard, tuple[str, ...]]] = []
    for one in sorted(heard, key=lambda one: one.start_ms):
        one = replace(one, text=_shown(one.text))
        named = tuple(dict.fromkeys(name.id for match in lexicon.find(words_of(one.text)) for name in match.names))
        if named:
            kept.append((one, named))
    body = {
        "clip": clip.sha256,
        "recogniser": recogniser,
        "heard": [
            {"start_ms": one.start_ms, "end_ms": one.end_ms, "text": one.text, "sure": one.sure} for one, _ in kept
        ],
    }
    with store.deciding():
        decision = decisions.append(store.catalogue, "heard", body, by=store.by)
        project(store, decision)
    return Listened(clip, tuple(one for one, _ in kept), tuple(named for _, named in kept))


def _shown(text: str) -> str:
    """Single letters as capitals: "run W three"."""
    return re.sub(r"\b[b-hj-z]\b", lambda match: match.group().upper(), text)
