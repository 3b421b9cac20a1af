"""Keep what was read: put the original in its place and add its rows. Ingest and rebuild both go through here."""

from __future__ import annotations

import errno
import os
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any
from zoneinfo import ZoneInfo

from lastlook import projecting, proposing, retime, times
from lastlook.archive import Archive, path_to_text
from lastlook.catalogue import media, paths, pictures
from lastlook.catalogue.media import Medium, Place
from lastlook.catalogue.paths import Sighting
from lastlook.errors import ArchiveError
from lastlook.intake import fingerprint
from lastlook.intake.captions import Captions
from lastlook.intake.discover import is_motion_pair
from lastlook.intake.names import name_claim, series
from lastlook.records import Camera, CaptureTime, ClaimSource, Decision, MediaKind, Problem, Reading
from lastlook.store import Store

UNDATED = "undated"
NAME_BYTES = 255  # the longest name that common file systems take
_HALTS = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO)


class Unplaceable(Exception):
    """One file cannot be put into the archive; `reason` says why. The run goes on without it."""

    def __init__(self, reason: str, hint: str) -> None:
        super().__init__(reason)
        self.reason = reason
        self.hint = hint


class Originals:
    """The folder of originals while one run holds the lock: what lies there is listed once a folder."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._names: dict[str, dict[str, str]] = {}

    def place(self, staged: Path, name: str, sha256: str, folder: str) -> str:
        """Move a staged copy to `originals/<folder>/<name>` and make it read-only; returns that path, relative.

        Where another file has that name, `~` and the beginning of the content's hash are added; where the same content
        lies there already (a run that was killed between moving and committing), that one is kept. Raises Unplaceable
        for a file that cannot be placed, ArchiveError where none could.
        """
        target = self._archive.originals / folder
        moved = not staged.exists()  # by a commit that was interrupted after it had moved the copy
        if moved:
            self._names.pop(folder, None)
        try:
            _make_folder(target)
            chosen, there = self._free(folder, target, name, sha256)
            path = target / chosen
            if there:
                staged.unlink(missing_ok=True)
            elif moved:
                raise Unplaceable("could not be copied: its copy has vanished", "Take it in again.")
            else:
                staged.chmod(0o444)  # before it is moved: what lies among the originals is never writable
                _sync(staged)
                staged.replace(path)
                _sync(target)
                self._names[folder][_folded(chosen)] = chosen
        except OSError as error:
            what = (error.strerror or type(error).__name__).lower()
            if error.errno in _HALTS:
                raise ArchiveError(
                    f"{_shown(name)} could not be put into the archive: {what}",
                    "Check the archive's disk, then run the same command again.",
                ) from error
            raise Unplaceable(
                f"could not be put into the archive ({what})", "Take it in again; check the archive's folder."
            ) from error
        return path_to_text(path.relative_to(self._archive.root))

    def _free(self, folder: str, target: Path, name: str, sha256: str) -> tuple[str, bool]:
        """A name that is free there, or under which the same content lies; and which of the two."""
        if folder not in self._names:
            self._names[folder] = {_folded(entry.name): entry.name for entry in os.scandir(target)}
        # Names that differ only in case or in Unicode composition are one name on other systems: keep them apart here.
        there = self._names[folder]
        pure = PurePath(name)
        for number in range(1000):
            extra = "" if number == 0 else f"~{sha256[:8]}" if number == 1 else f"~{sha256[:8]}-{number}"
            candidate = _fitting(pure.stem, extra + pure.suffix)
            taken = there.get(_folded(candidate))
            if taken is None:
                return candidate, False
            if _holds(target / taken, sha256):
                return taken, True
        raise Unplaceable(f"has a name that a thousand files in {folder} have", "Rename it, then take it in again.")


def _holds(path: Path, sha256: str) -> bool:
    try:
        return fingerprint.take(str(path)).sha256 == sha256
    except fingerprint.Unreadable:
        return False


def _fitting(stem: str, ending: str) -> str:
    """`stem` + `ending`, the stem cut where the name would be too long for a file system."""
    if len(os.fsencode(stem + ending)) <= NAME_BYTES:
        return stem + ending
    room = NAME_BYTES - len(os.fsencode(ending))
    while len(os.fsencode(stem)) > room:
        stem = stem[:-1]
    return stem + ending


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _shown(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _make_folder(folder: Path) -> None:
    """Make it with its parents, each entered on the disk: a file outlives a power cut only if the way to it does."""
    lacking = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for each in reversed(lacking):
        _sync(each.parent)


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
    camera = replace(reading.camera, series=series(file))
    return replace(reading, claims=(*read, *added), mtime_ns=mtime_ns, camera=camera)


def kept_problem(reading: Reading, path: str) -> Problem | None:
    """What to say of a file that is kept although it cannot be shown, or only in part."""
    if not reading.shown:
        reason = reading.warnings[0] if reading.warnings else "it cannot be shown"
        return Problem(path, f"is kept, but {reason}", "Its original stays in the archive.", kept=True)
    damaged = [warning for warning in reading.warnings if "could be read" in warning]
    if damaged:
        return Problem(path, f"is kept, but {damaged[0]}", "Copy it afresh if you still can.", kept=True)
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
    moments = retime.resolve_moments(store.catalogue, store.zone, medium, [still.clip_ms for still in reading.stills])
    return [
        pictures.add_still(store.catalogue, medium.sha256, still, time)
        for still, time in zip(reading.stills, moments, strict=True)
    ]


def sight(store: Store, decision: Decision) -> None:
    """Note where content was met, as an arrival or sighting says, and what follows from that. Inside a transaction."""
    body: Mapping[str, Any] = decision.body
    source, sha256 = body["source"], body["sha256"]
    paths.add_sighting(
        store.catalogue,
        Sighting(source, sha256, body["size_bytes"], body["mtime_ns"], decision.seq, tuple(body["folders"])),
    )
    if decision.kind == "sighting" and "stored" in body:
        media.restore(store.catalogue, sha256, body["stored"], in_place=body["in_place"])
    clip = body.get("belongs_to", "")
    if not clip:  # sightings of captions once did not say it
        medium = media.get(store.catalogue, sha256)
        clip = medium.belongs_to if medium is not None and medium.kind == "captions" else ""
    if clip:
        media.put_beside(store.catalogue, source, sha256, clip)


def is_there(archive: Archive, place: Place | Medium) -> bool:
    """Whether an original still lies in its place, by its size."""
    try:
        return archive.original(place.stored, place.in_place).stat().st_size == place.size_bytes
    except OSError:
        return False


def rids_of(store: Store, medium: Medium) -> list[int]:
    """Rows of a medium's pictures."""
    return [picture.rid for picture in pictures.of_medium(store.catalogue, medium.sha256)]


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
    """Add a caption file with its words. Inside a transaction."""
    media.add(store.catalogue, medium)
    media.add_cues(store.catalogue, medium.sha256, captions.cues)


def hear(store: Store, clip: str) -> None:
    """Let the words of a clip's captions become the words of the stills they cover. Inside a transaction."""
    proposing.propose(store, proposing.say_words(store, clip))


def is_pair(photo: Medium, clip: Medium) -> bool:
    """Whether `clip`, met beside `photo` under its name, is that photo's motion clip and has no photo yet."""
    if (photo.kind, clip.kind) != ("photo", "clip") or clip.belongs_to:
        return False
    return is_motion_pair(_reading(photo), _reading(clip))


def pair(store: Store, decision: Decision) -> int:
    """Put a motion clip to its photo: it is part of that photo and has no stills of its own, but those that a person
    has said something about. Returns how many stills went. Inside a transaction."""
    clip, photo = str(decision.body["clip"]), str(decision.body["photo"])
    media.link(store.catalogue, clip, photo)
    stills = pictures.unsaid_stills(store.catalogue, clip)
    if stills:
        projecting.take_out(store, stills)
    return len(stills)


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
