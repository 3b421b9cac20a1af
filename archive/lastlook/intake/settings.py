"""What a worker is told: one frozen record that goes along with every path to `reader.read_one`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

THUMB_EDGE = 440
PAGE_EDGE = 960


@dataclass(frozen=True, slots=True)
class IntakeSettings:
    """How files are read. Small and picklable, since it crosses to worker processes with every task.

    `derived`: root folder of the derived pictures. `staging`: an existing folder into which each file is copied
    while it is hashed (None: files are left in place). `max_pixels`: the most pixels a picture may have before it is
    refused; phones make 200-megapixel pictures, decompression bombs claim billions. `thumb_edge`, `page_edge`: long
    edges in pixels of the two derived pictures. A page has at least `page_edge` where the photo has, and up to 5/3 of
    it where that is what the decoder gives by halving: scaling once more costs as much as decoding and shows less.

    A thumb is within 16 % of `thumb_edge`, or smaller where the photo is.

    A file may take `seconds_per_file` and, on top, the time its bytes take at `photo_bytes_per_second` or
    `clip_bytes_per_second`: slow cards are no fault. A clip may take that anew after each of its pictures: how long
    an hour of a still bench takes its few bytes do not say.

    For clips: no stretch longer than `still_interval_ms` is without a still; a view held for `hold_ms` gets its own.
    """

    derived: Path
    staging: Path | None = None
    max_pixels: int = 250_000_000
    seconds_per_file: float = 8.0
    photo_bytes_per_second: float = 1_000_000.0
    clip_bytes_per_second: float = 300_000.0
    thumb_edge: int = THUMB_EDGE
    page_edge: int = PAGE_EDGE
    still_interval_ms: int = 20_000
    hold_ms: int = 3_000
