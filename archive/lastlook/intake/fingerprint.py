"""The fingerprint of a file: SHA-256 of all of it, in one pass, and a copy made on the way.

What is copied is what was hashed: the bytes are read once and go to both. Where the file system can clone a file
(FICLONE of Linux: the copy shares the blocks), the clone is made first and the clone is what is hashed.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from lastlook.records import Problem

_BLOCK = 1 << 20
_FICLONE = 0x40049409  # ioctl_ficlone(2)
_CLONE_FROM = 16 << 20  # below this size, reading once and writing once is as quick
_NO_SPACE = (errno.ENOSPC, errno.EDQUOT)


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """`sha256`: 64 hex digits; `size_bytes`, `mtime_ns` as they stood before and after the reading.

    `staged`: the copy, if one was asked for, at `staged_path(folder, sha256)`; `data`: the bytes, if they were to be
    kept in memory.
    """

    sha256: str
    size_bytes: int
    mtime_ns: int
    staged: Path | None = None
    data: bytes | None = None


class Unreadable(Exception):
    """The file cannot be fingerprinted; `problem` says why. Caught by the reader, never seen by a builder."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.reason)
        self.problem = problem


def staged_path(staging: Path, sha256: str) -> Path:
    """Where the copy of a file of that content lies in the staging folder until it is moved to its place."""
    return staging / f"{sha256}.staged"


def take(path: str, *, staging: Path | None = None, keep: bool = False) -> Fingerprint:
    """Hash the whole file at `path`, copying it to `staging` (an existing folder) on the way if one is given.

    With `keep`, the file is read into memory once and `data` holds it. The copy has the original's modification time.
    Raises `Unreadable` for what is no regular file, cannot be read, changed while it was read, or cannot be copied.
    """
    try:
        # Neither follow a link nor wait at a pipe: the file may have been swapped since it was listed.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        raise Unreadable(_cannot_read(path, error)) from error
    part: Path | None = None
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            raise Unreadable(Problem(path, "is no ordinary file", "Only ordinary files can be taken in."))
        if staging is not None:
            part = staging / f"{os.getpid()}-{threading.get_ident()}-{before.st_ino}.part"
        sha256, data, length = _pass(descriptor, path, part, before.st_size, keep)
        after = os.fstat(descriptor)
        if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns) or length != before.st_size:
            raise Unreadable(
                Problem(
                    path,
                    "is still being written: it changed while it was read",
                    "Wait until copying or recording has ended, then take it in again.",
                )
            )
        staged = None
        if part is not None and staging is not None:
            os.utime(part, ns=(after.st_atime_ns, after.st_mtime_ns))
            staged = staged_path(staging, sha256)
            part.replace(staged)
            part = None
        return Fingerprint(sha256, before.st_size, before.st_mtime_ns, staged, data)
    finally:
        os.close(descriptor)
        if part is not None:
            part.unlink(missing_ok=True)


def _pass(descriptor: int, path: str, part: Path | None, size: int, keep: bool) -> tuple[str, bytes | None, int]:
    """Read once; hash, copy and keep as asked. Returns the digest, the kept bytes and how many bytes there were."""
    digest = hashlib.sha256()
    if part is None:
        return _read(descriptor, path, digest.update, keep, digest.hexdigest)
    try:
        copy = os.open(part, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    except OSError as error:
        raise Unreadable(_cannot_copy(path, error)) from error
    try:
        if size >= _CLONE_FROM and _clone(descriptor, copy):
            return _read(copy, path, digest.update, keep, digest.hexdigest)

        def both(block: bytes) -> None:
            digest.update(block)
            rest = memoryview(block)
            try:
                while rest:
                    rest = rest[os.write(copy, rest) :]
            except OSError as error:
                raise Unreadable(_cannot_copy(path, error)) from error

        return _read(descriptor, path, both, keep, digest.hexdigest)
    finally:
        os.close(copy)


def _read(
    descriptor: int, path: str, use: Callable[[bytes], object], keep: bool, hexdigest: Callable[[], str]
) -> tuple[str, bytes | None, int]:
    blocks: list[bytes] = []
    length = 0
    try:
        # A photo is read in one go where the system gives it; a clip never lies in memory as a whole.
        while block := os.read(descriptor, max(_BLOCK, os.fstat(descriptor).st_size + 1) if keep else _BLOCK):
            use(block)
            length += len(block)
            if keep:
                blocks.append(block)
    except OSError as error:
        raise Unreadable(_cannot_read(path, error)) from error
    data = (blocks[0] if len(blocks) == 1 else b"".join(blocks)) if keep else None
    return hexdigest(), data, length


def _clone(source: int, target: int) -> bool:
    try:
        fcntl.ioctl(target, _FICLONE, source)
    except OSError:
        return False  # another file system, or one that cannot: the bytes are copied instead
    return True


def _cannot_read(path: str, error: OSError) -> Problem:
    if isinstance(error, FileNotFoundError):
        return Problem(path, "is gone: it was moved or deleted after it was listed", "Look where it went.")
    if isinstance(error, PermissionError):
        return Problem(path, "may not be read by you", "Change its permissions, or copy it where you may read it.")
    if error.errno == errno.ELOOP:
        return Problem(path, "is a link to another place; links are not followed", "Give what it points to.")
    what = error.strerror or type(error).__name__
    return Problem(path, f"cannot be read ({what.lower()})", "Check the card or disk, and copy the file afresh.")


def _cannot_copy(path: str, error: OSError) -> Problem:
    if error.errno in _NO_SPACE:
        return Problem(path, "could not be copied: the archive's disk is full", "Make room, then take it in again.")
    what = error.strerror or type(error).__name__
    return Problem(path, f"could not be copied into the archive ({what.lower()})", "Check the archive's folder.")
