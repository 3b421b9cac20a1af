"""One state of the work turned into a scene; returns where every run and part is, for truth.json."""

from dataclasses import dataclass
from typing import Any

import bench
import form
import hull
import meshes
import model
import numpy as np
import textures
import wires
from mathutils import Matrix
from meshes import MM, material, smooth_path
from paths import TEXTURES

BASE_AT = (230.0, 150.0, 24.0)


@dataclass(frozen=True)
class State:
    """What stands on the bench at one moment. Words: see the comments of each field."""

    bench: float = -28.0
    aft: str = "none"  # none, apart, near, joined
    bulkhead: bool = True
    block: bool = True  # the terminal block on bulkhead 11
    ports: bool = False  # port lights fitted
    side: bool = False  # W07, W08
    side_moved: float = 0.0  # W07 pushed inboard by so many mm
    feed: str = ""  # W01, W02: loose, joined, base
    foot: bool = False  # the mast foot box
    loom: str = ""  # mast runs: lantern, tails (mast flat); pull, short, bare (splice), spliced, loop
    pull: float = 0.0  # loom 'pull': mm through bulkhead 11
    w10: str = ""  # bare, tucked
    mast: str = "none"  # none, flat, dry, seated
    lid: str = "none"  # of the foot box: none, beside, on
    house_run: str = ""  # W09: up, house
    deck: str = "none"  # none, above, on
    roof: str = ""  # no house, none, beside, on
    base: str = "none"  # none, off, on (its plate, base on its side), under
    paint: bool = False
    lit: bool = False
    dark: bool = False
    meter: str = ""  # reading; the probes touch TB.3 and the foot end, or J1
    clutter: int = 1


@dataclass
class Placed:
    """Where things are: runs as (n, 3) paths with radius, parts as (n, 3) surface points, mm."""

    runs: dict[str, tuple[Any, float]]
    parts: dict[str, Any]


def make_textures() -> None:
    """Draw all printed things once."""
    TEXTURES.mkdir(parents=True, exist_ok=True)
    if (TEXTURES / "done").exists():
        return
    textures.mat(TEXTURES / "mat.png")
    textures.wood(TEXTURES / "wood.png")
    textures.rule(TEXTURES / "rule.png")
    for i, text in enumerate([*wires.RUNS, "J1", "BHD-11", "HULL-F", "HULL-A", "MAST", "LAN", "O4"]):
        textures.tag(TEXTURES / f"{text}.png", text, 10 + i)
    textures.tag(TEXTURES / "TB.png", "1 2 3 4 5 6 7", 60, (690, 105))
    textures.note(
        TEXTURES / "note.png",
        [
            "LV-40  1:40",
            "",
            "TB.1 red  W01",
            "TB.2 -    W02 04 06 08",
            "TB.3 white W03",
            "TB.4 orange W05",
            "TB.5 yellow W07",
            "TB.6 green W09",
            "TB.7 spare W10",
        ],
    )
    textures.note(
        TEXTURES / "test.png",
        [
            "test sheet  O4",
            "",
            "W03  0.4   ok",
            "W04  0.4   ok",
            "W05  0.2   ok",
            "W06  0.2   ok",
            "LED + on white",
            "soak 30 min",
        ],
        6,
    )
    for reading, unit in (("00.4", "ohm"), ("5.02", "V"), ("4.98", "V")):
        textures.display(TEXTURES / f"meter {reading}.png", reading, unit)
    textures.letters(TEXTURES / "name.png", "LV-40")
    (TEXTURES / "done").touch()


def build(state: State, day: bench.Light, aim: tuple[float, float, float]) -> Placed:
    """Clear everything and build the scene for a state; aim is what the lamp lights."""
    meshes.clear()
    make_textures()
    bench.top(state.bench)
    bench.lights(day, aim)
    _hull(state)
    placed = Placed({}, {})
    _runs(state, placed)
    _parts(state, placed)
    _mast(state, placed)
    _closed_things(state)
    _clutter(state)
    return placed


def _hull(state: State) -> None:
    hull.half("F", state.paint)
    if state.aft != "none":
        aft = hull.half("A", state.paint)
        if state.aft in ("apart", "near"):
            dx, dy, yaw = (-0.12, 0.05, 0.22) if state.aft == "apart" else (-0.062, 0.0, 0.0)
            meshes.moved(aft, Matrix.Translation((dx, dy, 0)) @ Matrix.Rotation(yaw, 4, "Z"))
    if state.bench > -50:
        hull.cradle(state.bench)
    if state.bulkhead:
        hull.bulkhead(state.block)
    if state.aft == "joined":
        _seam(state)
    if state.ports:
        hull.port_lights(state.paint, state.lit)


def _seam(state: State) -> None:
    """The joint line at frame 11; a bead of filler until it is painted."""
    if state.paint:
        return
    points = form.section(form.JOINT_X, 41)
    ring = [(form.JOINT_X, y + 0.05, z) for y, z in points[::-1]] + [
        (form.JOINT_X, -y - 0.05, z) for y, z in points[1:]
    ]
    glued = state.feed != ""
    tone = (0.52, 0.43, 0.24) if glued else (0.05, 0.05, 0.05)
    meshes.tube("seam", ring, 0.75 if glued else 0.35, material(f"seam{glued}", tone, 0.3))


def _add(placed: Placed, run: str, points: Any, free: str = "") -> Any:
    path = smooth_path(points, 2.0)
    wires.wire(run, path)
    if "start" in free:
        wires.copper(path[0], path[2])
    if "end" in free:
        wires.copper(path[-1], path[-3])
    placed.runs[run] = (path, wires.RUNS[run].radius)
    return path


def _runs(state: State, placed: Placed) -> None:
    if state.feed:
        for run in ("W01", "W02"):
            _add(placed, run, wires.feed(run, state.feed, BASE_AT), "end" if state.feed == "loose" else "")
    if state.side:
        for run in ("W07", "W08"):
            _add(placed, run, wires.landed(run) + wires.side_run(run, state.side_moved if run == "W07" else 0.0))
        _side_fixings()
    if state.house_run:
        _add(placed, "W09", wires.house_run(state.house_run), "end" if state.house_run == "up" else "")
        if state.house_run == "up":
            wires.flag("W09", (398, -60, 128), (35, 0, 8))
    if state.loom and state.mast != "flat":
        _mast_runs(state, placed)


def _mast_runs(state: State, placed: Placed) -> None:
    lift = 0.0 if state.mast == "seated" else 34.0
    for run in wires.MAST_RUNS:
        if run == "W10" and not state.w10:
            continue
        aft = (
            wires.pulled(run, state.pull - 9 * wires.MAST_RUNS.index(run))
            if state.loom == "pull"
            else (wires.landed(run))
        )
        taut = state.loom == "short" and run == "W03"
        path = aft + wires.trunk(run, taut)
        if run == "W10":
            x = form.MAST_X
            path += [(x - 22, 19, 10), (x - 2, 21, 11), (x + 16, 14, 12)]
            path += (
                [(x + 19, -4, 18), (x + 18, -15, 34), (x + 10, -22, 47)]
                if state.w10 == "bare"
                else [(x + 19, -8, 11), (x + 12, -20.5, 10.6), (x - 4, -20.5, 10.4)]
            )
            free = "end" if state.w10 == "bare" else ""
        elif state.mast == "none":
            path, free = path + wires.tail(run), "end"
        else:
            loop = 0.0 if taut else {"loop": 26.0, "spliced": 26.0, "bare": 26.0}.get(state.loom, 17.0)
            if run == "W03" and state.loom in ("loop", "spliced", "bare"):
                loop = 38.0
            path, free = path + wires.in_foot(run, loop, lift) + wires.up_mast(run, lift), ""
        if state.loom == "pull":
            free += " start"
        made = _add(placed, run, path, free)
        if run == "W03" and state.loom in ("spliced", "loop", "bare"):
            near = int(np.argmin(np.linalg.norm(made - np.array([517, 17, 13]), axis=1)))
            if state.loom == "bare":
                wires.sleeve(made, near - 2, 5, (0.60, 0.30, 0.16), 0.95, "soldered strands")
            else:
                wires.sleeve(made, near - 4, 9, (0.015, 0.015, 0.016), 1.9, "splice")
            placed.parts["P-SPL"] = made[near - 3 : near + 4 : 3] + np.array([0, 0, 1.7])
    wires.clip((505, 22, 15), 95)
    wires.clip((484, 29.5, 23), 95)
    if state.w10 == "tucked":
        x = form.MAST_X
        meshes.box("hold-down", (x - 9, -24.9, 7), (x + 9, -16, 13), hull.styrene(), 0.4)
    if state.loom != "pull":
        wires.flag("W03", (519, 32, 15.5), (12, 0, 8), 13)
        wires.flag("W05", (519, -3, 13.5), (8, 0, -12), 13)


def _side_fixings() -> None:
    dab = material("glue dab", (0.62, 0.55, 0.38), 0.15)
    for x in (547.0, 589.0, 631.0):
        wires.pin((x, form.half_breadth(x, 58) - 9.5, 57), dab)
    wires.flag("W07", (560, form.half_breadth(560, 66) - 10.5, 72), (62, 0, 0), 15)
    wires.flag("W08", (524, 52, 42), (50, 0, -8), 13)
    strip = material("bus", (0.68, 0.36, 0.18), 0.3, metallic=1.0)
    xs = np.linspace(form.PORT_LIGHTS_X[0], form.PORT_LIGHTS_X[-1], 12)
    for z in (71.5, 77.0):
        meshes.tube("bus", [(x, form.half_breadth(x, 74, 0) - 9.2, z) for x in xs], 0.6, strip, 2)


def _parts(state: State, placed: Placed) -> None:
    x = form.JOINT_X
    if state.bulkhead:
        placed.parts["P-GRM"] = np.array(
            [(x - 2.4, 30 + 8 * c, 31 + 8 * s) for c, s in ((1, 0), (-1, 0), (0, 1), (0, -1))]
        )
    if state.bulkhead and state.block:
        placed.parts["P-TB"] = np.array([(x - 11.7, y, 61) for y in (-15, -9, -3, 3, 9, 15)])
    if state.ports:
        placed.parts["P-PL"] = np.array([(px, form.half_breadth(px, 74, 0) - 9, 74) for px in form.PORT_LIGHTS_X])
    if state.roof:
        placed.parts["P-DKL"] = np.array([(520, y, float(form.deck_z(460)) + 39.2) for y in (-16, -12, -8)])
    if state.base == "off":
        placed.parts["P-J1"] = np.array([base_point((x, y, -20.2)) for x in (50, 61, 72) for y in (-9, 9)])
    if state.foot:
        model.foot_box(state.lid)
        m = form.MAST_X
        placed.parts["P-FOOT"] = np.array(
            [(m - 20, -15, 7), (m + 15, -18, 7), (m - 20, 20, 7), (m, -26, 32), (m, 26, 32)]
        )
        if state.lid == "on":
            placed.parts["P-LID"] = np.array([(m - 25, -20, 34.5), (m + 20, 20, 34.5), (m - 25, 20, 34.5)])


def _mast(state: State, placed: Placed) -> None:
    m = form.MAST_X
    if state.mast == "none":
        return
    glass = state.mast in ("seated", "dry")
    parts = model.mast(state.paint, state.lit, glass)
    if state.mast == "dry":
        meshes.moved(parts, Matrix.Translation((0, 0, 34 * MM)))
        bench.stand(m, -215, state.bench, 250, (m, 0))
    if state.mast == "flat":
        turn = (
            Matrix.Translation((0.62, 0.205, (state.bench + 18.5) * MM))
            @ Matrix.Rotation(-0.10, 4, "Z")
            @ Matrix.Rotation(np.pi / 2, 4, "Y")
            @ Matrix.Translation((-m * MM, 0, -0.17))
        )
        meshes.moved(parts, turn)
        _flat_runs(placed, turn, state)
    at = np.array([(m + 5.2 * np.cos(a), 5.2 * np.sin(a), 341) for a in np.linspace(0, 5.5, 6)])
    motor = np.array([(m + 10.2 * np.cos(a), 10.2 * np.sin(a), 156) for a in np.linspace(0, 5.5, 6)])
    for part, points in (("P-LED", at), ("P-MOT", motor)):
        if state.mast == "flat":
            points = _through(turn, points)
        elif state.mast == "dry":
            points = points + np.array([0, 0, 34])
        placed.parts[part] = points


def _through(matrix: Matrix, points: Any) -> Any:
    m = np.array(matrix)
    scaled = np.asarray(points, dtype=float) * MM
    return (scaled @ m[:3, :3].T + m[:3, 3]) / MM


def _flat_runs(placed: Placed, turn: Matrix, state: State) -> None:
    """Mast on the mat: runs inside the tube, their foot ends loose on the mat."""
    m, z = form.MAST_X, state.bench
    for k, run in enumerate(("W03", "W04", "W05", "W06")):
        if run in ("W05", "W06") and state.loom == "lantern":
            continue
        top = 336 if k < 2 else 146
        side = -1 if k % 2 else 1
        inner = [
            (m + (3.4 * side if k < 2 else 0), 2.2 * side, top + 2),
            (m + 1.5 * side, 1.0 * side, top - 10),
            (m + 1.0 * side, 0.8 * side, 60),
            (m + side, 0.7 * side, 14),
        ]
        if k < 2:
            inner = [
                (m + 5.4 * side, 1.0 * side, 344),
                (m + 8.0 * side, 1.5 * side, 341),
                (m + 6.6 * side, 1.6 * side, 335),
                (m + 2.6 * side, 1.2 * side, 330),
                (m + side, 0.8 * side, 300),
                (m + side, 0.8 * side, 60),
                (m + side, 0.7 * side, 14),
            ]
        start = [tuple(p) for p in _through(turn, inner)]
        x, y, _ = start[-1]
        loose = [
            (x - 14, y + 2 * side, z + 10),
            (x - 34, y + 5 * (k - 1.5), z + 1.6),
            (x - 70, y + 13 * (k - 1.5) + 6, z + 1.0),
            (x - 112, y + 20 * (k - 1.5) - 8, z + 1.0),
            (x - 150, y + 16 * (k - 1.5) + 10 * side, z + 1.2),
            (x - 186, y + 24 * (k - 1.5), z + 1.0),
        ]
        _add(placed, run, start + loose, "end")
        wires.flag(run, (x - 120, y + 20 * (k - 1.5) + 3, z + 2.6), (-4, 3, 180 + 10 * (k - 1.5)), 15)


def _closed_things(state: State) -> None:
    if state.deck == "on":
        model.deck(state.paint)
    elif state.deck == "above":
        meshes.moved(model.deck(state.paint), Matrix.Translation((0.0, 0.035, 0.05)) @ Matrix.Rotation(0.03, 4, "X"))
    if state.roof:
        model.deckhouse(state.roof, state.paint, state.lit)
    if state.paint:
        model.stays()
        model.painted_name()
    if state.base == "under":
        moved = model.base_box("on")
        meshes.moved(moved, Matrix.Translation((0.24, 0, (state.bench + 45.5) * MM)))
        steel = material("brass", (0.62, 0.44, 0.16), 0.3, metallic=1.0)
        for x in (330, 590):
            meshes.lathe(
                "pedestal",
                [(12, 0), (12, 3), (5, 6), (4, 20), (8, 25), (8, 26)],
                steel,
                (x, 0, state.bench + 45.5),
                (0, 0, 0),
            )
    elif state.base in ("off", "on"):
        parts = model.base_box(state.base)
        x, y, z = BASE_AT
        meshes.moved(parts, Matrix.Translation((x * MM, y * MM, z * MM)) @ Matrix.Rotation(np.pi / 2, 4, "X"))


def base_point(local: tuple[float, float, float]) -> tuple[float, float, float]:
    """A point of the base's own frame when it lies on its side."""
    return BASE_AT[0] + local[0], BASE_AT[1] - local[2], BASE_AT[2] + local[1]


def _clutter(state: State) -> None:
    z, n = state.bench, state.clutter
    if n == 0:
        return
    rng = np.random.default_rng(n)
    bench.rule((560 + rng.normal(0, 12), 132 + rng.normal(0, 3)), z, rng.normal(1, 2)) if state.base == "none" and (
        state.mast != "flat"
    ) else None
    bench.tweezers((700 + rng.normal(0, 20), 165 + rng.normal(0, 8)), z, 160 + rng.normal(0, 14))
    bench.pin_vice((740 + rng.normal(0, 15), -150 + rng.normal(0, 10)), z, 20 + rng.normal(0, 25))
    bench.tape((860 + rng.normal(0, 10), -190), z, (0.72, 0.60, 0.30))
    bench.tape((930, -120 + rng.normal(0, 12)), z, (0.03, 0.035, 0.05), 15, 30)
    for i, colour in enumerate(((0.8, 0.52, 0.02), (0.80, 0.79, 0.75), (0.50, 0.012, 0.012), (0.8, 0.17, 0.012))):
        bench.spool((160 + 52 * i + rng.normal(0, 5), -235 + rng.normal(0, 9)), z, colour)
    bench.bottle((420 + rng.normal(0, 20), -215), z)
    bench.note((-30, 170), z, 12 + rng.normal(0, 4), "test" if state.meter else "note")
    bench.offcuts(z, n, (640, -190))
    if state.aft == "joined" and state.deck == "none" and n % 2:
        bench.clamp((420, float(form.breadth(420)) - 1, float(form.sheer(420))), 0)
        bench.clamp((520, -float(form.breadth(520)) + 1, float(form.sheer(520))), 0)
    if state.meter:
        if state.base == "off":
            tips = [base_point((66, 5, -21.5)), base_point((66, -5, -21.5))]
            bench.meter((168, 240), z, 170, state.meter, tips)
        else:
            _, y = wires.tb_way("W03")
            tips = [(form.JOINT_X - 12.4, y, 65), (form.JOINT_X - 12.4, 12, 65)]
            bench.meter((372, 118), z, -60, state.meter, tips)
