"""Ties: two pictures side by side, the places that show in both, and how well each fits before and after it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from flask import Blueprint, Response, flash, jsonify, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from lastlook import deciding, marking, picturing, registering
from lastlook.catalogue import decisions
from lastlook.errors import ArchiveError, UsageError
from lastlook.records import Picture
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.registration.ties import TieSource
from lastlook_web import choosing, given, taking_back, ways
from lastlook_web.app import store
from lastlook_web.drawing import drawn_size

pages = Blueprint("tying", __name__)


@pages.get("/ties")
def page() -> str | tuple[str, int]:
    """The pair. `move` is a kept tie, counted from 1, that the fields hold to be put elsewhere."""
    a, b = _pair()
    asked = request.args.get("move", "").strip()
    if not asked:
        return _page(a, b)
    one, two, uids = marking.ties(store(), a.id, b.id)
    if not asked.isascii() or not asked.isdigit() or not 1 <= int(asked[:6]) <= len(uids):
        return _page(a, b, wrong="There is no such tie any more: it was taken back. These are those that stand."), 404
    n = int(asked) - 1
    typed = {"p": _typed(one[n]), "q": _typed(two[n]), "instead": uids[n], "n": str(n)}
    return _page(a, b, typed)


@pages.get("/ties/fit.json")
def fit() -> Response:
    """How a pair that is not kept yet would fit, alone or in place of the kept tie `n`: for live residuals."""
    a, b = _pair()
    one, _, _ = marking.ties(store(), a.id, b.id)
    p, q = _both(request.args)
    n = _place_of(request.args.get("n", ""), len(one))
    extra = np.array([p], dtype=np.float64), np.array([q], dtype=np.float64)
    try:
        hung = _hung(a, b, extra, n)
    except ArchiveError as error:
        return jsonify(residuals=[None] * len(one), mine=None, said=_unread(error)["said"])
    away = _residuals(hung, len(one) + (1 if n is None else 0))
    if n is not None:  # tried last, shown where it stands
        away.insert(n, away.pop())
    mine = away[-1] if n is None else away[n]
    rounded = [None if each is None else round(each, 1) for each in away]
    return jsonify(
        residuals=rounded if n is not None else rounded[:-1],
        mine=None if mine is None else round(mine, 1),
        said=_state(hung)["said"],
    )


@pages.post("/ties")
def add() -> AnyResponse | tuple[str, int]:
    """Keep a tie, or put one elsewhere (`instead`: the decision that holds it, `n` which of all), or take one back."""
    a, b = _pair()
    try:
        if request.form.get("uid"):
            _, said = taking_back.take_back(store(), request.form["uid"], (a.id, b.id))
            flash(said)
        else:
            flash(_kept(a, b))
    except given.WRONG as error:
        return _page(a, b, request.form, given.at_fault(error)), given.code_of(error)
    return redirect(url_for("tying.page", a=a.id, b=b.id), 303)


def _kept(a: Picture, b: Picture) -> str:
    p, q = _both(request.form)
    instead = request.form.get("instead", "")
    if not instead:
        marking.tie(store(), a.id, b.id, [[p, q]])
        return "The tie is kept."
    one, two, uids = marking.ties(store(), a.id, b.id)
    n = _place_of(request.form.get("n", ""), len(uids))
    if n is None or uids[n] != instead:
        raise UsageError("that tie was taken back or moved meanwhile", "Keep this one as a new tie, or look again.")
    pairs = [
        [p, q] if at == n else [one[at].tolist(), two[at].tolist()] for at, uid in enumerate(uids) if uid == instead
    ]
    decisions.check_can_undo(store().catalogue, instead)
    marking.tie(store(), a.id, b.id, pairs)  # first, so that nothing is lost where it cannot be kept
    deciding.undo(store(), instead)
    return f"Tie {n + 1} was moved."


# ------------------------------------------------------------------------------------------------ shown


def _page(a: Picture, b: Picture, typed: Mapping[str, str] | None = None, wrong: str = "") -> str:
    one, two, uids = marking.ties(store(), a.id, b.id)
    away: list[float | None]
    try:
        hung = _hung(a, b)
        away, state = _residuals(hung, len(one)), _state(hung)
    except ArchiveError as error:  # what was tied stands, and can be taken back, where a picture cannot be read
        away, state = [None] * len(one), _unread(error)
    sizes = [drawn_size(each) for each in (a, b)]
    fields = {name: (typed or {}).get(name, "") for name in ("p", "q", "instead", "n")}
    moved = _place_of(fields["n"], len(uids)) if fields["instead"] else None
    if moved is not None and uids[moved] != fields["instead"]:
        moved, fields["instead"] = None, ""
    return render_template(
        "ties.html",
        a=a,
        b=b,
        sides=[
            (name, word, picture, size, size[0] / picture.width, at * (size[0] / picture.width))
            for name, word, picture, size, at in zip("ab", ("First", "Second"), (a, b), sizes, (one, two), strict=True)
        ],
        rows=list(zip(one.tolist(), two.tolist(), uids, away, strict=True)),
        typed=fields,
        moved=moved,
        wrong=wrong,
        back=taking_back.last_taken_back(store(), (a.id, b.id), ("tie",)),
        **state,
    )


def _pair() -> tuple[Picture, Picture]:
    return choosing.pair(request.values.get("a", ""), request.values.get("b", ""))


@pages.errorhandler(choosing.Unpaired)
def _unpaired(error: choosing.Unpaired) -> tuple[str, int]:
    return choosing.page(error, "Places that show in both pictures", ("a", "b"), url_for("tying.page"))


def _both(form: Mapping[str, str]) -> tuple[list[float], list[float]]:
    return (
        given.one_point(form.get("p", ""), "the place in the first picture"),
        given.one_point(form.get("q", ""), "the place in the second picture"),
    )


def _place_of(text: str, count: int) -> int | None:
    """Which tie, counted from 0; None where it is none of `count`."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 and int(text) < count else None


def _typed(point: Any) -> str:
    return f"{point[0]:g},{point[1]:g}"


def _hung(
    a: Picture, b: Picture, extra: tuple[Any, Any] | None = None, without: int | None = None
) -> registering.Registration:
    return registering.register(store(), picturing.load(store(), a), picturing.load(store(), b), extra, without)


def _residuals(hung: registering.Registration, count: int) -> list[float | None]:
    """Pixels of the full second picture by which each tie misses, None for those that were not used."""
    if not isinstance(hung.found, PlaneMap):
        return [None] * count
    away = dict(zip(hung.found.ties.name, hung.found.residuals, strict=True))
    return [float(away[f"tie {n + 1}"]) / hung.outside.scale if f"tie {n + 1}" in away else None for n in range(count)]


def _state(hung: registering.Registration) -> dict[str, object]:
    found = hung.found
    if isinstance(found, Refusal):
        return {
            "registered": False,
            "said": [
                f"Not registered: {found.why}.",
                *hung.said,
                f"What would help: {ways.on_page(found.help)}.",
            ],
        }
    matched = int(found.ties.of(TieSource.FEATURE).sum())
    error = max(0.1, float(found.error_px.max()) / hung.outside.scale)
    words = [f"Registered; the place is known to about {error:.1f} px."]
    if matched:
        words.append(f"{matched} more places match by themselves.")
    return {"registered": True, "said": [*words, *hung.said, *(f"{line}." for line in found.said)]}


def _unread(error: ArchiveError) -> dict[str, object]:
    said = [f"How they fit cannot be told: {error.message}.", ways.on_page(error.hint)]
    return {"registered": False, "said": said}
