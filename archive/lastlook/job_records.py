"""What is known of a job, the interface of a kind of job, and how jobs are kept: each in `work/jobs/<id>.json`."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol

from lastlook.archive import Archive
from lastlook.errors import ArchiveError
from lastlook.progress import Progress, Report, Stage
from lastlook.store import Store

Parameters = Mapping[str, str]
OpenStore = Callable[[], Store]
Cancelled = Callable[[], bool]

_ID = re.compile(r"j[0-9a-f]{12}")


class Stopped(KeyboardInterrupt):
    """Raised out of a report, once, when a job is to stop: whatever answers Ctrl-C well answers this well."""


class State(StrEnum):
    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    STOPPED = "stopped"


OPEN = frozenset({State.WAITING, State.RUNNING})


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a job: one line; more lines where there is more to say; `subject`, an id or a name that it is about;
    `findings`: it finished, and found something that wants a look; `stopped`: it kept what it had and left off."""

    text: str
    lines: tuple[str, ...] = ()
    subject: str = ""
    findings: bool = False
    stopped: bool = False


class Kind(Protocol):
    """One kind of job. A module that adds one gives an object like this to the `Runner`."""

    @property
    def name(self) -> str:
        """A short word, as in addresses."""

    def title(self, parameters: Parameters) -> str:
        """The job in words: "Closing check of O4"."""

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        """The parameters as they are kept. Raises LastlookError for what cannot be done as asked; changes nothing."""

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        """Do it. `report` raises `Stopped`, once, when it is to stop; `cancelled` says so without raising. The store is
        opened and closed here: it belongs to one thread. Raises LastlookError."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is known of a job. Times are seconds since the epoch, 0 where not yet; `stage` and the counts are the last
    progress (total 0: not known); `text`, `hint`, `lines`: the result, or the error in words; `once`: the mark of the
    form that asked for it, empty where there was none."""

    id: str
    kind: str
    title: str
    parameters: dict[str, str]
    by: str
    state: State
    asked_at: float
    started_at: float = 0.0
    ended_at: float = 0.0
    stage: str = ""
    stage_at: float = 0.0
    done: int = 0
    total: int = 0
    bytes_done: int = 0
    bytes_total: int = 0
    note: str = ""
    text: str = ""
    hint: str = ""
    lines: list[str] = field(default_factory=list)
    subject: str = ""
    findings: bool = False
    once: str = ""

    @property
    def open(self) -> bool:
        return self.state in OPEN

    @property
    def progress(self) -> Progress | None:
        """The last progress, None where there was none."""
        if self.stage not in set(Stage):
            return None
        return Progress(Stage(self.stage), self.done, self.total, self.bytes_done, self.bytes_total, self.note)

    def pace(self, now: float) -> tuple[float, float | None]:
        """(items a second, seconds left); 0 and None where too little is known. Only for a job that runs."""
        spent = now - self.stage_at
        if self.state is not State.RUNNING or not self.done or not self.total or spent < 0.5:
            return 0.0, None
        share = self.bytes_done / self.bytes_total if self.bytes_total else self.done / self.total
        return self.done / spent, (spent * (1 - share) / share if 0 < share < 1 else None)


# ------------------------------------------------------------------------------------------------ on the disk


def to_text(job: Job) -> str:
    """A job as JSON."""
    return json.dumps(asdict(job), ensure_ascii=True, separators=(",", ":"))


def from_text(text: str) -> Job | None:
    """The job that `to_text` was given; None for what is none."""
    try:
        raw: Any = json.loads(text)
        job = Job(**{**raw, "state": State(raw["state"])})
        strings = (job.id, job.kind, job.title, job.by, job.stage, job.note, job.text, job.hint, job.subject, job.once)
        counts = (job.done, job.total, job.bytes_done, job.bytes_total)
        moments = (job.asked_at, job.started_at, job.ended_at, job.stage_at)
        told: list[object] = [*strings, *job.lines, *job.parameters, *job.parameters.values()]
        types = (
            (str, told),
            (int, counts),
            (int | float, moments),
            (list, [job.lines]),
            (bool, [job.findings]),
        )
        fits = all(isinstance(one, kind) for kind, each in types for one in each) and _ID.fullmatch(job.id)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return job if fits else None


def keep(folder: Path, job: Job, *, sync: bool) -> None:
    """Write a job whole or not at all. Raises ArchiveError."""
    path = folder / f"{job.id}.json"
    part = path.with_suffix(".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with part.open("w", encoding="ascii") as file:
            file.write(to_text(job))
            if sync:
                file.flush()
                os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise ArchiveError(
            f"what is being worked on cannot be written down: {(error.strerror or str(error)).lower()}",
            "Check the archive's disk and its room.",
        ) from error


def clear_unfinished(archive: Archive) -> None:
    """Remove what was being written when a process was killed; the job before it stands."""
    for part in folder(archive).glob("j*.part"):
        part.unlink(missing_ok=True)


def kept(archive: Archive) -> list[Job]:
    """All jobs that can be read, the newest first, as they were last written."""
    found = []
    for path in folder(archive).glob("j*.json"):
        with suppress(OSError, UnicodeDecodeError):
            job = from_text(path.read_text(encoding="ascii"))
            if job is not None and job.id == path.stem:
                found.append(job)
    return sorted(found, key=lambda job: (job.asked_at, job.id), reverse=True)


def folder(archive: Archive) -> Path:
    """Where jobs are kept."""
    return archive.work / "jobs"


def left_off(job: Job, why: str = "") -> str:
    """Where a job stopped, in words."""
    at = f"stopped at {job.done} of {job.total}" if job.total else "stopped"
    return at + (f": {why}" if why else "")
