"""Search pictures for codes, and let what they say follow: the second stage of taking pictures in.

It comes after all files are read, so that pictures can be asked for sooner; a run that is stopped leaves the rest to
the next one. Workers read; this thread alone writes.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait

from lastlook import projecting, proposing
from lastlook.catalogue import codes, media, pending
from lastlook.catalogue.codes import ToRead
from lastlook.clocks import card
from lastlook.errors import LastlookError
from lastlook.intake import code_search
from lastlook.intake.names import series
from lastlook.intake.settings import IntakeSettings
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Camera, Code
from lastlook.store import Store

_SLICE = 400
_BATCH = 100
_BATCH_SECONDS = 2.0


def read_codes(
    store: Store, settings: IntakeSettings, *, executor: Executor, report: Report = silent, window: int = 8
) -> int:
    """Search all pictures that were not searched yet; returns in how many there were codes. Raises LastlookError where
    the workers end. KeyboardInterrupt passes through; what was found until then is kept."""
    _name_cameras(store)
    total = codes.count_to_read(store.catalogue)
    if not total:
        return 0
    report(Progress(Stage.CODES, 0, total))
    done = with_codes = 0
    batch: list[tuple[ToRead, tuple[Code, ...]]] = []
    since = time.monotonic()
    try:
        for picture, found in _found(store, settings, executor, window):
            batch.append((picture, found))
            done += 1
            report(Progress(Stage.CODES, done, total))
            if len(batch) >= _BATCH or time.monotonic() - since > _BATCH_SECONDS:
                with_codes += _keep(store, batch)
                batch, since = [], time.monotonic()
    finally:
        with_codes += _keep(store, batch)
    return with_codes


def _found(
    store: Store, settings: IntakeSettings, executor: Executor, window: int
) -> Iterator[tuple[ToRead, tuple[Code, ...]]]:
    """Each picture with its codes, in the order of rows."""
    after = 0
    while True:
        some = codes.to_read(store.catalogue, _SLICE, after)
        if not some:
            return
        after = some[-1].rid
        waiting: dict[Future[tuple[Code, ...]], int] = {}
        ready: dict[int, tuple[Code, ...]] = {}
        started = next_ = 0
        try:
            while next_ < len(some):
                while started < len(some) and len(waiting) < window:
                    one = some[started]
                    original = store.archive.original(one.stored, one.in_place)
                    page = store.archive.derived / one.page if one.page else store.archive.derived / "none"
                    size = (one.width, one.height)
                    future = executor.submit(code_search.search, str(original), str(page), one.clip_ms, size, settings)
                    waiting[future] = started
                    started += 1
                finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    ready[waiting.pop(future)] = future.result()
                while next_ in ready:
                    yield some[next_], ready.pop(next_)
                    next_ += 1
        except BrokenExecutor as error:
            raise LastlookError(
                "the workers that read files ended unexpectedly",
                "What was read is kept. Run the same command again, with --jobs 1 if it happens again.",
            ) from error
        finally:
            for future in waiting:
                future.cancel()


def _keep(store: Store, batch: list[tuple[ToRead, tuple[Code, ...]]]) -> int:
    if not batch:
        return 0
    catalogue = store.catalogue
    with catalogue.writing():
        for picture, found in batch:
            codes.found(catalogue, picture.rid, found)
        rids = [picture.rid for picture, found in batch if found]
        if any(code.text.startswith(card.PREFIX) for _, found in batch for code in found):
            projecting.refit(store)
        if rids:
            proposing.propose(store, proposing.with_cards(store, rids))
    return sum(bool(found) for _, found in batch)


def _name_cameras(store: Store) -> None:
    """Give files that no camera is known for the naming series of their file. An earlier version did not."""
    unnamed = [
        (sha256, key)
        for sha256, file in media.unnamed_files(store.catalogue)
        if (key := Camera(series=series(file)).key)
    ]
    if unnamed:
        with store.catalogue.writing():
            for sha256, key in unnamed:
                media.name_camera(store.catalogue, sha256, key)
            pending.owe(store.catalogue, pending.NEIGHBOURS)
