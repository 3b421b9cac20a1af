"""How many of the plan's names are heard in narration said by computer voices, and how many are heard that nobody said.

The words are the narration of the sample media's clips; the voices are flite's. A name counts once a clip and voice.
The likelihood from which a name is said to be heard (0.3) was chosen after looking at this very narration in these
voices: the figures tell how the choice does there, not what it does for other words and voices.
"""

from __future__ import annotations

import re
import tempfile
import time
from pathlib import Path
from typing import Literal

from lastlook.intake import hearing
from lastlook.intake.captions import Captions, read_captions
from lastlook.intake.sound import RATE, sound_of
from lastlook.plan.parse import parse_plan
from lastlook.tagging import Lexicon
from lastlook.tagging.lexicon import Form
from lastlook.tagging.phrases import phrases
from lastlook.tagging.words import words_of
from tests import voices
from tests.benchmarks.rows import Row
from tests.lightship import MEDIA


def run(size: Literal["full", "small"]) -> list[Row]:
    plan = parse_plan((MEDIA / "plan.toml").read_text(encoding="utf-8"), "plan.toml")
    lexicon = Lexicon.of(plan)
    names = phrases(plan, lexicon)
    scripts = [path for path in sorted((MEDIA / "clips").iterdir()) if path.suffix in (".srt", ".vtt")]
    said = heard = false = 0
    sound_s = took_s = 0.0
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        for voice in voices.VOICES if size == "full" else voices.VOICES[:1]:
            for script in scripts if size == "full" else scripts[:1]:
                read = read_captions(script)
                assert isinstance(read, Captions)
                text = " ".join(cue.text for cue in read.cues)
                sentences = [re.sub(r"[^\w\s-]", "", each) for each in re.split(r"(?<=[.!?])\s+", text)]
                clip = Path(folder) / f"{script.stem}-{voice}.wav"
                voices.say(clip, [each for each in sentences if each.strip()], voice, picture=False)
                sound = sound_of(clip, 0, 3_600_000)
                began = time.monotonic()
                found = list(hearing.heard_in(sound, names, hearing.POCKETSPHINX))
                took_s += time.monotonic() - began
                sound_s += len(sound) / RATE
                want = _named(lexicon, text)
                have = set[str]().union(*(_named(lexicon, one.text) for one in found))
                said += len(want)
                heard += len(want & have)
                false += len(have - want)
    return [
        Row("minutes of speech", sound_s / 60, ""),
        Row("names said", said, ""),
        Row("names heard", 100 * heard / said, "%", "≥ 85" if size == "full" else ""),
        Row("of what is heard, not said", 100 * false / max(1, heard + false), "%", "≤ 12" if size == "full" else ""),
        Row("time beside that of the sound", took_s / sound_s, "×", "≤ 1"),
    ]


def _named(lexicon: Lexicon, text: str) -> set[str]:
    return {
        name.id
        for match in lexicon.find(words_of(text))
        for name in match.names
        if name.form is not Form.PARTIAL and not match.inside
    }
