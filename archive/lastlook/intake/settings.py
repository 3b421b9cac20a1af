"""What a worker is told: one frozen record that goes along with every path to `reader.read_one`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

THUMB_EDGE = 440
PAGE_EDGE = 1280


@dataclass(frozen=True, slots=True)
class IntakeSettings:
    """How files are read. Small and picklable, since it crosses to worker processes with every task.

    `derived`: root folder of the derived pictures. `staging`: an existing folder into which each file is copied
    while it is hashed (None: files are left in place). `max_pixels`: the most pixels a picture may have before it is
    refused; phones make 200-megapixel pictures, decompression bombs claim billions. `seconds_per_file`: the bound on
    one photo. `thumb_edge`, `page_edge`: long edges in pixels of the two derived pictures; a page is never enlarged.

    For clips: no stretch longer than `still_interval_ms` is without a still; a view held for `hold_ms` gets its own;
    `clip_seconds_per_minute` bounds the work on a clip by its length, on top of `seconds_per_file`.
    """

    derived: Path
    staging: Path | None = None
    max_pixels: int = 250_000_000
    seconds_per_file: float = 10.0
    thumb_edge: int = THUMB_EDGE
    page_edge: int = PAGE_EDGE
    still_interval_ms: int = 20_000
    hold_ms: int = 3_000
    clip_seconds_per_minute: float = 60.0
