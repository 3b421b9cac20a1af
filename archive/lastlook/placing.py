"""What surrounds a picture and speaks for what it shows: sessions, cards, pictures placed by a person, pictures alike.

Everything here is read from decisions and media, never from proposals, so that proposing again in any order, after an
undo or in a rebuild, ends in the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from lastlook.cards.payload import VERSION
from lastlook.catalogue import decisions, pictures, placed, resemblance, tags
from lastlook.catalogue.placed import Placed
from lastlook.records import CaptureTime, Decision, Dimension, Plan, Tag, TagState
from lastlook.store import Store
from lastlook.tagging import cards, neighbours, sessions
from lastlook.tagging.cards import Shown
from lastlook.tagging.context import Alike, CardSeen, Neighbour, SessionOverlap
from lastlook.tagging.neighbours import REACH_MS, VAGUE_MS, Anchor, Anchors
from lastlook.tagging.sessions import LONGEST, Session
from lastlook.tagging.weights import DEFAULT

CARDS = f"{VERSION}:"
"""How the code of a bench card begins."""

SESSION_KINDS = ("session", "session-stop")


@dataclass(frozen=True, slots=True)
class Around:
    """What speaks for one picture. `said` are the tags that people decided, `caption` theirs."""

    said: tuple[Tag, ...]
    caption: str
    cards: tuple[CardSeen, ...]
    sessions: tuple[SessionOverlap, ...]
    neighbours: tuple[Neighbour, ...]
    alike: tuple[Alike, ...]


ByTime = tuple[tuple[SessionOverlap, ...], tuple[Neighbour, ...]]
"""The sessions and the neighbours of a picture: all that speaks for it and can change when times do."""


Said = dict[str, tuple[tuple[Tag, ...], str]]
"""By a picture's id, what people said of it: tags and caption. No time changes it."""


def all_sessions(store: Store) -> tuple[Session, ...]:
    """The sessions that stand, in order of their start."""
    catalogue = store.catalogue
    return sessions.fold(decisions.live(catalogue, "session") + decisions.live(catalogue, "session-stop"))


class Surroundings:
    """The surroundings of some pictures, read together."""

    def __init__(self, store: Store, wanted: Sequence[Placed], said: Said | None = None) -> None:
        """`said` holds what was read before in the same transaction, and gets what is read now."""
        catalogue = store.catalogue
        self._sessions = all_sessions(store)
        spans = neighbours.span([at for one in wanted if (at := _moment(one)) is not None])
        near = placed.between(catalogue, spans)
        links = resemblance.of(catalogue, [one.rid for one in wanted])
        linked = placed.by_rids(catalogue, sorted({other for each in links.values() for other, _ in each}))
        everyone = {one.rid: one for one in (*wanted, *near, *linked)}
        self._said: Said = {} if said is None else said
        unread = [one.id for one in everyone.values() if one.id not in self._said]
        made = placed.tag_decisions(catalogue, unread)
        self._said.update((id, tags.said_by(made.get(id, ()))) for id in unread)
        self._shown = _cards_of(store, {one.sha256 for one in everyone.values()})
        bounds = {pictures.ms(at) for session in self._sessions for at in (session.start, session.end)}
        around = {one.rid: one for one in (*wanted, *near)}.values()
        self._anchors = Anchors(self._all_anchors(around), bounds)
        self._alike = {
            rid: tuple(alike for other, agreeing in each if (alike := self._alike_to(everyone[other], agreeing)))
            for rid, each in links.items()
        }

    def of(self, one: Placed) -> Around:
        said, caption = self._said.get(one.id, ((), ""))
        overlaps, near = self.by_time(one)
        return Around(
            said,
            caption,
            self._held(one),
            overlaps,
            near,
            self._alike.get(one.rid, ()),
        )

    def by_time(self, one: Placed) -> ByTime:
        """What of a picture's surroundings hangs on when it and others were taken."""
        moment = _moment(one)
        near = self._anchors.around(moment, one.id) if moment is not None else ()
        if one.sha256 in self._shown:  # what a card said to this clip is its own evidence already
            near = tuple(each for each in near if not (each.by_card and each.file == one.file))
        return sessions.overlaps(self._sessions, _time(one)) if self._sessions else (), near

    def _all_anchors(self, everyone: Iterable[Placed]) -> list[Anchor]:
        found: list[Anchor] = []
        for one in everyone:
            moment = _moment(one)
            if moment is None:
                continue
            targets = _set_targets(self._said.get(one.id, ((), ""))[0])
            if targets:
                found.append(Anchor(moment, one.id, one.file, targets, by_card=False))
            shown = tuple(dict.fromkeys((each.dimension, each.target) for each in self._held(one)))
            if shown:
                found.append(Anchor(moment, one.id, one.file, shown, by_card=True))
        return found

    def _held(self, one: Placed) -> tuple[CardSeen, ...]:
        shown = self._shown.get(one.sha256)
        return cards.held(shown, one.clip_ms, DEFAULT.card_moment_ms) if shown else ()

    def _alike_to(self, other: Placed, agreeing: int) -> Alike | None:
        targets = _set_targets(self._said.get(other.id, ((), ""))[0])
        return Alike(other.id, other.file, agreeing, targets) if targets else None


def concerned(store: Store, ids: Iterable[str]) -> list[int]:
    """Rows of the pictures for which it matters what people say of `ids`: themselves, those alike, and those between
    them and the next pictures that a person placed."""
    catalogue = store.catalogue
    own = list(pictures.rids_of_ids(catalogue, list(dict.fromkeys(ids))).values())
    found = {*own, *(other for each in resemblance.of(catalogue, own).values() for other, _ in each)}
    one_by_one = placed.by_rids(catalogue, own)
    spans = neighbours.span([at for one in one_by_one if (at := _moment(one)) is not None])
    near = placed.between(catalogue, spans)
    made = placed.tag_decisions(catalogue, [one.id for one in near])
    mine = {one.id for one in one_by_one}
    stops = sorted(
        moment
        for one in near
        if one.id not in mine
        and (moment := _moment(one)) is not None
        and _set_targets(tags.said_by(made.get(one.id, ()))[0])
    )
    for one in one_by_one:
        moment = _moment(one)
        if moment is None:
            continue
        low = max((at for at in stops if at < moment), default=moment - REACH_MS)
        high = min((at for at in stops if at > moment), default=moment + REACH_MS)
        found.update(each.rid for each in near if each.taken_ms is not None and low <= each.taken_ms <= high)
    return sorted(found)


def with_cards(store: Store, rids: Sequence[int]) -> list[int]:
    """Rows of the pictures that cards in some pictures may speak for: those of the same clip, and their neighbours."""
    catalogue = store.catalogue
    some = placed.by_rids(catalogue, rids)
    carded = _cards_of(store, {one.sha256 for one in some})
    own = placed.of_media(catalogue, sorted(carded))
    moments = [at for one in placed.by_rids(catalogue, own) if (at := _moment(one)) is not None]
    return sorted({*own, *(one.rid for one in placed.between(catalogue, neighbours.span(moments)))})


def reached(store: Store, rids: Sequence[int]) -> list[int]:
    """Rows of the pictures for which it matters that some pictures are there: by what people said of these, and by the
    cards that speak for them."""
    ids = [one.id for one in placed.by_rids(store.catalogue, rids)]
    return sorted({*rids, *concerned(store, ids), *with_cards(store, rids)})


def by_session(store: Store, decision: Decision) -> list[int]:
    """Rows of the pictures for which a decision about a session matters, whether it stands or was taken back. A session
    that lasts is ended by the next, so those around it count as well."""
    begun: Decision | None = decision
    if decision.kind == "session-stop":
        begun = decisions.by_uid(store.catalogue, str(decision.body["session"]))
    if begun is None:
        return []
    start = sessions.instant(begun.body["start"])
    ends = [sessions.instant(each.body["end"]) for each in (begun, decision) if each.body.get("end")]
    margin = LONGEST + timedelta(milliseconds=REACH_MS)
    low, high = start - margin, max([start, *ends]) + margin
    return placed.touching(store.catalogue, pictures.ms(low), pictures.ms(high))


def by_time(store: Store, also: Iterable[int] = ()) -> list[Placed]:
    """The pictures whose proposals may change when times do, and those of the rows `also`."""
    catalogue = store.catalogue
    wanted = {*placed.with_proposals_of(catalogue, ("session", "neighbour")), *also}
    for session in all_sessions(store):
        wanted.update(placed.touching(catalogue, pictures.ms(session.start), pictures.ms(session.end)))
    anchors = [*placed.tagged(catalogue), *placed.of_media(catalogue, placed.media_with_codes(catalogue, CARDS))]
    moments = [at for one in placed.by_rids(catalogue, anchors) if (at := _moment(one)) is not None]
    near = {one.rid: one for one in placed.between(catalogue, neighbours.span(moments))}
    return [*near.values(), *placed.by_rids(catalogue, sorted(wanted - near.keys()))]


def around_by_time(
    store: Store, said: Said | None = None, also: Iterable[int] = ()
) -> tuple[Surroundings, dict[int, ByTime]]:
    """By row, what speaks for pictures and hangs on time, and the surroundings it is read from. Those of which nothing
    does may be missing, unless they are among `also`."""
    wanted = by_time(store, also)
    surroundings = Surroundings(store, wanted, said)
    return surroundings, {one.rid: surroundings.by_time(one) for one in wanted}


def differing(before: Mapping[int, ByTime], now: Mapping[int, ByTime]) -> list[int]:
    """Rows of the pictures for which something else speaks now: proposals for all others come out as they were."""
    nothing: ByTime = ((), ())
    return sorted(rid for rid in {*before, *now} if before.get(rid, nothing) != now.get(rid, nothing))


def _cards_of(store: Store, sha256s: Iterable[str]) -> dict[str, list[Shown]]:
    plan: Plan = store.plan
    found = placed.codes_of(store.catalogue, sorted(sha256s), CARDS)
    shown = {sha256: cards.cards_in(each, plan) for sha256, each in found.items()}
    return {sha256: each for sha256, each in shown.items() if each}


def _set_targets(said: Iterable[Tag]) -> tuple[tuple[Dimension, str], ...]:
    return tuple((tag.dimension, tag.target) for tag in said if tag.state is TagState.SET)


def _moment(one: Placed) -> int | None:
    """When a picture was taken, where that is known well enough to have neighbours."""
    if one.taken_ms is None or one.earliest_ms is None or one.latest_ms is None:
        return None
    return one.taken_ms if one.latest_ms - one.earliest_ms <= VAGUE_MS else None


def _time(one: Placed) -> CaptureTime:
    return CaptureTime(
        pictures.from_ms(one.taken_ms), pictures.from_ms(one.earliest_ms), pictures.from_ms(one.latest_ms), "", ""
    )
