"""One file in, one reading or problem out: what workers run.

`read_one` holds its time on threads and processes alike, because the work is done in a helper process (see `guard`).
`read_here` is the same work in this process, without the bound.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from pathlib import PurePath

from lastlook import times
from lastlook.intake import discover, exif, fingerprint, guard, photo, raw
from lastlook.intake.names import name_claim
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Claim, MediaKind, Problem, Reading

_log = logging.getLogger(__name__)

_STILLS_SHARE = 0.1  # of a clip's duration, that fetching its stills may take on a busy machine
_LARGEST_PHOTO = 2 << 30  # bytes: what claims to be a photo and is larger is not read into memory


def read_one(path: str, settings: IntakeSettings) -> Reading | Problem:
    """Read the photo or clip at `path` (absolute), write its derived pictures and its staged copy, within its time.

    Never raises for what a file may be. Picklable in and out: it may run on any `concurrent.futures.Executor`.
    """
    bound = _bound(path, settings)
    try:
        return guard.run(read_here, path, settings, seconds=bound)
    except guard.TimeUp:
        return Problem(
            path,
            f"gave nothing for {bound:.0f} s and was left: it is damaged, or this machine has too much to do",
            "Take it in again when there is less to do; if that fails, copy it afresh from the card or phone.",
        )
    except guard.Failed as failure:  # every fault a file is known to have is told before; this may be one of ours
        _log.info("the reader of %s failed: %s", path, failure)
        return Problem(
            path,
            f"could not be read ({failure})",
            "If other programs open it, that is a fault of lastlook: report this line. If not, copy it afresh.",
        )
    except guard.Crashed as crash:
        _log.info("the reader of %s failed: %s", path, crash)
        return Problem(
            path,
            "is damaged: reading it made the decoder fail",
            "Copy it afresh from the card or phone, or save it anew.",
        )


def read_here(path: str, settings: IntakeSettings) -> Reading | Problem:
    """What `read_one` does, in this process: a file that hangs hangs it."""
    head = _head(path)
    if isinstance(head, Problem):
        return head
    try:
        if _is_clip(path, head):
            taken = fingerprint.take(path, staging=settings.staging)
            from lastlook.intake import clips  # its decoders take their time to load

            reading: Reading | Problem = clips.read_clip(
                path, taken.sha256, settings, _getting_on(_bound(path, settings))
            )
        else:
            if os.lstat(path).st_size > _LARGEST_PHOTO:
                return Problem(path, "is larger than any photo (over 2 GB)", "If it is a clip, give it a clip's name.")
            taken = fingerprint.take(path, staging=settings.staging, keep=True)
            reading = read_photo(path, taken, settings)
    except fingerprint.Unreadable as unreadable:
        return unreadable.problem
    if isinstance(reading, Problem) and taken.staged is not None:
        taken.staged.unlink(missing_ok=True)
    return reading


def _getting_on(bound: float) -> Callable[[int, int | None], None]:
    """Tells the guard that a clip gives pictures. How long all of it takes follows from its duration, which its bytes
    do not tell: an hour of a still bench is a few megabytes. The stills are fetched at the end: that takes time, too.
    """

    def progress(done_ms: int, total_ms: int | None) -> None:
        guard.go_on(bound + done_ms / 1000 * _STILLS_SHARE)

    return progress


def read_photo(path: str, taken: fingerprint.Fingerprint, settings: IntakeSettings) -> Reading | Problem:
    """Read the photo whose bytes are in `taken.data`."""
    data = taken.data or b""
    always = (name_claim(PurePath(path).name), times.file_system_claim(taken.mtime_ns))
    try:
        opened = photo.open_photo(data, path, settings.max_pixels)
    except photo.NotShowable as error:
        if raw.is_raw_name(path) and discover.kind_of(data[:4096]) is discover.FoundKind.PHOTO:
            return _kept_raw(path, taken, error, always)
        return Problem(path, error.reason, error.hint)
    try:
        developed = photo.develop(opened, taken.sha256, settings)
    except photo.NotShowable as error:
        return Problem(path, error.reason, error.hint)
    except OSError as error:
        what = (error.strerror or type(error).__name__).lower()
        return Problem(path, f"its preview could not be written ({what})", "Check the archive's disk and folder.")
    finally:
        opened.image.close()
    return Reading(
        path=path,
        sha256=taken.sha256,
        size_bytes=taken.size_bytes,
        mtime_ns=taken.mtime_ns,
        kind=MediaKind.PHOTO,
        format=opened.format,
        width=opened.width,
        height=opened.height,
        orientation=opened.orientation,
        camera=opened.metadata.camera,
        claims=opened.metadata.claims + tuple(claim for claim in always if claim is not None),
        quality=developed.quality,
        thumb=developed.thumb,
        page=developed.page,
        warnings=opened.warnings + developed.warnings,
        facts=opened.metadata.facts,
    )


def larger_view(path: str, sha256: str, settings: IntakeSettings, edge: int) -> str:
    """Make the photo's picture with a long edge of at most `edge` (bounded to 256..4096) for a close look, upright.

    Returns its name relative to the derived folder; made once, then found. Raises `photo.NotShowable`, or `OSError`
    where the original or the derived folder is not there. Bounded in time as a reading is.
    """
    edge = min(4096, max(256, edge))
    name = f"view/{sha256[:2]}/{sha256}-{edge}.jpg"
    if not (settings.derived / name).is_file():
        try:
            said = guard.run(_make_view, path, sha256, name, settings, edge, seconds=_bound(path, settings))
        except (guard.TimeUp, guard.Crashed) as error:
            raise photo.NotShowable("cannot be decoded", "Check it with 'lastlook verify'.") from error
        if said:
            raise photo.NotShowable(*said)
    return name


def _make_view(path: str, sha256: str, name: str, settings: IntakeSettings, edge: int) -> tuple[str, str] | None:
    from lastlook.intake.derived import save_jpeg

    try:
        taken = fingerprint.take(path, keep=True)
        if taken.sha256 != sha256:  # one that was left in place may have been written over since
            raise photo.NotShowable("is not the file that was taken in", "Run 'lastlook verify'.")
        picture, icc = photo.upright(taken.data or b"", path, edge, settings.max_pixels)
        save_jpeg(settings.derived, name, picture, icc=icc)
    except photo.NotShowable as error:
        return error.reason, error.hint
    except fingerprint.Unreadable as error:
        return error.problem.reason, error.problem.hint
    return None


def _kept_raw(
    path: str, taken: fingerprint.Fingerprint, error: photo.NotShowable, always: tuple[Claim | None, ...]
) -> Reading:
    metadata = exif.read(taken.data or b"")
    return Reading(
        path=path,
        sha256=taken.sha256,
        size_bytes=taken.size_bytes,
        mtime_ns=taken.mtime_ns,
        kind=MediaKind.PHOTO,
        format="raw",
        width=0,
        height=0,
        orientation=1,
        camera=metadata.camera,
        claims=metadata.claims + tuple(claim for claim in always if claim is not None),
        shown=False,
        warnings=(error.reason,),
        facts=metadata.facts,
    )


def _head(path: str) -> bytes | Problem:
    kind = discover.first_bytes(path)
    if isinstance(kind, Problem):
        return kind
    if not kind:
        return Problem(path, "is empty", "Copy it afresh from the card or phone.")
    return kind


def _is_clip(path: str, head: bytes) -> bool:
    """By content; where that does not tell, by name."""
    kind = discover.kind_of(head)
    if kind is discover.FoundKind.CLIP:
        return True
    if kind is discover.FoundKind.OTHER:
        return PurePath(path).suffix.lower() in discover.CLIP_EXTENSIONS
    return False


def _bound(path: str, settings: IntakeSettings) -> float:
    try:
        size = os.lstat(path).st_size
    except OSError:
        size = 0
    clip = PurePath(path).suffix.lower() not in discover.PHOTO_EXTENSIONS
    rate = settings.clip_bytes_per_second if clip else settings.photo_bytes_per_second
    return settings.seconds_per_file + size / rate
