"""Keep what was read: put the original in its place and add its rows. Ingest and rebuild both go through here."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any
from zoneinfo import ZoneInfo

from lastlook import proposing, retime, times
from lastlook.archive import Archive, path_to_text
from lastlook.catalogue import media, pictures
from lastlook.catalogue.media import Medium, Sighting
from lastlook.errors import ArchiveError
from lastlook.intake import fingerprint
from lastlook.intake.captions import Captions
from lastlook.intake.discover import Found, FoundKind, is_motion_pair, keep_company
from lastlook.intake.names import name_claim
from lastlook.records import Camera, CaptureTime, ClaimSource, Decision, MediaKind, Problem, Reading
from lastlook.store import Store

UNDATED = "undated"


def place(archive: Archive, staged: Path, name: str, sha256: str, folder: str) -> str:
    """Move a staged copy to `originals/<folder>/<name>` and make it read-only; returns that path, relative.

    Where another file has that name, `~` and the beginning of the content's hash are added; where the same content
    lies there already (a run that was killed between moving and committing), that one is kept. Raises ArchiveError.
    """
    target = archive.originals / folder
    try:
        target.mkdir(parents=True, exist_ok=True)
        path = _free(target, name, sha256)
        if path.exists():
            staged.unlink(missing_ok=True)
        else:
            _sync(staged)
            staged.replace(path)
            path.chmod(0o444)
            _sync(target)
    except OSError as error:
        raise ArchiveError(
            f"{name} could not be put into the archive: {error.strerror or error}",
            "Check the disk and the folder's permissions, then run the same command again.",
        ) from error
    return path_to_text(path.relative_to(archive.root))


def _free(folder: Path, name: str, sha256: str) -> Path:
    pure = PurePath(name)
    # Names that differ only in case or in Unicode composition are one name on other systems: keep them apart here.
    there = {_folded(entry.name): entry for entry in os.scandir(folder)}
    for number in range(1000):
        extra = "" if number == 0 else f"~{sha256[:8]}" if number == 1 else f"~{sha256[:8]}-{number}"
        candidate = f"{pure.stem}{extra}{pure.suffix}"
        entry = there.get(_folded(candidate))
        if entry is None:
            return folder / candidate
        if entry.is_file(follow_symlinks=False) and fingerprint.take(entry.path).sha256 == sha256:
            return folder / entry.name
    raise ArchiveError(f"{folder} has a thousand files called {name}", "Move some of them elsewhere.")


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _sync(path: Path) -> None:
    """On the disk before the catalogue says that it is there."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def day_folder(time: CaptureTime, zone: str) -> str:
    """`2027/2027-03-14` in the build's zone, or `undated`."""
    if time.instant is None:
        return UNDATED
    day = time.instant.astimezone(ZoneInfo(zone)).date()
    return f"{day.year}/{day.isoformat()}"


def own_claims(reading: Reading, file: str, mtime_ns: int) -> Reading:
    """The reading with the claims of the file's own name and date as they were when it was taken in: a copy may have
    another name in the archive, and a restored backup another date."""
    own = (ClaimSource.FILE_NAME, ClaimSource.FILE_SYSTEM)
    read = tuple(claim for claim in reading.claims if claim.source not in own)
    named = name_claim(file)
    added = (*((named,) if named else ()), times.file_system_claim(mtime_ns))
    return replace(reading, claims=(*read, *added), mtime_ns=mtime_ns)


def kept_problem(reading: Reading, path: str) -> Problem | None:
    """What to say of a file that is kept although it cannot be shown, or only in part."""
    if not reading.shown:
        reason = reading.warnings[0] if reading.warnings else "it cannot be shown"
        return Problem(path, f"is kept, but {reason}", "Its original stays in the archive.", kept=True)
    damaged = [warning for warning in reading.warnings if "could be read" in warning]
    if damaged:
        return Problem(path, f"is kept, but damaged: {damaged[0]}", "Copy it afresh if you still can.", kept=True)
    return None


def add_medium(store: Store, medium: Medium, reading: Reading) -> list[int]:
    """Add a photo or clip and its pictures; returns the pictures' rows. Inside a transaction."""
    media.add(store.catalogue, medium)
    if reading.kind is MediaKind.PHOTO:
        time = retime.resolve_medium(store.catalogue, store.zone, medium)
        return [
            pictures.add_photo(
                store.catalogue,
                medium.sha256,
                width=reading.width,
                height=reading.height,
                time=time,
                quality=reading.quality,
                thumb=reading.thumb,
                page=reading.page,
            )
        ]
    return [
        pictures.add_still(
            store.catalogue,
            medium.sha256,
            still,
            retime.resolve_medium(store.catalogue, store.zone, medium, still.clip_ms),
        )
        for still in reading.stills
    ]


def sight(store: Store, decision: Decision) -> None:
    """Note where content was met, as an arrival or sighting says. Inside a transaction."""
    body: Mapping[str, Any] = decision.body
    media.add_sighting(
        store.catalogue,
        Sighting(
            body["source"], body["sha256"], body["size_bytes"], body["mtime_ns"], decision.seq, tuple(body["folders"])
        ),
    )


def rids_of(store: Store, medium: Medium) -> list[int]:
    """Rows of a medium's pictures; for captions those of their clip."""
    of = medium.belongs_to if medium.kind == "captions" else medium.sha256
    return [picture.rid for picture in pictures.of_medium(store.catalogue, of)]


def folder_of(store: Store, clip: str) -> str:
    """The folder of originals in which a clip's captions lie: its own day."""
    medium = media.get(store.catalogue, clip)
    if medium is None:
        return UNDATED
    return day_folder(retime.resolve_medium(store.catalogue, store.zone, medium), store.zone)


@dataclass(frozen=True, slots=True)
class CaptionFile:
    """A caption file that was read, and the clip it belongs to."""

    path: str
    taken: fingerprint.Fingerprint
    captions: Captions
    clip: str


def caption_medium(file: CaptionFile, name: str, stored: str, *, in_place: bool) -> Medium:
    return Medium(
        sha256=file.taken.sha256,
        kind="captions",
        format=file.captions.grammar,
        file=name,
        stored=stored,
        in_place=in_place,
        size_bytes=file.taken.size_bytes,
        mtime_ns=file.taken.mtime_ns,
        width=0,
        height=0,
        orientation=1,
        camera=Camera(),
        claims=(),
        facts={},
        warnings=file.captions.warnings,
        duration_ms=None,
        pair_id="",
        belongs_to=file.clip,
        shown=False,
    )


def add_captions(store: Store, medium: Medium, captions: Captions) -> None:
    """Add a caption file: its words become the words of the stills they cover. Inside a transaction."""
    media.add(store.catalogue, medium)
    media.add_cues(store.catalogue, medium.sha256, captions.cues)
    proposing.propose(store, proposing.say_words(store, medium.belongs_to))


def link_motion_clips(store: Store, paths: Mapping[str, str] | None = None) -> int:
    """Put motion clips to their photos; a clip that is part of a photo has no stills of its own. `paths` maps a photo's
    path to the clip's; every place where two of one name were met side by side if not given. Returns how many."""
    catalogue = store.catalogue
    sightings = media.sightings(catalogue)
    kinds = {medium.sha256: medium for medium in media.every(catalogue) if medium.kind != "captions"}
    if paths is None:
        paths = keep_company(
            [
                Found(path, FoundKind(kinds[seen.sha256].kind), seen.size_bytes, seen.mtime_ns)
                for path, seen in sightings.items()
                if seen.sha256 in kinds
            ]
        ).motion
    linked: set[str] = set()
    for photo_path, clip_path in sorted(paths.items()):
        photo_seen, clip_seen = sightings.get(path_to_text(photo_path)), sightings.get(path_to_text(clip_path))
        if photo_seen is None or clip_seen is None or clip_seen.sha256 in linked:
            continue
        photo, clip = kinds.get(photo_seen.sha256), kinds.get(clip_seen.sha256)
        if photo is None or clip is None or clip.belongs_to or (photo.kind, clip.kind) != ("photo", "clip"):
            continue
        if is_motion_pair(_reading(photo), _reading(clip)):
            media.link(catalogue, clip.sha256, photo.sha256)
            pictures.drop_stills(catalogue, clip.sha256)
            linked.add(clip.sha256)
    return len(linked)


def _reading(medium: Medium) -> Reading:
    """As much of a reading as telling pairs needs."""
    return Reading(
        path="",
        sha256=medium.sha256,
        size_bytes=medium.size_bytes,
        mtime_ns=medium.mtime_ns,
        kind=MediaKind(medium.kind),
        format=medium.format,
        width=medium.width,
        height=medium.height,
        orientation=medium.orientation,
        camera=medium.camera,
        claims=medium.claims,
        duration_ms=medium.duration_ms,
        pair_id=medium.pair_id,
    )
