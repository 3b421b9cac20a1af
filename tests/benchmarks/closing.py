"""The closing check of an opening with 500 items over 100,000 pictures."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from lastlook import archive, closing_check, planning
from lastlook.catalogue import decisions, media, pictures, tags
from lastlook.catalogue.media import Medium
from lastlook.projecting import refold
from lastlook.records import Camera, CaptureTime, Dimension, Quality, Tag, TagState
from lastlook.store import Store
from lastlook.times import When, parse_rfc3339
from tests.benchmarks.rows import Row

SIZES = {"small": (2_000, 40), "full": (100_000, 500)}
VIEWS = 4
"""Views that somebody has said of each item."""

AT = "2026-06-01 12:00"


def run(size: str) -> list[Row]:
    count, items = SIZES[size]
    with tempfile.TemporaryDirectory() as folder:
        made = archive.create(Path(folder) / "a", name="B", zone="UTC")
        with Store(made, by="b", create=True) as store:
            planning.load(store, plan_text(items), "plan.toml")
            with store.catalogue.writing():
                fill(store, count, items)
                store.catalogue.execute("DELETE FROM unindexed")
            cold = _timed(store)
        with Store(made, by="b") as store:
            warm = [_timed(store) for _ in range(5)]
    target = "≤ 1" if size == "full" else ""
    return [
        Row(f"check of {items} items, {count} pictures: first", cold, "s", target),
        Row(f"check of {items} items, {count} pictures: middle of 5", sorted(warm)[2], "s", target),
    ]


def _timed(store: Store) -> float:
    began = time.perf_counter()
    found = closing_check.check(store, "O1", AT)
    took = time.perf_counter() - began
    if len(found.lines) < len(found.hides) * 2:
        raise AssertionError("the check has asked for nothing")
    return took


def plan_text(items: int) -> str:
    """Half runs, half parts, in ten subassemblies that one opening shows."""
    lines = ['[build]\nname = "B"\nzone = "UTC"\n']
    lines += [f'[[subassembly]]\nid = "S{n}"\ntitle = "Section {n}"\n' for n in range(10)]
    shows = ", ".join(f'"S{n}"' for n in range(10))
    lines.append(f'[[opening]]\nid = "O1"\ntitle = "Deck"\nshows = [{shows}]\n')
    for n in range(items // 2):
        lines.append(
            f'[[run]]\nid = "W{n:03}"\ntitle = "Run {n}"\ngauge_awg = 30\npolarity = "+"\nmilliamps = 20\n'
            f'cut_length_mm = 600\nstatus = "installed"\nsubassemblies = ["S{n % 10}"]\n'
        )
        lines.append(f'[[part]]\nid = "P{n:03}"\ntitle = "Part {n}"\nsubassembly = "S{n % 10}"\n')
    return "\n".join(lines)


def fill(store: Store, count: int, items: int) -> None:
    """Pictures a minute apart, each tagged with two items; views, a change and tests of every item."""
    catalogue = store.catalogue
    ids = [id for id in store.plan.ids if id[0] in "WP"]
    ids.sort()
    first = 1_775_000_000_000
    for n in range(count):
        sha = f"{n:012x}" + "0" * 52
        media.add(catalogue, _medium(sha))
        instant = pictures.from_ms(first + n * 50_000)
        known = CaptureTime(instant, instant, instant, "exif-original+offset", "")
        rid = pictures.add_photo(
            catalogue,
            sha,
            width=4000,
            height=3000,
            time=known,
            quality=Quality(100.0 + n % 50, n, 120.0),
            thumb="",
            page="",
        )
        shown = {ids[n % items], ids[(n * 7 + 1) % items]}
        tags.replace_standing(catalogue, {rid: [_tag(id) for id in shown]})
    told: list[str] = []
    for id, body in _views(ids, count):
        decisions.append(catalogue, "view", body, by="b")
        told += [str(one) for one in body["pictures"]] if isinstance(body["pictures"], list) else []
        if id.startswith("W"):
            for kind in ("continuity", "polarity"):
                decisions.append(catalogue, "test", _test(id, kind), by="b")
        decisions.append(catalogue, "change", _act({"item": id, "change": "installed"}, "2026-04-10T10:00:00Z"), by="b")
    refold(store, told)


def _views(ids: list[str], count: int) -> Iterator[tuple[str, dict[str, object]]]:
    for place, id in enumerate(ids):
        shown = [f"p{(place * 37 + k * 1009) % count:012x}" for k in range(VIEWS)]
        dimension = "run" if id.startswith("W") else "part"
        yield (
            id,
            {
                "pictures": shown,
                "items": [[dimension, id]],
                "view": "close" if place % 2 else "context",
                "shows": ["from", "to"] if id.startswith("W") and place % 2 else [],
            },
        )


def _test(id: str, kind: str) -> dict[str, object]:
    body = {"subject": id, "test": kind, "passed": True, "value": 1.0, "unit": "V", "instrument": "m"}
    return _act(body, "2026-05-01T10:00:00Z")


def _act(body: dict[str, object], at: str) -> dict[str, object]:
    when = When(parse_rfc3339(at), parse_rfc3339(at), at)
    return {**body, "at": at, "earliest": at, "latest": at, "said": when.text}


def _tag(id: str) -> Tag:
    dimension = Dimension.RUN if id.startswith("W") else Dimension.PART
    return Tag(dimension, id, TagState.PROPOSED, "folder", "folder", 0.8)


def _medium(sha: str) -> Medium:
    return Medium(
        *(sha, "photo", "JPEG", f"{sha[-6:]}.jpg", f"originals/{sha}.jpg", False, 1, 1, 4000, 3000, 1),
        *(Camera("Keelson", "K-1"), (), {}, (), None, "", "", True),
    )
