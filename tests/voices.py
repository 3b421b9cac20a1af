"""Speech made by computer voices: flite's, as Debian's ffmpeg brings them (libavfilter's `flite` source)."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

VOICES = ("slt", "awb", "rms", "kal16")
"""A woman and a man of the United States, a man of Scotland, and an older, flatter machine."""


def say(
    path: Path, sentences: Sequence[str], voice: str = "slt", *, pause_s: float = 0.8, picture: bool = True
) -> Path:
    """A clip in which `sentences` are said one after the other, a pause behind each."""
    parts = [f"flite=text='{text}':voice={voice},apad=pad_dur={pause_s}[a{n}]" for n, text in enumerate(sentences)]
    heads = "".join(f"[a{n}]" for n in range(len(sentences)))
    graph = ";".join([*parts, f"{heads}concat=n={len(sentences)}:v=0:a=1,aresample=44100[s]"])
    shown = ["-f", "lavfi", "-i", "testsrc2=size=320x240:rate=5"] if picture else []
    subprocess.run(
        [
            *("ffmpeg", "-loglevel", "error", "-y", *shown),
            *("-filter_complex", graph),
            *(["-map", "0:v", "-c:v", "libx264", "-preset", "ultrafast", "-shortest"] if picture else []),
            *("-map", "[s]", "-c:a", "aac" if picture else "pcm_s16le"),
            str(path),
        ],
        check=True,
    )
    return path
