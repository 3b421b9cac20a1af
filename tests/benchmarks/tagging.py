"""How far proposals place pictures by themselves, how well their probabilities hold, and how quick review is.

Builders' years that nothing was set on (new seeds each time, the first printed with the figures), and the lightship's
sample media as they lie. Figures are over three years each: how much is put in a wrong folder is a few stretches a
year, so that one year alone says 1.5 to 3.4 % for the same habits. A picture is placed right where its surest applied
subassembly is the true one, lies in it or lies around it; wrong where an applied one is none of these. For steps only
pictures with a true step count as right.
"""

from __future__ import annotations

import os
import random
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields
from pathlib import Path

from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.wait import WebDriverWait

from lastlook import archive, demo, planning, proposing
from lastlook.archive import Archive
from lastlook.catalogue import paths, pictures
from lastlook.ingest import ingest
from lastlook.plan import structure
from lastlook.records import Dimension, Picture, Plan, TagState
from lastlook.store import Store
from tests import builders_year
from tests.benchmarks.rows import Row
from tests.builders_year import ALONE, CARELESS, HELPED, Habits
from tests.lightship import MEDIA, truth


@dataclass
class Score:
    """Counts over pictures. `held` are (probability, right?) of every claim of a place or step."""

    pictures: int = 0
    right: int = 0
    wrong: int = 0
    stepped: int = 0
    right_step: int = 0
    wrong_step: int = 0
    any_wrong: int = 0
    held: list[tuple[float, bool]] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        counts = (getattr(self, each.name) + getattr(other, each.name) for each in fields(Score))
        return Score(*counts)

    def add(self, picture: Picture, subs: set[str], steps: set[str], plan: Plan) -> None:
        akin = _akin(subs, plan)
        self.pictures += 1
        placed, stepped = picture.counted(Dimension.SUBASSEMBLY), picture.counted(Dimension.STEP)
        self.right += bool(placed) and placed[0] in akin
        off_place = any(each not in akin for each in placed)
        off_step = any(each not in steps for each in stepped)
        self.wrong += off_place
        self.wrong_step += off_step
        self.any_wrong += off_place or off_step
        if steps:
            self.stepped += 1
            self.right_step += bool(stepped) and stepped[0] in steps
        for tag in picture.tags:
            if tag.state is TagState.PROPOSED and tag.dimension in (Dimension.SUBASSEMBLY, Dimension.STEP):
                of = akin if tag.dimension is Dimension.SUBASSEMBLY else steps
                self.held.append((tag.confidence, tag.target in of))


def _akin(subs: set[str], plan: Plan) -> set[str]:
    return subs | {
        item.id
        for item in plan.subassemblies
        if subs & set(structure.ancestors(plan, item.id))
        or any(item.id in structure.ancestors(plan, sub) for sub in subs)
    }


def run(size: str) -> list[Row]:
    seed = int(os.environ.get("LASTLOOK_SEED", "0")) or random.SystemRandom().randrange(1, 10**6)
    count = 250 if size == "small" else 8000
    rows = [Row("seed of the years (LASTLOOK_SEED to repeat)", seed, "")]
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for name, habits, least, most in (
            ("cards and sessions", HELPED, 95, 2),
            ("captions and folders", ALONE, 80, 3),
        ):
            score, seconds = Score(), 0.0
            for number in range(1 if size == "small" else 3):
                made, one, took = year(root / name / str(number), count, seed + number, habits)
                score, seconds = score + one, seconds + took
            rows += _rows(name, score, least, most, steps=90 if habits is HELPED else None)
            rows.append(Row(f"{name}: proposing anew, a picture", seconds * 1e3 / score.pictures, "ms"))
            rows += list(_reliability(name, score))
            if habits is ALONE:
                rows += reviewed(made, 30 if size == "small" else 1000)
        if size != "small":
            _, careless, _ = year(root / "careless", count, seed, CARELESS)
            rows += _rows("a careless builder's folders", careless, None, None, steps=None)
            every, told = samples(root / "samples")
            rows += _rows("sample media that names or words speak of", told, 80, 3, steps=None)
            rows += _rows("sample media, all of it", every, None, 3, steps=None)
            rows += _rows(
                "sample media with sessions and words of its builder", lightship(root / "demo"), 95, 2, steps=90
            )
    return rows


def year(root: Path, count: int, seed: int, habits: Habits) -> tuple[Archive, Score, float]:
    made = builders_year.make(root, count, seed, habits)
    score = Score()
    with Store(made.archive, by="Ada") as store:
        began = time.monotonic()
        with store.catalogue.writing():
            proposing.propose(store)
        seconds = time.monotonic() - began
        for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue)):
            true = made.truth[picture.id]
            score.add(picture, {true.sub}, {true.step} - {""}, store.plan)
    return made.archive, score, seconds


def samples(root: Path) -> tuple[Score, Score]:
    """The sample media, taken in as they lie, with nothing said of them by hand: all pictures, and those of them that
    lie in a folder named for anything, or in a clip with words (most of the phone's and the compact's do not)."""
    made = archive.create(root, name="LV-40", zone="Europe/Copenhagen")
    every, told = Score(), Score()
    with Store(made, create=True, by="Ada") as store, ThreadPoolExecutor(2) as executor:
        planning.load(store, (MEDIA / "plan.toml").read_text(encoding="utf-8"), "plan.toml")
        folders = [path for path in sorted(MEDIA.iterdir()) if path.is_dir() and path.name not in ("make", "odd")]
        ingest(store, folders, executor=executor)
        for subs, steps, picture in sample_truth(store):
            every.add(picture, subs, steps, store.plan)
            if picture.clip_ms is not None or any(
                len(place.folders) > 1
                for place in paths.sightings_of(store.catalogue, [picture.sha256])[picture.sha256]
            ):
                told.add(picture, subs, steps, store.plan)
    return every, told


def lightship(root: Path) -> Score:
    """The sample media as the demonstration has it: with the sessions, the clocks and the words of its builder."""
    score = Score()
    with ThreadPoolExecutor(2) as executor:
        made, _ = demo.build(root, executor=executor)
    with Store(made, by="Ada") as store:
        for subs, steps, picture in sample_truth(store):
            score.add(picture, subs, steps, store.plan)
    return score


def sample_truth(store: Store) -> Iterator[tuple[set[str], set[str], Picture]]:
    """The pictures of the sample media that truth.json knows, with what it says they show."""
    known: dict[str, Mapping[str, object]] = {}
    for part in ("pictures", "clips"):
        known.update({Path(name).name: entry for name, entry in truth()[part].items()})
    for picture in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue)):
        entry = known.get(picture.file)
        if entry is not None:
            yield _ids(entry["subassemblies"]), _ids(entry["steps"]), picture


def _ids(value: object) -> set[str]:
    return set(value) if isinstance(value, list) else set()


def _rows(name: str, score: Score, least: int | None, most: int | None, *, steps: int | None) -> Iterable[Row]:
    total = max(1, score.pictures)
    yield Row(f"{name}: pictures", score.pictures, "")
    yield Row(f"{name}: right subassembly", 100 * score.right / total, "%", _goal("≥", least))
    yield Row(f"{name}: right step", 100 * score.right_step / max(1, score.stepped), "%", _goal("≥", steps))
    yield Row(f"{name}: a wrong subassembly applied", 100 * score.wrong / total, "%", _goal("≤", most))
    yield Row(f"{name}: a wrong step applied", 100 * score.wrong_step / total, "%")
    yield Row(f"{name}: anything wrong applied", 100 * score.any_wrong / total, "%", _goal("≤", most))


def _goal(sign: str, value: int | None) -> str:
    return f"{sign} {value}" if value is not None else ""


def _reliability(name: str, score: Score) -> Iterable[Row]:
    """Of the claims given so much, how many are right; and the mean difference, weighed by how many there are."""
    off, total = 0.0, max(1, len(score.held))
    for low in (0.1, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95):
        high = {0.1: 0.3, 0.3: 0.5, 0.9: 0.95, 0.95: 1.01}.get(low, low + 0.1)
        part = [(p, right) for p, right in score.held if low <= p < high - 1e-9]
        if not part:
            continue
        mean = sum(p for p, _ in part) / len(part)
        right = sum(right for _, right in part) / len(part)
        off += len(part) / total * abs(mean - right)
        yield Row(f"{name}: claims of {100 * mean:.0f} % ({len(part)}) that are right", 100 * right, "%")
    yield Row(f"{name}: mean difference of probability and truth", 100 * off, "points", "≤ 8")


def reviewed(made: Archive, wanted: int) -> list[Row]:
    """Go through the queue in a real browser, by keyboard, until so many pictures are settled."""
    from lastlook_web.app import create_app
    from lastlook_web.config import ViewerConfig
    from tests.browser import chromium, served

    keys = settled = 0
    with served(create_app(ViewerConfig(made, by="Ada"))) as address, chromium() as driver:
        driver.get(f"{address}/queue?all=1")
        before = _placed(driver.find_element(By.CSS_SELECTOR, ".queue").text)
        began = time.monotonic()
        while settled < wanted:
            choices = driver.find_elements(By.CSS_SELECTOR, '[data-key="1"]')
            key = "1" if choices else "\ue014"  # else the arrow to the right: later
            if not choices and not driver.find_elements(By.CSS_SELECTOR, '[data-key="ArrowRight"]'):
                break
            page = driver.find_element(By.TAG_NAME, "html")
            ActionChains(driver).send_keys(key).perform()
            keys += 1
            WebDriverWait(driver, 30, poll_frequency=0.02).until(_is_other(page))
            if keys % 5 == 0 or settled + 60 > wanted:
                settled = _placed(driver.find_element(By.CSS_SELECTOR, ".queue").text) - before
        seconds = time.monotonic() - began
        settled = _placed(driver.find_element(By.CSS_SELECTOR, ".queue").text) - before
    return [
        Row("reviewing by keyboard: pictures settled", settled, ""),
        Row("reviewing by keyboard: keys", keys, ""),
        Row("reviewing by keyboard: 1,000 pictures", seconds / max(1, settled) * 1000 / 60, "min", "≤ 10"),
        Row("reviewing by keyboard: from key to next group", seconds / max(1, keys) * 1000, "ms"),
    ]


def _is_other(page: WebElement) -> Callable[[WebDriver], bool]:
    """Whether another page than `page` has come, whole."""

    def other(driver: WebDriver) -> bool:
        try:
            new = driver.find_element(By.TAG_NAME, "html")
            return new != page and bool(driver.execute_script("return document.readyState") == "complete")
        except WebDriverException:
            return False

    return other


def _placed(text: str) -> int:
    """How many pictures the page says are placed."""
    match = re.search(r"([\d\u202f]+) placed", text)
    return int(match.group(1).replace("\u202f", "")) if match else 0
