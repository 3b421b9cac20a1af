"""Long work that is asked for once and then goes on by itself, one job at a time.

A job is a named kind with plain parameters. What is known of it lies in the archive, in `work/jobs/<id>.json`, written
whole at each change, so that a job outlives whoever asked for it: one whose process ended is found again as stopped, at
the item where it stood, and can go on. Every kind may be repeated; going on is doing it again, where what was done is
known already.

Only one process works for an archive at a time, by a lock that is gone when its process is; by the same lock a job that
is recorded as running, but that nobody runs, is told from one that somebody does.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace

from lastlook import job_records
from lastlook.archive import Archive
from lastlook.errors import ArchiveBusy, ArchiveError, LastlookError, NoSuchId, UsageError
from lastlook.job_records import Cancelled, Job, Kind, OpenStore, Parameters, Result, State, Stopped, left_off
from lastlook.locking import held
from lastlook.progress import Progress
from lastlook.store import Store

__all__ = ["Cancelled", "Job", "Kind", "OpenStore", "Parameters", "Result", "Runner", "State", "Stopped"]

_log = logging.getLogger(__name__)

MOST_OPEN = 12
"""Jobs that may wait or run at once: more are a mistake, or somebody who means harm."""
MOST_KEPT = 60
"""Jobs that are over and still listed; the oldest go first."""
MOST_LINES = 200
_SAVE_EVERY_S = 1.0
_TRIES = 5
_AGAIN_S = 1.0
"""How long a patient job waits before it tries again."""
_BUSY = "another process is doing long work in this archive"


class Runner:
    """Runs the jobs of one archive on a thread of its own, one after the other. May be asked from any thread.

    `open_store(by)` opens a store for who asked.
    """

    def __init__(
        self,
        archive: Archive,
        kinds: Iterable[Kind],
        open_store: Callable[[str], Store],
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._archive = archive
        self._kinds = {kind.name: kind for kind in kinds}
        self._patient: set[str] = set()
        self._open_store = open_store
        self._clock = clock
        self._lock = threading.RLock()
        self._queue: list[Job] = []
        self._live: Job | None = None
        self._stop = threading.Event()
        self._closing = False
        self._thread: threading.Thread | None = None

    def _keep(self, job: Job, *, sync: bool = True) -> None:
        job_records.keep(job_records.folder(self._archive), job, sync=sync)

    def _drop(self, job: Job) -> None:
        (job_records.folder(self._archive) / f"{job.id}.json").unlink(missing_ok=True)

    def add(self, kind: Kind, *, patient: bool = False) -> None:
        """Learn one more kind of job. `patient`: where another process is at work it waits, however long that takes;
        others end with that reason, for whoever asked is there to ask again."""
        self._kinds[kind.name] = kind
        if patient:
            self._patient.add(kind.name)

    def knows(self, kind: str) -> bool:
        return kind in self._kinds

    # What there is

    def jobs(self) -> list[Job]:
        """All jobs, the newest first, as they stand now."""
        with self._lock:
            mine = {job.id: job for job in self._mine()}
            listed = job_records.kept(self._archive)
        left = [job for job in listed if job.open and job.id not in mine]
        elsewhere = bool(left) and not mine and self._taken()
        found = []
        for job in listed:
            if job.id in mine:
                found.append(mine[job.id])
            elif job.open and not elsewhere:
                found.append(replace(job, state=State.STOPPED, text=left_off(job, "its process ended")))
            else:
                found.append(job)
        return found

    def find(self, id: str) -> Job:
        """Raises NoSuchId."""
        for job in self.jobs():
            if job.id == id:
                return job
        raise NoSuchId("job", id)

    def _taken(self) -> bool:
        """Whether another process is at work."""
        try:
            with held(self._archive.work / "jobs.lock", _BUSY):
                return False
        except ArchiveBusy:
            return True
        except ArchiveError:
            return False

    # What can be asked for

    def ask(self, kind: str, parameters: Parameters, by: str = "", *, again: bool = False, once: str = "") -> Job:
        """Put a job in line; the one there is, where the same already waits or runs (`again`: only where it waits, for
        what may have changed since it began), or where it was asked for with the same `once`, whatever became of it:
        a form that is sent twice is one job. Raises UsageError and what the kind's own check raises;
        nothing is recorded then."""
        found = self._kinds.get(kind)
        if found is None:
            raise UsageError(f"there is no work of the kind {kind!r}", "Use the buttons of the pages.")
        wanted = dict(found.check(lambda: self._open_store(by), parameters))
        with self._lock:
            for job in self.jobs() if once else ():
                if (job.once, job.kind, job.parameters) == (once, kind, wanted):
                    return job
            for job in self._queue if again else self._mine():
                if job.kind == kind and job.parameters == wanted:
                    return job
            self._room()
            id = f"j{secrets.token_hex(6)}"
            job = Job(id, kind, found.title(wanted), wanted, by, State.WAITING, self._clock(), once=once)
            self._enter(job)
            self._prune()
            return job

    def go_on(self, id: str) -> Job:
        """Put a job that stopped or failed in line again. Raises NoSuchId, UsageError."""
        with self._lock:
            job = self.find(id)
            if job.open:
                return job
            kind = self._kinds.get(job.kind)
            if kind is None or job.state is State.DONE:
                raise UsageError("that cannot go on", "Ask for it anew.")
            self._room()
            again = replace(job, state=State.WAITING, started_at=0.0, ended_at=0.0, text="", hint="", lines=[])
            self._enter(again)
            return again

    def stop(self, id: str) -> Job:
        """Let a job stop: at once where it waits, at its next item where it runs. Raises NoSuchId."""
        with self._lock:
            if self._live is not None and self._live.id == id:
                self._stop.set()
                return self._live
            for job in self._queue:
                if job.id == id:
                    self._queue.remove(job)
                    over = replace(job, state=State.STOPPED, ended_at=self._clock(), text=left_off(job))
                    self._keep(over)
                    return over
        return self.find(id)

    def forget(self, id: str) -> None:
        """Take a job that is over off the list. Raises NoSuchId, UsageError."""
        with self._lock:
            job = self.find(id)
            if job.open:
                raise UsageError("that work is still going on", "Stop it first.")
            self._drop(job)

    def close(self, seconds: float = 10.0) -> None:
        """Stop what runs, keep what waits for another day, and wait for the thread at most so long."""
        with self._lock:
            self._closing = True
            self._stop.set()
            thread = self._thread
        if thread is not None:
            thread.join(seconds)

    def wait(self, seconds: float = 60.0) -> None:
        """Wait until nothing runs or waits; for scripts and tests."""
        thread = self._thread
        if thread is not None:
            thread.join(seconds)

    def _mine(self) -> list[Job]:
        return [*self._queue, *((self._live,) if self._live is not None else ())]

    def _room(self) -> None:
        if len(self._queue) + (self._live is not None) >= MOST_OPEN:
            raise UsageError(f"{MOST_OPEN} jobs wait already", "Wait until some are over, or stop one.")

    def _enter(self, job: Job) -> None:
        if self._closing:
            raise UsageError("the viewer is being ended", "Start it again, then ask for it anew.")
        self._keep(job)
        self._queue.append(job)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="lastlook-jobs", daemon=True)
            self._thread.start()

    def _prune(self) -> None:
        for job in [job for job in self.jobs() if not job.open][MOST_KEPT:]:
            self._drop(job)

    # The thread

    def _work(self) -> None:
        while True:
            with self._lock:
                if self._closing or not self._queue:
                    self._thread = None
                    return
                self._stop.clear()
                job = replace(self._queue.pop(0), state=State.RUNNING, started_at=self._clock())
                self._live = replace(job, stage="", done=0, total=0, bytes_done=0, bytes_total=0, note="")
            over = replace(job, state=State.FAILED, text="something broke")
            try:
                over = self._one()
            except Exception as error:
                _log.error("the job %s failed", job.id, exc_info=error)
            finally:
                with self._lock:
                    self._live = None
                    with suppress(ArchiveError):
                        self._keep(over)

    def _one(self) -> Job:
        """Run the job that is live; what it is when it is over."""
        job = self._live
        assert job is not None
        kind = self._kinds[job.kind]
        try:
            while True:
                try:
                    result = self._run(kind, job)
                    break
                except ArchiveBusy as busy:
                    if job.kind not in self._patient:
                        raise
                    self._waits(f"waits: {busy.message}")
        except KeyboardInterrupt:
            return self._over(State.STOPPED, Result(left_off(self._now_live(), self._why())))
        except LastlookError as error:
            return self._over(State.FAILED, Result(error.message), error.hint)
        except Exception as error:
            _log.error("the job %s failed", job.id, exc_info=error)
            hint = "Try again; if it happens again, run 'lastlook verify' and look at the terminal the viewer runs in."
            return self._over(State.FAILED, Result("something broke; what was recorded before is kept"), hint)
        return self._over(State.STOPPED if result.stopped else State.DONE, result)

    def _run(self, kind: Kind, job: Job) -> Result:
        with self._alone():
            self._keep(job)
            report = _Reporter(self, job.id)
            return kind.run(lambda: self._open_store(job.by), job.parameters, report, self._stop.is_set)

    def _waits(self, why: str) -> None:
        """Say why the live job waits, and let it wait a while. Raises Stopped where it is to stop."""
        with self._lock:
            self._live = replace(self._now_live(), stage="", done=0, total=0, note=why)
        if self._stop.wait(_AGAIN_S):
            raise Stopped

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the lock while a job runs. Somebody who only looks may have it for a moment."""
        with ExitStack() as stack:
            for left in range(_TRIES, -1, -1):
                try:
                    stack.enter_context(held(self._archive.work / "jobs.lock", _BUSY))
                    break
                except ArchiveBusy:
                    if not left or self._stop.wait(0.2):
                        raise
            yield

    def _now_live(self) -> Job:
        assert self._live is not None
        return self._live

    def _why(self) -> str:
        return "the viewer was ended" if self._closing else ""

    def _over(self, state: State, result: Result, hint: str = "") -> Job:
        lines = list(result.lines[:MOST_LINES])
        if len(result.lines) > MOST_LINES:
            lines.append(f"and {len(result.lines) - MOST_LINES} more")
        return replace(
            self._now_live(),
            state=state,
            ended_at=self._clock(),
            text=result.text,
            hint=hint,
            lines=lines,
            subject=result.subject,
            findings=result.findings,
        )

    def _heard(self, progress: Progress, saved_at: float) -> float:
        """Take a progress; when it was last written down."""
        now = self._clock()
        with self._lock:
            job = self._now_live()
            fresh = progress.stage.value != job.stage
            job = self._live = replace(
                job,
                stage=progress.stage.value,
                stage_at=now if fresh else job.stage_at,
                done=progress.done,
                total=progress.total,
                bytes_done=progress.bytes_done,
                bytes_total=progress.bytes_total,
                note=progress.note[:200],
            )
            if fresh or now - saved_at >= _SAVE_EVERY_S:
                self._keep(job, sync=False)
                return now
        return saved_at


class _Reporter:
    """The report of one job: hands each progress on, and says once that it is to stop."""

    def __init__(self, runner: Runner, id: str) -> None:
        self._runner = runner
        self._saved_at = 0.0
        self._told = False

    def __call__(self, progress: Progress) -> None:
        self._saved_at = self._runner._heard(progress, self._saved_at)
        if self._runner._stop.is_set() and not self._told:
            self._told = True
            raise Stopped
