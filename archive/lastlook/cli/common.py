"""What the commands share: options, opening the archive, JSON, and how times and pictures are written."""

from __future__ import annotations

import functools
import json
import os
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import ParamSpec, TypeVar

import click

from lastlook import archive, times
from lastlook.errors import plural as plural
from lastlook.records import CaptureTime, Dimension, Hit, Picture
from lastlook.store import Store

P = ParamSpec("P")
R = TypeVar("R")


def archive_option(command: Callable[P, R]) -> Callable[P, R]:
    return click.option(
        "--archive",
        "archive_dir",
        type=click.Path(path_type=Path),
        metavar="DIR",
        help="The archive's folder. Else LASTLOOK_ARCHIVE, else the nearest one upward.",
    )(command)


def by_option(command: Callable[P, R]) -> Callable[P, R]:
    return click.option(
        "--by", default="", metavar="NAME", help="Who says so. Else LASTLOOK_BY, else your login name."
    )(command)


def json_option(command: Callable[P, R]) -> Callable[P, R]:
    return click.option("--json", "as_json", is_flag=True, help="Answer as JSON.")(command)


def find_archive(given: Path | None) -> archive.Archive:
    """The archive a command works on. Raises NoArchive."""
    if given is None and os.environ.get("LASTLOOK_ARCHIVE"):
        given = Path(os.environ["LASTLOOK_ARCHIVE"])
    return archive.open_at(given.absolute()) if given is not None else archive.find(Path.cwd())


@contextmanager
def opened(given: Path | None, by: str = "") -> Iterator[Store]:
    with Store(find_archive(given), by=by) as store:
        yield store


def needs_store(command: Callable[..., R]) -> Callable[..., R]:
    """Give a command an open store in place of its --archive and --by options."""

    @archive_option
    @functools.wraps(command)
    def wrapped(*, archive_dir: Path | None, **options: object) -> R:
        by = options.pop("by", "")
        with opened(archive_dir, str(by)) as store:
            return command(store, **options)

    return wrapped


def print_json(value: object) -> None:
    click.echo(json.dumps(value, ensure_ascii=False, indent=2))


def instant(value: datetime | None, zone: str) -> str | None:
    return times.format_rfc3339(value, zone) if value is not None else None


def time_json(time: CaptureTime, zone: str) -> dict[str, str | None]:
    return {
        "taken_at": instant(time.instant, zone),
        "earliest": instant(time.earliest, zone),
        "latest": instant(time.latest, zone),
        "time_basis": time.basis,
    }


def picture_json(picture: Picture, zone: str) -> dict[str, object]:
    """A picture in the shape that `find --json` and others share."""
    return {
        "picture": picture.id,
        "kind": picture.kind.value,
        "file": picture.file,
        "clip_ms": picture.clip_ms,
        **time_json(picture.time, zone),
        "subassemblies": list(picture.counted(Dimension.SUBASSEMBLY)),
        "steps": list(picture.counted(Dimension.STEP)),
        "runs": list(picture.counted(Dimension.RUN)),
        "parts": list(picture.counted(Dimension.PART)),
        "caption": picture.caption,
        "sha256": picture.sha256,
    }


def hit_json(hit: Hit, zone: str) -> dict[str, object]:
    body = picture_json(hit.picture, zone)
    digest = body.pop("sha256")
    return {**body, "score": hit.score, "sha256": digest}


def picture_line(picture: Picture, zone: str) -> str:
    """Id, time, file and what it shows, in one line."""
    shows = tags_words(picture)
    return f"{picture.id:<24} {times.describe(picture.time, zone)}  {where(picture)}{'  ' + shows if shows else ''}"


def where(picture: Picture) -> str:
    """The file, and for a still its place in the clip."""
    file = harmless(picture.file)
    return file if picture.clip_ms is None else f"{file} at {clock(picture.clip_ms)}"


def harmless(text: str) -> str:
    """Text that came from outside, on one line and harmless: what would break the line, command the terminal or turn
    the direction of reading is written as Python writes it."""
    return "".join(
        repr(letter)[1:-1] if unicodedata.category(letter) == "Cc" or letter in _TURNING else letter for letter in text
    )


_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029")


def clock(clip_ms: int) -> str:
    """A place in a clip as one types it: 12:31.5."""
    minutes, rest = divmod(clip_ms, 60_000)
    seconds = f"{rest / 1000:06.3f}".rstrip("0").rstrip(".")
    return f"{minutes}:{seconds}"


def tags_words(picture: Picture) -> str:
    """What a picture counts as showing, proposals marked."""
    groups = []
    for dimension in Dimension:
        ids = picture.counted(dimension)
        if ids:
            sure = set(picture.said(dimension))
            groups.append(" ".join(id if id in sure else f"{id}?" for id in ids))
    return " · ".join(groups)


def mapping_json(value: Mapping[str, tuple[str, ...]]) -> dict[str, list[str]]:
    return {key: list(entries) for key, entries in value.items()}
