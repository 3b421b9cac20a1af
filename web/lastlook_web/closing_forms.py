"""Forms beside a closing check: tests, changes, lengths, steps, releases, witnesses, waivers, bonds; closing itself.

Each is a plain form; what cannot be recorded comes back with what was typed and why. Whatever was recorded stands in a
list under the forms, and can be taken back there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from flask import Blueprint, flash, render_template, request, url_for
from werkzeug.utils import redirect
from werkzeug.wrappers import Response

from lastlook import bonding, closing_check, deciding, recording
from lastlook.acts import Act
from lastlook.catalogue import decisions
from lastlook.closing_facts import gather
from lastlook.errors import NoSuchId, UsageError
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Decision
from lastlook.telling import decision_words
from lastlook_web.app import store
from lastlook_web.closing_fields import forms
from lastlook_web.given import at_fault, number

pages = Blueprint("closing_forms", __name__)

RECORDED: Final = (
    *("view", "change", "measure", "test", "done", "release", "witness", "waiver", "bond", "close", "reopen"),
    "adhesive",
)
CHOICES: Final = 400
"""What can be chosen on the page, in all forms together. Beyond it only the form that is asked for has its fields."""

LISTED: Final = 15
"""How many of the last decisions are listed with a button to take them back."""


@pages.get("/closing/<id>/record")
def page(id: str) -> str | Response:
    """The forms of one opening. `act` opens one of them, `of` chooses what it is about."""
    known = lookup_id(store().plan, "opening", id)
    if known != id:
        return redirect(url_for("closing_forms.page", id=known), 301)
    of = request.args.get("of", "")
    typed = dict.fromkeys(("subject", "item", "step", "target", "line"), of)
    return _page(known, request.args.get("act", ""), typed)


@pages.post("/closing/<id>/record")
def record(id: str) -> Response | tuple[str, int]:
    """Record what one form says."""
    known = lookup_id(store().plan, "opening", id)
    act = request.form.get("act", "")
    if act not in _ACTS:
        raise UsageError("there is no such form", "Use the forms of the page.")
    try:
        decision = _ACTS[act](known, request.form)
    except (UsageError, NoSuchId) as error:
        return _page(known, act, request.form, at_fault(error)), 400
    flash(f"{_capital(decision_words(decision))}. It can be taken back below.")
    return redirect(url_for("closing_forms.page", id=known, _anchor="recorded"), 303)


@pages.post("/closing/<id>/undo")
def undo(id: str) -> Response:
    """Take back a decision that the page lists."""
    known = lookup_id(store().plan, "opening", id)
    uid = request.form.get("uid", "")
    if not any(decision.uid == uid for decision in _recorded(known)):
        raise UsageError("that is not among what was recorded here, or was taken back already", "Load the page again.")
    target, _ = deciding.undo(store(), uid)
    flash(f"Taken back: {decision_words(target)}.")
    return redirect(url_for("closing_forms.page", id=known, _anchor="recorded"), 303)


def _page(id: str, act: str, typed: Mapping[str, str], wrong: str = "") -> str:
    opening = next(one for one in store().plan.openings if one.id == id)
    check = closing_check.check(store(), id)
    found = forms(opening, check, typed.get("line", "").partition("|")[0])
    return render_template(
        "closing_record.html",
        opening=opening,
        check=check,
        forms=found,
        folded=sum(len(field.choices) for form in found for field in form.fields) > CHOICES,
        chosen=act,
        of=request.args.get("of", ""),
        typed=typed,
        wrong=wrong,
        recorded=[(one, decision_words(one)) for one in _recorded(id)],
        zone=store().zone,
    )


def _recorded(id: str) -> list[Decision]:
    """The last decisions about an opening, what it hides, and the steps due before it; newest first."""
    at = closing_check.check(store(), id).at
    ids = [*closing_check.items_of(store(), id, at), id]
    ids += [step.id for step in store().plan.steps if id in step.before]
    subjects = [id, *(f"item:{one}" for one in ids)]
    subjects += [f"adhesive:{one}" for one in gather(store(), ()).adhesives]
    found = decisions.live_about(store().catalogue, RECORDED, subjects)
    return sorted(found, key=lambda decision: decision.seq, reverse=True)[:LISTED]


# ------------------------------------------------------------------------------------------------ what each records


def _test(opening: str, form: Mapping[str, str]) -> Decision:
    return recording.record_test(
        store(),
        _said(form, "subject", "what was tested"),
        _said(form, "kind", "the test"),
        _one(form, "passed", "whether it passed"),
        _act(form),
        value=_number(form, "value", "the value"),
        unit=form.get("unit", ""),
        text=form.get("text", ""),
        instrument=form.get("instrument", ""),
        through=form.get("through", ""),
    )


def _change(opening: str, form: Mapping[str, str]) -> Decision:
    return recording.change(
        store(),
        _said(form, "item", "what was changed"),
        _said(form, "kind", "what happened"),
        _act(form),
        why=form.get("why", ""),
        length_mm=_number(form, "length", "the cut length"),
        colour=form.get("colour", ""),
    )


def _measure(opening: str, form: Mapping[str, str]) -> Decision:
    mm = _number(form, "mm", "the length")
    if mm is None:
        raise UsageError("the length is not said", "Give it in millimetres.")
    return recording.measure(
        store(),
        _said(form, "item", "the run"),
        _said(form, "kind", "what was measured"),
        mm,
        _act(form),
        instrument=form.get("instrument", ""),
    )


def _done(opening: str, form: Mapping[str, str]) -> Decision:
    return recording.done(store(), _said(form, "step", "the step"), _act(form), words=form.get("words", ""))


def _witness(opening: str, form: Mapping[str, str]) -> Decision:
    came = _one(form, "attended", "whether the witness came")
    step = _said(form, "step", "the step")
    return recording.witness(store(), step, _act(form), attended=came, words=form.get("words", ""))


def _release(opening: str, form: Mapping[str, str]) -> Decision:
    target = _said(form, "target", "what is released")
    return recording.release(store(), target, _act(form), words=form.get("words", ""))


def _waive(opening: str, form: Mapping[str, str]) -> Decision:
    item, _, what = _said(form, "line", "what is let pass").partition("|")
    return recording.waive(store(), opening, item, _act(form), reason=form.get("reason", ""), what=what)[0]


def _bond(opening: str, form: Mapping[str, str]) -> Decision:
    return bonding.bond(
        store(),
        _said(form, "target", "what was bonded"),
        _said(form, "adhesive", "the adhesive"),
        _said(form, "joined", "when it was joined"),
        person=form.get("person", ""),
        mixed=form.get("mixed", ""),
        clamp_on=form.get("clamp_on", ""),
        clamp_off=form.get("clamp_off", ""),
        figures={
            "temperature_c": _number(form, "temperature", "the temperature"),
            "mass_g": _number(form, "mass", "the mass"),
            "humidity_percent": _number(form, "humidity", "the humidity"),
        },
        words={name: form.get(name, "") for name in ("batch", "expiry", "ratio", "preparation", "note")},
    )


def _adhesive(opening: str, form: Mapping[str, str]) -> Decision:
    names = {
        "fixture_h": "the fixture time",
        "handling_h": "the handling time",
        "full_cure_h": "the time of full cure",
        "reference_c": "the temperature of the sheet",
        "minimum_c": "the minimum",
        "pot_life_min": "the pot life",
    }
    sheet: dict[str, object] = {name: _number(form, name, words) for name, words in names.items()}
    sheet.update({name: form.get(name, "") for name in ("kind", "ratio", "sheet", "note")})
    return bonding.adhesive(store(), _said(form, "id", "its name"), sheet)


def _close(opening: str, form: Mapping[str, str]) -> Decision:
    at = _said(form, "at", "when it was closed")
    closed = closing_check.close(store(), opening, at, form.get("method", ""), with_gaps=form.get("with_gaps") == "yes")
    if closed.decision is None:
        count = sum(line.open for line in closed.check.lines)
        raise UsageError(
            f"nothing was recorded: {count} line{' is' if count == 1 else 's are'} open for that time",
            "Put them right, let a named person waive each with a reason, or say that it was closed with them.",
        )
    return closed.decision


def _reopen(opening: str, form: Mapping[str, str]) -> Decision:
    return deciding.reopen(store(), opening, _said(form, "at", "when it was opened"))


_ACTS: Final[Mapping[str, Callable[[str, Mapping[str, str]], Decision]]] = {
    "test": _test,
    "change": _change,
    "measure": _measure,
    "done": _done,
    "witness": _witness,
    "release": _release,
    "waive": _waive,
    "bond": _bond,
    "adhesive": _adhesive,
    "close": _close,
    "reopen": _reopen,
}


def _act(form: Mapping[str, str]) -> Act:
    return Act(form.get("at", "").strip(), form.get("person", "").strip())


def _said(form: Mapping[str, str], name: str, what: str) -> str:
    given = form.get(name, "").strip()
    if not given:
        raise UsageError(f"{what} is not said", "Fill it in.")
    return given


def _one(form: Mapping[str, str], name: str, what: str) -> bool:
    given = form.get(name, "")
    if given not in ("yes", "no"):
        raise UsageError(f"{what} is not said", "Choose one of the two.")
    return given == "yes"


def _number(form: Mapping[str, str], name: str, what: str) -> float | None:
    return number(form.get(name, ""), what)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
