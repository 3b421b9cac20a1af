"""The whole content of a catalogue in one comparable form: two catalogues with equal dumps answer alike."""

from __future__ import annotations

import hashlib

from lastlook.catalogue.connection import Catalogue

# Tables with the columns that count, in an order that does not depend on rows' numbers.
_PARTS = {
    "decision": "SELECT seq, uid, at, by, kind, body, undoes, undone FROM decision ORDER BY seq",
    "decision_subject": "SELECT subject, seq FROM decision_subject ORDER BY seq, subject",
    # When it came in stands in the decisions.
    "medium": "SELECT sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height, orientation,"
    " make, model, serial, camera, claims, facts, warnings, duration_ms, pair_id, belongs_to, shown"
    " FROM medium ORDER BY sha256",
    "sighting": "SELECT * FROM sighting ORDER BY path, sha256",
    "problem": "SELECT path, reason, hint, kept FROM problem ORDER BY path",
    "caption_of": "SELECT path, clip, sha256 FROM caption_of ORDER BY path, clip",
    "cue": "SELECT * FROM cue ORDER BY sha256, n",
    "picture": "SELECT id, kind, sha256, clip_ms, width, height, taken_ms, earliest_ms, latest_ms, basis, why,"
    " sharpness, phash, mean_luma, thumb, page, hold_ms, chosen, caption, spoken,"
    " (SELECT g.id FROM picture g WHERE g.rid = p.group_id) FROM picture p ORDER BY id",
    "proposal": "SELECT id, dimension, target, source, confidence, evidence FROM proposal JOIN picture USING (rid)"
    " ORDER BY 1, 2, 3, 4",
    "tag": "SELECT id, dimension, target, state, by, t.why, confidence, counts FROM tag t JOIN picture USING (rid)"
    " ORDER BY 1, 2, 3",
    "code": "SELECT id, n, c.kind, text, corners, sure, mirrored FROM code c JOIN picture USING (rid) ORDER BY id, n",
    "fitted_clock": "SELECT camera, n, body FROM fitted_clock ORDER BY camera, n",
    "closing": "SELECT * FROM closing ORDER BY uid",
}


def dump(catalogue: Catalogue) -> dict[str, list[tuple[object, ...]]]:
    """Every part's rows."""
    with catalogue.reading():
        return {name: catalogue.rows(sql) for name, sql in _PARTS.items()}


def fingerprint(catalogue: Catalogue) -> str:
    """SHA-256 over the dump: equal content, equal fingerprint."""
    digest = hashlib.sha256()
    for name, rows in dump(catalogue).items():
        digest.update(name.encode())
        for row in rows:
            digest.update(repr(row).encode("utf-8", "backslashreplace"))
    return digest.hexdigest()
