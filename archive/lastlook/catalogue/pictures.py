"""The pictures of an archive: photos and stills. Add, fetch, re-time, caption."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from lastlook.catalogue import changes, codes
from lastlook.catalogue import tags as tag_rows
from lastlook.catalogue.connection import Catalogue, Row, meaning
from lastlook.errors import AmbiguousId, NoSuchId
from lastlook.records import CaptureTime, Picture, PictureKind, Quality, StillReading, photo_id, still_id

_COLUMNS = (
    "p.id, p.rid, p.kind, p.sha256, m.file, p.clip_ms, p.taken_ms, p.earliest_ms, p.latest_ms, p.basis, p.why,"
    " m.camera, p.width, p.height, p.sharpness, p.phash, p.mean_luma, p.thumb, p.page, p.caption, p.spoken,"
    " p.group_id, p.hold_ms, m.shown"
)
_FROM = "FROM picture p JOIN medium m USING (sha256)"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ROWS_OF_A_PICTURE = ("proposal", "tag", "code", "codes_to_read", "picture")


def ms(instant: datetime) -> int:
    """Milliseconds since 1970, rounded down, exact in integers."""
    return (instant - _EPOCH) // timedelta(milliseconds=1)


def to_ms(instant: datetime | None) -> int | None:
    """`ms`, or None for None."""
    return None if instant is None else ms(instant)


def ceil_ms(instant: datetime | None) -> int | None:
    """Rounded up, so that storing never narrows an interval."""
    return None if instant is None else -((_EPOCH - instant) // timedelta(milliseconds=1))


def from_ms(value: int | None) -> datetime | None:
    return None if value is None else _EPOCH + timedelta(milliseconds=value)


def add_photo(
    catalogue: Catalogue,
    sha256: str,
    *,
    width: int,
    height: int,
    time: CaptureTime,
    quality: Quality | None,
    thumb: str,
    page: str,
) -> int:
    """Add a photo's picture, unless it is there; returns its row."""
    row = catalogue.row("SELECT rid FROM picture WHERE id = ?", (photo_id(sha256),))
    if row:
        return int(row[0])
    return _add(
        catalogue,
        photo_id(sha256),
        PictureKind.PHOTO,
        sha256,
        None,
        (width, height),
        time,
        quality,
        thumb,
        page,
        hold_ms=0,
        chosen="",
    )


def add_still(catalogue: Catalogue, sha256: str, still: StillReading, time: CaptureTime) -> int:
    """Add a still of a clip, unless it is there; returns its row."""
    row = catalogue.row("SELECT rid FROM picture WHERE sha256 = ? AND clip_ms = ?", (sha256, still.clip_ms))
    if row:
        return int(row[0])
    return _add(
        catalogue,
        still_id(sha256, still.clip_ms),
        PictureKind.STILL,
        sha256,
        still.clip_ms,
        (still.width, still.height),
        time,
        still.quality,
        still.thumb,
        still.page,
        hold_ms=still.hold_ms,
        chosen=still.why,
    )


def _add(
    catalogue: Catalogue,
    id: str,
    kind: PictureKind,
    sha256: str,
    clip_ms: int | None,
    size: tuple[int, int],
    time: CaptureTime,
    quality: Quality | None,
    thumb: str,
    page: str,
    *,
    hold_ms: int,
    chosen: str,
) -> int:
    catalogue.execute(
        "INSERT INTO picture (id, kind, sha256, clip_ms, width, height, taken_ms, earliest_ms, latest_ms, basis, why,"
        " sharpness, phash, mean_luma, thumb, page, hold_ms, chosen) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
        (
            id,
            kind.value,
            sha256,
            clip_ms,
            *size,
            to_ms(time.instant),
            to_ms(time.earliest),
            ceil_ms(time.latest),
            time.basis,
            time.why,
            quality.sharpness if quality else None,
            _signed(quality.phash) if quality else None,
            quality.mean_luma if quality else None,
            thumb,
            page,
            hold_ms,
            chosen,
        ),
    )
    rid = catalogue.last_rid()
    codes.want(catalogue, rid)
    mark_unindexed(catalogue, [rid])
    changes.note(catalogue, "times", [rid])
    return rid


def by_rids(catalogue: Catalogue, rids: Sequence[int], *, with_tags: bool = True) -> list[Picture]:
    """Pictures with their tags, in the order of `rids`; rows that are gone are left out."""
    found: dict[int, Picture] = {}
    for start in range(0, len(rids), 500):
        part = [int(rid) for rid in rids[start : start + 500]]
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(f"SELECT {_COLUMNS} {_FROM} WHERE p.rid IN ({marks})", part):
            found[row[1]] = _picture(row)
    if not with_tags:
        return [found[rid] for rid in map(int, rids) if rid in found]
    tags = tag_rows.standing(catalogue, list(found))
    return [replace(found[rid], tags=tags.get(rid, ())) for rid in map(int, rids) if rid in found]


def find(catalogue: Catalogue, typed: str) -> Picture:
    """A picture by its id or the beginning of it. Raises NoSuchId, AmbiguousId."""
    typed = typed.strip().lower()
    rows = catalogue.rows("SELECT rid FROM picture WHERE id = ?", (typed,))
    if not rows and len(typed) >= 3 and all(letter in "ps0123456789abcdef-" for letter in typed):
        rows = catalogue.rows("SELECT rid FROM picture WHERE id >= ? AND id < ? LIMIT 6", (typed, typed + "~"))
    if not rows:
        raise NoSuchId("picture", typed)
    pictures = by_rids(catalogue, [int(row[0]) for row in rows])
    if len(pictures) > 1:
        raise AmbiguousId("picture", typed, [picture.id for picture in pictures])
    return pictures[0]


def of_medium(catalogue: Catalogue, sha256: str) -> list[Picture]:
    """A photo's picture, or a clip's stills in order."""
    rows = catalogue.rows("SELECT rid FROM picture WHERE sha256 = ? ORDER BY clip_ms", (sha256,))
    return by_rids(catalogue, [int(row[0]) for row in rows])


def of_group(catalogue: Catalogue, group: int) -> list[Picture]:
    """Near-duplicates that are shown together, oldest first."""
    rows = catalogue.rows("SELECT rid FROM picture WHERE group_id = ? ORDER BY taken_ms, rid", (group,))
    return by_rids(catalogue, [int(row[0]) for row in rows])


def neighbours(catalogue: Catalogue, rid: int) -> tuple[str, str]:
    """Ids of the pictures taken just before and just after, '' where there is none."""
    row = catalogue.row("SELECT taken_ms FROM picture WHERE rid = ?", (rid,))
    if row is None or row[0] is None:
        return "", ""
    earlier = catalogue.row(
        "SELECT id FROM picture WHERE (taken_ms, rid) < (?, ?) ORDER BY taken_ms DESC, rid DESC LIMIT 1", (row[0], rid)
    )
    later = catalogue.row(
        "SELECT id FROM picture WHERE (taken_ms, rid) > (?, ?) ORDER BY taken_ms, rid LIMIT 1", (row[0], rid)
    )
    return (str(earlier[0]) if earlier else "", str(later[0]) if later else "")


@dataclass(frozen=True, slots=True)
class ToResolve:
    """What the time of a picture is resolved from: the claims (JSON) and length of its file, when that came in."""

    rid: int
    sha256: str
    claims: str
    camera: str
    clip_ms: int | None
    duration_ms: int | None
    arrived: datetime | None


def times_to_resolve(
    catalogue: Catalogue, cameras: Sequence[str] | None = None, *, alone: bool = False
) -> Iterator[ToResolve]:
    """Of all pictures, of some cameras', or of the stills whose clip holds nothing but its container's time (`alone`;
    see `times.is_alone`)."""
    where = f"WHERE m.camera IN ({','.join('?' * len(cameras))})" if cameras is not None else ""
    if alone:
        where = "WHERE p.clip_ms IS NOT NULL AND p.basis LIKE 'container%' AND p.basis NOT LIKE '%+name%'"
    for row in catalogue.rows(
        "SELECT p.rid, p.sha256, m.claims, m.camera, p.clip_ms, m.duration_ms, m.arrived_ms"
        f" {_FROM} {where} ORDER BY p.rid",
        tuple(cameras or ()),
    ):
        yield ToResolve(row[0], row[1], row[2], row[3], row[4], row[5], from_ms(row[6]))


def set_times(catalogue: Catalogue, times: Iterable[tuple[int, CaptureTime]]) -> int:
    """Give pictures their resolved times; returns how many changed."""
    other = other_times(catalogue, times)
    if other:
        catalogue.execute_many(
            "UPDATE picture SET taken_ms=?, earliest_ms=?, latest_ms=?, basis=?, why=? WHERE rid=?",
            [(*_time_columns(time), rid) for rid, time in other],
        )
        changes.note(catalogue, "times", [rid for rid, _ in other])
    return len(other)


def other_times(catalogue: Catalogue, times: Iterable[tuple[int, CaptureTime]]) -> list[tuple[int, CaptureTime]]:
    """Those of (row, time) that are not what the pictures have; rows that are gone are left out."""
    every = list(times)
    other: list[tuple[int, CaptureTime]] = []
    for start in range(0, len(every), 500):
        part = every[start : start + 500]
        marks = ",".join("?" * len(part))
        now = {
            row[0]: row[1:]
            for row in catalogue.rows(
                f"SELECT rid, taken_ms, earliest_ms, latest_ms, basis, why FROM picture WHERE rid IN ({marks})",
                [rid for rid, _ in part],
            )
        }
        other += [(rid, time) for rid, time in part if rid in now and now[rid] != _time_columns(time)]
    return other


def _time_columns(time: CaptureTime) -> tuple[object, ...]:
    return to_ms(time.instant), to_ms(time.earliest), ceil_ms(time.latest), time.basis, time.why


def unsaid_stills(catalogue: Catalogue, sha256: str) -> list[int]:
    """Rows of a clip's stills, but those a person has said something about."""
    rows = catalogue.rows(
        "SELECT rid FROM picture p WHERE sha256 = ? AND kind = 'still' AND chosen <> 'by hand'"
        " AND NOT EXISTS (SELECT 1 FROM decision_subject WHERE subject = p.id)",
        (sha256,),
    )
    return [int(row[0]) for row in rows]


def drop(catalogue: Catalogue, rids: Sequence[int]) -> None:
    """Take pictures out."""
    if not rids:
        return
    for table in _ROWS_OF_A_PICTURE:
        catalogue.execute_many(f"DELETE FROM {table} WHERE rid = ?", ((rid,) for rid in rids))
    mark_unindexed(catalogue, rids)
    changes.note(catalogue, "times", rids)


def instants(catalogue: Catalogue, cameras: Sequence[str]) -> list[tuple[int, int | None]]:
    """(rid, taken_ms) of some cameras' pictures."""
    marks = ",".join("?" * len(cameras))
    rows = catalogue.rows(f"SELECT p.rid, p.taken_ms {_FROM} WHERE m.camera IN ({marks})", cameras)
    return [(row[0], row[1]) for row in rows]


def set_captions(catalogue: Catalogue, captions: Mapping[int, str]) -> None:
    """Give pictures their captions, by row."""
    rids = list(captions)
    for start in range(0, len(rids), 500):
        part = rids[start : start + 500]
        marks = ",".join("?" * len(part))
        kept = catalogue.rows(f"SELECT rid, caption FROM picture WHERE rid IN ({marks})", part)
        changed = [int(rid) for rid, caption in kept if caption != captions[rid]]
        catalogue.execute_many(
            "UPDATE picture SET caption = ? WHERE rid = ?", ((captions[rid], rid) for rid in changed)
        )
        mark_unindexed(catalogue, changed)
        if changed:
            changes.note(catalogue, "times", changed)  # what is kept of pictures holds their captions too


def set_spoken(catalogue: Catalogue, words: Mapping[int, str]) -> None:
    """Give stills the words spoken over them."""
    for rid, text in words.items():
        if catalogue.execute("UPDATE picture SET spoken = ? WHERE rid = ? AND spoken <> ?", (text, rid, text)):
            mark_unindexed(catalogue, [rid])


def every_rid(catalogue: Catalogue) -> list[int]:
    return [int(row[0]) for row in catalogue.rows("SELECT rid FROM picture ORDER BY rid")]


def present(catalogue: Catalogue, rids: Sequence[int]) -> set[int]:
    """Which of these rows are there."""
    found: set[int] = set()
    for start in range(0, len(rids), 500):
        part = list(rids[start : start + 500])
        marks = ",".join("?" * len(part))
        found.update(int(row[0]) for row in catalogue.rows(f"SELECT rid FROM picture WHERE rid IN ({marks})", part))
    return found


def rids_of_ids(catalogue: Catalogue, ids: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for start in range(0, len(ids), 500):
        part = ids[start : start + 500]
        marks = ",".join("?" * len(part))
        found.update(
            (row[0], row[1]) for row in catalogue.rows(f"SELECT id, rid FROM picture WHERE id IN ({marks})", part)
        )
    return found


def derived_names(catalogue: Catalogue) -> list[tuple[str, str, str, int | None]]:
    """(thumb, page, sha256, clip_ms) of every picture."""
    return [
        (row[0], row[1], row[2], row[3])
        for row in catalogue.rows("SELECT thumb, page, sha256, clip_ms FROM picture ORDER BY rid")
    ]


# ------------------------------------------------------------------------------------ the text index's queue


def mark_unindexed(catalogue: Catalogue, rids: Iterable[int]) -> None:
    catalogue.execute_many("INSERT OR IGNORE INTO unindexed VALUES (?)", ((rid,) for rid in rids))


def mark_all_unindexed(catalogue: Catalogue) -> None:
    catalogue.execute("INSERT OR IGNORE INTO unindexed SELECT rid FROM picture")


def still_moments(catalogue: Catalogue, sha256: str) -> list[tuple[int, int]]:
    """(clip_ms, rid) of a clip's stills, in order."""
    rows = catalogue.rows(
        "SELECT clip_ms, rid FROM picture WHERE sha256 = ? AND clip_ms IS NOT NULL ORDER BY clip_ms", (sha256,)
    )
    return [(row[0], row[1]) for row in rows]


# ------------------------------------------------------------------------------------------------ rows


def _picture(row: Row) -> Picture:
    with meaning(f"picture {row[0]!r}"):
        quality = None
        if row[14] is not None:
            quality = Quality(float(row[14]), int(row[15]) & 0xFFFF_FFFF_FFFF_FFFF, float(row[16]))
        return Picture(
            id=row[0],
            rid=row[1],
            kind=PictureKind(row[2]),
            sha256=row[3],
            file=row[4],
            clip_ms=row[5],
            time=CaptureTime(from_ms(row[6]), from_ms(row[7]), from_ms(row[8]), row[9], row[10]),
            camera=row[11],
            width=row[12],
            height=row[13],
            quality=quality,
            thumb=row[17],
            page=row[18],
            caption=row[19],
            spoken=row[20],
            group=row[21],
            hold_ms=row[22],
            shown=bool(row[23]),
        )


def _signed(value: int) -> int:
    """A 64-bit unsigned integer as SQLite can hold it."""
    return value - (1 << 64) if value >= 1 << 63 else value
