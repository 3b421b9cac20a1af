"""What was said in millimetres, in words of one line."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from lastlook.records import Decision
from lastlook.telling import decision_words


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("known", {"what": "depth", "of": "W03", "mm": 3.51399, "within": 0.5}, "depth of W03: 3.5 ± 0.5 mm"),
        ("known", {"what": "depth", "of": "W03", "mm": 4.0, "within": 0.02}, "depth of W03: 4 ± 0.1 mm"),
        ("known", {"what": "depth", "of": "O4", "least": 2.04, "most": 15.0}, "depth of O4: 2 to 15 mm"),
        ("known", {"what": "length", "mm": 40.0, "picture": "p1"}, "known length of 40 mm on p1"),
        ("mark", {"shape": "trace", "of": "W03", "label": "x", "picture": "p1"}, "trace of W03 drawn on p1"),
        ("mark", {"shape": "point", "of": "", "label": "nick", "picture": "p1"}, "point “nick” drawn on p1"),
        ("tie", {"points": [1], "a": "p1", "b": "p2"}, "1 place of p1 and p2 tied"),
        ("tie", {"points": [1, 2], "a": "p1", "b": "p2"}, "2 places of p1 and p2 tied"),
        ("camera", {"camera": "named IMG_####", "into": "Rill 4"}, "named IMG_#### is Rill 4"),
        ("camera", {"camera": "Rill 4", "name": "bench"}, "Rill 4 is called 'bench'"),
        ("reference", {"picture": "p1", "used": False}, "clock card in p1 is left out"),
        ("undo", {}, "took back 12345678"),
    ],
)
def test_a_decision_is_told_in_one_line(kind: str, body: dict[str, Any], words: str) -> None:
    undoes = "123456789abc" if kind == "undo" else ""
    assert decision_words(Decision(1, "u", datetime(2026, 3, 1, tzinfo=UTC), "Ines", kind, body, undoes)) == words
