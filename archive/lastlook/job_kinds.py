"""The kinds of long work: taking a folder in, proposals, a closing check, a hand-over record, a check, a backup.

No parameter is ever a path: folders are those that the person at the terminal named, and a parameter chooses among them
by a name.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from lastlook import care, care_log, closing_check, proposing, queue, resembling, times
from lastlook.archive import Archive, text_to_path
from lastlook.backup import backup
from lastlook.catalogue import indexed, pictures
from lastlook.errors import UsageError, plural
from lastlook.gathering import Scope
from lastlook.handing_over import EDGE, Options, write
from lastlook.handover.material import Audience
from lastlook.handover.words import LANGUAGES
from lastlook.ingest import ingest
from lastlook.intake import guard
from lastlook.jobs import Cancelled, Kind, OpenStore, Parameters, Result
from lastlook.plan.vocabulary import lookup_id
from lastlook.progress import Progress, Report, Stage
from lastlook.records import Dimension, Problem

OWN_INBOX = "inbox"
_SLICE = 500


@dataclass(frozen=True, slots=True)
class Places:
    """Folders that were named at the terminal: `inboxes` and `backups` by the name under which pages speak of them;
    `records`, where hand-over records are put."""

    inboxes: Mapping[str, Path]
    backups: Mapping[str, Path]
    records: Path


def places(
    archive: Archive, inboxes: Sequence[Path] = (), backups: Sequence[Path] = (), records: Path | None = None
) -> Places:
    """The archive's own inbox and the folders given; the backups given and those that the archive was backed up to."""
    own = archive.root / OWN_INBOX
    known = list(dict.fromkeys([*(path.absolute() for path in backups), *care_log.backups(archive)]))
    return Places(
        {OWN_INBOX: own, **{folder_name(path): path.absolute() for path in inboxes}},
        {folder_name(path): path for path in known},
        (records or archive.root.parent / f"{archive.root.name}-records").absolute(),
    )


def folder_name(path: Path) -> str:
    """A name for a folder that tells nothing of where it lies: the same for the same folder."""
    return sha256(os.fsencode(path.absolute())).hexdigest()[:10]


def every_kind(where: Places) -> list[Kind]:
    return [TakeIn(where), Propose(), Learn(), ClosingCheck(), HandOver(where), Verify(), Backup(where)]


@contextmanager
def _readers() -> Iterator[Executor]:
    """Threads to read files on; those at work are let go when it is to stop."""
    executor = ThreadPoolExecutor(os.cpu_count() or 2, thread_name_prefix="lastlook-reader")
    try:
        yield executor
    except BaseException:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.stop()
        raise
    else:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.close()


def take_in(open_store: OpenStore, paths: Sequence[Path], report: Report) -> Result:
    """Take files and folders in, as `lastlook ingest` does."""
    with open_store() as store, _readers() as executor:
        done = ingest(store, paths, executor=executor, report=report, window=2 * (os.cpu_count() or 2))
    said = [plural(done.added, "file") + " taken in", f"{done.known} known already", plural(done.stills, "still")]
    if done.captions:
        said.append(plural(done.captions, "caption file"))
    if done.problems:
        said.append(plural(len(done.problems), "problem"))
    text = ", ".join(said)
    return Result(
        f"stopped; {text}" if done.stopped else text,
        tuple(_problem(problem) for problem in done.problems),
        findings=bool(done.problems),
        stopped=done.stopped,
    )


def _problem(problem: Problem) -> str:
    # The file's own name only: where it lies is nobody's business on a page.
    name = text_to_path(problem.path).name.encode("utf-8", "replace").decode("utf-8")
    return f"{name}: {problem.reason}.{' ' + problem.hint if problem.hint else ''}"


@dataclass(frozen=True, slots=True)
class TakeIn:
    """Take in a folder that was named at the terminal. `from`: its name."""

    where: Places
    name: str = "take-in"

    def title(self, parameters: Parameters) -> str:
        folder = self.where.inboxes.get(parameters.get("from", ""))
        return f"Take in the folder “{folder.name if folder else '?'}”"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        chosen = parameters.get("from", OWN_INBOX)
        if chosen not in self.where.inboxes:
            raise UsageError("that is no folder this viewer was given", "Name it with 'lastlook serve --inbox DIR'.")
        return {"from": chosen}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        folder = self.where.inboxes[self.check(open_store, parameters)["from"]]
        if not folder.is_dir():
            raise UsageError(
                f"the folder “{folder.name}” is not there", "Put it back, or start the viewer with another."
            )
        return take_in(open_store, [folder], report)


@dataclass(frozen=True, slots=True)
class Propose:
    """Hold pictures against those that people have placed, and propose again for all of them."""

    name: str = "propose"

    def title(self, parameters: Parameters) -> str:
        return "Propose what pictures show"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        return {}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        with open_store() as store, _readers() as executor:
            compared = resembling.compare(store, executor=executor, report=report)
            rids = pictures.every_rid(store.catalogue)
            for start in range(0, len(rids), _SLICE):
                report(Progress(Stage.PROPOSE, start, len(rids)))
                # A slice a transaction: somebody who decides meanwhile need not wait for all of it.
                with store.catalogue.writing():
                    proposing.propose(store, rids[start : start + _SLICE])
            report(Progress(Stage.PROPOSE, len(rids), len(rids)))
            with store.deciding():
                pass  # the text index learns what is proposed now
            waiting = queue.groups(store)
        links = plural(compared.links, "likeness", "likenesses")
        return Result(
            f"{plural(len(rids), 'picture')} looked at, {links} found, {plural(len(waiting), 'group')} to place"
        )


@dataclass(frozen=True, slots=True)
class Learn:
    """Let the text index learn by which words pictures are found, where a changed plan calls many of them otherwise."""

    name: str = "learn"

    def title(self, parameters: Parameters) -> str:
        return "Learn the plan's new words"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        return {}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        with open_store() as store:
            waiting = indexed.waiting(store.catalogue)
            store.report = report
            _ = store.index
        return Result(f"{plural(waiting, 'picture')} found by other words now")


@dataclass(frozen=True, slots=True)
class ClosingCheck:
    """The closing check of one opening. `opening`: its id."""

    name: str = "check"

    def title(self, parameters: Parameters) -> str:
        return f"Closing check of {parameters['opening']}"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        with open_store() as store:
            return {"opening": lookup_id(store.plan, "opening", parameters.get("opening", ""))}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        report(Progress(Stage.CHECK, 0))
        with open_store() as store:
            found = closing_check.check(store, parameters["opening"])
        open_lines = [line for line in (*found.lines, *found.retests) if line.open]
        fine = "nothing stands open" if found.shut else "ready"
        text = f"{parameters['opening']}: {plural(len(open_lines), 'line') + ' open' if open_lines else fine}"
        lines = tuple(f"{line.subject}, {line.title}: {line.state.value}. {line.reason}" for line in open_lines)
        return Result(text, lines, subject=parameters["opening"], findings=bool(open_lines))


@dataclass(frozen=True, slots=True)
class HandOver:
    """Write a hand-over record into a new folder, named for the time. `in`: ids of subassemblies, a space between them;
    `since`, `until`: as a person says a time; `for`: client, repairer, own; `language`; `size`: the longest side of
    pictures in pixels; `originals`, `zip`, `keep-metadata`: "1" for yes. The result's subject is the folder's name in
    `Places.records`."""

    where: Places
    name: str = "hand-over"

    def title(self, parameters: Parameters) -> str:
        reader = {"client": "the client", "repairer": "a repairer", "own": "your own file"}
        parts = f", {parameters['in']}" if "in" in parameters else ""
        return f"Hand-over record for {reader[parameters.get('for', 'client')]}{parts}"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        with open_store() as store:
            _options(store.zone, parameters)
            for id in parameters.get("in", "").split():
                lookup_id(store.plan, Dimension.SUBASSEMBLY, id)
        keys = ("in", "since", "until", "for", "language", "size", "originals", "zip", "keep-metadata")
        return {key: parameters[key] for key in keys if parameters.get(key)}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        with open_store() as store:
            options = _options(store.zone, parameters)
            name = f"record-{datetime.now(times.zone_named(store.zone)):%Y-%m-%d-%H%M%S}"
            written = write(store, options, self.where.records / name, report=report)
        text = (
            f"{plural(written.pictures, 'picture')}, {plural(written.files, 'file')}, "
            f"{written.size_bytes / 1e6:.1f} MB in “{written.folder.parent.name}/{name}”"
        )
        lines = (*(f"Missing: {gap}" for gap in written.gaps), *(f"Left out: {line}" for line in written.left_out))
        return Result(text, lines, subject=name)


def _options(zone: str, parameters: Parameters) -> Options:
    now = datetime.now(UTC)
    since, until = parameters.get("since", "").strip(), parameters.get("until", "").strip()
    audience, language = parameters.get("for", "client"), parameters.get("language", "en")
    size = parameters.get("size", str(EDGE))
    if not (size.isascii() and size.isdigit()):
        raise UsageError(f"{size!r} is no number of pixels", "Choose from what the page offers.")
    if audience not in set(Audience) or language not in LANGUAGES:
        raise UsageError("there is no record for that reader or in that language", "Choose from what the page offers.")
    options = Options(
        Scope(
            tuple(parameters.get("in", "").split()),
            times.parse_when(since, zone, now).earliest if since else None,
            times.parse_when(until, zone, now).latest if until else None,
        ),
        Audience(audience),
        language,
        edge=int(size),
        originals=bool(parameters.get("originals")),
        keep_metadata=bool(parameters.get("keep-metadata")),
        zip_=bool(parameters.get("zip")),
    )
    options.check()
    return options


@dataclass(frozen=True, slots=True)
class Verify:
    """Check the archive. `share`: how much of the originals is read whole, like 5%; all where it is not given."""

    name: str = "verify"

    def title(self, parameters: Parameters) -> str:
        share = parameters.get("share", "")
        return (
            f"Check the archive, reading {share} of the originals" if share else "Check the archive, reading all of it"
        )

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        share = parameters.get("share", "").strip()
        return {"share": f"{care.share_of(share) * 100:g}%"} if share else {}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        with open_store() as store:
            archive = store.archive
        share = care.share_of(parameters["share"]) if "share" in parameters else None
        found = care.check(archive, share=share, report=report)
        text = f"{plural(found.files, 'original')} read, {found.size_bytes / 1e6:.1f} MB; " + (
            plural(len(found.findings), "finding") + (", nothing to do" if found.well else "")
            if found.findings
            else "all of it is as it should be"
        )
        lines = tuple(f"{one.subject}: {one.what}. {one.hint}" for one in found.findings)
        return Result(text, lines, findings=not found.well)


@dataclass(frozen=True, slots=True)
class Backup:
    """Bring a backup up to date. `to`: the name of one of the folders known."""

    where: Places
    name: str = "backup"

    def title(self, parameters: Parameters) -> str:
        folder = self.where.backups.get(parameters.get("to", ""))
        return f"Back the archive up to “{folder.name if folder else '?'}”"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        chosen = parameters.get("to", "") or next(iter(self.where.backups), "")
        if chosen not in self.where.backups:
            raise UsageError(
                "that is no place this archive is backed up to",
                "Back it up there once with 'lastlook backup DIR', or name it with 'lastlook serve --backup DIR'.",
            )
        return {"to": chosen}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        target = self.where.backups[self.check(open_store, parameters)["to"]]
        if not target.parent.is_dir():
            raise UsageError(f"the disk with “{target.name}” is not there", "Connect it, then go on.")
        with open_store() as store:
            archive = store.archive
        made = backup(archive, target, report=report)
        text = f"{plural(made.copied, 'original')} copied, {made.kept} kept, {made.size_bytes / 1e6:.1f} MB in all"
        return Result(text, (*made.missing, *made.damaged), findings=not made.good)
