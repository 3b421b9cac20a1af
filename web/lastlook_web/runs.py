"""Runs: the wire schedule as a table that is filtered, printed and edited in place, and one run's own page."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qsl, urlencode

from flask import Blueprint, Flask, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from lastlook import planning, run_record, schedule_edits
from lastlook.catalogue import pictures
from lastlook.counting import counts
from lastlook.errors import NoSuchId, PlanError, UsageError
from lastlook.plan import colours, gauges
from lastlook.plan.ids import id_key, plain
from lastlook.plan.merge import Change, ChangeKind
from lastlook.plan.row import NAMES, fields_of
from lastlook.planning import Loaded, PlanMoved
from lastlook.records import Dimension, Picture, Run, RunStatus
from lastlook.schedule_edits import FieldsAtFault, RunMoved
from lastlook_web.app import store
from lastlook_web.stretches import Stretch, start_of, stretch
from lastlook_web.words import sentence

pages = Blueprint("runs", __name__)

LONGEST_SCHEDULE = 160_000
"""Bytes of a wire schedule that is sent: more than a thousand runs."""

ROWS = 60
"""Rows of the schedule on a page: each is a line of fourteen cells."""

NEW = "new"
"""What stands for a run that is not there yet, in an address. No id of a plan: ids of runs are looked up first."""

_LEFT_OUT = 12  # changes of a schedule that are listed before the rest is counted


def install(app: Flask) -> None:
    """A whole schedule is longer than a form may be."""
    # The second time it comes as a field, in which every sign may be written as three.
    app.extensions["lastlook-limits"] |= {"runs.upload": LONGEST_SCHEDULE, "runs.load": 3 * LONGEST_SCHEDULE}


def _natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """W2 before W10."""
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.findall(r"\d+|\D+", plain(text)))


_ORDER = {colour.code: place for place, colour in enumerate(colours.COLOURS)}
_SORTS: dict[str, Callable[[Run], Any]] = {
    "id": lambda run: _natural(run.id),
    "title": lambda run: plain(run.title),
    "colour": lambda run: (_ORDER.get(run.colour, 99), _ORDER.get(run.tracer, -1)),
    "gauge": lambda run: (run.gauge_awg is None, run.gauge_awg or 0),
    "from": lambda run: (not run.source, _natural(run.source)),
    "to": lambda run: (not run.target, _natural(run.target)),
    "length": lambda run: (run.cut_length_mm is None, run.cut_length_mm or 0.0),
    "current": lambda run: (run.milliamps is None, run.milliamps or 0.0),
    "status": lambda run: tuple(RunStatus).index(run.status),
}


@dataclass(frozen=True, slots=True)
class View:
    """How the table is narrowed and sorted, and with which row its page begins, as the address says it. `whole`: all
    rows on one page, to print."""

    q: str = ""
    sub: str = ""
    status: str = ""
    colour: str = ""
    sort: str = ""
    down: bool = False
    start: int = 1
    whole: bool = False

    @classmethod
    def of(cls, given: Mapping[str, str]) -> View:
        sort = given.get("sort", "")
        return cls(
            given.get("q", "").strip()[:100],
            given.get("in", "").strip(),
            given.get("status", "").strip(),
            given.get("colour", "").strip(),
            sort if sort in _SORTS else "",
            given.get("down") == "1",
            start_of(given),
            given.get("all") == "1",
        )

    @property
    def pairs(self) -> dict[str, str]:
        """The address's own words for it, without what is not said."""
        said = {"q": self.q, "in": self.sub, "status": self.status, "colour": self.colour, "sort": self.sort}
        said |= {"down": "1" if self.down else "", "all": "1" if self.whole else ""}
        if self.start > 1 and not self.whole:
            said["from"] = str(self.start)
        return {name: value for name, value in said.items() if value}

    @property
    def narrowed(self) -> bool:
        return bool(self.q or self.sub or self.status or self.colour)

    def rows(self, runs: Sequence[Run]) -> list[Run]:
        found = [run for run in runs if self._shows(run)]
        if self.sort:
            found.sort(key=_SORTS[self.sort], reverse=self.down)
        return found

    def part(self, runs: Sequence[Run]) -> Stretch[Run]:
        """The rows of its page."""
        return stretch(self.rows(runs), self.start, 0 if self.whole else ROWS)

    @property
    def paged(self) -> View:
        """The same rows in pages, from the first on."""
        return replace(self, start=1, whole=False)

    def at(self, id: str, runs: Sequence[Run]) -> View:
        """The same view at the page that shows a run; itself where no page does."""
        place = next((n for n, run in enumerate(self.rows(runs), start=1) if run.id == id), None)
        return self if place is None or self.whole else replace(self, start=((place - 1) // ROWS) * ROWS + 1)

    def _shows(self, run: Run) -> bool:
        if self.status and run.status.value != self.status:
            return False
        if self.colour and self.colour not in (run.colour, run.tracer):
            return False
        if self.sub and id_key(self.sub) not in map(id_key, run.subassemblies):
            return False
        ends = (run.source, run.target, colours.label(run.colour, run.tracer), colours.spoken(run.colour, run.tracer))
        words = plain(" ".join((run.id, run.title, *ends, *run.aliases, *run.subassemblies)))
        return all(word in words for word in plain(self.q).split())

    def address(self, anchor: str = "", **more: str) -> str:
        pairs = {name: value for name, value in {**self.pairs, **more}.items() if value}
        where = url_for("runs.page") + (f"?{urlencode(pairs)}" if pairs else "")
        return where + (f"#{anchor}" if anchor else "")

    def sorted_by(self, column: str) -> str:
        """The address that sorts by a column: up, then down, then as the plan lists them."""
        pairs = {name: value for name, value in self.pairs.items() if name not in ("sort", "down", "from")}
        if self.sort != column:
            pairs["sort"] = column
        elif not self.down:
            pairs |= {"sort": column, "down": "1"}
        return url_for("runs.page") + (f"?{urlencode(pairs)}" if pairs else "") + "#schedule"


@dataclass(frozen=True, slots=True)
class Form:
    """The row that is edited. `of`: the run's id, '' for a new one; `typed` what stands in its fields; `faults` by
    field; `said` what is wrong with all of it; `base` the plan it was begun on; `named` why it cannot be taken out."""

    of: str
    typed: Mapping[str, str]
    base: str
    faults: Mapping[str, Sequence[str]]
    said: str = ""
    named: Sequence[str] = ()


# ------------------------------------------------------------------------------------------------ the schedule


@pages.get("/runs")
def page() -> str:
    view = View.of(request.args)
    wanted = request.args.get("edit", "")
    form = None
    if wanted == NEW:
        form = Form("", {"status": RunStatus.DESIGNED.value}, planning.uid_in_force(store()), {})
    elif wanted:
        form = _form(schedule_edits.find_run(store().plan, wanted))
    return _page(view, form)


def _form(run: Run, typed: Mapping[str, str] | None = None, faults: Mapping[str, Sequence[str]] | None = None) -> Form:
    named = schedule_edits.named_by(store(), run.id)
    return Form(run.id, typed or fields_of(run), planning.uid_in_force(store()), faults or {}, named=named)


def _page(
    view: View,
    form: Form | None = None,
    uploaded: str = "",
    changes: Sequence[Change] = (),
    faults: Sequence[str] = (),
) -> str:
    plan = store().plan
    if form and form.of:
        view = view.at(form.of, plan.runs)  # it may have moved since the address was made
    part = view.part(plan.runs)
    return render_template(
        "runs.html",
        plan=plan,
        view=view,
        part=part,
        rows=part.rows,
        counts=counts(store(), Dimension.RUN),
        form=form,
        names=NAMES,
        colours=colours.COLOURS,
        statuses=list(RunStatus),
        last=schedule_edits.last_revision(store()),
        base=planning.uid_in_force(store()),
        uploaded=uploaded,
        changes=changes,
        shown_changes=_LEFT_OUT,
        diameter=_diameter,
        totals=_totals(view.rows(plan.runs)),
        now=datetime.now(UTC),
        zone=store().zone,
        faults=faults,
    )


def _diameter(awg: int | None) -> float | None:
    return gauges.diameter_mm(awg) if awg is not None and gauges.known(awg) else None


def _totals(rows: Sequence[Run]) -> list[tuple[str, float]]:
    """How much wire of each gauge the rows take, in mm: what a builder buys."""
    found: dict[str, float] = {}
    for run in sorted(rows, key=lambda run: run.gauge_awg or 0):
        if run.cut_length_mm is not None and run.status is not RunStatus.ABANDONED:
            name = f"AWG {run.gauge_awg}" if run.gauge_awg is not None else "no gauge"
            found[name] = found.get(name, 0.0) + run.cut_length_mm
    return list(found.items())


# ------------------------------------------------------------------------------------------------ changing it


@pages.post("/runs/save")
def save() -> AnyResponse | tuple[str, int]:
    """Save the row that was edited, or a new one (`of` '')."""
    of, view = request.form.get("of", ""), _view_of_form()
    typed = {key: request.form.get(key, "") for key in NAMES}
    base = request.form.get("base", "")
    try:
        done = schedule_edits.change(store(), of, typed, base) if of else schedule_edits.add(store(), typed)
    except FieldsAtFault as error:
        form = Form(of, typed, base, error.fields, sentence(error.message), _named(of))
        return _page(view, form), 400
    except PlanMoved as error:
        return _moved(view, of, typed, error), 409
    return _saved(view, done, of or typed["id"].strip())


def _moved(view: View, of: str, typed: Mapping[str, str], error: PlanMoved) -> str:
    """The row again with what was typed, and what somebody else has changed: saving once more is then a decision."""
    said = f"{of} was changed meanwhile, nothing was written."
    if isinstance(error, RunMoved) and error.what:
        who = f" by {error.by}" if error.by else ""
        said = f"{of} was changed meanwhile{who}: {error.what}. Nothing was written. What you typed stands below."
    try:
        run = schedule_edits.find_run(store().plan, of)
    except NoSuchId:
        raise UsageError(f"{of} was taken out of the plan meanwhile, nothing was written", "Add it again.") from None
    now = fields_of(run)
    faults = {
        key: (f"it says “{now[key] or 'nothing'}” now",) for key in NAMES if now[key] != typed.get(key, "").strip()
    }
    return _page(view, Form(of, typed, planning.uid_in_force(store()), faults, f"{said} Save again to write it over."))


def _named(of: str) -> Sequence[str]:
    return schedule_edits.named_by(store(), of) if of else ()


@pages.post("/runs/retire")
def retire() -> AnyResponse:
    """Abandon a run in place, or take one out of the plan that nothing names (`out`)."""
    of, view = request.form.get("of", ""), _view_of_form()
    act = schedule_edits.remove if request.form.get("out") else schedule_edits.retire
    return _saved(view, act(store(), of, request.form.get("base", "")), of)


@pages.post("/runs/undo")
def undo() -> AnyResponse:
    """Take the last change of the plan back."""
    last = schedule_edits.undo(store(), request.form.get("uid", ""))
    flash(f"Taken back: {_said(last.changes) or 'the last change of the plan'}.")
    return redirect(_view_of_form().address("schedule"), 303)


def _saved(view: View, done: Loaded, id: str) -> AnyResponse:
    flash(f"{_said(done.changes)}." if done.decision else f"{id}: nothing was changed.")
    shown = any(run.id == id for run in view.rows(store().plan.runs))
    return redirect(view.at(id, store().plan.runs).address(f"run-{id}" if shown else "schedule"), 303)


def _said(changes: Sequence[Change]) -> str:
    words = [
        f"{one.id}: {one.what}" if one.kind is ChangeKind.CHANGED else f"{one.id} {one.kind.value}" for one in changes
    ]
    more = f" and {len(words) - 3} more" if len(words) > 3 else ""
    return "; ".join(words[:3]) + more


def _view_of_form() -> View:
    """How the table was narrowed when the form was shown: its fields would clash with a run's own otherwise."""
    return View.of(dict(parse_qsl(request.form.get("view", "")[:1000])))


# ------------------------------------------------------------------------------------------------ as a file


@pages.get("/runs.csv")
def csv() -> Response:
    """The wire schedule as a file for a spreadsheet."""
    answer = Response(planning.save(store(), "csv"), mimetype="text/csv")
    answer.headers["Content-Disposition"] = 'attachment; filename="wire-schedule.csv"'
    return answer


@pages.post("/runs/upload")
def upload() -> str | tuple[str, int]:
    """Look at a schedule before it is put in force: what it would change."""
    file = request.files.get("file")
    text = _decoded(file.read()) if file else ""
    if not text.strip():
        raise UsageError("no schedule was chosen", "Choose a CSV file, as 'Take the schedule as CSV' gives one.")
    try:
        changes = schedule_edits.preview(store(), text)
    except PlanError as error:
        return _page(View(), faults=error.faults or (error.message,)), 400
    return _page(View(), uploaded=text, changes=changes)


@pages.post("/runs/load")
def load() -> AnyResponse | tuple[str, int]:
    """Put the schedule that was looked at in force."""
    text = request.form.get("text", "")
    try:
        done = schedule_edits.load(store(), text, request.form.get("base", ""))
    except PlanMoved as error:
        flash(f"{error.message.capitalize()}. This is what the schedule would change now.")
        return _page(View(), uploaded=text, changes=schedule_edits.preview(store(), text)), 409
    except PlanError as error:
        return _page(View(), faults=error.faults or (error.message,)), 400
    kept = [one for one in done.changes if one.kind is not ChangeKind.KEPT]
    flash(f"The schedule is in force: {_said(kept)}." if done.decision else "Nothing was changed.")
    return redirect(url_for("runs.page", _anchor="schedule"), 303)


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")  # spreadsheets on some systems still save in the old Western code page


# ------------------------------------------------------------------------------------------------ one run


@pages.get("/run/<id>")
def run(id: str) -> str | AnyResponse:
    found = run_record.record(store(), id)
    if found.run.id != id:  # one address for one thing
        return redirect(url_for("runs.run", id=found.run.id), 301)
    return render_template(
        "run.html",
        found=found,
        run=found.run,
        schedule=View().at(id, store().plan.runs).address(f"run-{id}"),
        rule=run_record.RULE,
        names=NAMES,
        diameter=_diameter,
        pictures_of=_pictures_of(found),
        zone=store().zone,
    )


def _pictures_of(found: run_record.RunRecord) -> dict[str, Picture]:
    """The pictures on which the run is drawn, and those its evidence names, by id."""
    ids = [mark.picture for mark in found.marks]
    ids += [id for each in found.evidence for line in each.lines for id in (*line.pictures, *line.candidates)]
    rids = pictures.rids_of_ids(store().catalogue, list(dict.fromkeys(ids)))
    return {one.id: one for one in pictures.by_rids(store().catalogue, list(rids.values()))}
