"""Proposals and a person's word, folded into the tags that stand on a picture.

The rule: a person's last word on (picture, dimension, target) wins over every proposal; "no" is remembered and shown.
Without a word, the proposal of the highest confidence stands as proposed, and counts for answers from the archive's
threshold on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lastlook.catalogue import changes, decisions
from lastlook.catalogue.connection import Catalogue, meaning
from lastlook.records import Decision, Dimension, Proposal, ProposalSource, Tag, TagState


def replace_proposals(catalogue: Catalogue, proposals: Mapping[int, Iterable[Proposal]]) -> None:
    """Put proposals in place of those that some pictures had, by row. Of several of one source for a target the last
    one counts."""
    kept = _by_rid(
        catalogue, "SELECT * FROM proposal WHERE rid IN ({}) ORDER BY rid, dimension, target, source", list(proposals)
    )
    fresh: list[tuple[object, ...]] = []
    changed: list[tuple[int]] = []
    for rid, of_one in proposals.items():
        wanted = {(p.dimension, p.target, p.source): (p.confidence, p.evidence) for p in of_one}
        rows = [(rid, *key, *value) for key, value in sorted(wanted.items())]
        if rows != kept.get(rid, []):
            changed.append((rid,))
            fresh += rows
    if changed:
        catalogue.execute_many("DELETE FROM proposal WHERE rid = ?", changed)
        catalogue.execute_many("INSERT INTO proposal VALUES (?, ?, ?, ?, ?, ?)", fresh)


def proposals_of(catalogue: Catalogue, rid: int) -> list[Proposal]:
    rows = catalogue.rows(
        "SELECT dimension, target, source, confidence, evidence FROM proposal WHERE rid = ?"
        " ORDER BY dimension, confidence DESC, target",
        (rid,),
    )
    with meaning("a proposal"):
        return [Proposal(Dimension(row[0]), row[1], ProposalSource(row[2]), row[3], row[4]) for row in rows]


def decided(catalogue: Catalogue, picture: str) -> tuple[tuple[Tag, ...], str]:
    """What people said of a picture, their last word on each target, and its caption ('' where nobody gave one)."""
    return said_by(decisions.live_about(catalogue, SAYING, (picture,)))


SAYING = ("tag", "view")
"""Kinds of decisions that say what a picture shows."""


def said_by(decided_so: Iterable[Decision]) -> tuple[tuple[Tag, ...], str]:
    """What live decisions about one picture, oldest first, say of it: the last word on each target, and its caption."""
    stand: dict[tuple[str, str], Tag] = {}
    caption = ""
    for decision in decided_so:
        body: Mapping[str, Any] = decision.body
        if decision.kind == "view":  # whoever says how a picture shows an item says that it shows it
            body = {"set": body["items"]}
        when = decision.at.date().isoformat()
        with meaning(f"decision {decision.seq}"):
            for state, word, said in ((TagState.SET, "set", "so"), (TagState.REJECTED, "reject", "no")):
                why = f"{decision.by} said {said} on {when}"
                counts = state is TagState.SET
                for dimension, target in body.get(word, ()):
                    stand[dimension, target] = Tag(Dimension(dimension), target, state, decision.by, why, counts=counts)
        if body.get("caption") is not None:
            caption = str(body["caption"])
    return tuple(stand.values()), caption


def replace_standing(catalogue: Catalogue, standing: Mapping[int, Iterable[Tag]]) -> None:
    """Write the tags that stand on some pictures, by row. A picture's words are to be indexed anew where that changes
    them."""
    kept = _by_rid(
        catalogue,
        "SELECT rid, dimension, target, state, by, why, confidence, counts FROM tag WHERE rid IN ({})"
        " ORDER BY rid, dimension, target",
        list(standing),
    )
    fresh: list[tuple[object, ...]] = []
    changed: list[int] = []
    reworded: list[tuple[int]] = []
    for rid, tags in standing.items():
        rows = sorted(
            (rid, tag.dimension, tag.target, tag.state, tag.by, tag.why, tag.confidence, int(tag.counts))
            for tag in tags
        )
        before = kept.get(rid, [])
        if before == rows:
            continue
        changed.append(rid)
        fresh += rows
        if {row[1:3] for row in before if row[7]} != {row[1:3] for row in rows if row[7]}:
            reworded.append((rid,))
    if changed:
        catalogue.execute_many("DELETE FROM tag WHERE rid = ?", ((rid,) for rid in changed))
        catalogue.execute_many("INSERT INTO tag VALUES (?, ?, ?, ?, ?, ?, ?, ?)", fresh)
        catalogue.execute_many("INSERT OR IGNORE INTO unindexed VALUES (?)", reworded)
        changes.note(catalogue, "tags", changed)


def _by_rid(catalogue: Catalogue, sql: str, rids: Sequence[int]) -> dict[int, list[tuple[Any, ...]]]:
    """Rows of some pictures by their first column, in the order of the question. `sql` has {} for the marks."""
    found: dict[int, list[tuple[Any, ...]]] = {}
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        for row in catalogue.rows(sql.format(",".join("?" * len(part))), part):
            found.setdefault(row[0], []).append(tuple(row))
    return found


def standing(catalogue: Catalogue, rids: Sequence[int]) -> dict[int, tuple[Tag, ...]]:
    """The tags that stand on pictures: a person's and proposals, rejected ones too."""
    found: dict[int, list[Tag]] = {}
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(
            f"SELECT rid, dimension, target, state, by, why, confidence, counts FROM tag WHERE rid IN ({marks})"
            " ORDER BY rid, dimension, state = 'rejected', state = 'proposed', confidence DESC, target",
            part,
        ):
            with meaning(f"a tag {row[2]!r}"):
                tag = Tag(Dimension(row[1]), row[2], TagState(row[3]), row[4], row[5], row[6], bool(row[7]))
            found.setdefault(row[0], []).append(tag)
    return {rid: tuple(tags) for rid, tags in found.items()}


def rids_with(catalogue: Catalogue, dimension: Dimension, targets: Sequence[str]) -> list[int]:
    """Rows of the pictures that count as tagged with any of `targets`."""
    marks = ",".join("?" * len(targets))
    rows = catalogue.rows(
        f"SELECT DISTINCT rid FROM tag WHERE dimension = ? AND target IN ({marks}) AND counts = 1",
        (dimension.value, *targets),
    )
    return [int(row[0]) for row in rows]


def targets_in_use(catalogue: Catalogue) -> set[str]:
    """Every id a tag or a decision about tags points at: what a plan must never drop."""
    used = {str(row[0]) for row in catalogue.rows("SELECT DISTINCT target FROM tag WHERE state <> 'rejected'")}
    used |= {
        str(row[0])
        for row in catalogue.rows(
            "SELECT DISTINCT substr(subject, 6) FROM decision_subject WHERE subject >= 'item:' AND subject < 'item;'"
        )
    }
    return used | {
        str(row[0]) for row in catalogue.rows("SELECT DISTINCT opening FROM closing WHERE reopened_uid IS NULL")
    }


def counting(catalogue: Catalogue, dimension: Dimension, among: Sequence[int] | None = None) -> list[tuple[int, str]]:
    """(row, target) of the tags of a dimension that count. `among`: looked for only in these rows."""
    sql = "SELECT rid, target FROM tag WHERE dimension = ? AND counts = 1"
    if among is None:
        return [(int(rid), str(target)) for rid, target in catalogue.rows(sql, (dimension.value,))]
    found: list[tuple[int, str]] = []
    for start in range(0, len(among), 500):
        part = ", ".join(str(int(rid)) for rid in among[start : start + 500])
        rows = catalogue.rows(f"{sql} AND rid IN ({part})", (dimension.value,))
        found += [(int(rid), str(target)) for rid, target in rows]
    return found
