"""Long work: what is under way, what came of it, and the buttons that start it, stop it and let it go on.

Other families start work with `runner().ask(kind, parameters, by=store().by, once=once_given())`, from a form with
`once_field()`, and send the browser to `shown(job)`.
"""

from __future__ import annotations

import re
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import cast

from flask import Blueprint, Flask, current_app, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from lastlook.errors import LastlookError, UsageError
from lastlook.job_kinds import Places, every_kind, places
from lastlook.jobs import Job, Runner, State
from lastlook.progress import words as progress_words
from lastlook.store import Caches, Store
from lastlook_web import words
from lastlook_web.app import store
from lastlook_web.config import ViewerConfig

pages = Blueprint("jobs", __name__)

STATES = {
    State.WAITING: "Waits",
    State.RUNNING: "Under way",
    State.DONE: "Done",
    State.FAILED: "Failed",
    State.STOPPED: "Stopped",
}
_LONGEST = 400  # letters of one parameter
ONCE_FIELD = "once"
_ONCE = re.compile(r"[A-Za-z0-9_-]{16,40}")

Link = Callable[[Job], tuple[str, str]]
"""Where a job's result can be seen: (address, words)."""

LINKS: dict[str, Link] = {
    "take-in": lambda job: (url_for("queue.page"), "What waits to be placed"),
    "propose": lambda job: (url_for("queue.page"), "What waits to be placed"),
    "check": lambda job: (url_for("closings.check", id=job.parameters["opening"]), "The closing check"),
    "hand-over": lambda job: (url_for("handover.record", name=job.subject, file="index.html"), "Open the record"),
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A job as a page tells of it. `share`: 0 to 1, None where it is not known; `link`: where its result is."""

    job: Job
    state: str
    line: str
    share: float | None
    link: tuple[str, str] | None


def install(app: Flask, config: ViewerConfig) -> None:
    """Give the viewer its runner."""
    caches: Caches = app.extensions["lastlook-caches"]

    def open_store(by: str) -> Store:
        return Store(config.archive, by=by or config.by, caches=caches)

    found = places(config.archive, config.inboxes, config.backups, config.records)
    app.extensions["lastlook-places"] = found
    app.extensions["lastlook-learning"] = learning
    app.extensions["lastlook-jobs"] = Runner(config.archive, every_kind(found), open_store)
    app.jinja_env.globals["once"] = lambda: secrets.token_urlsafe(16)


def learning() -> bool:
    """Whether the text index learns what waits beside the pages: it is asked to, unless other work goes on, behind
    which questions would have to wait."""
    mine = runner()
    if any(job.open and job.kind != "learn" for job in mine.jobs()):
        return False
    try:
        mine.ask("learn", {}, by=store().by)
    except LastlookError:
        return False
    return True


def runner() -> Runner:
    """The viewer's runner of long work."""
    return cast(Runner, current_app.extensions["lastlook-jobs"])


def once_given() -> str:
    """What the form was marked with when it was shown; empty for none, and for what no form of ours was marked with."""
    given = request.form.get(ONCE_FIELD, "")
    return given if _ONCE.fullmatch(given) else ""


def known_places() -> Places:
    return cast(Places, current_app.extensions["lastlook-places"])


def shown(job: Job) -> str:
    """The address at which a job is told of, and the place there that tells it."""
    return url_for("jobs.one", id=job.id, _anchor=f"t-{job.id}")


# ------------------------------------------------------------------------------------------------ pages


@pages.get("/work")
def page() -> str:
    """All of it, and what can be started."""
    where = known_places()
    return render_template(
        "jobs.html",
        jobs=[_shown(job) for job in runner().jobs()],
        one=None,
        inboxes=[(name, path.name) for name, path in where.inboxes.items() if path.is_dir()],
        backups=[(name, path.name) for name, path in where.backups.items()],
        zone=store().zone,
        moment=_moment,
    )


@pages.get("/work/<id>")
def one(id: str) -> str:
    """One job, with all that came of it."""
    job = _shown(runner().find(id))
    return render_template("jobs.html", jobs=[job], one=job, zone=store().zone, moment=_moment)


@pages.get("/work/state")
def state() -> dict[str, object]:
    """What the pages ask for each second while something is under way."""
    told = map(_shown, runner().jobs())
    return {
        "jobs": [
            {"id": each.job.id, "state": each.job.state.value, "line": each.line, "share": each.share} for each in told
        ]
    }


@pages.post("/work/start")
def start() -> Response:
    """`kind`, and the parameters of that kind; each kind takes those it knows."""
    given = {name: value for name, value in request.form.items() if name not in {"token", "kind", ONCE_FIELD}}
    if any(len(value) > _LONGEST for value in given.values()):
        raise UsageError("what was asked for is longer than anything it could mean", "Use the buttons of the pages.")
    job = runner().ask(request.form.get("kind", ""), given, by=store().by, once=once_given())
    return redirect(shown(job), 303)


@pages.post("/work/<id>/stop")
def stop(id: str) -> Response:
    job = runner().stop(id)
    if job.open:
        flash(f"{job.title}: it stops at the next item.")
    return redirect(shown(job), 303)


@pages.post("/work/<id>/go-on")
def go_on(id: str) -> Response:
    return redirect(shown(runner().go_on(id)), 303)


@pages.post("/work/<id>/forget")
def forget(id: str) -> Response:
    runner().forget(id)
    flash("Taken off the list. What it did stays.")
    return redirect(url_for("jobs.page"), 303)


# ------------------------------------------------------------------------------------------------ helpers


def _shown(job: Job) -> Shown:
    now = time.time()
    progress = job.progress
    share: float | None = None
    if progress is not None and progress.total:
        share = progress.bytes_done / progress.bytes_total if progress.bytes_total else progress.done / progress.total
    if job.state is State.RUNNING:
        told = progress_words(progress, now - job.stage_at) if progress else job.note or "it begins"
        line = words.sentence(told)
    elif job.state is State.WAITING:
        line = "Waits for what is under way."
    else:
        line = words.sentence(job.text or STATES[job.state])
    link = LINKS.get(job.kind) if job.state is State.DONE else None
    return Shown(job, STATES[job.state], line, share, link(job) if link else None)


def _moment(seconds: float, zone: str) -> str:
    """ "12 Mar 2026 14:03:11"."""
    at = datetime.fromtimestamp(seconds, UTC)
    return f"{words.day_of(at, zone)} {words.clock_of(at, zone)}"
