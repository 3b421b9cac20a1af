"""Listening to clips: what computer voices say is heard, placed on the clip's time line, proposed, and taken back.

The voices are flite's (Debian's ffmpeg), the recogniser is pocketsphinx with the model it brings; neither was made for
the other, nor for the words of a lightship.
"""

from __future__ import annotations

import json
import math
import sys
import types
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import deciding, ingest, listening, proposing, rebuild
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures, tags
from lastlook.cli.main import main
from lastlook.intake import hearing
from lastlook.intake.sound import RATE, NoSound, sound_of
from lastlook.plan.parse import parse_plan
from lastlook.records import Dimension, Heard, ProposalSource
from lastlook.store import Store
from lastlook.tagging import Context, Lexicon, heard, propose_all
from lastlook.tagging.phrases import phrases
from lastlook.tagging.words import words_of
from tests import archives, voices

PLAN = parse_plan((Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8"), "plan.toml")
LEXICON = Lexicon.of(PLAN)
NAMES = phrases(PLAN, LEXICON)

SAID = (
    "run W three comes through bulkhead eleven",
    "this is the lantern mast before the paint dries",
    "pull the supply loom through the base",
    "just a second I need both hands",
    "the white wire goes to the terminal block",
)
MEANT = {"W03", "BHD-11", "MAST", "S20", "TB"}
NOTHING = ("just a second I need both hands", "that took longer than I thought", "you can hear the rain outside")


def named(found: list[Heard]) -> set[str]:
    return {name.id for one in found for match in LEXICON.find(words_of(one.text)) for name in match.names}


def test_names_are_heard_in_several_voices(tmp_path: Path) -> None:
    heard_by = {}
    for voice in voices.VOICES:
        clip = voices.say(tmp_path / f"{voice}.wav", SAID, voice, picture=False)
        found = list(hearing.heard_in(sound_of(clip, 0, 60_000), NAMES, hearing.POCKETSPHINX))
        assert all(0.3 <= one.sure <= 1 and 0 <= one.start_ms < one.end_ms for one in found)
        heard_by[voice] = len(named(found) & MEANT)
        quiet = voices.say(tmp_path / f"{voice}-nothing.wav", NOTHING, voice, picture=False)
        assert list(hearing.heard_in(sound_of(quiet, 0, 60_000), NAMES, hearing.POCKETSPHINX)) == []
    assert min(heard_by.values()) >= 3, heard_by
    assert sum(heard_by.values()) >= 16, heard_by


def test_loudness_does_not_matter_and_silence_says_nothing(tmp_path: Path) -> None:
    clip = voices.say(tmp_path / "said.wav", SAID, picture=False)
    sound = sound_of(clip, 0, 60_000)
    faint = (sound // 24).astype(np.int16)
    assert len(named(list(hearing.heard_in(faint, NAMES, hearing.POCKETSPHINX))) & MEANT) >= 4
    assert list(hearing.heard_in(np.zeros(RATE * 3, np.int16), NAMES, hearing.POCKETSPHINX)) == []
    assert list(hearing.heard_in(np.zeros(0, np.int16), NAMES, hearing.POCKETSPHINX)) == []


def test_sound_lies_where_the_clips_time_line_says(tmp_path: Path) -> None:
    """Parts side by side are one sound; a part begins where it was asked for."""
    clip = voices.say(tmp_path / "said.mp4", SAID[:2])
    whole = sound_of(clip, 0, 4000).astype(np.int64)
    part = sound_of(clip, 1000, 3000).astype(np.int64)
    assert len(part) == 2 * RATE
    shift = [int(np.abs(part[200:-200] - whole[RATE + by + 200 : 3 * RATE + by - 200]).sum()) for by in range(-80, 81)]
    assert abs(int(np.argmin(shift)) - 80) <= 16, "a millisecond at most"
    silent = tmp_path / "silent.mp4"
    voices_none(silent)
    with pytest.raises(NoSound, match="no sound"):
        sound_of(silent, 0, 1000)
    (tmp_path / "torn.mp4").write_bytes(clip.read_bytes()[:2000])
    assert isinstance(hearing.hear(str(tmp_path / "torn.mp4"), 0, 1000, NAMES, hearing.POCKETSPHINX), str)


def voices_none(path: Path) -> None:
    import subprocess

    command = ["ffmpeg", "-loglevel", "error", "-y", "-f", "lavfi", "-i", "testsrc2=size=160x120:rate=5:duration=2"]
    subprocess.run([*command, str(path)], check=True)


@given(st.integers(1, 40), st.integers(0, 30), st.integers(0, 1000))
@settings(max_examples=30)
def test_speech_is_cut_at_pauses_into_pieces_that_cover_it(speech: int, pause: int, seed: int) -> None:
    dice = np.random.default_rng(seed)
    loud = dice.normal(0, 4000, speech * RATE // 2)
    still = dice.normal(0, 20, pause * RATE // 2 + RATE)
    sound = np.clip(np.concatenate((still, loud, still, loud)), -32768, 32767).astype(np.int16)
    pieces = hearing.utterances(sound)
    assert all(first < last <= first + 21 * RATE for first, last in pieces)
    assert all(one[1] <= other[0] for one, other in pairwise(pieces))
    covered = np.zeros(len(sound), bool)
    for first, last in pieces:
        covered[first:last] = True
    assert covered[len(still) : len(still) + len(loud)].mean() > 0.95


def test_the_model_of_language_is_one() -> None:
    """ARPA: probabilities of single words come to one; no follower is likelier than certain."""
    text = hearing.language(
        [("w", "three"), ("lantern", "mast"), ("lantern",)], {"the": 0.05, "a": 0.03, "lantern": 1e-6}
    )
    ones = [line.split() for line in text.split("\\1-grams:")[1].split("\\2-grams:")[0].split("\n") if line.strip()]
    assert sum(10 ** float(value) for value, *_ in ones) == pytest.approx(1, abs=0.01)
    counted = {line.split()[1].split("=")[0]: int(line.split("=")[1]) for line in text.split("\n") if "ngram" in line}
    assert counted == {"1": len(ones), "2": 2, "3": 0}


def test_names_are_said_as_people_say_them() -> None:
    assert {("w", "three"), ("w", "zero", "three"), ("run", "three"), ("lantern", "mast"), ("white", "wire")} <= set(
        NAMES
    )
    assert ("port", "lights") in {phrase[-2:] for phrase in NAMES}, "not 'port light'"
    assert not any("wh" in phrase for phrase in NAMES), "nobody says the code of a colour"
    assert "deckhouse" not in hearing.cannot_hear(NAMES)


def test_what_is_heard_weighs_less_than_what_is_written_down() -> None:
    one = Heard(4000, 5000, "run W three", 1.0)
    context = Context(PLAN, LEXICON, clip_ms=5000, heard=(one,))
    (run,) = [each for each in propose_all(context) if each.target == "W03"]
    assert run.evidence[0].source is ProposalSource.HEARD
    assert run.evidence[0].evidence == 'heard at 0:04: "run W three" (100 % sure)'
    assert 0.5 < run.confidence < 0.7
    unsure = Context(PLAN, LEXICON, clip_ms=5000, heard=(Heard(4000, 5000, "run W three", 0.5),))
    assert max(each.confidence for each in heard.propose(unsure)) < 0.5, "not applied by itself"
    assert heard.propose(Context(PLAN, LEXICON, heard=(one,))) == [], "a photo hears nothing"
    (denied,) = heard.propose(
        Context(PLAN, LEXICON, clip_ms=5000, heard=(Heard(4000, 5000, "that is not W three", 1.0),))
    )
    assert denied.confidence < 0.3, "a sentence from a better recogniser is read as a caption is"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = archives.make(tmp_path / "archive")
    folder = tmp_path / "card"
    folder.mkdir()
    voices.say(folder / "bench talk.mp4", SAID)
    voices_none(folder / "quiet.mp4")
    with Store(made, by="ada") as store, ThreadPoolExecutor(2) as executor:
        ingest.ingest(store, [folder], executor=executor)
    return made


def test_a_clip_is_listened_to_proposed_taken_back_and_rebuilt(
    archive: Archive, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--archive", str(archive.root), "--quiet", "--by", "ada"]
    assert main(["listen", "bench talk.mp4", "--json", *where]) == 0
    (clip,) = json.loads(capsys.readouterr().out)["clips"]
    assert {name for one in clip["heard"] for name in one["names"]} >= {"W03", "BHD-11"}
    assert clip["heard"][0]["start_ms"] < 2500

    def sources(store: Store) -> set[tuple[str, str]]:
        found = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        return {(tag.target, tag.by) for picture in found for tag in picture.tags}

    with Store(archive, by="ada") as store:
        assert ("W03", "heard") in sources(store)
        rids = pictures.every_rid(store.catalogue)
        evidence = [one.evidence for rid in rids for one in tags.proposals_of(store.catalogue, rid)]
        assert any(line.startswith("heard at 0:0") for line in evidence)
        sha = media.find_clip(store.catalogue, "bench talk.mp4").sha256
        before = proposing.heard_in(store, sha)
    assert main(["listen", "--all", *where]) == 1, "one clip has no sound"
    said = capsys.readouterr().out
    assert "quiet.mp4: cannot be listened to, it has no sound." in said
    assert "bench talk" not in said
    with ThreadPoolExecutor(1) as executor:
        rebuild.rebuild(archive, executor=executor)
    with Store(archive, by="ada") as store:
        assert proposing.heard_in(store, sha) == before, "no recogniser is needed to rebuild"
        assert ("W03", "heard") in sources(store)
        target, _ = deciding.undo(store)
        assert target.kind == "heard"
        assert not any(by == "heard" for _, by in sources(store))
    assert main(["history", "--archive", str(archive.root)]) == 0
    assert "listened to clip" in capsys.readouterr().out


def test_without_a_recogniser_it_says_what_to_install(
    archive: Archive, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    where = ["--archive", str(archive.root), "--quiet"]
    assert main(["listen", "--all", "--model", str(tmp_path), *where]) == 2
    assert "faster-whisper is not installed" in capsys.readouterr().err
    assert main(["listen", *where]) == 2
    assert "which clips?" in capsys.readouterr().err
    monkeypatch.setattr(hearing, "find_spec", lambda name: None)
    assert main(["listen", "--all", *where]) == 2
    assert "pip install 'lastlook[listen]'" in capsys.readouterr().err


def test_faster_whisper_is_used_with_a_model_on_this_computer_only(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Against a stand-in with the interface of faster-whisper 1.2 (its model is not here): what it is asked, and what
    becomes of its answer."""
    asked: dict[str, Any] = {}

    class WhisperModel:
        def __init__(self, model: str, **options: object) -> None:
            asked.update(options, model=model)

        def transcribe(self, sound: np.ndarray[Any, Any], **options: object) -> tuple[list[object], None]:
            asked.update(options)
            part = types.SimpleNamespace(
                start=1.0, end=2.5, text=" That is W03. ", avg_logprob=math.log(0.8), no_speech_prob=0.0
            )
            return [part], None

    stand_in = types.ModuleType("faster_whisper")
    stand_in.WhisperModel = WhisperModel  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "faster_whisper", stand_in)
    monkeypatch.setattr(hearing, "installed", lambda recogniser: True)
    with pytest.raises(Exception, match="nothing is fetched"):
        listening.choose(model=tmp_path)
    (tmp_path / "model.bin").write_bytes(b"")
    assert listening.choose(model=tmp_path) == hearing.WHISPER
    hearing._whisper.cache_clear()
    (one,) = hearing.heard_in(np.zeros(RATE, np.int16), NAMES, hearing.WHISPER, str(tmp_path), "Terminal block")
    hearing._whisper.cache_clear()
    assert (one.start_ms, one.end_ms, one.text, one.sure) == (1000, 2500, "That is W03.", 0.8)
    assert asked["local_files_only"] is True
    assert asked["model"] == str(tmp_path)
    assert asked["hotwords"] == "Terminal block"
    assert {name.id for match in LEXICON.find(words_of(one.text)) for name in match.names} == {"W03"}
    assert Dimension.RUN in {name.dimension for match in LEXICON.find(words_of(one.text)) for name in match.names}
