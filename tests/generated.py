"""Archives of any size without files: for measuring questions, folding and re-timing at 100,000 pictures.

Rows are written as ingest and decisions write them, in bulk: photos in bench sessions over a year, bursts of
near-duplicates, 5 % stills of clips, captions in the trade's words, tags by a person and by folders, closings. The
catalogue, the plain text and the text index agree; originals and derived pictures do not exist.
"""

from __future__ import annotations

import hashlib
import json
import random
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from lastlook import archive, grouping, planning
from lastlook.archive import Archive
from lastlook.catalogue import closings, decisions, pictures, plain
from lastlook.records import photo_id, still_id
from lastlook.store import Store
from tests.benchmarks.index import captions

Row = tuple[object, ...]

PLAN = (Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8")
START = datetime(2026, 1, 12, 8, tzinfo=UTC)
DAYS = 365
CAMERAS = ("Keelson K-1", "Keelson K-1 #7733", "Fathom F2", "")
STILLS = 20  # of each clip
SHARE_OF_STILLS = 0.05
_TAGGED, _BURST = 0.6, 0.3
_CLOSINGS = (("O5", 90), ("O1", 150), ("O2", 200), ("O3", 250), ("O4", 300))  # opening, day
_SUBS = ("HULL-F", "HULL-A", "BHD-11", "DECK-M", "DKH", "MAST", "LAN", "BASE")
_STEPS = ("S10", "S20", "S30", "S40", "S50", "S60", "S70")
_RUNS = tuple(f"W{number:02}" for number in range(1, 11))


def make(root: Path, pictures: int, seed: int = 40) -> Archive:
    """An archive of so many pictures, plan, decisions and text index included. The same for the same seed, but for the
    ids of decisions."""
    made = archive.create(root, name="LV-40", zone="Europe/Copenhagen")
    with Store(made, create=True, by="Ada") as store:
        planning.load(store, PLAN, "plan.toml")
        with store.catalogue.writing():
            _fill(store, pictures, random.Random(seed), seed)
            for opening, day in _CLOSINGS:
                _close(store, opening, START + timedelta(days=day, hours=3))
            grouping.regroup(store.catalogue)
            for counter in ("times", "tags"):
                store.catalogue.count_up(counter)
        plain.write_plain(store.catalogue, made.decisions)
        store.rebuild_index()
    return made


def _fill(store: Store, count: int, chance: random.Random, seed: int) -> None:
    catalogue = store.catalogue
    words = (document.text for document in captions(count, seed))
    seq = decisions.last_seq(catalogue)
    media: list[Row] = []
    shots: list[Row] = []
    met: list[Row] = []
    made: list[Row] = []
    subjects: list[Row] = []
    tags: list[Row] = []
    stills = int(count * SHARE_OF_STILLS) // STILLS * STILLS
    moments = _moments(count - stills, chance)
    hash_ = chance.getrandbits(64)

    def decide(kind: str, body: dict[str, object], at: datetime, about: list[str]) -> None:
        nonlocal seq
        seq += 1
        text = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        uid = uuid.UUID(int=chance.getrandbits(128), version=4).hex
        made.append((seq, uid, decisions.instant_text(at), "Ada", kind, text))
        subjects.extend((subject, seq) for subject in about)

    def medium(number: int, kind: str, file: str, at: datetime, duration: int | None) -> str:
        sha = hashlib.sha256(f"{seed}-{kind}-{number}".encode()).hexdigest()
        camera = CAMERAS[number * 7 % len(CAMERAS)]
        folder = _SUBS[at.timetuple().tm_yday // 7 % len(_SUBS)]
        source, stored = f"/card/{folder}/{number // 500}/{file}", f"originals/{at:%Y/%Y-%m-%d}/{file}"
        wall = (at + timedelta(hours=1)).replace(tzinfo=None).isoformat()
        claim = {"source": "exif-original", "text": wall, "wall": wall, "offset_min": 60}
        media.append(
            (sha, kind, "JPEG" if kind == "photo" else "mp4", file, stored, 0, 3_000_000, 0, 4000, 3000, 1, "", "", "",
             camera, json.dumps([claim]), "{}", "[]", duration, "", None, 1)
        )  # fmt: skip
        body: dict[str, object] = {
            "sha256": sha, "media": kind, "file": file, "source": source, "folders": [folder], "stored": stored,
            "in_place": False, "size_bytes": 3_000_000, "mtime_ns": 0, "belongs_to": "",
        }  # fmt: skip
        decide("arrival", body, at + timedelta(days=1), [])
        met.append((source, sha, 3_000_000, 0, seq, json.dumps([folder])))
        return sha

    def shot(sha: str, id: str, kind: str, clip_ms: int | None, at: datetime) -> None:
        rid, taken = len(shots) + 1, pictures.ms(at)
        caption = next(words) if chance.random() < _TAGGED else ""
        phash = hash_ - (1 << 64) if hash_ >= 1 << 63 else hash_
        shots.append(
            (rid, id, kind, sha, clip_ms, 4000, 3000, taken, taken, taken + 999, "exif-original+offset",
             "The Exif time of taking, with its offset from UTC.", chance.uniform(20, 900), phash, 120.0,
             f"thumb/{sha[:2]}/{id}.jpg", f"page/{sha[:2]}/{id}.jpg", 0, "" if kind == "photo" else "interval",
             None, caption, "")
        )  # fmt: skip
        day = (at - START).days
        targets = [("subassembly", _SUBS[day // 7 % len(_SUBS)])]
        targets.append(("step", _STEPS[day * len(_STEPS) // DAYS % len(_STEPS)]))
        targets += [("run", run) for run in chance.sample(_RUNS, chance.choice((0, 1, 1, 2)))]
        said = bool(caption)
        if said:
            body: dict[str, object] = {
                "pictures": [id], "set": [list(one) for one in targets], "reject": [], "caption": caption,
            }  # fmt: skip
            when = at + timedelta(days=2)
            decide("tag", body, when, [id])
            why = f"Ada said so on {when.date().isoformat()}"
            tags.extend((rid, *one, "set", "Ada", why, 1.0, 1) for one in targets)
        else:
            tags.extend((rid, *one, "proposed", "folder", f'folder "{one[1]}"', 0.8, 1) for one in targets[:1])

    for number, at in enumerate(moments):
        if chance.random() > _BURST:
            hash_ = chance.getrandbits(64)
        else:
            hash_ ^= 1 << chance.randrange(64)
        sha = medium(number, "photo", f"LV40_{number:06}.JPG", at, None)
        shot(sha, photo_id(sha), "photo", None, at)
    for number in range(stills // STILLS):
        at = START + timedelta(days=chance.randrange(DAYS), hours=4)
        sha = medium(number, "clip", f"SESSION_{number:04}.MP4", at, STILLS * 20_000)
        for place in range(STILLS):
            hash_ = chance.getrandbits(64)
            clip_ms = place * 20_000
            shot(sha, still_id(sha, clip_ms), "still", clip_ms, at + timedelta(milliseconds=clip_ms))

    def put(table: str, columns: str, rows: list[Row]) -> None:
        marks = ",".join("?" * len(columns.split(",")))
        catalogue.execute_many(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)

    put("decision", "seq, uid, at, by, kind, body", made)
    put("decision_subject", "subject, seq", subjects)
    put(
        "medium",
        "sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height, orientation, make, model,"
        " serial, camera, claims, facts, warnings, duration_ms, pair_id, belongs_to, shown",
        media,
    )
    put("sighting", "path, sha256, size_bytes, mtime_ns, seq, folders", met)
    put(
        "picture",
        "rid, id, kind, sha256, clip_ms, width, height, taken_ms, earliest_ms, latest_ms, basis, why, sharpness, phash,"
        " mean_luma, thumb, page, hold_ms, chosen, group_id, caption, spoken",
        shots,
    )
    put("tag", "rid, dimension, target, state, by, why, confidence, counts", tags)


def _moments(count: int, chance: random.Random) -> Iterator[datetime]:
    """Sessions of some hours on two days of three, a picture every half minute or so, in order."""
    made = 0
    per_day = max(1, -(-count // (DAYS * 2 // 3)))
    for day in range(DAYS):
        if day % 3 == 2:
            continue
        at = START + timedelta(days=day, seconds=chance.randrange(3600))
        for _ in range(min(per_day, count - made)):
            at += timedelta(seconds=chance.choice((1, 2, 4, 30, 60)), milliseconds=chance.randrange(1000))
            made += 1
            yield at


def _close(store: Store, opening: str, at: datetime) -> None:
    latest = at + timedelta(seconds=59)
    body: dict[str, object] = {
        "opening": opening,
        "at": at.isoformat(),
        "earliest": at.isoformat(),
        "latest": latest.isoformat(),
        "said": f"{at:%Y-%m-%d %H:%M}",
        "method": "epoxy",
    }
    decisions.append(store.catalogue, "close", body, by="Ada")
    closings.refold(store.catalogue, opening)
