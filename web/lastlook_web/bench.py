"""At the bench, with a phone in the hand: what is being worked on, photos straight into the archive, and what became of
them; the last look of anything."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any, cast

from flask import Blueprint, Flask, Request, current_app, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook import deciding, sessions
from lastlook.archive import path_to_text
from lastlook.catalogue import decisions, media, paths, pictures
from lastlook.deciding import Target
from lastlook.errors import LastlookError, NoSuchId, UsageError
from lastlook.intake import fingerprint
from lastlook.job_kinds import take_in
from lastlook.jobs import Cancelled, OpenStore, Parameters, Result
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.progress import Report
from lastlook.records import Dimension, Picture, Tag
from lastlook_web import ways, words
from lastlook_web.app import store
from lastlook_web.config import ViewerConfig
from lastlook_web.given import WRONG, at_fault, code_of
from lastlook_web.jobs import LINKS, runner
from lastlook_web.joining import from_here
from lastlook_web.receiving import PIECE
from lastlook_web.security import safe_next
from lastlook_web.uploads import NoPicture, NoRoom, State, TooLarge, Upload, Uploads

pages = Blueprint("bench", __name__)

SHOWN = 12
MOST_FILES = 40
_LONGEST_NAME = 500
_KINDS = (("sub", Dimension.SUBASSEMBLY), ("step", Dimension.STEP), ("run", Dimension.RUN))
_ORDER = [*Dimension]
_CODES: tuple[tuple[type[LastlookError], int], ...] = (
    (NoSuchId, 404),
    (TooLarge, 413),
    (NoPicture, 415),
    (NoRoom, 507),
    (UsageError, 400),
)


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file that was sent lately, with its first picture; of a clip `more` stills; the picture's `tags` that count."""

    upload: Upload
    picture: Picture | None
    more: int
    tags: tuple[Tag, ...]


class ViewerRequest(Request):
    """Files of a form are kept beside what phones send piece by piece, never in a folder that others use."""

    def _get_file_stream(
        self,
        total_content_length: int | None,
        content_type: str | None,
        filename: str | None = None,
        content_length: int | None = None,
    ) -> IO[bytes]:
        import tempfile

        return tempfile.TemporaryFile("w+b", dir=sent().folder)


def install(app: Flask, config: ViewerConfig) -> None:
    """Give the viewer its uploads, and the bounds of what they may send."""
    app.request_class = ViewerRequest
    app.extensions["lastlook-uploads"] = Uploads(config.archive, config.limits)
    app.extensions["lastlook-limits"].update({"bench.form": config.limits.form + (1 << 20), "bench.piece": PIECE})
    app.extensions["lastlook-jobs"].add(TakeSent(app.extensions["lastlook-uploads"]), patient=True)
    app.teardown_request(_let_go)
    LINKS["sent"] = lambda job: (url_for("bench.page", _anchor="now"), "What came")


def _let_go(error: BaseException | None) -> None:
    """Files of a form end with their request, whatever became of it."""
    request.close()


def sent() -> Uploads:
    return cast(Uploads, current_app.extensions["lastlook-uploads"])


@dataclass(frozen=True, slots=True)
class TakeSent:
    """The kind of job that takes in what phones have sent."""

    uploads: Uploads
    name: str = "sent"

    def title(self, parameters: Parameters) -> str:
        return "Take in what a phone has sent"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        return {}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        waiting = self.uploads.waiting()
        digests: dict[str, str] = {}
        with open_store() as store:
            for one in waiting:
                with suppress(fingerprint.Unreadable):
                    digests[one.id] = fingerprint.take(os.fspath(self.uploads.path(one))).sha256
            before = {id for id, digest in digests.items() if media.get(store.catalogue, digest) is not None}
        came = [self.uploads.path(one) for one in waiting if one.id in digests]
        result = take_in(open_store, came, report) if came else Result("nothing has come")
        with open_store() as store:
            for one in waiting:
                digest = digests.get(one.id, "")
                if digest and media.get(store.catalogue, digest) is not None:
                    self.uploads.settle(one, State.KNOWN if one.id in before else State.TAKEN, digest)
                elif not result.stopped:
                    problem = paths.problem_at(store.catalogue, path_to_text(self.uploads.path(one)))
                    reason = problem.reason if problem is not None else "could not be read"
                    hint = problem.hint if problem is not None else "Send it once more."
                    self.uploads.settle(one, State.REFUSED, digest, reason, hint)
        return result


# ------------------------------------------------------------------------------------------------ the page


@pages.get("/bench")
def page() -> str:
    return _page()


def _page(wrong: str = "") -> str:
    """`wrong`: why what was chosen to work on cannot be begun."""
    plan = store().plan
    under_way = sessions.under_way(store())
    arrived = _arrived(sent().every()[: SHOWN * 2])
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    return render_template(
        "bench.html",
        under_way=under_way,
        titles={id: item.title for id, item in structure.items(plan).items()},
        plan=plan,
        steps=sorted(plan.steps, key=lambda step: step.order),
        chosen={dimension.value: target for dimension, target in under_way.targets} if under_way else {},
        arrived=[each for each in arrived if each.picture is not None][:SHOWN],
        open=[each.upload for each in arrived if each.picture is None],
        undo=_undoable(request.args.get("did", "")),
        begun=_undoable(request.args.get("begun", ""), "session"),
        wrong=wrong,
        limits=config.limits,
        here=from_here(),
        most=MOST_FILES,
        piece=PIECE // 4,
        zone=store().zone,
    )


@pages.post("/bench/work")
def work() -> Response | tuple[str, int]:
    """Say what is being worked on, or that it is over."""
    form = request.form
    if form.get("stop"):
        ended = sessions.stop(store(), typed=form["stop"])
        flash(f"Stopped working on {', '.join(target for _, target in ended.targets)}.")
        # The head of every page has this button: who stops there stays there.
        return redirect(safe_next(form["back"]) if form.get("back") else url_for("bench.page"), 303)
    targets = [Target(dimension, form[name]) for name, dimension in _KINDS if form.get(name, "").strip()]
    try:
        if not targets:
            raise UsageError("nothing was chosen", "Choose what you are working on: a subassembly, a step or a run.")
        begun = sessions.start(store(), targets)
    except WRONG as error:
        return _page(at_fault(error)), code_of(error)
    flash(f"Working on {', '.join(target for _, target in begun.targets)} from now on.")
    return redirect(url_for("bench.page", begun=begun.uid), 303)


@pages.get("/bench/look")
def look() -> Response:
    """The last look of anything, by its id or name; what is neither is asked of the record."""
    wanted = request.args.get("of", "").strip()[:200]
    if not wanted:
        return redirect(url_for("bench.page", _anchor="look"), 303)
    try:
        known = lookup_id(store().plan, None, wanted)
    except UsageError:
        return redirect(url_for("ask.page", q=wanted), 303)
    item = structure.items(store().plan)[known]
    if structure.kind_of(item) is Dimension.STEP:
        return redirect(url_for("ask.page", q=known), 303)
    return redirect(url_for("closings.look", id=known), 303)


@pages.post("/bench/not")
def is_not() -> Response:
    """Say that a picture does not show what it was put to."""
    picture, target = request.form.get("picture", ""), request.form.get("target", "")
    try:
        dimension = Dimension(request.form.get("dimension", ""))
    except ValueError:
        raise UsageError("nothing was chosen", "Use the buttons beside the picture.") from None
    decision, _ = deciding.untag(store(), [picture], [Target(dimension, target)])
    flash(f"{picture} does not show {target}.")
    return redirect(url_for("bench.page", did=decision.uid, _anchor="now"), 303)


@pages.post("/bench/undo")
def undo() -> Response:
    """Take back what was just said."""
    uid = request.form.get("uid", "")
    if not _undoable(uid) and not _undoable(uid, "session"):
        raise UsageError("that was taken back already", "Load the page again.")
    deciding.undo(store(), uid)
    flash("Taken back.")
    return redirect(url_for("bench.page"), 303)


# ------------------------------------------------------------------------------------------------ sending


@pages.post("/bench/photos")
def form() -> Response:
    """Files of a form, all in one go: what works without script."""
    files = request.files.getlist("photos")[:MOST_FILES]
    came = 0
    for file in files:
        if not file.filename:
            continue
        file.stream.seek(0, os.SEEK_END)
        length = file.stream.tell()
        try:
            sent().whole(file.filename[:_LONGEST_NAME], cast(Any, file.stream), length, store().by)
            came += 1
        except LastlookError as error:
            flash(f"{words.sentence(error.message)} {ways.on_page(error.hint)}")
    if came:
        _take_in()
        flash(f"{came} file{'' if came == 1 else 's'} came, and {'is' if came == 1 else 'are'} being taken in.")
    elif not any(file.filename for file in files):
        flash("No file was chosen.")
    return redirect(url_for("bench.page", _anchor="now"), 303)


@pages.post("/bench/upload")
def begin() -> tuple[dict[str, object], int]:
    """What will be sent: `name`, `size`, `modified` (ms), `mark`. Answers with what of it is here."""
    form = request.form

    def number(name: str) -> int:
        given = form.get(name, "0")
        return int(given) if given.isascii() and given.isdecimal() and len(given) < 16 else 0

    name = form.get("name", "")[:_LONGEST_NAME]
    try:
        known = sent().begin(name, number("size"), number("modified"), form.get("mark", "")[:80], store().by)
    except LastlookError as error:
        return _wrong(error)
    return _told(known), 200


@pages.post("/bench/upload/<id>")
def piece(id: str) -> tuple[dict[str, object], int]:
    """The bytes that begin at `at`, as the body."""
    given = request.args.get("at", "")
    at = int(given) if given.isascii() and given.isdecimal() and len(given) < 16 else -1
    try:
        known = sent().piece(id, at, cast(Any, request.stream), request.content_length or 0)
    except LastlookError as error:
        return _wrong(error)
    if known.state is State.WAITING:
        _take_in()
    return _told(known), 200


@pages.post("/bench/upload/<id>/forget")
def forget(id: str) -> Response:
    with suppress(NoSuchId):
        sent().forget(id)
    return redirect(url_for("bench.page", _anchor="now"), 303)


@pages.get("/bench/state")
def state() -> dict[str, object]:
    """What became of what was sent lately; a page asks each second while something is open."""
    return {"files": [_told(one) for one in sent().every()[: SHOWN * 2]]}


# ------------------------------------------------------------------------------------------------ helpers


def _take_in() -> None:
    # What came after a job began is not in it: another one follows.
    runner().ask("sent", {}, by=store().by, again=True)


def _told(upload: Upload) -> dict[str, object]:
    return {
        "id": upload.id,
        "name": upload.name,
        "state": upload.state.value,
        "have": upload.have,
        "size": upload.size_bytes,
        "line": words.sentence(upload.line),
    }


def _wrong(error: LastlookError) -> tuple[dict[str, object], int]:
    code = next((code for kind, code in _CODES if isinstance(error, kind)), 500)
    return {"error": words.sentence(error.message), "hint": ways.on_page(error.hint)}, code


def _arrived(uploads: list[Upload]) -> list[Arrived]:
    catalogue = store().catalogue
    found = []
    for upload in uploads:
        shown = pictures.of_medium(catalogue, upload.sha256) if upload.sha256 else []
        first = shown[0] if shown else None
        counting = [tag for tag in first.tags if tag.counts] if first is not None else []
        tags = tuple(sorted(counting, key=lambda tag: _ORDER.index(tag.dimension)))
        found.append(Arrived(upload, first, max(0, len(shown) - 1), tags))
    return found


def _undoable(uid: str, kind: str = "tag") -> str:
    decision = decisions.by_uid(store().catalogue, uid) if uid else None
    if decision is None or decision.kind != kind or decisions.is_undone(store().catalogue, uid):
        return ""
    return uid
