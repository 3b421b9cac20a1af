"""Searching a generated archive: how long the text index takes, per kind of question, and how it grows.

The captions are made of the trade's own words with a fixed seed: 10 to 60 words each, a few words in a third of all
captions and many in a handful, as in speech. Times are of the index alone, without the catalogue.
"""

from __future__ import annotations

import gc
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from lastlook.textindex import Document, TextIndex, parse
from tests.benchmarks.rows import Row

MEDIAN = "≤ 30"  # ms
P99 = "≤ 120"
UPDATE = "≤ 200"
SMALL, FULL = (500,), (1_000, 10_000, 100_000)

_PLACES = [
    "fore hull", "aft hull", "bulkhead 11", "main deck", "deckhouse", "lantern mast", "lantern", "base",
    "mast foot", "stern tube", "chain locker", "wheelhouse", "port side", "starboard side", "joint line",
    "terminal block", "base plate", "deckhouse roof",
]  # fmt: skip
_THINGS = [
    "wire", "loom", "harness", "bundle", "splice", "ferrule", "sleeve", "grommet", "clip", "connector", "header",
    "resistor", "driver", "board", "motor", "diffuser", "baffle", "port", "light", "LED", "bracket", "frame",
    "former", "keel", "hatch", "screw", "magnet", "dowel", "gasket", "fillet", "seam", "shim", "clamp", "tape",
    "label", "plate", "tube", "rod", "pin", "bearing", "slip", "ring", "spring", "washer", "bolt", "nut", "panel",
    "window", "lens", "reflector", "stand", "cradle",
]  # fmt: skip
_ACTS = [
    "routed", "soldered", "glued", "bonded", "clamped", "tested", "marked", "sanded", "primed", "painted", "masked",
    "trimmed", "drilled", "filed", "fitted", "pulled", "tied", "laced", "crimped", "sleeved", "insulated",
    "checked", "measured", "photographed", "cleaned", "degreased", "cured", "opened", "closed", "lifted", "turned",
    "moved", "shortened", "replaced", "left", "finished", "dry-fitted", "pressed", "levelled",
]  # fmt: skip
_QUALITIES = [
    "white", "grey", "black", "red", "blue", "green", "yellow", "orange", "violet", "short", "long", "loose",
    "tight", "clean", "rough", "sharp", "hidden", "spare", "upper", "lower", "inner", "outer", "left", "right",
    "first", "second", "last", "new", "old", "warm", "cold", "thin", "thick", "straight", "bent",
]  # fmt: skip
_GLUE = [
    "the", "and", "with", "of", "to", "in", "on", "at", "from", "before", "after", "under", "over", "behind",
    "between", "through", "along", "now", "then", "still", "here", "is", "was", "not", "no", "only", "just",
    "about", "near", "again",
]  # fmt: skip
_RUNS = [f"W{number:02}" for number in range(1, 61)]
_MEASURES = [
    "0.5 mm", "1/48", "30 AWG", "26 AWG", "5 V", "20 mA", "470 Ω", "24 h", "12 mm", "3.2 mm", "1.5 mm",
]  # fmt: skip
_RARE_STARTS = ("stanch", "escut", "binn", "garb", "limb", "thwart")
_RARE_ENDS = ("ion", "cheon", "acle", "oard")

# Twelve kinds of question
KINDS: dict[str, tuple[str, ...]] = {
    "rare word": ("stanchion", "escutcheon", "binnacle"),
    "id": ("W03", "w-17", "W 42"),
    "common word": ("the wire", "deck", "soldered"),
    "two words": ("white wire", "loom deck", "mast soldered"),
    "four words": ("white wire lantern soldered", "grey loom main deck"),
    "phrase": ('"terminal block"', '"mast foot"', '"main deck"'),
    "long phrase": ('"before the main deck"', '"lantern mast and"'),
    "prefix": ("sold*", "lan*", "W1*"),
    "excluded": ("wire -deck", "mast not lantern"),
    "either": ("white or grey wire", "loom or harness bulkhead"),
    "measure": ("0.5 mm", "30 AWG wire", "1:48"),
    "unknown word": ("lantrn", "bulkhaed wire"),
}


def captions(size: int, seed: int = 40) -> Iterator[Document]:
    """`size` captions, the same for the same seed."""
    rng = random.Random(seed)
    rare = [start + end for start in _RARE_STARTS for end in _RARE_ENDS]
    groups: tuple[tuple[list[str], float], ...] = (
        (_GLUE, 0.42), (_THINGS, 0.2), (_ACTS, 0.13), (_QUALITIES, 0.1), (_PLACES, 0.1), (_RUNS, 0.03),
        (_MEASURES, 0.015), (rare, 0.005),
    )  # fmt: skip
    lists = [words for words, _ in groups]
    weights = [weight for _, weight in groups]
    for rid in range(size):
        length = rng.randint(10, 60)
        picked = rng.choices(lists, weights, k=length)
        # The square of a uniform draw prefers the front of each list: a few words are in very many captions.
        words = [words[int(len(words) * rng.random() ** 2)] for words in picked]
        if length > 30:
            words[length // 2] += ".\n"
        yield Document(rid, " ".join(words))


def run(scale: str = "full") -> list[Row]:
    """Rows for 1,000, 10,000 and 100,000 captions ("full"), with every kind of question at the largest; or "small"."""
    sizes, rounds = (SMALL, 6) if scale == "small" else (FULL, 40)
    rows: list[Row] = []
    for size in sizes:
        rows += _of_size(size, rounds, each_kind=size == sizes[-1])
    return rows


def _of_size(size: int, rounds: int, each_kind: bool) -> list[Row]:
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as scratch, TextIndex.create(Path(scratch) / "index") as index:
        began = time.perf_counter()
        index.rebuild(captions(size))
        rows.append(Row(f"build, {size:,} captions", time.perf_counter() - began, "s"))
        index.match(parse("warm"))
        everything: list[float] = []
        for kind, questions in KINDS.items():
            for scores in (False, True):
                taken = _timed(index, questions, scores, rounds)
                everything += taken
                if each_kind:
                    rows.append(Row(f"{kind}{', ranked' if scores else ''}", statistics.median(taken), "ms"))
        everything.sort()
        rows.append(Row(f"all kinds, {size:,} captions, median", statistics.median(everything), "ms", MEDIAN))
        ninety_nine = everything[int(len(everything) * 0.99)]
        rows.append(Row(f"all kinds, {size:,} captions, 99th percentile", ninety_nine, "ms", P99))
        rows.append(Row("one caption changed and found again", statistics.median(_updates(index, size)), "ms", UPDATE))
        rows.append(Row("from a cold start to the first answer", _cold(Path(scratch) / "index"), "ms"))
    return rows


def _ask(index: TextIndex, text: str, scores: bool) -> None:
    query = parse(text)
    matches = index.match(query, scores=scores)
    if not matches.rids.size:
        index.nearest(query, _RUNS)


def _timed(index: TextIndex, questions: tuple[str, ...], scores: bool, rounds: int) -> list[float]:
    taken: list[float] = []
    gc.collect()
    for number in range(rounds):
        began = time.perf_counter()
        _ask(index, questions[number % len(questions)], scores)
        taken.append((time.perf_counter() - began) * 1000)
    return taken


def _updates(index: TextIndex, size: int) -> list[float]:
    taken: list[float] = []
    for number in range(20):
        word = f"changed{'abcdefghijklmnopqrst'[number]}"
        began = time.perf_counter()
        index.replace([Document(number * (size // 20), f"W03 {word} at the mast foot")])
        found = index.match(parse(word)).rids
        taken.append((time.perf_counter() - began) * 1000)
        assert found.tolist() == [number * (size // 20)]
    return taken


def _cold(folder: Path) -> float:
    code = (
        "import time, sys; began = time.perf_counter()\n"
        "from pathlib import Path\n"
        "from lastlook.textindex import TextIndex, parse\n"
        f"with TextIndex.open(Path({str(folder)!r})) as index: index.match(parse('white wire'), scores=True)\n"
        "print((time.perf_counter() - began) * 1000)"
    )
    taken = [
        float(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout)
        for _ in range(3)
    ]
    return statistics.median(taken)
