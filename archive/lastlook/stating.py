"""What the builder states for the hand-over record, and what is never to leave with one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lastlook.catalogue import decisions, pictures
from lastlook.errors import UsageError
from lastlook.handover.material import FIELDS, Stated
from lastlook.handover.topics import topic_of
from lastlook.plan.vocabulary import lookup_id
from lastlook.projecting import project
from lastlook.records import Decision
from lastlook.store import Store

TEXT_LIMIT = 4000
NOTE_KINDS = (
    *("tag", "statement", "change", "measure", "test", "done", "release", "witness", "waiver", "bond", "close"),
    *("approval", "approval-pack"),
)
"""Kinds of decision that hold words of somebody."""


def state(
    store: Store, topic: str, text: str, *, about: str = "", picture_ids: Sequence[str] = (), person: str = ""
) -> Decision:
    """Record one statement of the builder under a topic of the record. Raises UsageError, NoSuchId."""
    key = topic_of(topic).key
    words = " ".join(text.split())
    if not words:
        raise UsageError("nothing is stated", "Give the words, in quotes.")
    if len(words) > TEXT_LIMIT:
        raise UsageError(f"the words have {len(words)} letters; {TEXT_LIMIT} is the most", "Shorten them.")
    found = [pictures.find(store.catalogue, typed).id for typed in picture_ids]
    body = {
        "topic": key,
        "about": lookup_id(store.plan, None, about) if about.strip() else "",
        "text": words,
        "pictures": list(dict.fromkeys(found)),
        "person": person.strip() or store.by,
    }
    with store.deciding():
        decision = decisions.append(store.catalogue, "statement", body, by=store.by)
        project(store, decision)
    return decision


def statements(store: Store) -> list[tuple[Decision, Stated]]:
    """Every statement that stands, in the order in which they were made."""
    found = []
    for decision in decisions.live(store.catalogue, "statement"):
        body = decision.body
        listed = body["pictures"]
        assert isinstance(listed, list)
        found.append(
            (
                decision,
                Stated(
                    str(body["topic"]),
                    str(body["about"]),
                    str(body["text"]),
                    tuple(map(str, listed)),
                    str(body.get("person", "")) or decision.by,
                    decision.at,
                ),
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class Private:
    """What is private now: ids of pictures, uids of decisions whose words are kept back, names of fields."""

    pictures: frozenset[str]
    notes: frozenset[str]
    fields: frozenset[str]


def mark_private(
    store: Store,
    *,
    picture_ids: Sequence[str] = (),
    notes: Sequence[str] = (),
    fields: Sequence[str] = (),
    private: bool = True,
    reason: str = "",
) -> Decision:
    """Say that pictures, notes or fields never leave with a hand-over record, or that they may again."""
    subjects = [f"picture:{pictures.find(store.catalogue, typed).id}" for typed in picture_ids]
    for typed in notes:
        uid = decisions.complete_uid(store.catalogue, typed)
        decision = decisions.by_uid(store.catalogue, uid)
        if decision is None or decision.kind not in NOTE_KINDS:
            raise UsageError(f"{typed!r} is no note", "Name a decision that holds words; see 'lastlook history'.")
        subjects.append(f"decision:{uid}")
    for name in fields:
        if name.strip().lower() not in FIELDS:
            raise UsageError(f"there is no field {name!r}", f"Fields: {', '.join(FIELDS)}.")
        subjects.append(f"field:{name.strip().lower()}")
    if not subjects:
        raise UsageError("nothing is named", "Give picture ids, --note DECISION or --field NAME.")
    body = {"subjects": list(dict.fromkeys(subjects)), "private": private, "reason": " ".join(reason.split())}
    with store.deciding():
        decision = decisions.append(store.catalogue, "private", body, by=store.by)
        project(store, decision)
    return decision


def what_is_private(store: Store) -> Private:
    """The last word on each subject counts."""
    said: dict[str, bool] = {}
    for decision in decisions.live(store.catalogue, "private"):
        listed = decision.body["subjects"]
        assert isinstance(listed, list)
        for subject in listed:
            said[str(subject)] = bool(decision.body["private"])
    groups: dict[str, set[str]] = {"picture": set(), "decision": set(), "field": set()}
    for subject, private in said.items():
        kind, _, name = subject.partition(":")
        if private and kind in groups:
            groups[kind].add(name)
    return Private(frozenset(groups["picture"]), frozenset(groups["decision"]), frozenset(groups["field"]))
