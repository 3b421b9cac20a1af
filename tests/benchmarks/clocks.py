"""Simulated cameras: is the truth within the stated interval? And how long re-resolving takes.

Each camera drifts by up to 10 s a day either way, starts up to an hour wrong, follows summer time or not, writes whole
seconds (some hundredths), may be set anew or reset to the year 2000 between references, and has one to eight pictures
of the clock card over up to half a year across a change of summer time. Ten pictures a camera ask for their time.
"""

from __future__ import annotations

import math
import random
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from lastlook import retime, times
from lastlook.catalogue import decisions
from lastlook.clocks.card import Shown
from lastlook.clocks.fit import ClockFit, fit
from lastlook.clocks.reference import reference
from lastlook.records import CaptureTime, Claim, ClaimSource, ClockCorrection, ClockReference
from lastlook.store import Store
from tests import generated
from tests.benchmarks.rows import Row

ZONE = "Europe/Copenhagen"
TZ = ZoneInfo(ZONE)
START = datetime(2027, 1, 20, 9, tzinfo=UTC)
PICTURES = 10


@dataclass(frozen=True)
class Simulated:
    """What one camera did: true moments of its pictures with the claims it wrote, and its references."""

    references: tuple[ClockReference, ...]
    pictures: tuple[tuple[datetime, Claim], ...]
    kind: str


def simulated(seed: int) -> Simulated:
    """A camera of its own for every seed."""
    dice = random.Random(seed)
    drift = dice.uniform(-10, 10) / 86_400
    first_error = dice.choice((0.0, dice.uniform(-60, 60), dice.uniform(-3600, 3600), 3600.0, -43_200.0))
    follows = dice.random() < 0.6
    step_ms = dice.choice((1000, 1000, 1000, 10))
    length = dice.uniform(3, 180)
    count = dice.randint(1, 8)
    moments = sorted(START + timedelta(days=dice.uniform(0, length)) for _ in range(count))
    kind = dice.choice(("steady", "steady", "set", "reset")) if count >= 2 else "steady"
    parting: datetime | None = None
    second_error = 0.0
    if kind != "steady":
        before = dice.randrange(1, count)
        parting = moments[before - 1] + (moments[before] - moments[before - 1]) * dice.uniform(0.02, 0.98)
        # Set anew by hand to within a minute; or reset by an empty battery to the maker's first day.
        second_error = dice.uniform(-60, 60)
        if kind == "reset":
            second_error = (datetime(2000, 1, 1) - parting.replace(tzinfo=None)).total_seconds()  # noqa: DTZ001

    def wall(true: datetime) -> datetime:
        utc = true.replace(tzinfo=None)
        shift = (true if follows else START).astimezone(TZ).utcoffset() or timedelta(0)
        if parting is None or true < parting:
            error = first_error + drift * (true - START).total_seconds()
        else:
            error = second_error + drift * (true - parting).total_seconds()
            if kind == "reset":
                shift = timedelta(0)
        exact = utc + shift + timedelta(seconds=error)
        micro = exact.microsecond // (step_ms * 1000) * (step_ms * 1000)
        return exact.replace(microsecond=micro)

    def claim(true: datetime) -> Claim:
        shown = wall(true)
        return Claim(ClaimSource.EXIF_ORIGINAL, shown.isoformat(), shown, None, step_ms)

    references = []
    for number, moment in enumerate(moments):
        on_show = moment - timedelta(seconds=dice.uniform(0, 1.0))
        came = on_show.replace(microsecond=on_show.microsecond // 100_000 * 100_000)
        card = Shown(came, came + timedelta(seconds=1.2))
        made = reference(f"p{number:012}", "C", (claim(moment),), card, TZ)
        assert made is not None
        references.append(made)
    asked = [moments[0] + timedelta(days=dice.uniform(-20, length + 20)) for _ in range(PICTURES)]
    return Simulated(tuple(references), tuple((true, claim(true)) for true in asked), kind)


def resolved(camera: Simulated) -> tuple[ClockFit, list[tuple[datetime, CaptureTime]]]:
    found = fit("C", camera.references, TZ)
    answers = [(true, times.resolve((claim,), found.corrections, ZONE, camera="C")) for true, claim in camera.pictures]
    return found, answers


def held(true: datetime, time: CaptureTime) -> bool:
    if time.earliest is None or time.latest is None:
        return True  # "not known" is no wrong answer; how often is counted on its own
    return time.earliest - timedelta(milliseconds=1) <= true <= time.latest + timedelta(milliseconds=1)


def run(size: Literal["full", "small"]) -> list[Row]:
    cameras = 1000 if size == "full" else 40
    whole = inside = asked = unknown = 0
    widths: list[float] = []
    for seed in range(cameras):
        _, answers = resolved(simulated(seed + 20_270_000))
        good = [held(true, time) for true, time in answers]
        whole += all(good)
        inside += sum(good)
        asked += len(good)
        unknown += sum(time.earliest is None for _, time in answers)
        widths += [
            (time.latest - time.earliest).total_seconds() / 2
            for _, time in answers
            if time.earliest is not None and time.latest is not None
        ]
    widths.sort()
    return [
        *resolving_again((1_000,) if size == "small" else (10_000, 100_000)),
        Row("simulated cameras with the truth inside for all ten pictures", 100 * whole / cameras, "%", "≥ 95"),
        Row("simulated pictures with the truth inside their interval", 100 * inside / asked, "%", "≥ 95"),
        Row("simulated pictures whose time stays unknown", 100 * unknown / asked, "%", "≤ 5"),
        Row("half-width of the stated interval, median", widths[len(widths) // 2], "s"),
        Row("half-width of the stated interval, 90th percentile", widths[math.floor(len(widths) * 0.9)], "s"),
    ]


def resolving_again(counts: Sequence[int]) -> list[Row]:
    """Three cameras of four are said to be wrong, and every picture's time is resolved and kept again. The archives
    hold no originals, so that nothing could be read of them. What follows from new times (proposals, the text index)
    is not in it."""
    rows = []
    for count in counts:
        folder = Path(tempfile.mkdtemp(prefix="lastlook-benchmark-"))
        try:
            with Store(generated.make(folder / "lv40", count)) as store, store.catalogue.writing():
                for camera in filter(None, generated.CAMERAS):
                    body = retime.body_of(ClockCorrection(camera, error_s=3600.0))
                    decisions.append(store.catalogue, "clock", body, by="Ada")
                began = time.perf_counter()
                moved = retime.retime(store.catalogue, store.zone)
                took = time.perf_counter() - began
            assert moved > count / 2, f"{moved} of {count} pictures moved"
            target = "≤ 20" if count == counts[-1] else ""
            rows.append(Row(f"resolving the times of {count:,} pictures again", took, "s", target))
        finally:
            shutil.rmtree(folder)
    return rows


Run = Callable[[Literal["full", "small"]], list[Row]]
