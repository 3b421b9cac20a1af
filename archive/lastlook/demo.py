"""The demonstration: an archive of the lightship LV-40 made from the sample media, and three questions put to it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from lastlook import archive, closing_check, deciding, ingest, planning, sessions
from lastlook.archive import Archive, path_to_text
from lastlook.catalogue import closings, decisions, media, paths, pictures
from lastlook.deciding import Target
from lastlook.errors import LastlookError, NoArchive
from lastlook.progress import Report, silent
from lastlook.records import ClockCorrection, Dimension, PictureKind, Question
from lastlook.store import Store

BUILDER = "builder"


@dataclass(frozen=True, slots=True)
class Asked:
    """A question of the trade: in a builder's words, as the command that asks it, and as it is put to the archive."""

    words: str
    command: str
    question: Question


QUESTIONS = (
    Asked(
        "What did run W03 look like before the mast foot was closed?",
        "lastlook find --run W03 --before-closing O4",
        Question(runs=("W03",), before_closing="O4", limit=3),
    ),
    Asked(
        "When was the loom pulled through bulkhead 11?",
        "lastlook find loom through bulkhead --kind still",
        Question(words="loom through bulkhead", kind=PictureKind.STILL, limit=3),
    ),
    Asked(
        "Was W02 photographed again after it was landed on 13 March, before the hull halves were joined?",
        "lastlook find --run W02 --since '14 March 2026' --before-closing O1",
        Question(
            runs=("W02",), before_closing="O1", since=datetime.fromisoformat("2026-03-14T00:00:00+01:00"), limit=3
        ),
    ),
)


def sample_media() -> Path:
    """The sample media: beside the package where it was installed, else in the project's own folder."""
    here = Path(__file__).resolve().parent
    for folder in (here / "sample_media", here.parent.parent / "sample_media"):
        if (folder / "plan.toml").is_file():
            return folder.resolve()  # files are known by their real paths, also where this is a link
    raise LastlookError("the sample media are not installed", "Install lastlook with its sample_media folder.")


def build(folder: Path, *, executor: Executor, report: Report = silent) -> tuple[Archive, ingest.Ingested]:
    """Make the demonstration archive in `folder`, or bring one that is there up to date. Raises LastlookError."""
    source = sample_media()
    try:
        made = archive.open_at(folder)
        fresh = False
    except NoArchive:
        if folder.exists() and any(folder.iterdir()):
            raise LastlookError(f"{folder} is not empty", "Give another folder: lastlook demo DIR.") from None
        made = archive.create(folder, name="Lightship LV-40", zone="Europe/Copenhagen", scale="1:40")
        fresh = True
    with Store(made, by=BUILDER, create=fresh) as store:
        planning.load(store, (source / "plan.toml").read_text(encoding="utf-8"), "plan.toml")
        taken = ingest.ingest(
            store, [path for path in sorted(source.iterdir()) if _is_media(path)], executor=executor, report=report
        )
        _clocks(store, source)
        _sessions(store, source)
        _said(store, source)
        _closings(store, source)
    return made, taken


def _is_media(path: Path) -> bool:
    return path.is_dir() and path.name not in {"make"} and not path.name.startswith((".", "_"))


def _clocks(store: Store, source: Path) -> None:
    """What the builder knows of the cameras' clocks."""
    if decisions.live(store.catalogue, "clock"):
        return
    by_model = {key.casefold(): key for key, _ in media.cameras(store.catalogue)}
    for entry in _entries(source / "closings.toml", "clock"):
        key = by_model.get(str(entry["camera"]).casefold())
        if key is None:
            continue
        since: datetime | None = entry.get("from")
        error = float(entry["error_seconds"])
        if since is not None:
            # From this moment on the clock shows true local time plus its error: where its own reading begins.
            since = since.replace(tzinfo=None) + timedelta(seconds=error)
        deciding.correct_clock(
            store, ClockCorrection(camera=key, error_s=error, since=since, note=str(entry.get("note", "")))
        )


def _closings(store: Store, source: Path) -> None:
    """Closed as a builder closes: with the check, which keeps what stood open and the last look. Nobody has said yet
    how the pictures show things, so that much stands open; the record says that it was closed with it."""
    for entry in _entries(source / "closings.toml", "closing"):
        if not closings.of_opening(store.catalogue, str(entry["opening"])):
            method = str(entry.get("method", ""))
            closing_check.close(store, str(entry["opening"]), entry["at"].isoformat(), method, with_gaps=True)


def _said(store: Store, source: Path) -> None:
    """What the builder said of some pictures at the bench."""
    if decisions.live(store.catalogue, "tag"):
        return
    seen = paths.sightings(store.catalogue)
    for entry in _entries(source / "said.toml", "said"):
        place = seen.get(path_to_text(source / entry["picture"]))
        found = pictures.of_medium(store.catalogue, place.sha256) if place else []
        if found:
            deciding.tag(store, [found[0].id], list(_targets(entry)), entry.get("caption"))


def _sessions(store: Store, source: Path) -> None:
    """What was being worked on, and when."""
    if decisions.live(store.catalogue, "session"):
        return
    for entry in _entries(source / "said.toml", "session"):
        since, until = entry["from"].isoformat(), entry["to"].isoformat()
        sessions.add(store, list(_targets({**entry, "in": entry.get("on", ())})), since, until)


def _targets(entry: Mapping[str, Any]) -> Iterator[Target]:
    for key, dimension in (
        ("in", Dimension.SUBASSEMBLY),
        ("step", Dimension.STEP),
        ("run", Dimension.RUN),
        ("part", Dimension.PART),
    ):
        for id in entry.get(key, ()):
            yield Target(dimension, str(id))


def _entries(path: Path, key: str) -> Sequence[Mapping[str, Any]]:
    entries: Sequence[Mapping[str, Any]] = tomllib.loads(path.read_text(encoding="utf-8")).get(key, ())
    return entries
