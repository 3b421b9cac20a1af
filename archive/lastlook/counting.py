"""How many pictures count for each id of the plan, counted once and then followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from lastlook.catalogue import tags
from lastlook.records import Dimension
from lastlook.store import Store


def counts(store: Store, dimension: Dimension) -> dict[str, int]:
    """How many pictures count for each id of a dimension that has any."""

    def update(was: _Counts, rids: Sequence[int]) -> _Counts:
        return was.changed(rids, tags.counting(store.catalogue, dimension, rids)) if rids else was

    made = store.followed(
        f"counts of {dimension.value}", lambda: _Counts.of(tags.counting(store.catalogue, dimension)), update
    )
    return made.by_target


@dataclass(frozen=True, slots=True)
class _Counts:
    """How many pictures count for each target, with the row and the target of each, so that some
    can be counted anew."""

    rid: NDArray[np.int32]
    target: NDArray[np.int32]
    names: tuple[str, ...]
    by_target: dict[str, int]

    @classmethod
    def of(cls, pairs: Sequence[tuple[int, str]]) -> Self:
        none = np.empty(0, dtype=np.int32)
        return cls(none, none, (), {}).changed((), pairs)

    def changed(self, rids: Sequence[int], pairs: Sequence[tuple[int, str]]) -> Self:
        """With these rows taken out and those of `pairs`, (row, target), put in."""
        stays = ~np.isin(self.rid, rids)
        places = {name: at for at, name in enumerate(self.names)}
        fresh = np.array([(rid, places.setdefault(name, len(places))) for rid, name in pairs], dtype=np.int32)
        fresh = fresh.reshape(-1, 2)
        target = np.concatenate((self.target[stays], fresh[:, 1]))
        found = np.bincount(target, minlength=len(places))
        return type(self)(
            np.concatenate((self.rid[stays], fresh[:, 0])),
            target,
            tuple(places),
            {name: int(found[at]) for name, at in sorted(places.items()) if found[at]},
        )
