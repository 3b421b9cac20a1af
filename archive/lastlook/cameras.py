"""Cameras as people see them: what each is called, and which are one and the same. Folded from decisions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lastlook.catalogue import Catalogue, decisions


@dataclass(frozen=True, slots=True)
class Cameras:
    """`into`: camera key → the key it was merged into; `names`: key → what a person called it."""

    into: Mapping[str, str]
    names: Mapping[str, str]

    def whole(self, key: str) -> str:
        """The key that stands for a camera and all that was merged into it."""
        seen = {key}
        while (next_ := self.into.get(key)) is not None and next_ not in seen:
            seen.add(next_)
            key = next_
        return key

    def members(self, key: str) -> tuple[str, ...]:
        """Every key of the same camera, the one that stands for it first."""
        whole = self.whole(key)
        return (whole, *sorted(one for one in self.into if one != whole and self.whole(one) == whole))

    def shown(self, key: str) -> str:
        """What to call it."""
        whole = self.whole(key)
        return self.names.get(whole) or whole or "(the file does not say)"


def cameras(catalogue: Catalogue) -> Cameras:
    """As the decisions that stand have it; the newest about a camera counts."""
    into: dict[str, str] = {}
    names: dict[str, str] = {}
    for decision in decisions.live(catalogue, "camera"):
        key = str(decision.body["camera"])
        if "into" in decision.body:
            _merge(into, key, str(decision.body["into"]))
        else:
            names[key] = str(decision.body["name"])
    return Cameras(into, names)


def _merge(into: dict[str, str], key: str, other: str) -> None:
    """Everything that `key` is goes by `other`. Taken back and said again in any order, merges may tell of one camera
    twice, or each of two that it is the other: all of them hold, and the newest says what the whole goes by."""
    whole = Cameras(into, {}).whole
    first, second = whole(key), whole(other)
    if first != second:
        into[first] = second
        return
    into.pop(other, None)
    if first != other:
        into[first] = other
