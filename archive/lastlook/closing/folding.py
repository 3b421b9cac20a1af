"""From decisions to what people recorded. A body without a key that came later reads as if it were empty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol, TypeVar, cast

from lastlook.closing.records import (
    Adhesive,
    Answer,
    Bond,
    Change,
    ChangeKind,
    Done,
    Measure,
    MeasureKind,
    Release,
    Test,
    View,
    ViewKind,
    Waiver,
    Witness,
)
from lastlook.records import CaptureTime, Decision, Picture
from lastlook.times import parse_rfc3339

Body = Mapping[str, Any]


def when(body: Body, by: str) -> CaptureTime:
    """The time an act speaks of, as an interval."""
    return CaptureTime(
        parse_rfc3339(body["at"]),
        parse_rfc3339(body["earliest"]),
        parse_rfc3339(body["latest"]),
        "said",
        f"{by} said: {body.get('said', '')}",
    )


def change(decision: Decision) -> Change:
    body: Body = decision.body
    try:
        kind = ChangeKind(body["change"])
    except ValueError:  # a kind that a later version knows is a change all the same
        kind = ChangeKind.CHANGED
    return Change(
        body["item"],
        kind,
        when(body, decision.by),
        body.get("why", ""),
        _person(decision),
        decision.uid,
        body.get("length_mm"),
        body.get("colour", ""),
    )


def measure(decision: Decision) -> Measure | None:
    body: Body = decision.body
    if body["measure"] not in set(MeasureKind):
        return None
    return Measure(
        body["item"],
        MeasureKind(body["measure"]),
        float(body["mm"]),
        when(body, decision.by),
        _person(decision),
        decision.uid,
        body.get("instrument", ""),
    )


def test(decision: Decision) -> Test:
    body: Body = decision.body
    value = body.get("value")
    return Test(
        body["subject"],
        body["test"],
        when(body, decision.by),
        body["passed"],
        _person(decision),
        decision.uid,
        None if value is None else float(value),
        body.get("unit", ""),
        body.get("text", ""),
        body.get("instrument", ""),
        body.get("through", ""),
    )


def views(decision: Decision) -> list[View]:
    """One for each picture and item of the decision."""
    body: Body = decision.body
    region = tuple(body["region"]) if body.get("region") else None
    shares: Mapping[str, float] = body.get("shares", {})
    return [
        View(
            picture,
            target,
            ViewKind(body["view"]),
            decision.uid,
            _person(decision),
            tuple(body.get("shows", ())),
            body.get("sharp"),
            region,
            shares.get(picture),
        )
        for picture in body["pictures"]
        for _, target in body["items"]
    ]


def last_views(decisions: Iterable[Decision]) -> dict[tuple[str, str], View]:
    """The last word on each (picture, item)."""
    return {(view.picture, view.item): view for decision in decisions for view in views(decision)}


def marked_region(marks: Iterable[Decision], picture: Picture, item: str) -> tuple[int, int, int, int] | None:
    """Where an item is on a picture by what is drawn of it there: the box around its marks with some room, clipped to
    the picture (x, y, width, height). None where nothing is drawn."""
    points = [
        point
        for mark in marks
        if mark.body.get("of") == item and mark.body.get("picture") == picture.id
        for point in cast("list[list[float]]", mark.body.get("points", []))
    ]
    if not points:
        return None
    room = max(picture.width, picture.height) // 50
    left, top = (max(0, int(min(point[axis] for point in points)) - room) for axis in (0, 1))
    right = min(picture.width, int(max(point[0] for point in points)) + room)
    bottom = min(picture.height, int(max(point[1] for point in points)) + room)
    return (left, top, right - left, bottom - top) if right > left and bottom > top else None


def done(decision: Decision) -> Done:
    body: Body = decision.body
    return Done(body["step"], when(body, decision.by), _person(decision), decision.uid, body.get("words", ""))


def release(decision: Decision) -> Release:
    body: Body = decision.body
    return Release(
        body["target"],
        when(body, decision.by),
        body["person"],
        body.get("words", ""),
        decision.uid,
        tuple(body.get("waived", ())),
    )


def answers(step: str, pack: Decision, said: Iterable[Decision]) -> list[Answer]:
    """The answers to one pack, or the pack alone while there is none."""
    shown = CaptureTime(pack.at, pack.at, pack.at, "said", "When the pictures went out.")
    to = str(pack.body.get("person", ""))
    found = [
        Answer(
            *(step, str(one.body["answer"]), when(one.body, one.by), shown),
            *(str(one.body["person"]), str(one.body["words"]), one.uid),
        )
        for one in said
    ]
    return found or [Answer(step, "", shown, shown, to, "", pack.uid)]


def witness(decision: Decision) -> Witness:
    body: Body = decision.body
    return Witness(
        body["step"], when(body, decision.by), body["person"], body["attended"], decision.uid, body.get("words", "")
    )


def waiver(decision: Decision) -> Waiver:
    body: Body = decision.body
    return Waiver(
        body["opening"],
        body["item"],
        body["what"],
        when(body, decision.by),
        body["reason"],
        body["person"],
        decision.uid,
        tuple(body.get("lines", ())),
    )


_ADHESIVE_NUMBERS = ("fixture_h", "handling_h", "full_cure_h", "minimum_c", "pot_life_min")


def adhesive(decision: Decision) -> Adhesive:
    body: Body = decision.body
    numbers = {key: None if body.get(key) is None else float(body[key]) for key in _ADHESIVE_NUMBERS}
    return Adhesive(
        id=body["id"],
        kind=body.get("kind", ""),
        reference_c=float(body.get("reference_c", 23.0)),
        ratio=body.get("ratio", ""),
        sheet=body.get("sheet", ""),
        note=body.get("note", ""),
        **numbers,
    )


def bond(decision: Decision) -> Bond:
    body: Body = decision.body

    def moment(key: str) -> CaptureTime | None:
        return when(body[key], decision.by) if body.get(key) else None

    def number(key: str) -> float | None:
        return None if body.get(key) is None else float(body[key])

    return Bond(
        target=body["target"],
        adhesive=body["adhesive"],
        joined=when(body["joined"], decision.by),
        person=_person(decision),
        uid=decision.uid,
        mixed=moment("mixed"),
        clamp_on=moment("clamp_on"),
        clamp_off=moment("clamp_off"),
        temperature_c=number("temperature_c"),
        humidity_percent=number("humidity_percent"),
        mass_g=number("mass_g"),
        batch=str(body.get("batch", "")),
        expiry=str(body.get("expiry", "")),
        ratio=str(body.get("ratio", "")),
        preparation=str(body.get("preparation", "")),
        note=str(body.get("note", "")),
    )


def bonds(made: Sequence[Decision], sheets: Sequence[Decision]) -> tuple[Bond, ...]:
    """Bonds, each with the data sheet that was on record when it was. Both in the order of decision."""
    found = []
    for decision in made:
        known = {str(sheet.body["id"]).casefold(): sheet for sheet in sheets if sheet.seq < decision.seq}
        kept = known.get(str(decision.body["adhesive"]).casefold())
        found.append(replace(bond(decision), kept=adhesive(kept) if kept is not None else None))
    return tuple(found)


def _person(decision: Decision) -> str:
    return str(decision.body.get("person") or decision.by)


class _Keyed(Protocol):
    @property
    def uid(self) -> str: ...


T = TypeVar("T", bound=_Keyed)


def by_key(found: Iterable[T], key: str) -> dict[str, tuple[T, ...]]:
    """Records by one of their fields, in the order in which they were said."""
    gathered: dict[str, list[T]] = {}
    for each in found:
        gathered.setdefault(str(getattr(each, key)), []).append(each)
    return {name: tuple(group) for name, group in gathered.items()}
