"""`python -m tests.benchmarks [--small] [NAME...]`: figures with their targets, as ratios measured in one run.

A figure beyond its target is marked and makes the exit code 1, but for `--small`, which only proves that every
benchmark still runs: its figures are too short to mean anything.
"""

from __future__ import annotations

import argparse
import sys
import time
from importlib import import_module

NAMES = (
    "photos",
    "clips",
    "ingest",
    "index",
    "finding",
    "pages",
    "clocks",
    "codes",
    "closing",
    "registration",
    "tagging",
    "listening",
    "handover",
)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*NAMES, []], help="benchmarks to run; all if none is named")
    parser.add_argument("--small", action="store_true", help="a few seconds each, to prove that they run")
    given = parser.parse_args()
    missed = 0
    for name in given.names or NAMES:
        began = time.monotonic()
        rows = import_module(f"tests.benchmarks.{name}").run("small" if given.small else "full")
        print(f"{name} ({time.monotonic() - began:.0f} s)")
        for row in rows:
            met = row.met
            mark = "" if met is None else "ok" if met else "MISSED"
            missed += met is False
            print(f"  {row.name:<62} {row.value:>10.4g} {row.unit:<10} {row.target:<12} {mark}", flush=True)
    return 1 if missed and not given.small else 0


if __name__ == "__main__":
    sys.exit(main())
