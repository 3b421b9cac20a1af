"""One picture: what it shows, when it was taken and how that is known, and what people and machines say of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, Response, abort, flash, jsonify, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from lastlook import deciding, tiling, viewing
from lastlook.cameras import cameras
from lastlook.catalogue.media import Medium
from lastlook.deciding import CAPTION_LIMIT, Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.history import Shown, show
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import (
    Claim,
    ClaimSource,
    Decision,
    Dimension,
    Picture,
    PictureKind,
    Plan,
    Proposal,
    Tag,
    TagState,
    clip_id,
)
from lastlook_web import marks, sameplace
from lastlook_web.app import store
from lastlook_web.given import at_fault, code_of

pages = Blueprint("pictures", __name__)

_MOST_ALIKE = 12
_HEADINGS = {
    Dimension.SUBASSEMBLY: "Subassembly",
    Dimension.STEP: "Step",
    Dimension.RUN: "Run",
    Dimension.PART: "Part",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A tag as it is shown: with the plan's title of what it points at, and other evidence for it."""

    tag: Tag
    title: str
    more: tuple[Proposal, ...]

    @property
    def key(self) -> str:
        return f"{self.tag.dimension.value}:{self.tag.target}"


@pages.get("/picture/<id>")
def page(id: str) -> str:
    return sheet(id)


def sheet(id: str, refused: marks.Refused | None = None, typed: str = "", wrong: str = "") -> str:
    """The page of a picture; `refused` is a form about what is drawn that comes back as it was typed, `typed` a name of
    what it shows that cannot be taken, and `wrong` why."""
    shown = _shown(id)
    picture = shown.picture
    plan = store().plan
    alike, alike_total = _alike(shown)
    looking = ""
    if request.args.get("look") and picture.page:
        done, looking = sameplace.look(picture)
        looking = "" if done else f"{looking} Load the page again to see."
    tiled = tiling.of(store(), picture)
    return render_template(
        "picture.html",
        picture=picture,
        camera_shown=cameras(store().catalogue).shown(picture.camera) if picture.camera else "the file does not say",
        medium=shown.medium,
        shown=shown,
        lines=_lines(plan, shown),
        headings=_HEADINGS,
        states=TagState,
        choices=_choices(plan, picture),
        used=used_claims(shown.medium, picture),
        alike=alike,
        alike_total=alike_total,
        clip=clip_id(picture.sha256) if picture.kind is PictureKind.STILL else "",
        motion=shown.motion.id if shown.motion is not None else "",
        last=_last_word(shown.decisions),
        caption_limit=CAPTION_LIMIT,
        is_still=picture.kind is PictureKind.STILL,
        zone=store().zone,
        levels=tiled.levels,
        tile_base=url_for("tiles.tile", id=picture.id, place="0-0-0").removesuffix("0-0-0.jpg"),
        drawable=[(heading, items) for heading, items in _drawable(plan) if items],
        strip=sameplace.strip(picture) if picture.page else None,
        looking=looking,
        typed=typed,
        wrong=wrong,
        **marks.shown(picture, measure=bool(request.args.get("mm")), refused=refused),
    )


@pages.get("/picture/<id>/place")
def place(id: str) -> Response:
    """Look for the same view among other pictures; how far that is, and the strip when it is done."""
    picture = viewing.picture(store(), id)
    done, words = sameplace.look(picture)
    html = ""
    if done:
        html = render_template("strip.html", picture=picture, strip=sameplace.strip(picture), zone=store().zone)
    return jsonify(done=done, words=words, html=html)


def _drawable(plan: Plan) -> list[tuple[str, list[tuple[str, str]]]]:
    """What a mark can be of: (heading, [(id, title)])."""
    return [
        ("Runs", [(item.id, item.title) for item in plan.runs]),
        ("Parts", [(item.id, item.title) for item in plan.parts]),
        ("Subassemblies", [(item.id, item.title) for item in plan.subassemblies]),
    ]


def _shown(id: str) -> Shown:
    # An address names one picture in full; only then are its surroundings looked up.
    return show(store(), viewing.picture(store(), id).id)


def used_claims(medium: Medium, picture: Picture) -> list[Claim]:
    """The claims that the time rests on: one, or a clip's creation time together with its file name."""
    first, *more = picture.time.basis.split("+")
    sources = [first, *(ClaimSource.FILE_NAME.value for added in more if added == "name")]
    usable = {claim.source.value: claim for claim in reversed(medium.claims) if not claim.fault}
    return [usable[source] for source in sources if source in usable]


def _lines(plan: Plan, shown: Shown) -> list[Line]:
    titles = {name: item.title for name, item in structure.items(plan).items()}
    return [
        Line(
            tag,
            titles.get(tag.target, "no longer in the plan"),
            tuple(
                proposal
                for proposal in shown.proposals
                if (proposal.dimension, proposal.target) == (tag.dimension, tag.target) and proposal.evidence != tag.why
            ),
        )
        for tag in shown.picture.tags
    ]


def _choices(plan: Plan, picture: Picture) -> list[tuple[str, list[tuple[str, str]]]]:
    """What a picture can be tagged with and is not yet: (heading, [(value, words)])."""
    worn = {(tag.dimension, tag.target) for tag in picture.tags if tag.state is TagState.SET}
    groups: Sequence[tuple[Dimension, Sequence[tuple[str, str]]]] = (
        (Dimension.SUBASSEMBLY, [(item.id, item.title) for item in plan.subassemblies]),
        (Dimension.STEP, [(item.id, item.title) for item in sorted(plan.steps, key=lambda step: step.order)]),
        (Dimension.RUN, [(item.id, item.title) for item in plan.runs]),
        (Dimension.PART, [(item.id, item.title) for item in plan.parts]),
    )
    return [
        (
            _HEADINGS[dimension],
            [(f"{dimension.value}:{id}", f"{id}  {title}") for id, title in items if (dimension, id) not in worn],
        )
        for dimension, items in groups
        if items
    ]


def _alike(shown: Shown) -> tuple[Sequence[Picture], int]:
    """Near-duplicates around this picture's own place among them, and how many there are in all."""
    place = next((n for n, each in enumerate(shown.group) if each.rid == shown.picture.rid), 0)
    others = [each for each in shown.group if each.rid != shown.picture.rid]
    start = max(0, min(place - _MOST_ALIKE // 2, len(others) - _MOST_ALIKE))
    return others[start : start + _MOST_ALIKE], len(others)


def _last_word(decisions: Sequence[tuple[Decision, bool]]) -> Decision | None:
    """The newest thing a person said of a picture that still stands: what can be taken back here."""
    return next((decision for decision, undone in reversed(decisions) if decision.kind == "tag" and not undone), None)


# ------------------------------------------------------------------------------------------------ changes


@pages.post("/picture/<id>/say")
def say(id: str) -> AnyResponse | tuple[str, int]:
    """Accept or reject a proposal, add a tag or take one off. The form's `yes` or `no` names it, or `typed` does."""
    picture = viewing.picture(store(), id)
    yes, no, typed = (request.form.get(name, "").strip() for name in ("yes", "no", "typed"))
    if yes:
        deciding.tag(store(), [picture.id], [_target(yes)])
        flash(f"It shows {_name(yes)}.")
    elif no:
        deciding.untag(store(), [picture.id], [_target(no)])
        flash(f"It does not show {_name(no)}.")
    elif typed:
        try:
            target = _typed(store().plan, typed)
        except NoSuchId as error:
            return sheet(picture.id, typed=typed, wrong=at_fault(error)), code_of(error)
        deciding.tag(store(), [picture.id], [target])
        flash(f"It shows {target.typed}.")
    else:
        raise UsageError("nothing was chosen", "Choose what the picture shows, or type an id.")
    return _back(picture.id, "tags")


@pages.post("/picture/<id>/caption")
def caption(id: str) -> AnyResponse:
    picture = viewing.picture(store(), id)
    words = request.form.get("caption")
    if words is None:
        abort(400)
    if " ".join(words.split()) != picture.caption:
        deciding.tag(store(), [picture.id], [], words)
        flash("The caption is kept." if words.strip() else "The caption is taken off.")
    return _back(picture.id, "caption")


@pages.post("/picture/<id>/undo")
def undo(id: str) -> AnyResponse:
    """Take back a decision about this picture: only one that this page has shown."""
    shown = _shown(id)
    uid = request.form.get("uid", "")
    if not any(decision.uid == uid and decision.kind == "tag" for decision, _ in shown.decisions):
        raise UsageError("that decision is not about this picture", "Load the page again.")
    deciding.undo(store(), uid)
    flash("Taken back.")
    return _back(shown.picture.id, "record")


def _target(value: str) -> Target:
    dimension, _, id = value.partition(":")
    try:
        return Target(Dimension(dimension), id)
    except ValueError:
        raise UsageError("nothing can be tagged like that", "Use the buttons of the page.") from None


def _typed(plan: Plan, typed: str) -> Target:
    """What a typed id or title means, whichever kind of thing it is."""
    id = lookup_id(plan, None, typed)
    kind = structure.kind_of(structure.items(plan)[id])
    if not isinstance(kind, Dimension):
        raise NoSuchId("subassembly, step, run or part", typed)
    return Target(kind, id)


def _name(value: str) -> str:
    return value.partition(":")[2]


def _back(id: str, place: str) -> AnyResponse:
    return redirect(url_for("pictures.page", id=id, _anchor=place), 303)
