"""Check the finished media against truth.json: sizes, Exif, containers, sidecars, paths."""

import json
import subprocess
import sys
import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import av
import pillow_heif
from paths import MEDIA
from PIL import Image

LIMIT = 30_000_000
pillow_heif.register_heif_opener()


def exif_of(path: Path) -> dict[str, Any]:
    """Exif tags by name, read by exiftool, which had no part in writing them."""
    done = subprocess.run(["exiftool", "-j", "-s", str(path)], check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout)[0])


def check_photo(name: str, entry: dict[str, Any], truth: dict[str, Any]) -> list[str]:
    """Findings of one photo."""
    path = MEDIA / name
    if not path.exists():
        return [f"{name}: missing"]
    found = []
    with Image.open(path) as image:
        image.load()
        turned = image.getexif().get(0x0112, 1) == 6 and path.suffix != ".HEIC"
        size = (image.height, image.width) if turned else image.size
    if list(size) != entry["size_upright"]:
        found.append(f"{name}: upright size {size}, truth says {entry['size_upright']}")
    tags = exif_of(path)
    maker = next(c for c in truth["cameras"] if c["id"] == entry["camera"])
    if str(tags.get("Make", "")).strip() != maker["make"] or str(tags.get("Model", "")).strip() != maker["model"]:
        found.append(f"{name}: maker or model differs")
    stamp = str(tags.get("DateTimeOriginal", ""))
    if entry["exif_time_shown"] is None:
        if stamp.strip(": "):
            found.append(f"{name}: date should be blank, is {stamp!r}")
        return found
    shown = datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S")  # a camera's clock has no zone
    true = datetime.fromisoformat(entry["taken_at"])
    clock = maker["clock_error"]
    error = clock["seconds"]
    if "from" in clock and true >= datetime.fromisoformat(clock["from"]):
        error = clock["seconds_from"]
    if shown != true.replace(tzinfo=None) + timedelta(seconds=error):
        found.append(f"{name}: Exif says {shown}, truth {true} with clock error {error}")
    offset = str(tags.get("OffsetTimeOriginal", ""))
    if (offset != "") != (entry["camera"] == "phone"):
        found.append(f"{name}: offset {offset!r}")
    if offset and offset != true.isoformat()[-6:]:
        found.append(f"{name}: offset {offset}, truth {true.isoformat()[-6:]}")
    w, h = entry["size_upright"]
    for item, row in entry["items"].items():
        for x, y in row.get("polyline_px", []) + ([row["point_px"]] if "point_px" in row else []):
            if not (-1 <= x <= w + 1 and -1 <= y <= h + 1):
                found.append(f"{name}: {item} lies outside the picture")
                break
    return found


def check_clip(name: str, entry: dict[str, Any]) -> list[str]:
    """Findings of one clip."""
    path = MEDIA / name
    if not path.exists():
        return [f"{name}: missing"]
    found = []
    with av.open(str(path)) as box:
        stream = box.streams.video[0]
        times = sorted(float(p.pts * stream.time_base) for p in box.demux(stream) if p.pts is not None)
        seconds = times[-1]
        created = box.metadata.get("creation_time", "")
    with av.open(str(path)) as box:
        frames, size = 0, [0, 0]
        for frame in box.decode(video=0):
            frames += 1
            size = [frame.height, frame.width] if frame.rotation % 180 else [frame.width, frame.height]
    if size != entry["size_upright"]:
        found.append(f"{name}: upright size {size}, truth says {entry['size_upright']}")
    if not 30 <= seconds <= 90 or abs(seconds - entry["seconds"]) > 0.3:
        found.append(f"{name}: lasts {seconds:.1f} s, truth says {entry['seconds']}")
    if frames != len(times):
        found.append(f"{name}: {frames} of {len(times)} frames decode")
    if not created.startswith(entry["starts_at_utc"][:-1]):
        found.append(f"{name}: creation time {created}, truth says {entry['starts_at_utc']}")
    if any(s["end"] - s["start"] < 3 for s in entry["states"]):
        found.append(f"{name}: a state is held for less than 3 s")
    if not path.with_suffix(f".{entry['sidecar']}").exists():
        found.append(f"{name}: no sidecar")
    return found


def main() -> int:
    """Print every finding; 0 when there is none."""
    truth = json.loads((MEDIA / "truth.json").read_text(encoding="utf-8"))
    plan = tomllib.loads((MEDIA / "plan.toml").read_text(encoding="utf-8"))
    tomllib.loads((MEDIA / "closings.toml").read_text(encoding="utf-8"))
    known = {row["id"] for kind in ("subassembly", "step", "run", "part", "opening") for row in plan[kind]}
    found: list[str] = []
    for name, entry in truth["pictures"].items():
        found += check_photo(name, entry, truth)
        used = {*entry["subassemblies"], *entry["steps"], *entry["items"]}
        found += [f"{name}: {word} is not in the plan" for word in sorted(used - known)]
    for name, entry in truth["clips"].items():
        found += check_clip(name, entry)
    media = [p for p in MEDIA.rglob("*") if p.is_file() and p.suffix.lower() in {".jpg", ".heic", ".mp4", ".mov"}]
    named = {*truth["pictures"], *truth["clips"], *truth["refused"], *(m for _, m in truth["live_pairs"])}
    found += [
        f"{p.relative_to(MEDIA)}: not in truth.json" for p in media if p.relative_to(MEDIA).as_posix() not in named
    ]
    total = sum(p.stat().st_size for p in MEDIA.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    if total >= LIMIT:
        found.append(f"{total / 1e6:.1f} MB in all, the limit is {LIMIT / 1e6:.0f} MB")
    for line in found:
        sys.stdout.write(line + "\n")
    sys.stdout.write(
        f"{len(truth['pictures'])} photos, {len(truth['clips'])} clips, {total / 1e6:.1f} MB, {len(found)} findings\n"
    )
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
