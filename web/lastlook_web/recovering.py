"""What a viewer that was killed has left, put right when the next one starts: nothing is lost, nothing lies about.

Jobs that were under way are listed as stopped, and go on when somebody asks for it. What a phone has sent is taken in
without being asked for: its page has said that this happens soon.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import cast

from flask import Flask

from lastlook import handing_over, ingest, job_records
from lastlook.errors import ArchiveBusy, ArchiveError, LastlookError
from lastlook.jobs import Runner, State
from lastlook.locking import held
from lastlook_web.config import ViewerConfig
from lastlook_web.uploads import Uploads

_log = logging.getLogger(__name__)


@contextmanager
def at_work(app: Flask) -> Iterator[None]:
    """While this viewer answers. What the one before has left is put right first, unless another one is at work in the
    same archive, or the archive cannot be written to: then it is looked at as it is."""
    archive = cast(ViewerConfig, app.extensions["lastlook-config"]).archive
    try:
        lock = held(archive.work / "viewer.lock", "another viewer shows this archive")
        lock.__enter__()
    except (ArchiveBusy, ArchiveError):
        yield
        return
    try:
        recover(app)
        yield
    finally:
        lock.__exit__(None, None, None)


def recover(app: Flask) -> None:
    """Clear away what was half done, and go on with what a phone has sent. Nothing that fails here stops the viewer."""
    archive = cast(ViewerConfig, app.extensions["lastlook-config"]).archive
    uploads = cast(Uploads, app.extensions["lastlook-uploads"])
    steps: tuple[Callable[[], None], ...] = (
        lambda: job_records.clear_unfinished(archive),
        lambda: ingest.sweep(archive),
        lambda: handing_over.clear_unfinished(archive),
        uploads.mend,
        lambda: _go_on(cast(Runner, app.extensions["lastlook-jobs"]), uploads),
    )
    for step in steps:
        try:
            step()
        except ArchiveBusy:
            continue  # a command is at it, and clears up after itself
        except (LastlookError, OSError) as error:
            _log.warning("what an earlier viewer has left stays: %s", error)


def _go_on(runner: Runner, uploads: Uploads) -> None:
    """Take in what phones have sent: by the job that was interrupted at it, else by a new one."""
    if not uploads.waiting():
        return
    left = [job for job in runner.jobs() if job.kind == "sent" and job.state in (State.STOPPED, State.FAILED)]
    if left:
        runner.go_on(left[0].id)
    else:
        runner.ask("sent", {}, again=True)
