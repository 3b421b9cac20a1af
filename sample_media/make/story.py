"""The schedule: which state of the work was photographed when, with which camera, from where, into which file."""

import csv
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from bench import Light
from scene import State

ZONE = ZoneInfo("Europe/Copenhagen")
WIDE, TALL = (1600, 1200), (1200, 1600)  # of the files
FRAME_WIDE, FRAME_TALL = (1152, 864), (864, 1152)  # of the renders, enlarged when developed
CLIP_WIDE, CLIP_TALL = (960, 720), (720, 960)


@dataclass(frozen=True)
class Frame:
    """One render."""

    name: str
    state: State
    light: Light
    station: str
    camera: str
    size: tuple[int, int] = FRAME_WIDE
    samples: int = 4
    jitter: int = 1
    open_wide: float = 1.0


@dataclass(frozen=True)
class Photo:
    """One file: a developed frame, or a part of it (crop: x, y, w, h as shares of the frame)."""

    path: str
    camera: str
    at: datetime
    frame: str
    subassemblies: tuple[str, ...]
    steps: tuple[str, ...]
    view: str
    crop: tuple[float, ...] | None = None
    flaw: str = ""
    turned: bool = False
    dark: bool = False
    blank_date: bool = False
    gps: bool = False
    thumb: bool = False


BARE = State(bulkhead=False, block=False)
BHD = State(block=False)
TB = State()
PORTS = replace(TB, ports=True, side=True)
FED = replace(PORTS, feed="loose")
FLAT_LAN = replace(FED, mast="flat", loom="lantern", foot=True)
FLAT = replace(FED, mast="flat", loom="tails", foot=True)
LOOM = replace(FED, foot=True, mast="dry", w10="bare", loom="short")
SPLICED = replace(LOOM, loom="spliced")
TUCKED = replace(SPLICED, loom="loop", w10="tucked")
TESTED = replace(TUCKED, meter="00.4")
LID_OFF = replace(TUCKED, lid="beside")
LID_ON = replace(TUCKED, mast="seated", lid="on")
NEAR = replace(LID_ON, aft="near", feed="joined")
JOINED = replace(LID_ON, aft="joined", feed="joined")
W09_UP = replace(JOINED, house_run="up")
DECK = replace(JOINED, house_run="house", deck="on", roof="none")
HOUSE = replace(DECK, roof="on")
BASE_OFF = replace(HOUSE, base="off", feed="base")
BASE_ON = replace(HOUSE, base="on")
DONE = replace(HOUSE, bench=-70.5, base="under", paint=True)
STATES = {
    "": TB,
    "BARE": BARE,
    "BHD": BHD,
    "TB": TB,
    "PORTS": PORTS,
    "FED": FED,
    "FLAT_LAN": FLAT_LAN,
    "FLAT": FLAT,
    "LOOM": LOOM,
    "SPLICED": SPLICED,
    "TUCKED": TUCKED,
    "TESTED": TESTED,
    "LID_OFF": LID_OFF,
    "LID_ON": LID_ON,
    "NEAR": NEAR,
    "JOINED": JOINED,
    "W09_UP": W09_UP,
    "DECK": DECK,
    "HOUSE": HOUSE,
    "BASE_OFF": BASE_OFF,
    "BASE_ON": BASE_ON,
    "DONE": DONE,
}


def daylight(day: int, dark: bool = False) -> Light:
    """The light of a day of the year; differs from day to day, none but the model's own in the dark room."""
    rng = np.random.default_rng(day)
    if dark:
        return Light(lamp=0.0, window=0.12, room=0.004)
    warm = rng.uniform(-0.05, 0.05)
    return Light(
        lamp=float(rng.uniform(7, 13)),
        lamp_colour=(1.0, 0.80 + warm, 0.58 + 1.6 * warm),
        lamp_at=(float(rng.uniform(120, 760)), float(rng.uniform(330, 470)), float(rng.uniform(520, 700))),
        window=float(rng.uniform(4, 16)),
        room=float(rng.uniform(0.07, 0.16)),
    )


def local(text: str) -> datetime:
    """True time of the story, '03-24 10:12:05' in 2026, Europe/Copenhagen."""
    return datetime.strptime(f"2026-{text}", "%Y-%m-%d %H:%M:%S").replace(tzinfo=ZONE)


def _day(text: str) -> int:
    return local(text).timetuple().tm_yday


@dataclass(frozen=True)
class Shot:
    """One row of shots.csv."""

    camera: str
    when: str
    state: State
    station: str
    path: str
    subassemblies: tuple[str, ...]
    steps: tuple[str, ...]
    view: str
    options: dict[str, str]

    @property
    def name(self) -> str:
        """Name of the frame: the file's name without its ending."""
        return _stem(self.path)

    @property
    def tall(self) -> bool:
        """Whether it was taken upright."""
        return "tall" in self.options


def pairs(text: str) -> dict[str, str]:
    """'a=1 b' as {'a': '1', 'b': ''}."""
    return {key: value for key, _, value in (word.partition("=") for word in text.split())}


def varied(state: State, changes: str) -> State:
    """A state with some fields replaced, each converted to the type of what it replaces."""
    given: dict[str, Any] = {}
    for key, text in pairs(changes).items():
        old = getattr(state, key)
        given[key] = text == "True" if isinstance(old, bool) else type(old)(text)
    return replace(state, **given)


def shots() -> list[Shot]:
    """All rows of shots.csv: the pictures that have a render of their own."""
    with (Path(__file__).parent / "shots.csv").open(encoding="utf-8", newline="") as file:
        return [
            Shot(
                row["camera"],
                row["when"],
                varied(STATES[row["state"]], row["changes"]),
                row["station"],
                row["path"],
                tuple(row["subassemblies"].split()),
                tuple(row["steps"].split()),
                row["view"],
                pairs(row["options"]),
            )
            for row in csv.DictReader(file)
        ]


def _stem(path: str) -> str:
    return path.rsplit("/", 1)[-1].rsplit(".", 1)[0]


def frames() -> list[Frame]:
    """All renders: photos first, then the held states of the clips."""
    made = []
    for shot in shots():
        if "of" in shot.options:
            continue
        day, dark = _day(shot.when), "dark" in shot.options
        made.append(
            Frame(
                shot.name,
                shot.state,
                daylight(day, dark),
                shot.station,
                shot.camera,
                FRAME_TALL if shot.tall else FRAME_WIDE,
                jitter=int(shot.options.get("jitter", day * 7 + int(shot.when[-2:]))),
                open_wide=float(shot.options.get("open_wide", 1.0)),
                samples=10 if dark else 5,
            )
        )
    return made + clip_frames()


def clip_frames() -> list[Frame]:
    """Held states of the five clips, from a camera that stays put within a clip."""
    pulls = [("pull0", 0.0), ("pull1", 26.0), ("pull2", 90.0), ("pull3", 175.0)]
    boxed = replace(FED, foot=True, mast="dry", w10="bare", clutter=5)
    made = [
        Frame("c1_bare", BHD, daylight(68), "aft-face", "phone", jitter=101, size=CLIP_WIDE),
        Frame("c1_block", TB, daylight(68), "aft-face", "phone", jitter=101, size=CLIP_WIDE),
    ]
    made += [
        Frame(
            f"c2_{name}",
            replace(boxed, loom="pull", pull=mm),
            daylight(79),
            "aft-face",
            "phone",
            jitter=102,
            size=CLIP_WIDE,
        )
        for name, mm in pulls
    ]
    made.append(
        Frame("c2_landed", replace(boxed, loom="short"), daylight(79), "aft-face", "phone", jitter=102, size=CLIP_WIDE)
    )
    tall = {"size": CLIP_TALL, "jitter": 103}
    made += [
        Frame("c3_bare", replace(SPLICED, loom="bare"), daylight(83), "foot-top", "phone", **tall),
        Frame("c3_spliced", SPLICED, daylight(83), "foot-top", "phone", **tall),
    ]
    made += [
        Frame("c4_open", LID_OFF, daylight(86), "foot-context", "phone", jitter=104, size=CLIP_WIDE),
        Frame(
            "c4_seated",
            replace(LID_OFF, mast="seated"),
            daylight(86),
            "foot-context",
            "phone",
            jitter=104,
            size=CLIP_WIDE,
        ),
        Frame("c4_closed", LID_ON, daylight(86), "foot-context", "phone", jitter=104, size=CLIP_WIDE),
    ]
    made += [
        Frame("c5_open", W09_UP, daylight(99), "top-whole", "phone", jitter=105, size=CLIP_WIDE),
        Frame(
            "c5_above", replace(W09_UP, deck="above"), daylight(99), "top-whole", "phone", jitter=105, size=CLIP_WIDE
        ),
        Frame("c5_closed", DECK, daylight(99), "top-whole", "phone", jitter=105, size=CLIP_WIDE),
    ]
    return made


def photos() -> list[Photo]:
    """All photo files in order of true time."""
    made = []
    for shot in shots():
        options = shot.options
        crop = tuple(float(part) for part in options["crop"].split(":")) if "crop" in options else None
        made.append(
            Photo(
                shot.path,
                shot.camera,
                local(shot.when),
                options.get("of", shot.name),
                shot.subassemblies,
                shot.steps,
                shot.view,
                crop,
                options.get("flaw", ""),
                turned=shot.camera == "phone" and shot.tall,
                dark="dark" in options,
                blank_date="blank_date" in options,
                gps="gps" in options,
                thumb="thumb" in options,
            )
        )
    return sorted(made, key=lambda photo: photo.at)
