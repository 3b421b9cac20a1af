"""What a hand-over record would hold, before it is written; writing it, and the records there are; and how well the
archive itself is kept.

Writing is long work: it is asked for here, goes on by itself, and is told of among the work (`jobs`).
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from flask import Blueprint, Response, abort, current_app, redirect, render_template, request, send_file
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response as AnyResponse

from lastlook import care, times
from lastlook.errors import UsageError
from lastlook.gathering import Scope
from lastlook.handing_over import EDGE, Options, Preview, preview
from lastlook.handover.material import Audience
from lastlook.handover.words import LANGUAGES, words_of
from lastlook.plan.vocabulary import lookup_id
from lastlook.progress import words as progress_words
from lastlook.records import Dimension
from lastlook.stating import what_is_private
from lastlook.store import Store
from lastlook_web import jobs, words
from lastlook_web.app import store
from lastlook_web.asides import Asides, Done, Far
from lastlook_web.config import ViewerConfig
from lastlook_web.given import at_fault

pages = Blueprint("handover", __name__)

AUDIENCES = (
    (Audience.CLIENT, "The client: what is said, and the pictures that say it"),
    (Audience.REPAIRER, "A repairer: every picture in scope"),
    (Audience.OWN, "Your own file: that, and what was spoken, the cameras and the files' names"),
)
SIZES = (1024, EDGE, 2400, 4000)
_WAIT_S = 0.05  # a small archive is counted within it
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css",
    ".js": "text/javascript",
    ".json": "application/json",
    ".jpg": "image/jpeg",
    ".pdf": "application/pdf",
    ".txt": "text/plain; charset=utf-8",
}
"""What is shown as what it is; anything else of a record is only ever downloaded."""


@dataclass(frozen=True, slots=True)
class Record:
    """A record that lies among the records. `name`: of its folder; `size_bytes` of what is to print and of the ZIP, 0
    where there is none."""

    name: str
    folder: Path
    written: datetime
    print_bytes: int
    zip_bytes: int


@pages.get("/handover")
def page() -> str | tuple[str, int]:
    asked: MultiDict[str, str] = request.args
    try:
        options, wrong = _options(asked), ""
        done, far = _seen(asked, options)
    except UsageError as error:
        # A time that cannot be read comes back in its field; all else is chosen, and wrong only by its address.
        rest = MultiDict((name, value) for name, value in asked.items(multi=True) if name not in ("since", "until"))
        options, wrong = _options(rest), at_fault(error)
        asked, done, far = rest, None, None
    shown = render_template(
        "handover.html",
        plan=store().plan,
        seen=done.value if done is not None else None,
        error=done.error if done is not None else None,
        far=words.sentence(progress_words(far.progress, far.seconds)) if far is not None else "",
        share=far.progress.done / far.progress.total if far is not None and far.progress.total else None,
        sentence=words.sentence,
        again=request.full_path.rstrip("?"),
        chosen=set(options.scope.subassemblies),
        options=options,
        audiences=[(one.value, said) for one, said in AUDIENCES],
        languages=[(code, name) for code, (_, name) in LANGUAGES.items()],
        sizes=sorted({*SIZES, options.edge}),
        since=_said(request.args, "since"),
        until=_said(request.args, "until"),
        wrong=wrong,
        command=_command(options, _said(asked, "since"), _said(asked, "until")),
        wanted=_parameters(asked),
        under_way=[job for job in jobs.runner().jobs() if job.kind == "hand-over" and job.open],
        address=jobs.shown,
        records=_records(jobs.known_places().records),
        place=jobs.known_places().records,
        moment=_moment,
        ages=care.ages_of(store()),
        private=what_is_private(store()),
    )
    return (shown, 400) if wrong else shown


@pages.post("/handover")
def write() -> AnyResponse:
    """Ask for the record that the page has shown."""
    _options(request.form)  # what cannot be is said here, and nothing is begun
    job = jobs.runner().ask("hand-over", _parameters(request.form), by=store().by, once=jobs.once_given())
    return redirect(jobs.shown(job), 303)


def _seen(asked: MultiDict[str, str], options: Options) -> tuple[Done[Preview] | None, Far | None]:
    """What the record would hold, or None while that is being counted, with how far it is: in a large archive it takes
    some seconds."""
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    caches = current_app.extensions["lastlook-caches"]
    asides: Asides[Preview] = current_app.extensions.setdefault(
        "lastlook-asides-hand-over", Asides(most_waiting=4, most_kept=4)
    )

    def work() -> Preview:
        with Store(config.archive, by=config.by, caches=caches) as own:
            return preview(own, options, report=asides.report)

    # By what was typed, since "yesterday" is read anew at every look; of this hour, since it becomes another day.
    hour = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    key = (hour, store().version(), *sorted(_parameters(asked).items()))
    done = asides.ask(key, work, wait=_WAIT_S)
    if done is not None and done.error is not None:
        asides.forget(key)  # the next look tries again
    return done, asides.far(key)


def _said(asked: MultiDict[str, str], name: str) -> str:
    return str(asked.get(name, "")).strip()[:80]


def _options(asked: MultiDict[str, str]) -> Options:
    """Raises UsageError, NoSuchId for what cannot be."""
    zone, now = store().zone, datetime.now(UTC)
    since, until = _said(asked, "since"), _said(asked, "until")
    size = _said(asked, "size")
    options = Options(
        scope=Scope(
            tuple(lookup_id(store().plan, Dimension.SUBASSEMBLY, id) for id in asked.getlist("in") if id),
            times.parse_when(since, zone, now).earliest if since else None,
            times.parse_when(until, zone, now).latest if until else None,
        ),
        audience=next((one for one, _ in AUDIENCES if one.value == asked.get("for")), Audience.CLIENT),
        language=_said(asked, "language") or "en",
        edge=int(size) if size.isascii() and size.isdigit() else EDGE,
        originals="originals" in asked,
        keep_metadata="originals" in asked and "keep-metadata" in asked,
        zip_="zip" in asked,
    )
    options.check()
    words_of(options.language, zone)
    return options


def _parameters(asked: MultiDict[str, str]) -> dict[str, str]:
    """The same as the work takes it (`lastlook.job_kinds.HandOver`)."""
    options = _options(asked)
    found = {
        "in": " ".join(options.scope.subassemblies),
        "since": _said(asked, "since"),
        "until": _said(asked, "until"),
        "for": options.audience.value,
        "language": options.language,
        "size": str(options.edge),
        "originals": "1" if options.originals else "",
        "keep-metadata": "1" if options.keep_metadata else "",
        "zip": "1" if options.zip_ else "",
    }
    return {key: value for key, value in found.items() if value}


def _command(options: Options, since: str, until: str) -> str:
    """The command that writes what is shown."""
    parts = ["lastlook", "handover", "../record", "--for", options.audience.value, "--language", options.language]
    for sub in options.scope.subassemblies:
        parts += ["--in", sub]
    for name, value in (("--since", since), ("--until", until)):
        parts += [name, value] if value else []
    parts += ["--size", str(options.edge)] if options.edge != EDGE else []
    parts += ["--originals"] if options.originals else []
    parts += ["--keep-metadata"] if options.keep_metadata else []
    parts += ["--zip"] if options.zip_ else []
    return shlex.join(parts)


# ------------------------------------------------------------------------------------------------ records there are


def _records(place: Path) -> list[Record]:
    """Whole records in the folder where the viewer puts them, the newest first."""
    found = []
    try:
        folders = [folder for folder in place.iterdir() if (folder / "bagit.txt").is_file()]
    except OSError:
        return []
    for folder in folders:
        if not folder.name.startswith("."):
            written = datetime.fromtimestamp((folder / "bagit.txt").stat().st_mtime, UTC)
            zip_ = folder.with_name(folder.name + ".zip")
            found.append(Record(folder.name, folder, written, _size(folder / "data" / "record.pdf"), _size(zip_)))
    return sorted(found, key=lambda one: (one.written, one.name), reverse=True)


def _moment(written: datetime) -> str:
    """ "12 Mar 2026 14:03:11"."""
    zone = store().zone
    return f"{words.day_of(written, zone)} {words.clock_of(written, zone)}"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


@lru_cache(maxsize=4)
def _files(folder: Path, written: datetime) -> Mapping[str, Path]:
    """The files of a record by their names in it: what is asked for is looked up here, and never becomes a path."""
    data = folder / "data"
    return {path.relative_to(data).as_posix(): path for path in data.rglob("*") if path.is_file()}


def _record(name: str) -> Record:
    found = next((one for one in _records(jobs.known_places().records) if one.name == name), None)
    if found is None:
        abort(404)
    return found


@pages.get("/handover/records/<name>/")
@pages.get("/handover/records/<name>/<path:file>")
def record(name: str, file: str = "index.html") -> Response:
    """A page or file of a record, as the client gets it."""
    found = _record(name)
    path = _files(found.folder, found.written).get(file)
    if path is None:
        abort(404)
    kind = _KINDS.get(path.suffix.lower())
    originals = file.startswith("originals/")
    if kind is None or originals:
        return send_file(path, "application/octet-stream", as_attachment=True, download_name=path.name, max_age=0)
    return send_file(path, kind, conditional=True, max_age=0)


@pages.get("/handover/records/<name>.zip")
def packed(name: str) -> Response:
    found = _record(name)
    if not found.zip_bytes:
        abort(404)
    path = found.folder.with_name(found.folder.name + ".zip")
    return send_file(path, "application/zip", as_attachment=True, download_name=path.name, max_age=0)
