"""Two pictures are needed and were not both said: what is wrong, and the way to the second one."""

from __future__ import annotations

from flask import render_template

from lastlook import viewing
from lastlook.catalogue import pictures
from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.records import Picture
from lastlook_web import given
from lastlook_web.app import store

_NEAR = 6


class Unpaired(Exception):
    """The pictures at hand (None where it is none) and what is wrong, in words; with the status to answer."""

    def __init__(self, first: Picture | None, second: Picture | None, why: str, code: int) -> None:
        super().__init__(why)
        self.first, self.second, self.why, self.code = first, second, why, code


def pair(first: str, second: str) -> tuple[Picture, Picture]:
    """Two different pictures by their ids. Raises Unpaired."""
    found: list[Picture | None] = []
    wrong = ""
    code = 400
    for id in (first.strip(), second.strip()):
        try:
            found.append(viewing.picture(store(), id) if id else None)
        except (NoSuchId, AmbiguousId) as error:
            found.append(None)
            wrong = wrong or given.at_fault(error)
            code = given.code_of(error)
    one, two = found
    if one is None or two is None:
        if not wrong:
            wrong = "Which two pictures is not said." if one is two else "Choose the other picture."
            code = 200  # only half asked yet
        raise Unpaired(one, two, wrong, code)
    if one.id == two.id:
        raise Unpaired(one, None, "Both are the same picture. Choose a second one.", 400)
    return one, two


def page(error: Unpaired, what: str, names: tuple[str, str], action: str) -> tuple[str, int]:
    """The page that asks for the pictures. `what`: its heading; `names`: of the fields of `action`, a form by GET."""
    at_hand = error.first or error.second
    answer = render_template(
        "choose.html",
        what=what,
        names=names,
        action=action,
        wrong=error.why,
        typed=(
            error.first.id if error.first else "",
            error.second.id if error.second else "",
        ),
        at_hand=at_hand,
        first=error.first is not None,
        near=_near(at_hand) if at_hand is not None else [],
        zone=store().zone,
    )
    return answer, error.code


def _near(picture: Picture) -> list[Picture]:
    """The next pictures in time to each side, the nearest first."""
    found: list[Picture] = []
    ends = [picture, picture]
    for _ in range(_NEAR // 2):
        for side in (0, 1):
            id = pictures.neighbours(store().catalogue, ends[side].rid)[side]
            if id:
                ends[side] = viewing.picture(store(), id)
                found.append(ends[side])
    return found
