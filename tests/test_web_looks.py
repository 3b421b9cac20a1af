"""How the pages look: contrast of every pair of colours in use, in light, dark and print; the wires' own colours."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from lastlook.plan.colours import COLOURS

STATIC = Path(__file__).parent.parent / "web" / "lastlook_web" / "static"
SHEET = (STATIC / "sheet.css").read_text(encoding="utf-8")
PARTS = (STATIC / "parts.css").read_text(encoding="utf-8")

_ROOTS = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
THEMES = {
    name: dict(re.findall(r"--([a-z]+): (#[0-9a-f]{3,6});", block))
    for name, block in zip(("light", "dark", "print"), _ROOTS, strict=True)
}


def luminance(colour: str) -> float:
    """Relative luminance by the formula of WCAG 2.2."""
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(digit * 2 for digit in digits)
    channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000", "#fff", 21.0), ("#767676", "#fff", 4.542), ("#777777", "#fff", 4.478), ("#949494", "#fff", 3.033),
     ("#959595", "#fff", 2.995), ("#595959", "#fff", 7.005), ("#f00", "#fff", 3.998), ("#00f", "#fff", 8.592)],
)  # fmt: skip
def test_the_formula_gives_known_ratios(one: str, other: str, ratio: float) -> None:
    # Computed from the formula of WCAG 2.2; #767676 on white is the well-known lightest grey that passes.
    assert contrast(one, other) == pytest.approx(ratio, abs=0.001)


TEXT = [
    (ink, ground)
    for ink in ("ink", "soft", "stamp", "shut", "doubt", "good")
    for ground in ("paper", "sheet", "wash", "said")
]
REVERSED = [("sheet", "ink"), ("sheet", "stamp")]  # buttons, and buttons under the pointer
DRAWN = [(line, ground) for line in ("edge", "step", "tick", "shut", "stamp", "ink") for ground in ("sheet", "paper")]


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("ink", "ground"), TEXT + REVERSED, ids="-on-".join)
def test_text_can_be_read(theme: str, ink: str, ground: str) -> None:
    # WCAG 2.2, 1.4.3 (AA): 4.5 for text of ordinary size.
    assert contrast(THEMES[theme][ink], THEMES[theme][ground]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("line", "ground"), DRAWN, ids="-on-".join)
def test_edges_of_controls_and_drawn_lines_can_be_seen(theme: str, line: str, ground: str) -> None:
    # WCAG 2.2, 1.4.11 (AA): 3 for what is needed to see a control or read a drawing.
    assert contrast(THEMES[theme][line], THEMES[theme][ground]) >= 3


@pytest.mark.parametrize("theme", ["dark", "print"])
def test_every_colour_has_its_value_in_every_theme(theme: str) -> None:
    assert THEMES[theme].keys() == THEMES["light"].keys()


def test_colours_are_named_once_and_used_by_name() -> None:
    rules = re.sub(r":root \{.*?\}", "", SHEET, flags=re.DOTALL) + PARTS
    strange = [
        line.strip()
        for line in rules.splitlines()
        if re.search(r"#[0-9a-f]{3,8}\b", line) and not re.search(r"\.wire-|\.clip video", line)
    ]
    assert not strange
    used = set(re.findall(r"var\(--([a-z]+)\)", rules))
    assert used <= THEMES["light"].keys() | {"mono", "text"}


def test_insulation_is_drawn_in_the_plans_colours() -> None:
    drawn = dict(re.findall(r"\.wire-([a-z]+) \{ fill: (#[0-9a-f]{6}); \}", PARTS))
    assert drawn.pop("core", "#b87333") == "#b87333"
    assert drawn == {colour.code.lower(): colour.srgb for colour in COLOURS}


def test_nothing_moves_by_itself() -> None:
    assert not re.search(r"animation|transition|scroll-behavior", SHEET + PARTS)


def test_nothing_is_fetched_from_elsewhere() -> None:
    for path in STATIC.iterdir():
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?:|//[a-z]+\.|@import|@font-face", text), path.name
