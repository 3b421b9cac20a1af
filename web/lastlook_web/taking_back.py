"""What was drawn, tied or said in millimetres, taken back and set again from the page that shows it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from lastlook import deciding
from lastlook.catalogue import decisions
from lastlook.errors import UsageError
from lastlook.records import Decision
from lastlook.store import Store

KINDS = ("mark", "tie", "known")


def root_of(store: Store, uid: str) -> tuple[Decision, Decision]:
    """A decision, and the one it takes back or sets again in the end. Raises UsageError for what is nothing drawn."""
    decision = decisions.by_uid(store.catalogue, uid)
    root = decision
    while root is not None and root.undoes:
        root = decisions.by_uid(store.catalogue, root.undoes)
    if decision is None or root is None or root.kind not in KINDS:
        raise UsageError("that is nothing drawn", "Load the page again.")
    return decision, root


def take_back(store: Store, uid: str, about: Collection[str]) -> tuple[Decision, str]:
    """Take it back, or set it again, where it is about all of `about`; the new decision, and it in a word.
    Raises UsageError."""
    decision, root = root_of(store, uid)
    if not set(about) <= set(decisions.subjects_of(store.catalogue, root.seq)):
        raise UsageError("that is nothing drawn here", "Load the page again.")
    _, made = deciding.undo(store, uid)
    return made, "Set again." if decision.undoes else "Taken back."


def last_taken_back(store: Store, about: Sequence[str], kinds: Collection[str] = KINDS) -> tuple[str, Decision] | None:
    """What was taken back last of what is about all of `about`: the uid to give to `take_back`, and what it was."""
    for decision, undone in reversed(decisions.about(store.catalogue, about[0])):
        if decision.kind != "undo" or undone:
            continue
        was: Any = decisions.by_uid(store.catalogue, decision.undoes)
        if was is None or was.kind not in kinds:
            continue
        if set(about) <= set(decisions.subjects_of(store.catalogue, was.seq)):
            return decision.uid, was
    return None
