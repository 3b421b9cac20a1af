"""Points, pairs of points, and what commands about registration share in words and JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    _Point = click.ParamType[tuple[float, float]]
    _Pair = click.ParamType[tuple[tuple[float, float], tuple[float, float]]]
else:
    _Point = _Pair = click.ParamType  # it takes a parameter for the type checker only, in older versions


class PointType(_Point):
    """X,Y in pixels."""

    name = "X,Y"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return float(value[0]), float(value[1])
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is no point; give X,Y in pixels of the upright picture, like 1204,877", param, ctx)
        if not (math.isfinite(x) and math.isfinite(y)):
            self.fail(f"{value!r} is no point; give X,Y in pixels of the upright picture, like 1204,877", param, ctx)
        return x, y


class PairType(_Pair):
    """X,Y=X,Y."""

    name = "X,Y=X,Y"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        first, equals, second = str(value).partition("=")
        if not equals:
            self.fail(f"{value!r} is no pair; give X,Y=X,Y", param, ctx)
        one = POINT.convert(first, param, ctx)
        return one, POINT.convert(second, param, ctx)


POINT, PAIR = PointType(), PairType()


def found_json(found: object) -> dict[str, object]:
    from lastlook.registration.plane import PlaneMap, Refusal

    if isinstance(found, Refusal):
        return {"reason": found.reason.value, "why": found.why, "help": found.help}
    if not isinstance(found, PlaneMap):
        return {}
    sources = [each.value for each in found.ties.source]
    return {
        "ties": {name: sources.count(name) for name in sorted(set(sources))},
        "rms_px": round(found.rms_px, 2),
        "dropped": list(found.dropped),
    }


def sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
