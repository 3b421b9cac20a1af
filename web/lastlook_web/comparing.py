"""Before and after: two pictures of one place by wipe, by blinking and side by side, and the pairs of a closing.

The page shows the pair as it was taken and answers at once. Whether the later picture can be laid over the earlier one,
and what changed, is asked apart, beside the pages, and kept.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    jsonify,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)
from werkzeug.wrappers import Response as AnyResponse

from lastlook import aligning, history, tiling, viewing
from lastlook.aligning import BeforeAfter
from lastlook.catalogue import decisions
from lastlook.history import Moment
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Opening, Picture
from lastlook.store import Store
from lastlook_web import choosing, ways
from lastlook_web.app import store
from lastlook_web.asides import Asides, Done
from lastlook_web.config import ViewerConfig

pages = Blueprint("comparing", __name__)

_MOST_PAIRS = 60
_MOST_KEPT = 16


@dataclass(frozen=True, slots=True)
class Pair:
    """The pictures before and after a step of a subassembly, or before and after an `opening` that shows it."""

    sub: str
    moment: Moment
    opening: bool


# ------------------------------------------------------------------------------------------------ a pair


@pages.get("/compare/<before>/<after>")
def page(before: str, after: str) -> str:
    """The pair, and what is known of its alignment by now. `?lay=1` asks for it without script."""
    one, two = _pair(before, after)
    done = _ask(one, two) if request.args.get("lay") else _known(one, two)
    found = done.value if done is not None else None
    return render_template(
        "compare.html",
        before=one,
        after=two,
        looks=[_look("Before", one), _look("After", two)],
        found=found,
        error=done.error if done is not None else None,
        trying=bool(request.args.get("lay")),
        answer=_answer(one, two, done) if done is not None else None,
        swapped=_swapped(one, two),
        zone=store().zone,
    )


@pages.get("/compare/<before>/<after>/laid")
def laid(before: str, after: str) -> Response:
    """Whether the later picture lies over the earlier one, and what changed; `done` false while that is worked on."""
    one, two = _pair(before, after)
    done = _ask(one, two)
    if done is None:
        return jsonify(done=False)
    return jsonify(_answer(one, two, done))


@pages.get("/compare/<before>/<after>/after.jpg")
def over(before: str, after: str) -> Response:
    """The later picture as the earlier one sees it, once it was laid over."""
    one, two = _pair(before, after)
    done = _known(one, two)
    if done is None or done.value is None or not done.value.name:
        abort(404)
    response = send_file(store().archive.derived / done.value.name, mimetype="image/jpeg", conditional=True, max_age=0)
    response.headers["Cache-Control"] = "private, no-cache"  # what people tie together may change how it lies
    return response


def _pair(before: str, after: str) -> tuple[Picture, Picture]:
    return choosing.pair(before, after)


@pages.get("/compare")
def choose() -> AnyResponse:
    """To the pair of `before` and `after`; where they are not both said, the page that asks for them."""
    one, two = _pair(request.args.get("before", ""), request.args.get("after", ""))
    return redirect(url_for("comparing.page", before=one.id, after=two.id))


@pages.errorhandler(choosing.Unpaired)
def _unpaired(error: choosing.Unpaired) -> tuple[str, int]:
    return choosing.page(error, "Before and after", ("before", "after"), url_for("comparing.choose"))


def _look(word: str, picture: Picture) -> dict[str, Any]:
    tiled = tiling.of(store(), picture)
    return {
        "word": word,
        "picture": picture,
        "levels": tiled.levels,
        "tile_base": url_for("tiles.tile", id=picture.id, place="0-0-0").removesuffix("0-0-0.jpg"),
    }


def _swapped(one: Picture, two: Picture) -> bool:
    """Whether the one called "before" was surely taken after the other."""
    return bool(one.time.earliest and two.time.latest and one.time.earliest > two.time.latest)


def _ask(one: Picture, two: Picture) -> Done[BeforeAfter] | None:
    config: ViewerConfig = current_app.extensions["lastlook-config"]
    caches = current_app.extensions["lastlook-caches"]

    def work() -> BeforeAfter:
        with Store(config.archive, by=config.by, caches=caches) as own:
            return aligning.before_after(own, one.id, two.id)

    return _asides().ask(_key(one, two), work, wait=0.05)


def _known(one: Picture, two: Picture) -> Done[BeforeAfter] | None:
    return _asides().known(_key(one, two))


def _key(one: Picture, two: Picture) -> Hashable:
    # A tie, an outline or a known size said since may change the answer; the answers themselves are kept on disk.
    return one.id, two.id, decisions.last_seq(store().catalogue)


def _answer(one: Picture, two: Picture, done: Done[BeforeAfter]) -> dict[str, Any]:
    """The answer for script and template alike. Places are shares of the earlier picture."""
    if done.error is not None or done.value is None:
        error = done.error
        why = error.message if error is not None else "it could not be tried"
        return {
            "done": True,
            "aligned": False,
            "why": why,
            "help": ways.on_page(error.hint) if error is not None else "",
        }
    found = done.value
    if not found.aligned:
        return {"done": True, "aligned": False, "why": found.why, "help": ways.on_page(found.help)}
    return {
        "done": True,
        "aligned": True,
        "basis": found.basis,
        "off": round(found.error_px, 1),
        "src": url_for("comparing.over", before=one.id, after=two.id),
        "width": found.size[0],
        "height": found.size[1],
        "changed": round(100 * found.changed, 1),
        "places": [
            {
                "outline": [list(point) for point in place.outline],
                "box": [round(value, 5) for value in place.box],
                "strength": round(place.strength, 2),
            }
            for place in found.places
        ],
    }


def _asides() -> Asides[BeforeAfter]:
    found: Any = current_app.extensions.setdefault("lastlook-asides-pairs", Asides(most_waiting=8, most_kept=64))
    return found  # type: ignore[no-any-return]


# ------------------------------------------------------------------------------------------------ pairs of a closing


@pages.get("/compare/opening/<id>")
def opening(id: str) -> str | AnyResponse:
    """The pairs of an opening: before and after its closing, for each subassembly it shows, and of each step before."""
    plan = store().plan
    known = lookup_id(plan, "opening", id)
    if known != id:  # one address for one thing
        return redirect(url_for("comparing.opening", id=known), 301)
    item = next(each for each in plan.openings if each.id == known)
    return render_template(
        "compare_opening.html",
        opening=item,
        pairs=_kept_pairs(item),
        acts=viewing.acts(store()).get(known, ()),
        zone=store().zone,
    )


def _kept_pairs(item: Opening) -> list[Pair]:
    """The pairs, kept until a tag, a time, a closing or the plan changes: each takes some questions to the record."""
    kept: OrderedDict[Hashable, list[Pair]]
    lock, kept = current_app.extensions.setdefault("lastlook-comparing-kept", (threading.Lock(), OrderedDict()))
    key = item.id, tuple(sorted(store().catalogue.counters().items())), decisions.last_seq(store().catalogue)
    with lock:
        found = kept.get(key)
    if found is None:
        found = _pairs(item)
        with lock:
            kept[key] = found
            while len(kept) > _MOST_KEPT:
                kept.popitem(last=False)
    return found


def _pairs(item: Opening) -> list[Pair]:
    plan = store().plan
    names = {sub.id for sub in plan.subassemblies}
    shown = structure.shown_through(plan, item.id)
    # Where it shows runs and parts only, their subassemblies are where the pictures are.
    subs = [name for name in shown if name in names] or list(
        dict.fromkeys(sub for name in shown for sub in structure.subassemblies_of(plan, name))
    )
    pairs = [Pair(sub, history.moment_of(store(), sub, item), True) for sub in subs]
    steps = structure.steps_before(plan, item.id)
    pairs += [Pair(step.subassembly, history.moment_of(store(), step.subassembly, step), False) for step in steps]
    return pairs[:_MOST_PAIRS]
