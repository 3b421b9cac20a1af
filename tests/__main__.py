"""All checks of the project, one after another: `python -m tests`. Stops at nothing, ends with what failed.

`python -m tests --list` names the steps, `python -m tests NAME...` runs some of them.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PYTHON = sys.executable

STEPS: dict[str, list[str]] = {
    "style": [PYTHON, "-m", "ruff", "check", "."],
    "form": [PYTHON, "-m", "ruff", "format", "--check", "."],
    "types": [PYTHON, "-m", "mypy"],
    "layers": [PYTHON, "-c", "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"],
    "benchmarks": [PYTHON, "-m", "tests.benchmarks", "--small"],
    # Two workers; the files of one worker stay together, so that a session's archive is made once a worker.
    "tests": [PYTHON, "-m", "pytest", "-q", "-n", "2", "--dist", "loadfile"],
}


def main(arguments: list[str]) -> int:
    if "--list" in arguments:
        print("\n".join(STEPS))
        return 0
    unknown = [name for name in arguments if name not in STEPS]
    if unknown:
        print(f"there is no step {unknown[0]!r}; steps are {', '.join(STEPS)}", file=sys.stderr)
        return 2
    failed, took = [], []
    for name in arguments or list(STEPS):
        print(f"── {name}: {' '.join(STEPS[name][1:])}", flush=True)
        began = time.monotonic()
        code = subprocess.run(STEPS[name], cwd=ROOT, check=False).returncode
        took.append(f"{name} {time.monotonic() - began:.0f} s")
        if code:
            failed.append(name)
    print(f"── took: {', '.join(took)}")
    print(f"── failed: {', '.join(failed)}" if failed else "── all passed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
