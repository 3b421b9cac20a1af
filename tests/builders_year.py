"""A builder's year without files: what is worked on when, what is photographed and said, and what each picture shows.

For measuring proposals against truth. The numbers of this builder's habits are stated here, each beside its name; they
are judgements ("common practice, no source"). Everything follows from
the seed. What a builder files wrongly, or photographs without a word or card while at something else, is wrong in
every proposal as well: `CARELESS` shows how much hangs on that. The narration has a grammar of its own: topic
sentences, by-the-way sentences about other things, filler.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from lastlook import archive, keeping, planning, proposing, retime
from lastlook.archive import Archive
from lastlook.cards import Card, encode
from lastlook.catalogue import codes, decisions, media, pictures
from lastlook.catalogue.media import Medium
from lastlook.plan import structure
from lastlook.records import (
    Camera,
    Claim,
    ClaimSource,
    Code,
    CodeKind,
    Cue,
    Dimension,
    Plan,
    Quality,
    Step,
    StillReading,
    photo_id,
    still_id,
)
from lastlook.store import Store

PLAN = (Path(__file__).parent / "data" / "plan-lv40.toml").read_text(encoding="utf-8")
START = datetime(2027, 1, 11, 7, tzinfo=UTC)


@dataclass(frozen=True)
class Habits:
    """How a builder works; shares are of stretches of bench work unless said otherwise."""

    elsewhere: float = 0.02  # of shots: something else is photographed in between
    clips: float = 0.3  # with a clip
    said: float = 0.4  # of sentences name what is at hand; every eighth names something else
    by_the_way: float = 0.12
    named_folder: float = 0.9  # photos put into a folder named for the work
    one_folder: float = 0.02  # the folder of the stretch before is used on
    sessions: float = 0.0
    forgets_to_stop: float = 0.12
    wrong_session: float = 0.015
    cards: float = 0.0
    card_found: float = 0.97  # of cards in view
    wrong_card: float = 0.01


ALONE = Habits()
"""No cards and no sessions: folders named after the work, and words over clips."""

CARELESS = Habits(elsewhere=0.05, one_folder=0.06)
"""The same with two to three times as much put in the wrong folder."""

HELPED = Habits(named_folder=0.5, sessions=0.93, cards=0.75)
"""Cards and sessions as a builder would use them, and half as much care about folders."""


@dataclass(frozen=True)
class Truth:
    """What a picture shows: its subassembly (those around it count as right, too) and its step ('' for none)."""

    sub: str
    step: str


@dataclass
class Year:
    archive: Archive
    truth: dict[str, Truth] = field(default_factory=dict)


@dataclass(frozen=True)
class _Stretch:
    start: datetime
    end: datetime
    step: Step


def make(root: Path, count: int, seed: int, habits: Habits) -> Year:
    """An archive with at least so many pictures and the truth of each."""
    year = Year(archive.create(root, name="LV-40", zone="Europe/Copenhagen"))
    with Store(year.archive, create=True, by="Ada") as store:
        planning.load(store, PLAN, "plan.toml")
        with store.catalogue.writing():
            _Builder(store, year, random.Random(seed), habits).work(count)
            proposing.propose(store)
    return year


class _Builder:
    def __init__(self, store: Store, year: Year, chance: random.Random, habits: Habits) -> None:
        self.store, self.year, self.chance, self.habits = store, year, chance, habits
        self.plan: Plan = store.plan
        self.files = 0
        self.folder = "bench"
        self.card: Card | None = None

    def work(self, count: int) -> None:
        last: _Stretch | None = None
        for stretch in self._stretches():
            self._session(stretch, last)
            self._photos(stretch)
            if self.chance.random() < self.habits.clips:
                self._clip(stretch)
            last = stretch
            if len(self.year.truth) >= count:
                return

    def _stretches(self) -> Iterator[_Stretch]:
        """Two steps are under way at any time, and every some days one is done and the next begins."""
        steps = sorted(self.plan.steps, key=lambda step: step.order)
        going, day = [0, 1], 0
        while True:
            at = START + timedelta(days=day, minutes=self.chance.randrange(90))
            for _ in range(self.chance.choice((1, 2, 2, 3))):
                length = timedelta(minutes=self.chance.randrange(25, 150))
                yield _Stretch(at, at + length, steps[self.chance.choice(going) % len(steps)])
                at += length + timedelta(minutes=self.chance.randrange(4, 60))
            day += self.chance.choice((1, 1, 1, 2, 3))
            if self.chance.random() < 0.2:
                going = [going[1], max(going) + 1]

    # -------------------------------------------------------------------------------------------- what is said of it

    def _session(self, stretch: _Stretch, last: _Stretch | None) -> None:
        if self.chance.random() >= self.habits.sessions:
            return
        step = stretch.step
        if last is not None and self.chance.random() < self.habits.wrong_session:
            step = last.step
        start = stretch.start + timedelta(seconds=self.chance.randrange(-240, 240))
        forgot = self.chance.random() < self.habits.forgets_to_stop
        end = None if forgot else stretch.end + timedelta(seconds=self.chance.randrange(0, 400))
        body = {
            "targets": [["subassembly", step.subassembly], ["step", step.id]],
            "start": decisions.instant_text(start),
            "end": decisions.instant_text(end) if end else None,
            "said": "now",
            "note": "",
        }
        decisions.append(self.store.catalogue, "session", body, by="Ada")

    def _laid_card(self, stretch: _Stretch) -> Card | None:
        """The card that is in view at the start of a stretch."""
        if not self._lays():
            return None
        if self.card is None or self.chance.random() >= self.habits.wrong_card:
            by_step = self.chance.random() < 0.7
            step = stretch.step
            self.card = Card(Dimension.STEP, step.id) if by_step else Card(Dimension.SUBASSEMBLY, step.subassembly)
        return self.card

    def _lays(self) -> bool:
        return self.chance.random() < self.habits.cards

    def _named(self, stretch: _Stretch) -> str:
        """A folder's name as builders give them."""
        item = structure.items(self.plan)[stretch.step.subassembly]
        names = [item.title, item.id, *item.aliases]
        chosen = stretch.step.title if self.chance.random() < 0.25 else self.chance.choice(names)
        return f"{stretch.start:%Y-%m-%d} {chosen}" if self.chance.random() < 0.6 else chosen

    # ------------------------------------------------------------------------------------------------ photos

    def _photos(self, stretch: _Stretch) -> None:
        if self.chance.random() >= self.habits.one_folder:
            named = self.chance.random() < self.habits.named_folder
            self.folder = self._named(stretch) if named else f"{stretch.start:%Y-%m-%d}"
        at = stretch.start + timedelta(seconds=self.chance.randrange(20, 300))
        card = self._laid_card(stretch)
        first = True
        while at < stretch.end:
            step: Step | None = stretch.step
            sub = stretch.step.subassembly
            if not first and self.chance.random() < self.habits.elsewhere:
                step, sub = None, self.chance.choice([each.id for each in self.plan.subassemblies if each.id != sub])
            # Whoever uses cards lays the other one down for a picture of something else, too.
            shown = card if first else Card(Dimension.SUBASSEMBLY, sub) if step is None and self._lays() else None
            for _ in range(self.chance.choice((1, 1, 2, 3))):
                seen = shown if shown and self.chance.random() < self.habits.card_found else None
                self._photo(at, sub, step, seen)
                first = False
                if step is not None:
                    shown = None  # taken away again, so as not to hide the work
                at += timedelta(seconds=self.chance.randrange(1, 6))
            at += timedelta(seconds=self.chance.randrange(30, 700))

    def _photo(self, at: datetime, sub: str, step: Step | None, card: Card | None) -> None:
        medium = self._medium("photo", f"BL{self.files:06}.JPG", at, None)
        rid = pictures.add_photo(
            self.store.catalogue,
            medium.sha256,
            width=4000,
            height=3000,
            time=retime.resolve_medium(self.store.catalogue, self.store.zone, medium),
            quality=self._quality(),
            thumb="",
            page="",
        )
        self.year.truth[photo_id(medium.sha256)] = Truth(sub, step.id if step else "")
        if card is not None:
            codes.found(self.store.catalogue, rid, [_code(card)])

    def _medium(self, kind: str, file: str, at: datetime, duration_ms: int | None) -> Medium:
        self.files += 1
        sha256 = hashlib.sha256(f"{self.files} {self.chance.random()}".encode()).hexdigest()
        wall = at.replace(tzinfo=None)
        claim = Claim(ClaimSource.EXIF_ORIGINAL, wall.isoformat(), wall, 0)
        medium = Medium(
            sha256=sha256, kind=kind, format="JPEG", file=file, stored=f"originals/{file}", in_place=False,
            size_bytes=1, mtime_ns=0, width=4000, height=3000, orientation=1, camera=Camera("Brasklund", "BL-30"),
            claims=(claim,), facts={}, warnings=(), duration_ms=duration_ms, pair_id="", belongs_to="", shown=True,
        )  # fmt: skip
        media.add(self.store.catalogue, medium)
        body: dict[str, object] = {
            "sha256": sha256, "media": kind, "file": file, "source": f"/card/{self.folder}/{file}",
            "folders": ["card", self.folder], "stored": medium.stored, "in_place": False, "size_bytes": 1,
            "mtime_ns": 0, "belongs_to": "",
        }  # fmt: skip
        keeping.sight(self.store, decisions.append(self.store.catalogue, "arrival", body, by="Ada"))
        return medium

    def _quality(self) -> Quality:
        return Quality(self.chance.uniform(20, 900), self.chance.getrandbits(64), 120.0)

    # ------------------------------------------------------------------------------------------------ clips

    def _clip(self, stretch: _Stretch) -> None:
        length_ms = self.chance.randrange(90, 600) * 1000
        at = stretch.start + (stretch.end - stretch.start) * self.chance.uniform(0.1, 0.6)
        medium = self._medium("clip", f"VID_{self.files:06}.mp4", at, length_ms)
        card = self._laid_card(stretch)
        moment = 2_000
        while moment < length_ms:
            still = StillReading(moment, 1920, 1080, self._quality(), "", "")
            time = retime.resolve_medium(self.store.catalogue, self.store.zone, medium, moment)
            rid = pictures.add_still(self.store.catalogue, medium.sha256, still, time)
            self.year.truth[still_id(medium.sha256, moment)] = Truth(stretch.step.subassembly, stretch.step.id)
            if moment == 2_000 and card is not None and self.chance.random() < self.habits.card_found:
                codes.found(self.store.catalogue, rid, [_code(card)])
            moment += self.chance.randrange(6, 20) * 1000
        self._speak(medium, stretch, length_ms)

    def _speak(self, clip: Medium, stretch: _Stretch, length_ms: int) -> None:
        cues = []
        at = self.chance.randrange(0, 4000)
        while at < length_ms - 3000:
            cues.append(Cue(at, at + 2800, self._sentence(stretch)))
            at += self.chance.randrange(3000, 11000)
        sha256 = hashlib.sha256(f"captions {clip.sha256}".encode()).hexdigest()
        catalogue = self.store.catalogue
        captions = Medium(
            sha256=sha256, kind="captions", format="srt", file=clip.file.replace(".mp4", ".srt"), stored="x.srt",
            in_place=False, size_bytes=1, mtime_ns=0, width=0, height=0, orientation=1, camera=Camera(), claims=(),
            facts={}, warnings=(), duration_ms=None, pair_id="", belongs_to=clip.sha256, shown=False,
        )  # fmt: skip
        media.add(catalogue, captions)
        media.add_cues(catalogue, sha256, cues)
        body: dict[str, object] = {
            "sha256": sha256, "media": "captions", "file": captions.file, "source": f"/card/{captions.file}",
            "folders": [], "stored": "x.srt", "in_place": False, "size_bytes": 1, "mtime_ns": 0,
            "belongs_to": clip.sha256,
        }  # fmt: skip
        keeping.sight(self.store, decisions.append(catalogue, "arrival", body, by="Ada"))
        proposing.say_words(self.store, clip.sha256)

    def _sentence(self, stretch: _Stretch) -> str:
        pick = self.chance.choice
        items = structure.items(self.plan)
        roll = self.chance.random()
        if roll < self.habits.said:
            item = items[stretch.step.subassembly]
            runs = [items[id] for id in stretch.step.runs]
            named = pick([item.title, pick([item.title, *item.aliases]), *(pick([run.id, run.title]) for run in runs)])
            return pick(_TOPIC).format(named.lower() if self.chance.random() < 0.5 else named)
        if roll < self.habits.said + self.habits.by_the_way:
            others = [each for each in self.plan.subassemblies if each.id != stretch.step.subassembly]
            return pick(_ASIDE).format(pick(others).title.lower())
        return pick(_FILLER)


def _code(card: Card) -> Code:
    return Code(CodeKind.QR, encode(card), ((0, 0), (9, 0), (9, 9), (0, 9)), 1.0)


_TOPIC = (
    "right, so here we have the {}",
    "back to the {} then",
    "and that is where the {} sits",
    "I want you to see the {} before it gets covered",
    "{} again, from the other side",
    "let me hold the {} up to the light",
    "checking the {} one more time",
    "okay the {} looks good to me",
)
_ASIDE = (
    "we will get to the {} next week",
    "that came off the {} when I dropped it",
    "I still have to order paint for the {}",
    "not the {} this time",
    "same trick as on the {}",
)
_FILLER = (
    "just a second, I need both hands",
    "there we go",
    "that took longer than I thought",
    "the glue is a bit runny today",
    "hang on, wrong tweezers",
    "you can hear the rain outside",
    "so far so good",
    "let it sit for a minute",
    "I think the focus is off",
)
