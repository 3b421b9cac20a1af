"""Write truth.json: what is visible in which file and when, measured from the scenes by ray casts."""

import itertools
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import cameras
import clips
import numpy as np
import photos
import reel
import story
from paths import FRAMES, MEDIA
from schedule import CHANGES, CLOCKS, CLOSINGS, GAPS, clock_error

COPIES = {"phone/received/mast foot before splice.jpg": "camera/2026-03-20 mast foot/BL300153.JPG"}
SHORTEST_VISIBLE = 3  # samples of a run, 2 mm apart


def utc(at: datetime) -> str:
    """RFC 3339 in UTC."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def local(at: datetime) -> str:
    """RFC 3339 with the offset of the story's zone."""
    return at.astimezone(story.ZONE).isoformat()


def simplified(points: Any, most: int = 12) -> list[list[int]]:
    """A polyline with at most so many points that keeps its shape (farthest point first)."""
    pts = np.asarray(points, dtype=float)
    keep = {0, len(pts) - 1}
    while len(keep) < min(most, len(pts)):
        order = sorted(keep)
        worst, index = 1.0, -1
        for a, b in itertools.pairwise(order):
            if b - a < 2:
                continue
            way = pts[b] - pts[a]
            span = max(float(np.hypot(*way)), 1e-9)
            part = pts[a + 1 : b] - pts[a]
            off = np.abs(way[0] * part[:, 1] - way[1] * part[:, 0]) / span
            if float(off.max()) > worst:
                worst, index = float(off.max()), a + 1 + int(off.argmax())
        if index < 0:
            break
        keep.add(index)
    return [[round(float(x)), round(float(y))] for x, y in pts[sorted(keep)]]


def longest(flags: Any) -> tuple[int, int]:
    """Longest stretch of true values, one-sample breaks allowed; (start, stop)."""
    best, start, gap = (0, 0), None, 0
    for i, flag in enumerate([*flags, False, False]):
        if flag:
            start, gap = (i if start is None else start), 0
        elif start is not None:
            gap += 1
            if gap > 1:
                stop = i - gap + 1
                if stop - start > best[1] - best[0]:
                    best = (start, stop)
                start, gap = None, 0
    return best


def items(
    record: dict[str, Any], offset: tuple[float, float], scale: tuple[float, float], size: tuple[int, int], focal: float
) -> dict[str, Any]:
    """What is visible of each run and part in a developed picture."""
    found: dict[str, Any] = {}
    for name, item in record["items"].items():
        xy = (np.array([r[:2] for r in item["samples"]], dtype=float) - offset) * scale
        inside = (xy[:, 0] >= 0) & (xy[:, 1] >= 0) & (xy[:, 0] < size[0]) & (xy[:, 1] < size[1])
        flags = np.array([bool(r[2]) for r in item["samples"]]) & inside
        share = round(float(flags.mean()), 3)
        if item["kind"] == "part":
            if flags.any():
                centre = xy[flags].mean(axis=0)
                found[name] = {
                    "visible": True,
                    "fraction_visible": share,
                    "point_px": [round(float(centre[0])), round(float(centre[1]))],
                }
            continue
        a, b = longest(flags)
        if b - a < SHORTEST_VISIBLE:
            continue
        found[name] = {
            "visible": True,
            "fraction_visible": share,
            "polyline_px": simplified(xy[a:b]),
            "ends_visible": {"from": bool(flags[:3].any()), "to": bool(flags[-3:].any())},
        }
        if item.get("depth"):
            found[name]["width_px"] = round(2 * item["radius"] * focal / item["depth"], 1)
    return found


def near_duplicates() -> list[list[str]]:
    """Groups of photos taken within seconds from one spot."""
    groups: list[list[str]] = []
    last = None
    for photo in sorted(story.photos(), key=lambda p: (p.camera, p.at)):
        station = next(f.station for f in story.frames() if f.name == photo.frame)
        if last and last[0] == photo.camera and last[1] == station and photo.at - last[2] <= timedelta(seconds=15):
            groups[-1].append(photo.path)
        else:
            groups.append([photo.path])
        last = (photo.camera, station, photo.at)
    return [g for g in groups if len(g) > 1] + [[original, copy] for copy, original in COPIES.items()]


def picture(photo: story.Photo) -> dict[str, Any]:
    """One entry of 'pictures'."""
    geometry = photos.geometry(photo)
    record = geometry["record"]
    size = tuple(geometry["size"])
    dark = photo.dark
    seen = items(record, tuple(geometry["offset"]), tuple(geometry["scale"]), size, geometry["focal_px"])
    return {
        "taken_at_utc": utc(photo.at),
        "taken_at": local(photo.at),
        "camera": photo.camera,
        "exif_time_shown": None
        if photo.blank_date
        else (photo.at + timedelta(seconds=clock_error(photo.camera, photo.at))).strftime("%Y:%m:%d %H:%M:%S"),
        "subassemblies": list(photo.subassemblies),
        "steps": list(photo.steps),
        "view": photo.view,
        "sharp": photo.flaw == "",
        "flaw": photo.flaw or None,
        "dark": dark,
        "items": {} if dark else seen,
        "size_upright": list(size),
        "focal_px": round(geometry["focal_px"], 2),
        "principal_px": [round(c, 1) for c in geometry["principal_px"]],
        "camera_matrix_world": record["pose"],
        "station": record["station"],
        "frame": photo.frame,
    }


def clip_entry(clip: reel.Clip) -> dict[str, Any]:
    """One entry of 'clips': held states with what is visible in the whole frame they are cut from."""
    held = []
    for hold, (start, end) in zip(clip.holds, clips.states(clip), strict=True):
        record = json.loads((FRAMES / f"{hold.frame}.json").read_text(encoding="utf-8"))
        w, h = record["size"]
        window_w = hold.window[2] * w
        window_h = window_w * clip.size[1] / clip.size[0]
        if clip.size[1] > clip.size[0] and window_h > 0.97 * h:
            window_h = 0.97 * h
            window_w = window_h * clip.size[0] / clip.size[1]
        cx = min(max(hold.window[0] * w, window_w / 2), w - window_w / 2)
        cy = min(max(hold.window[1] * h, window_h / 2), h - window_h / 2)
        offset, k = (cx - window_w / 2, cy - window_h / 2), clip.size[0] / window_w
        seen = items(record, offset, (k, k), clip.size, record["focal_px"] * k)
        held.append(
            {
                "start": start,
                "end": end,
                "what": hold.what,
                "frame": hold.frame,
                "items": {
                    n: {key: i[key] for key in ("fraction_visible", "width_px", "ends_visible") if key in i}
                    for n, i in seen.items()
                },
            }
        )
    length = clips.states(clip)[-1][1]
    return {
        "starts_at_utc": utc(clip.at),
        "starts_at": local(clip.at),
        "camera": "phone",
        "seconds": length,
        "subassemblies": list(clip.subassemblies),
        "steps": list(clip.steps),
        "variable_rate": clip.variable,
        "rotated": clip.turned,
        "size_upright": list(clip.size),
        "sidecar": clip.sidecar or None,
        "states": held,
    }


def main() -> None:
    """Write truth.json and closings.toml."""
    pictures = {p.path: picture(p) for p in story.photos() if (MEDIA / p.path).exists()}
    for copy, original in COPIES.items():
        if original in pictures:
            pictures[copy] = {**pictures[original], "copy_of": original}
    pair = clips.live_pair()
    truth = {
        "zone": "Europe/Copenhagen",
        "frame": "ship frame, mm: x forward from the stern, y to port, z up from the keel",
        "cameras": [
            {"id": c.id, "make": c.make, "model": c.model, "clock_error": CLOCKS[c.id]}
            for c in cameras.CAMERAS.values()
        ],
        "pictures": pictures,
        "clips": {c.path: clip_entry(c) for c in reel.CLIPS if (MEDIA / c.path).exists()},
        "live_pairs": [[f"phone/{pair.path.split('/')[-1].rsplit('.', 1)[0]}.HEIC", pair.path]],
        "near_duplicates": near_duplicates(),
        "same_bytes": [[original, copy] for copy, original in COPIES.items()],
        "closings": [{**c, "at": local(c["at"])} for c in CLOSINGS],
        "changes": [{**c, "at": local(c["at"])} for c in CHANGES],
        "gaps": [{**g, "after": local(g["after"])} if "after" in g else g for g in GAPS],
        "refused": ["odd/BL300150.JPG", "odd/PBT00020.jpg"],
    }
    (MEDIA / "truth.json").write_text(
        json.dumps(truth, indent=None, separators=(",", ":")).replace('},"', '},\n"') + "\n", encoding="utf-8"
    )
    (MEDIA / "closings.toml").write_text(closings_toml(), encoding="utf-8")


def closings_toml() -> str:
    """What the builder would type in: closings and known clock errors (shown time minus true time, seconds)."""
    lines = ["# Closings of LV-40 and what is known of the clocks.", ""]
    for c in CLOSINGS:
        lines += [
            "[[closing]]",
            f'opening = "{c["opening"]}"',
            f"at = {local(c['at'])}",
            f'method = "{c["method"]}"',
            "",
        ]
    lines += [
        "# error_seconds = shown time - true time; negative: the clock is slow. 'from' = since when, if not always."
    ]
    lines += [
        "[[clock]]",
        'camera = "Brasklund BL-30"',
        "from = 2026-03-29T03:00:00+02:00",
        "error_seconds = -3600",
        'note = "not put forward to summer time"',
        "",
        "[[clock]]",
        'camera = "Pebbit Nib 2"',
        f"error_seconds = {CLOCKS['compact']['seconds']}",
        'note = "1 day 2 h 14 min 20 s slow, date never set right"',
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
