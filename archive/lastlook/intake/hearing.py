"""Words of a plan heard in sound, by a recogniser on this computer that may or may not be installed.

pocketsphinx brings its own model of American English. It is not asked what was said but which of the plan's names
were: it gets a model of language in which a few names are likely and the most common words of English take up all
other speech, so that what is no name has somewhere to go. Loudness is evened out and speech is cut at its pauses.

faster-whisper is used with a model that lies in a folder of this computer; it writes down whole sentences.

Nothing is ever fetched: a recogniser without its model is not there.
"""

from __future__ import annotations

import math
import re
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from lastlook.intake import guard
from lastlook.intake.sound import RATE, NoSound, Sound, sound_of
from lastlook.records import Heard

POCKETSPHINX, WHISPER = "pocketsphinx", "faster-whisper"
RECOGNISERS = (POCKETSPHINX, WHISPER)
_MODULES = {POCKETSPHINX: "pocketsphinx", WHISPER: "faster_whisper"}

LEAST_SURE = 0.3
"""What is less likely than this is not said to have been heard. Chosen after looking at the narration of the sample
media, by which the benchmark `listening` measures it too: its figures are no test on words and voices never heard."""

AROUND_MS = 4_000
"""How much more than a part of a clip is listened to on both sides, so that no name is cut in two."""

# The model of language. Set on sentences other than those of the benchmark, but in its voices too, beside others.
_COMMON = 1500  # words of English that take up other speech
_NAMES = 0.3  # how likely the next word begins a name of the plan
_END = 0.05
_STAY, _STAY_MORE = 0.8, 0.9  # having begun a name, to go on with it
_RARE = 1e-6

_LOUD = 0.1  # root mean square, of full scale, to which speech is brought
_MOST_GAIN = 30.0
_PAUSE_S, _LEAST_S, _LONGEST_S = 0.35, 0.25, 20.0
_FRAME_S = 0.01
_HINTS = 600  # letters
_WORD = re.compile(r"[a-z']+")
_VOWEL = re.compile("[aeiouy]")


def installed(recogniser: str) -> bool:
    return find_spec(_MODULES[recogniser]) is not None


def hear(
    path: str,
    from_ms: int,
    to_ms: int,
    phrases: tuple[tuple[str, ...], ...],
    recogniser: str,
    model: str = "",
    hints: str = "",
) -> tuple[Heard, ...] | str:
    """What of `phrases` (lower-case words, numbers as words) is heard in [from_ms, to_ms) of the clip at `path`; or a
    string: why the clip cannot be listened to. Picklable in and out; the work is done in a helper process."""
    try:
        return guard.run(hear_here, path, from_ms, to_ms, phrases, recogniser, model, hints, seconds=300.0)
    except guard.TimeUp:
        return "listening to it took too long"
    except guard.Crashed as error:
        return f"listening to it failed ({error})"


def hear_here(
    path: str,
    from_ms: int,
    to_ms: int,
    phrases: tuple[tuple[str, ...], ...],
    recogniser: str,
    model: str = "",
    hints: str = "",
) -> tuple[Heard, ...] | str:
    """What `hear` does, in this process."""
    start = max(0, from_ms - AROUND_MS)
    try:
        sound = sound_of(path, start, to_ms + AROUND_MS)
    except NoSound as error:
        return str(error)
    found = heard_in(sound, phrases, recogniser, model, hints)
    # What begins in this part belongs to it: parts side by side lose nothing and say nothing twice.
    moved = (Heard(one.start_ms + start, one.end_ms + start, one.text, one.sure) for one in found)
    return tuple(one for one in moved if from_ms <= one.start_ms < to_ms)


def heard_in(
    sound: Sound, phrases: tuple[tuple[str, ...], ...], recogniser: str, model: str = "", hints: str = ""
) -> Iterator[Heard]:
    """What of `phrases` is heard in `sound`, ms from its start."""
    if recogniser == WHISPER:
        yield from _by_whisper(sound, model, hints)
        return
    ears = _sphinx(phrases)
    for first, last in utterances(sound):
        for one in ears.heard(_evened(sound[first:last])):
            at = first * 1000 // RATE
            yield Heard(one.start_ms + at, one.end_ms + at, one.text, one.sure)


def cannot_hear(phrases: tuple[tuple[str, ...], ...]) -> tuple[str, ...]:
    """Words that pocketsphinx has no pronunciation for: names with them are not listened for."""
    return _sphinx(phrases).unknown


# ------------------------------------------------------------------------------------------------ sound


def utterances(sound: Sound) -> list[tuple[int, int]]:
    """[first, last) in samples of each stretch of speech: what is louder than the background, cut at pauses."""
    step = int(RATE * _FRAME_S)
    count = len(sound) // step
    if not count:
        return []
    frames = sound[: count * step].reshape(count, step).astype(np.float64)
    level = 10 * np.log10((frames**2).mean(axis=1) + 1.0)
    quiet, loud = np.percentile(level, 10), np.percentile(level, 95)
    if loud < 20 or loud - quiet < 6:  # silence, or one even noise: no speech, or all of it
        return [] if loud < 20 else _pieces(0, count, step, level)
    speech = level > quiet + 0.35 * (loud - quiet)
    found: list[tuple[int, int]] = []
    gap = round(_PAUSE_S / _FRAME_S)
    for at in np.flatnonzero(speech):
        if found and at - found[-1][1] <= gap:
            found[-1] = (found[-1][0], int(at) + 1)
        else:
            found.append((int(at), int(at) + 1))
    margin = gap // 2
    spans = [
        (max(0, first - margin), min(count, last + margin))
        for first, last in found
        if (last - first) * _FRAME_S >= _LEAST_S
    ]
    return [piece for first, last in spans for piece in _pieces(first, last, step, level)]


def _pieces(first: int, last: int, step: int, level: np.ndarray[Any, Any]) -> list[tuple[int, int]]:
    """A stretch without a pause is cut where it is quietest."""
    longest = round(_LONGEST_S / _FRAME_S)
    pieces = []
    while last - first > longest:
        half = first + longest // 2
        cut = half + int(level[half : first + longest].argmin())
        pieces.append((first * step, cut * step))
        first = cut
    return [*pieces, (first * step, last * step)]


def _evened(sound: Sound) -> Sound:
    """The same at the loudness at which recognisers hear best."""
    values = sound.astype(np.float32)
    values -= values.mean()
    strength = float(np.sqrt((values**2).mean()))
    gain = min(_MOST_GAIN, _LOUD * 32768 / strength) if strength > 0 else 1.0
    return np.asarray(np.clip(values * gain, -32768, 32767), dtype=np.int16)


# ------------------------------------------------------------------------------------------------ pocketsphinx


@lru_cache(maxsize=2)
def _sphinx(phrases: tuple[tuple[str, ...], ...]) -> _Sphinx:
    return _Sphinx(phrases)


class _Sphinx:
    """pocketsphinx, its ears set for some phrases."""

    def __init__(self, phrases: Sequence[tuple[str, ...]]) -> None:
        sphinx: Any = import_module(_MODULES[POCKETSPHINX])
        self._decoder = sphinx.Decoder(samprate=float(RATE), lm=None, loglevel="FATAL")
        general = sphinx.NGramModel(
            self._decoder.config, self._decoder.logmath, sphinx.get_model_path("en-us/en-us.lm.bin")
        )
        unknown: dict[str, None] = {}
        said = [phrase for phrase in phrases if all(self._can_say(word, unknown) for word in phrase)]
        self.unknown = tuple(unknown)
        self._phrases = frozenset(said)
        self._longest = max(map(len, said), default=0)
        with tempfile.TemporaryDirectory(prefix="lastlook-") as folder:
            path = Path(folder) / "plan.lm"
            path.write_text(language(said, self._common(general)), encoding="utf-8")
            model = sphinx.NGramModel(self._decoder.config, self._decoder.logmath, str(path))
        self._decoder.add_lm("plan", model)
        self._decoder.activate_search("plan")

    def heard(self, sound: Sound) -> Iterator[Heard]:
        """Names in one stretch of speech, ms from its start."""
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), full_utt=True)
        self._decoder.end_utt()
        if self._decoder.hyp() is None:
            return
        words = [
            (part.word.partition("(")[0], part.start_frame, part.end_frame + 1, min(1.0, part.prob))
            for part in self._decoder.seg()
            if part.word[0] not in "<[+"
        ]
        at = 0
        while at < len(words):
            for count in range(min(self._longest, len(words) - at), 0, -1):
                some = words[at : at + count]
                if tuple(word for word, *_ in some) in self._phrases:
                    sure = min(prob for *_, prob in some)
                    if sure >= LEAST_SURE:
                        text = " ".join(word for word, *_ in some)
                        yield Heard(some[0][1] * 10, some[-1][2] * 10, text, round(sure, 3))
                    at += count
                    break
            else:
                at += 1

    def _can_say(self, word: str, unknown: dict[str, None]) -> bool:
        if self._decoder.lookup_word(word) is not None:
            return True
        sounds = self._of_two(word) or self._spelt(word)
        if sounds:
            self._decoder.add_word(word, sounds, True)
            return True
        unknown.setdefault(word)
        return False

    def _of_two(self, word: str) -> str:
        """The sounds of a word made of two: "deckhouse". The more even the two, the likelier."""
        for cut in sorted(range(3, len(word) - 2), key=lambda cut: abs(2 * cut - len(word))):
            left, right = (self._decoder.lookup_word(part) for part in (word[:cut], word[cut:]))
            if left and right:
                return f"{left} {right}"
        return ""

    def _spelt(self, word: str) -> str:
        """The sounds of letters said one by one: "BHD"."""
        if len(word) > 4 or _VOWEL.search(word):
            return ""
        letters = [self._decoder.lookup_word(letter) for letter in word]
        return " ".join(letters) if all(letters) else ""

    def _common(self, general: Any) -> Mapping[str, float]:
        """The most common words of English with how often they are said."""
        path = import_module(_MODULES[POCKETSPHINX]).get_model_path("en-us/cmudict-en-us.dict")
        words = [line.split(" ", 1)[0] for line in Path(path).read_text(encoding="utf-8").splitlines()]
        plain = (word for word in words if _WORD.fullmatch(word))
        logs = sorted(((general.prob([word]), word) for word in plain), reverse=True)[:_COMMON]
        base = self._decoder.logmath
        return {word: base.exp(log) for log, word in logs}


def language(phrases: Sequence[tuple[str, ...]], common: Mapping[str, float]) -> str:
    """A model of language in the ARPA format: any word of `common` or a phrase may come at any time, and a phrase that
    has begun is likely to go on."""
    total = sum(common.values()) or 1.0
    single: Counter[str] = Counter()
    for word, often in common.items():
        single[word] += (1 - _NAMES) * (1 - _END) * often / total  # type: ignore[assignment]
    starts = Counter(phrase[0] for phrase in phrases)
    roots = sum(math.sqrt(count) for count in starts.values()) or 1.0
    for word, count in starts.items():
        # Many phrases begin with "wire": that makes it likelier, but not that many times.
        single[word] += _NAMES * (1 - _END) * math.sqrt(count) / roots  # type: ignore[assignment]
    for phrase in phrases:
        for word in phrase:
            single.setdefault(word, _RARE)  # type: ignore[arg-type]
    pairs: dict[str, Counter[str]] = defaultdict(Counter)
    triples: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for phrase in phrases:
        whole = (*phrase, "")
        for one, two in pairwise(whole):
            pairs[one][two] += 1
        for one, two, three in zip(whole, whole[1:], whole[2:], strict=False):
            triples[one, two][three] += 1
    second = _shares(pairs, _STAY)
    third = {key: share for key, share in _shares(triples, _STAY_MORE).items() if share}
    lines = ["\\data\\", f"ngram 1={len(single) + 2}"]
    lines += [f"ngram 2={sum(map(len, second.values()))}", f"ngram 3={sum(map(len, third.values()))}", ""]
    lines += ["\\1-grams:", "-99 <s> 0", f"{math.log10(_END):.4f} </s> 0"]
    for word in sorted(single):
        known = second.get(word, {})
        back = _log(1 - sum(known.values())) - _log(1 - sum(single[next_] for next_ in known)) if known else 0.0
        lines.append(f"{math.log10(single[word]):.4f} {word} {back:.4f}")
    lines += ["", "\\2-grams:"]
    for one, known in sorted(second.items()):
        for two, share in sorted(known.items()):
            back = _log(1 - sum(third[one, two].values())) if (one, two) in third else 0.0
            lines.append(f"{math.log10(share):.4f} {one} {two} {back:.4f}")
    lines += ["", "\\3-grams:"]
    for (one, two), known in sorted(third.items()):
        lines += [f"{math.log10(share):.4f} {one} {two} {three}" for three, share in sorted(known.items())]
    return "\n".join([*lines, "", "\\end\\", ""])


def _shares(counts: Mapping[Any, Counter[str]], together: float) -> dict[Any, dict[str, float]]:
    """How likely each follower is, all of them `together`; '' (the phrase is over) gives its share to what comes."""
    return {
        key: shares
        for key, each in counts.items()
        if (shares := {word: together * count / each.total() for word, count in each.items() if word})
    }


def _log(value: float) -> float:
    return math.log10(max(value, 1e-3))


# ------------------------------------------------------------------------------------------------ faster-whisper


@lru_cache(maxsize=1)
def _whisper(model: str) -> Any:
    whisper: Any = import_module(_MODULES[WHISPER])
    return whisper.WhisperModel(model, device="cpu", compute_type="int8", local_files_only=True)


def _by_whisper(sound: Sound, model: str, hints: str) -> Iterator[Heard]:
    """Whole sentences; `hints` are words to expect. Sentences that name nothing are among them: who asked decides."""
    parts, _ = _whisper(model).transcribe(
        sound.astype(np.float32) / 32768,
        language="en",
        hotwords=hints[:_HINTS] or None,
        vad_filter=True,
        word_timestamps=False,
    )
    for part in parts:
        guard.go_on(120.0)
        sure = math.exp(min(0.0, part.avg_logprob)) * (1.0 - part.no_speech_prob)
        text = " ".join(part.text.split())
        if text and sure >= LEAST_SURE:
            yield Heard(round(part.start * 1000), round(part.end * 1000), text, round(sure, 3))
