"""Answering questions over a generated archive: the whole way of `find`, from words to whole pictures.

Twelve kinds of question, in turn, with the answer's first page read from the catalogue; then one tag added until it is
found; then `lastlook find` from a cold start, as a process of its own.
"""

from __future__ import annotations

import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from lastlook import deciding
from lastlook.archive import Archive
from lastlook.find import find
from lastlook.records import PictureKind, Question, Sort
from lastlook.store import Store
from tests import generated
from tests.benchmarks.rows import Row

SMALL, FULL = (500,), (1_000, 10_000, 100_000)
_WORDS = ("loom", "splice", "soldered", "mast", "white", "sleeved", "grommet", "tested", "resistor", "clamped")

Kind = Callable[[random.Random], Question]

KINDS: dict[str, Kind] = {
    "one word, best": lambda dice: Question(words=dice.choice(_WORDS)),
    "two words, best": lambda dice: Question(words=" ".join(dice.sample(_WORDS, 2))),
    "rare id": lambda dice: Question(words=f"W{dice.randrange(1, 61):02}"),
    "phrase": lambda dice: Question(words=f'"{dice.choice(("lantern mast", "fore hull", "mast foot"))}"'),
    "prefix": lambda dice: Question(words=f"{dice.choice(_WORDS)[:3]}*"),
    "word, newest": lambda dice: Question(words=dice.choice(_WORDS), sort=Sort.NEWEST),
    "run before a closing": lambda dice: Question(runs=(f"W{dice.randrange(1, 11):02}",), before_closing="O4"),
    "text + subassembly + before a closing, by time": lambda dice: Question(
        words=dice.choice(_WORDS), subassemblies=("HULL-F",), before_closing="O2", sort=Sort.NEWEST
    ),
    "phrase + subassembly + after a closing": lambda dice: Question(
        words='"mast foot"', subassemblies=("MAST",), after_closing="O4"
    ),
    "dates, oldest": lambda dice: Question(
        since=datetime(2026, dice.randrange(3, 7), 1, tzinfo=UTC),
        until=datetime(2026, 8, 1, tzinfo=UTC),
        sort=Sort.OLDEST,
    ),
    "stills with a word": lambda dice: Question(words=dice.choice(_WORDS), kind=PictureKind.STILL),
    "misspelt": lambda dice: Question(words=dice.choice(("splise", "grommit", "solderd"))),
}


def run(size: str = "full") -> list[Row]:
    rows: list[Row] = []
    sizes = SMALL if size == "small" else FULL
    for count in sizes:
        folder = Path(tempfile.mkdtemp(prefix="lastlook-benchmark-"))
        try:
            made = generated.make(folder / "lv40", count)
            largest = count == FULL[-1]
            rows += _questions(made, count, 4 if size == "small" else 25, largest)
            rows.append(_tag(made, count, largest))
            rows.append(_cold(made, count, largest))
        finally:
            shutil.rmtree(folder)
    return rows


def _questions(made: Archive, count: int, rounds: int, targets: bool) -> Iterator[Row]:
    dice = random.Random(count)
    with Store(made, by="Ada") as store:
        find(store, Question(words="loom"))  # columns and index are loaded once, as in a viewer that runs
        everything: list[float] = []
        for name, kind in KINDS.items():
            took = []
            for _ in range(rounds):
                question = kind(dice)
                began = time.perf_counter()
                find(store, question)
                took.append((time.perf_counter() - began) * 1000)
            everything += took
            if targets:
                yield Row(f"{count} pictures, {name}", statistics.median(took), "ms")
    yield Row(f"{count} pictures, median of 12 kinds", statistics.median(everything), "ms", "≤ 30" if targets else "")
    ranked = sorted(everything)
    last = ranked[min(len(ranked) - 1, int(len(ranked) * 0.99))]
    yield Row(f"{count} pictures, 99th percentile", last, "ms", "≤ 120" if targets else "")


def _tag(made: Archive, count: int, targets: bool) -> Row:
    """From the tag to finding it by its caption, another store at work as a viewer would be."""
    took = []
    with Store(made, by="Ada") as writing, Store(made, by="Ada") as asking:
        pictures = find(asking, Question(limit=5)).hits
        for number, hit in enumerate(pictures):
            word = f"quincunx{number}"
            began = time.perf_counter()
            deciding.tag(writing, [hit.picture.id], [], f"Noted {word}.")
            assert find(asking, Question(words=word)).total == 1
            took.append((time.perf_counter() - began) * 1000)
    return Row(f"{count} pictures, a tag until it is found", statistics.median(took), "ms", "≤ 200" if targets else "")


def _cold(made: Archive, count: int, targets: bool) -> Row:
    took = []
    command = [sys.executable, "-m", "lastlook", "find", "splice", "--archive", str(made.root), "--limit", "3"]
    for _ in range(5):
        began = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        took.append(time.perf_counter() - began)
    return Row(f"{count} pictures, find from a cold start", statistics.median(took), "s", "≤ 0.7" if targets else "")
