"""Files that a phone sends: received piece by piece into the archive's work folder, told by their first bytes, and then
taken in like any others.

    work/uploads/<id>.json          what is known of a file
    work/uploads/<id>.part          what of it has come
    work/uploads/<id>/phone/<name>  all of it, until it is taken in

An id is made of what a phone says of a file (name, size, time, a mark of its content): sending the same again, after a
lost connection or a week later, meets what is there. Whether the bytes are known already, the archive itself knows by
their checksum. A name is only ever stored as a name: it has lost whatever could make it a path.
"""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, replace
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO
from weakref import WeakValueDictionary

from lastlook.archive import Archive
from lastlook.errors import ArchiveError, LastlookError, NoSuchId, UsageError
from lastlook.intake.discover import HEAD_BYTES, FoundKind, kind_of, looks_like_text, unread_kind
from lastlook_web.config import Limits
from lastlook_web.sent_files import NoPicture, NoRoom, State, TooLarge, Upload, fitting_name, safe_name
from lastlook_web.words import size

__all__ = ["FOLDER", "NoPicture", "NoRoom", "State", "TooLarge", "Upload", "Uploads", "fitting_name", "safe_name"]

_ID = re.compile(r"u[0-9a-f]{16}")
_BLOCK = 1 << 16
_ROOM_LEFT = 200_000_000
"""Bytes that stay free on the archive's disk, so that decisions can still be written."""
_KEPT_SECONDS = 24 * 3600.0  # how long what has come of a file is kept for the rest
_MOST_ARRIVING = 100
_MOST_RECORDS = 120
_EARLIEST_S, _LATE_S = 631_152_000, 86_400  # 1990-01-01; a day ahead: what no phone's clock says in earnest
FOLDER = "phone"
_BY_CABLE = "Copy it by cable or card into a folder that the page “Work” takes in, such as the archive's inbox."
_FULL = (errno.ENOSPC, errno.EDQUOT)


class Uploads:
    """The files that phones send to one archive. May be asked from any thread."""

    def __init__(
        self,
        archive: Archive,
        limits: Limits,
        clock: Callable[[], float] = time.time,
        free: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
    ) -> None:
        self._archive = archive
        self.limits = limits
        self._clock = clock
        self._free = free
        self._lock = threading.RLock()
        self._writing: WeakValueDictionary[str, threading.Lock] = WeakValueDictionary()

    @property
    def folder(self) -> Path:
        """Where they lie; made when it is first asked for."""
        folder = self._archive.work / "uploads"
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    # ------------------------------------------------------------------------------------------ what there is

    def find(self, id: str) -> Upload:
        """Raises NoSuchId. Whatever is asked for, only an id of ours becomes part of a path."""
        if not _ID.fullmatch(id):
            raise NoSuchId("file under way", id)
        with self._lock:
            try:
                raw = json.loads((self.folder / f"{id}.json").read_text(encoding="ascii"))
                known = Upload(**{**raw, "state": State(raw["state"])})
            except (OSError, ValueError, TypeError, KeyError):
                raise NoSuchId("file under way", id) from None
            if known.state is State.ARRIVING:
                known = replace(known, have=self._have(id))
            return known

    def every(self) -> list[Upload]:
        """All that are known, the one that changed last first."""
        found = []
        for path in self.folder.glob("u*.json"):
            with suppress(NoSuchId):
                found.append(self.find(path.stem))
        return sorted(found, key=lambda one: (-one.at, one.id))

    def waiting(self) -> list[Upload]:
        return [one for one in reversed(self.every()) if one.state is State.WAITING]

    def path(self, upload: Upload) -> Path:
        """Where a whole file lies until it is taken in."""
        return self.folder / upload.id / FOLDER / upload.name

    # ------------------------------------------------------------------------------------------ receiving

    def begin(self, name: str, size_bytes: int, modified_ms: int = 0, mark: str = "", by: str = "") -> Upload:
        """Say what will come; what of it is here already. Raises TooLarge, NoRoom, UsageError."""
        if size_bytes <= 0:
            raise UsageError(f"{safe_name(name)} is empty", "Take the picture again.")
        if size_bytes > max(self.limits.photo, self.limits.clip):
            raise TooLarge(
                f"{safe_name(name)} has {size(size_bytes)}; {size(self.limits.clip)} are taken from a phone",
                _BY_CABLE,
            )
        said = "\0".join((name, str(size_bytes), str(modified_ms), mark)).encode("utf-8", "replace")
        id = "u" + sha256(said).hexdigest()[:16]
        with self._lock:
            with suppress(NoSuchId):
                known = self.find(id)
                if known.state is not State.REFUSED:
                    return known
                self._drop_files(id)
            self._sweep()
            arriving = [one for one in self.every() if one.state is State.ARRIVING]
            if len(arriving) >= _MOST_ARRIVING:
                raise UsageError(f"{_MOST_ARRIVING} files are under way already", "Wait until some have come.")
            # Once here and once more among the originals.
            coming = sum(one.size_bytes - one.have for one in arriving) + 2 * size_bytes
            if self._free(self.folder) < coming + _ROOM_LEFT:
                raise _full()
            fresh = Upload(id, safe_name(name), size_bytes, modified_ms, by, State.ARRIVING, at=self._clock())
            self._keep(fresh)
            return fresh

    def piece(self, id: str, at: int, stream: BinaryIO, length: int) -> Upload:
        """Take a piece that begins at byte `at`. One that does not fit on what is here changes nothing; the answer says
        what is here. Raises NoSuchId, NoPicture, TooLarge, NoRoom."""
        # A piece comes as slowly as its phone sends it: only that file waits for it. Its own lock is always the first.
        with self._lock:
            own = self._writing.setdefault(id, threading.Lock())
        with own:
            known = self.find(id)
            if known.state is not State.ARRIVING or at != known.have:
                return known
            if length <= 0 or at + length > known.size_bytes:
                raise UsageError(f"{known.name} is longer than its phone said", "Send it once more.")
            part = self._part(id)
            try:
                self._append(part, at, stream, length, last=at + length == known.size_bytes)
            except OSError as error:
                with suppress(OSError):
                    os.truncate(part, at)
                if error.errno in _FULL:
                    raise _full() from error
                raise ArchiveError(
                    f"{known.name} cannot be written: {(error.strerror or str(error)).lower()}",
                    "Check the archive's disk, then send it once more.",
                ) from error
            with self._lock:
                return self._came(id, at, length)

    def _came(self, id: str, at: int, length: int) -> Upload:
        """Record that a piece has come. Raises NoSuchId where the file was given up meanwhile."""
        part = self._part(id)
        try:
            known = self.find(id)
        except NoSuchId:
            part.unlink(missing_ok=True)
            raise
        if known.state is not State.ARRIVING or not part.exists():
            return known
        if at < HEAD_BYTES:
            self._check_content(known, part, whole=at + length == known.size_bytes)
        known = replace(known, at=self._clock())
        if known.have == known.size_bytes:
            return self._whole(known)
        self._keep(known)
        return known

    def whole(self, name: str, stream: BinaryIO, size_bytes: int, by: str = "") -> Upload:
        """Take a file that comes in one go, in a form. Raises as `begin` and `piece` do."""
        known = self.begin(name, size_bytes, 0, _mark_of(stream), by)
        if known.state is State.ARRIVING:
            stream.seek(known.have)
            known = self.piece(known.id, known.have, stream, size_bytes - known.have)
        return known

    def _append(self, part: Path, at: int, stream: BinaryIO, length: int, *, last: bool) -> None:
        with part.open("r+b" if part.exists() else "w+b") as file:
            file.seek(at)
            left = length
            while left:
                block = stream.read(min(_BLOCK, left))
                if not block:
                    break  # the phone went away; what has come is kept
                file.write(block)
                left -= len(block)
            file.truncate()
            if last:
                file.flush()
                os.fsync(file.fileno())

    def _check_content(self, known: Upload, part: Path, *, whole: bool) -> None:
        """Tell by its first bytes what a file is, whatever its name and its phone say."""
        with part.open("rb") as file:
            head = file.read(HEAD_BYTES)
        if len(head) < HEAD_BYTES and not whole and len(head) < known.size_bytes:
            return  # too little has come yet
        kind = kind_of(head)
        try:
            if kind not in (FoundKind.PHOTO, FoundKind.CLIP):
                named = unread_kind(head) or ("text" if looks_like_text(head) else "")
                raise NoPicture(
                    f"{known.name} is no photo and no clip" + (f", but {named}" if named else ""),
                    "Photos and clips are taken from a phone; nothing else.",
                )
            most = self.limits.photo if kind is FoundKind.PHOTO else self.limits.clip
            if known.size_bytes > most:
                what = "photo" if kind is FoundKind.PHOTO else "clip"
                raise TooLarge(
                    f"{known.name} has {size(known.size_bytes)}; {size(most)} are taken for a {what} from a phone",
                    _BY_CABLE,
                )
        except LastlookError as error:
            self._refuse(known, error.message.removeprefix(f"{known.name} "), error.hint)
            raise

    def _whole(self, known: Upload) -> Upload:
        """Put a file that is here in line for being taken in."""
        part = self._part(known.id)
        with part.open("rb") as file:
            head = file.read(HEAD_BYTES)
        known = replace(known, name=fitting_name(known.name, head), state=State.WAITING, at=self._clock())
        path = self.path(known)
        path.parent.mkdir(parents=True, exist_ok=True)
        part.replace(path)
        said = known.modified_ms / 1000
        if _EARLIEST_S < said < self._clock() + _LATE_S:
            os.utime(path, (said, said))  # the file's own date: a claim of its time, as on a card
        self._keep(known)
        return known

    # ------------------------------------------------------------------------------------------ after taking in

    def settle(self, upload: Upload, state: State, digest: str = "", reason: str = "", hint: str = "") -> None:
        """Record what became of a whole file, and let go of what is not needed any more."""
        with self._lock:
            self._keep(replace(upload, state=state, sha256=digest, reason=reason, hint=hint, at=self._clock()))
            self._drop_files(upload.id)

    def forget(self, id: str) -> None:
        """Give up a file that has not come whole, or take one that is settled off the list. Raises NoSuchId."""
        with self._lock:
            if self.find(id).state is not State.WAITING:
                self._drop_files(id)
                (self.folder / f"{id}.json").unlink(missing_ok=True)

    def mend(self) -> None:
        """Put right what a viewer that was killed left: what is here whole waits to be taken in, also where its record
        was lost; nothing else lies about. Only where no other viewer is at work in the archive."""
        with self._lock:
            for left in self.folder.glob("*.new"):
                left.unlink(missing_ok=True)
            for id in {path.name.partition(".")[0] for path in self.folder.iterdir()}:
                if _ID.fullmatch(id):
                    self._mend(id)

    def _mend(self, id: str) -> None:
        whole = next((path for path in (self.folder / id / FOLDER).glob("*") if path.is_file()), None)
        length = whole.stat().st_size if whole is not None else 0
        try:
            known = self.find(id)
        except NoSuchId:
            known = Upload(id, whole.name if whole is not None else "", length, 0, "", State.ARRIVING)
        if whole is not None and known.state is State.ARRIVING and length == known.size_bytes:
            self._part(id).unlink(missing_ok=True)
            self._keep(replace(known, name=whole.name, have=length, state=State.WAITING, at=self._clock()))
        elif known.state in (State.TAKEN, State.KNOWN, State.REFUSED):
            self._drop_files(id)
        elif not known.name:
            self._drop_files(id)
            (self.folder / f"{id}.json").unlink(missing_ok=True)

    def _refuse(self, known: Upload, reason: str, hint: str) -> None:
        self.settle(known, State.REFUSED, reason=reason, hint=hint)

    # ------------------------------------------------------------------------------------------ on the disk

    def _part(self, id: str) -> Path:
        return self.folder / f"{id}.part"

    def _have(self, id: str) -> int:
        try:
            return self._part(id).stat().st_size
        except OSError:
            return 0

    def _keep(self, upload: Upload) -> None:
        path = self.folder / f"{upload.id}.json"
        temporary = path.with_suffix(".new")
        try:
            with temporary.open("w", encoding="ascii") as file:
                file.write(json.dumps(asdict(upload), ensure_ascii=True))
                if upload.state is State.WAITING:  # the phone is told that it is here, and lets go of it
                    file.flush()
                    os.fsync(file.fileno())
            temporary.replace(path)
        except OSError as error:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            if error.errno in _FULL:
                raise _full() from error
            raise ArchiveError(
                f"{upload.name} cannot be written down: {(error.strerror or str(error)).lower()}",
                "Check the archive's disk and its room.",
            ) from error

    def _drop_files(self, id: str) -> None:
        self._part(id).unlink(missing_ok=True)
        shutil.rmtree(self.folder / id, ignore_errors=True)

    def _sweep(self) -> None:
        """Let go of what never came whole, and of records that nobody will ask for."""
        for place, one in enumerate(self.every()):
            # A clock that was set back makes some of them of tomorrow: they go as well.
            late = one.state is State.ARRIVING and abs(self._clock() - one.at) > _KEPT_SECONDS
            if late or (place >= _MOST_RECORDS and one.state not in (State.ARRIVING, State.WAITING)):
                self._drop_files(one.id)
                (self.folder / f"{one.id}.json").unlink(missing_ok=True)


def _full() -> NoRoom:
    return NoRoom(
        "the archive's disk has no room for it", "Make room there, then send it once more; nothing of it is lost."
    )


def _mark_of(stream: BinaryIO) -> str:
    """A checksum of the whole of a file that is here anyway."""
    stream.seek(0)
    digest = sha256()
    while block := stream.read(_BLOCK):
        digest.update(block)
    stream.seek(0)
    return digest.hexdigest()
