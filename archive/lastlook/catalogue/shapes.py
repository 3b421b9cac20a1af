"""What the body of each kind of decision must hold: checked where a decision is read, so that a damaged one is found
there and not half-way through what follows from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

Check = Callable[[Any], bool]


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


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


_MET: dict[str, Check] = {
    "sha256": _text,
    "source": _text,
    "folders": _texts,
    "size_bytes": _whole,
    "mtime_ns": _whole,
}
_ACT: dict[str, Check] = {"opening": _text, "at": _instant, "earliest": _instant, "latest": _instant}

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
    "tag": {"pictures": _texts, "set": _pairs, "reject": _pairs, "caption?": _text},
    "still": {"clip": _text, "clip_ms": _whole},
    "close": {**_ACT, "said?": _text, "method?": _text},
    "reopen": {**_ACT, "said?": _text},
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
