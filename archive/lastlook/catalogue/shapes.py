"""What the body of each kind of decision must hold: checked where a decision is read, so that a damaged one is found
there and not half-way through what follows from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

Check = Callable[[Any], bool]


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _yes_no(value: Any) -> bool:
    return isinstance(value, bool)


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(map(_text, value))


def _pairs(value: Any) -> bool:
    return isinstance(value, list) and all(_texts(pair) and len(pair) == 2 for pair in value)


def _instant(value: Any) -> bool:
    return _text(value) and datetime.fromisoformat(value).tzinfo is not None


def _wall(value: Any) -> bool:
    return value is None or (_text(value) and datetime.fromisoformat(value).tzinfo is None)


def _maybe_number(value: Any) -> bool:
    return value is None or _number(value)


def _region(value: Any) -> bool:
    return value is None or (isinstance(value, list) and len(value) == 4 and all(map(_whole, value)))


def _object(value: Any) -> bool:
    return isinstance(value, dict)


def _objects(value: Any) -> bool:
    return isinstance(value, list) and all(map(_object, value))


def _places(value: Any) -> bool:
    """Points: pairs of numbers."""
    return isinstance(value, list) and all(
        isinstance(each, list) and len(each) == 2 and all(map(_number, each)) for each in value
    )


def _heard(value: Any) -> bool:
    return isinstance(value, list) and all(
        _object(one)
        and _whole(one["start_ms"])
        and _whole(one["end_ms"])
        and _text(one["text"])
        and _number(one["sure"])
        for one in value
    )


def _stretch(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and _text(value.get("clip"))
        and all(_whole(value.get(key)) for key in ("from_ms", "to_ms"))
    )


def _moment(value: Any) -> bool:
    return isinstance(value, dict) and all(_instant(value[key]) for key in ("at", "earliest", "latest"))


_MET: dict[str, Check] = {
    "sha256": _text,
    "source": _text,
    "folders": _texts,
    "size_bytes": _whole,
    "mtime_ns": _whole,
}
_WHEN: dict[str, Check] = {"at": _instant, "earliest": _instant, "latest": _instant}
_ACT: dict[str, Check] = {"opening": _text, **_WHEN}

# A name that ends in "?" may be absent. Further names are let through: a later version may have written them.
_SHAPES: dict[str, dict[str, Check]] = {
    "plan": {"text": _text},
    "arrival": {
        **_MET,
        "media": lambda value: value in ("photo", "clip", "captions"),
        "file": _text,
        "stored": _text,
        "in_place": _yes_no,
        "belongs_to": _text,
    },
    "sighting": {**_MET, "belongs_to?": _text, "stored?": _text, "in_place?": _yes_no},
    "refused": {"source": _text, "reason": _text, "hint": _text, "kept": _yes_no},
    "pair": {"clip": _text, "photo": _text},
    "tag": {"pictures": _texts, "set": _pairs, "reject": _pairs, "caption?": _text, "stretch?": _stretch},
    "still": {"clip": _text, "clip_ms": _whole},
    "heard": {"clip": _text, "recogniser": _text, "heard": _heard},
    "close": {**_ACT, "said?": _text, "method?": _text, "plan?": _text, "check?": _object, "look?": _objects},
    "reopen": {**_ACT, "said?": _text},
    "camera": {"camera": _text, "name?": _text, "into?": _text},
    "reference": {"picture": _text, "camera": _text, "used": _yes_no},
    "clock": {
        "camera": _text,
        "error_s": _number,
        "reference?": _wall,
        "drift_s_per_day?": _number,
        "uncertainty_s?": _number,
        "fixed_offset_min?": lambda value: value is None or _whole(value),
        "since?": _wall,
        "until?": _wall,
        "note?": _text,
    },
    "view": {
        "pictures": _texts,
        "items": _pairs,
        "view": lambda value: value in ("context", "close"),
        "shows": _texts,
        "sharp?": lambda value: value is None or _yes_no(value),
        "region?": lambda value: (
            value is None or (isinstance(value, list) and len(value) == 4 and all(map(_whole, value)))
        ),
        "shares?": lambda value: isinstance(value, dict) and all(map(_number, value.values())),
        "person?": _text,
    },
    "change": {"item": _text, "change": _text, **_WHEN, "length_mm?": _maybe_number, "colour?": _text},
    "measure": {"item": _text, "measure": _text, "mm": _number, **_WHEN},
    "test": {"subject": _text, "test": _text, "passed": _yes_no, **_WHEN, "value?": _maybe_number},
    "done": {"step": _text, **_WHEN},
    "release": {"target": _text, "person": _text, **_WHEN, "waived?": _texts},
    "witness": {"step": _text, "person": _text, "attended": _yes_no, **_WHEN},
    "waiver": {
        "opening": _text,
        "item": _text,
        "what": _text,
        "lines?": _texts,
        "reason": _text,
        "person": _text,
        **_WHEN,
    },
    "adhesive": {"id": _text, **dict.fromkeys(("fixture_h?", "handling_h?", "full_cure_h?"), _maybe_number)},
    "bond": {
        "target": _text,
        "adhesive": _text,
        "joined": _moment,
        **dict.fromkeys(("mixed?", "clamp_on?", "clamp_off?"), lambda value: value is None or _moment(value)),
        **dict.fromkeys(("temperature_c?", "humidity_percent?", "mass_g?"), _maybe_number),
    },
    "session": {
        "targets": _pairs,
        "start": _instant,
        "end?": lambda value: value is None or _instant(value),
        "said?": _text,
        "note?": _text,
    },
    "session-stop": {"session": _text, "end": _instant, "said?": _text},
    "mark": {"picture": _text, "shape": _text, "of": _text, "label": _text, "points": _places},
    "tie": {"a": _text, "b": _text, "points": lambda value: isinstance(value, list) and all(map(_places, value))},
    "known": {
        "what": lambda value: value in ("length", "plane", "marker", "depth", "lens"),
        **dict.fromkeys(("picture?", "of?", "name?", "camera?"), _text),
        **dict.fromkeys(("points?", "places?"), _places),
        **dict.fromkeys(("mm?", "within?", "focal?"), _number),
        **dict.fromkeys(("least?", "most?"), _maybe_number),
    },
    "statement": {"topic": _text, "about": _text, "text": _text, "pictures": _texts, "person?": _text},
    "private": {"subjects": _texts, "private": _yes_no, "reason?": _text},
    "approval-pack": {
        "point": _text,
        "wording": _text,
        "pictures": lambda value: (
            _objects(value) and all(_text(one[key]) for one in value for key in ("picture", "sha256", "shown_sha256"))
        ),
        "sha256": _text,
        "person?": _text,
    },
    "approval": {
        "pack": _text,
        "answer": lambda value: value in ("yes", "no", "changes"),
        "words": _text,
        "person": _text,
        **_WHEN,
    },
    "undo": {},
}


def checked(kind: str, body: Any) -> Mapping[str, object]:
    """`body` if it is one of that kind; raises TypeError or ValueError else. Unknown kinds are let through."""
    if not isinstance(body, dict):
        raise TypeError("a body is no object")
    for name, check in _SHAPES.get(kind, {}).items():
        key = name.removesuffix("?")
        if key not in body:
            if key == name:
                raise ValueError(f"{kind} without {key}")
        elif not check(body[key]):
            raise ValueError(f"{kind} with a {key} that cannot be")
    return body
