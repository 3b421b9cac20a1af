"""Develop the rendered frames into photo files with the metadata each camera would write."""

import io
import json
import sys
from datetime import timedelta
from fractions import Fraction
from typing import Any

import cameras
import cv2
import develop
import numpy as np
import piexif
import pillow_heif
import story
from paths import FRAMES, MEDIA
from PIL import Image
from schedule import clock_error

QUALITY = {"phone": 80, "camera": 82, "compact": 78}


def rational(value: float, limit: int = 1000) -> tuple[int, int]:
    """A number as an Exif rational."""
    part = Fraction(value).limit_denominator(limit)
    return part.numerator, part.denominator


def seed_of(photo: story.Photo) -> int:
    """A stable seed for grain and drift."""
    return int(photo.at.timestamp()) % 1_000_003


def geometry(photo: story.Photo) -> dict[str, Any]:
    """Where the picture lies in its frame: record, offset, scale, size, focal length and principal point (px)."""
    record = json.loads((FRAMES / f"{photo.frame}.json").read_text(encoding="utf-8"))
    w, h = record["size"]
    x0, y0, x1, y1 = 0, 0, w, h
    if photo.crop:
        cx, cy, cw, ch = photo.crop
        x0, y0, x1, y1 = round(cx * w), round(cy * h), round((cx + cw) * w), round((cy + ch) * h)
    out = story.TALL if h > w else story.WIDE
    scale = (out[0] / (x1 - x0), out[1] / (y1 - y0))
    return {
        "record": record,
        "window": (x0, y0, x1, y1),
        "offset": (x0, y0),
        "scale": scale,
        "size": out,
        "focal_px": record["focal_px"] * scale[0],
        "principal_px": [(w / 2 - x0) * scale[0], (h / 2 - y0) * scale[1]],
    }


def picture(photo: story.Photo) -> Any:
    """The upright picture, RGB."""
    linear = np.load(FRAMES / f"{photo.frame}.npy").astype(np.float32)
    where = geometry(photo)
    x0, y0, x1, y1 = where["window"]
    part = linear[y0:y1, x0:x1]
    if (x1 - x0, y1 - y0) != where["size"]:
        part = cv2.resize(part, where["size"], interpolation=cv2.INTER_CUBIC)
    return develop.develop(part, cameras.CAMERAS[photo.camera], seed_of(photo), flaw=photo.flaw, dark=photo.dark)


def exif(photo: story.Photo, size: tuple[int, int], thumbnail: bytes | None) -> bytes:
    """Exif of the photo as its camera wrote it, wrong clock and all."""
    camera = cameras.CAMERAS[photo.camera]
    zoom = cameras.STATIONS[json.loads((FRAMES / f"{photo.frame}.json").read_text())["station"]].zoom
    rng = np.random.default_rng(seed_of(photo))
    shown = photo.at + timedelta(seconds=clock_error(photo.camera, photo.at))
    stamp = "    :  :     :  :  " if photo.blank_date else shown.strftime("%Y:%m:%d %H:%M:%S")
    dark = photo.dark
    speed = int(rng.choice([1600, 3200] if dark else [100, 160, 200, 400]))
    seconds = (1, 4) if dark else (1, 15 if photo.flaw == "shake" else int(rng.choice([40, 60, 80, 100, 125])))
    first: dict[int, Any] = {
        piexif.ImageIFD.Make: camera.make,
        piexif.ImageIFD.Model: camera.model,
        piexif.ImageIFD.Orientation: 6 if photo.turned else 1,
        piexif.ImageIFD.DateTime: stamp,
        piexif.ImageIFD.XResolution: (72, 1),
        piexif.ImageIFD.YResolution: (72, 1),
        piexif.ImageIFD.ResolutionUnit: 2,
        piexif.ImageIFD.Software: {"phone": "rill 4.2", "camera": "BL-30 1.04", "compact": "nib"}[photo.camera],
    }
    inner: dict[int, Any] = {
        piexif.ExifIFD.ExifVersion: b"0231" if photo.camera == "phone" else b"0221",
        piexif.ExifIFD.DateTimeOriginal: stamp,
        piexif.ExifIFD.DateTimeDigitized: stamp,
        piexif.ExifIFD.ExposureTime: seconds,
        piexif.ExifIFD.FNumber: rational(camera.fnumber),
        piexif.ExifIFD.ISOSpeedRatings: speed,
        piexif.ExifIFD.FocalLength: rational(camera.lens * zoom),
        piexif.ExifIFD.FocalLengthIn35mmFilm: round(camera.lens * zoom * 34.6 / camera.sensor),
        piexif.ExifIFD.PixelXDimension: size[0],
        piexif.ExifIFD.PixelYDimension: size[1],
        piexif.ExifIFD.ColorSpace: 1,
        piexif.ExifIFD.Flash: 0,
    }
    place: dict[int, Any] = {}
    if photo.camera == "phone":
        offset = shown.strftime("%z")
        offset = f"{offset[:3]}:{offset[3:]}"
        for tag in (piexif.ExifIFD.OffsetTime, piexif.ExifIFD.OffsetTimeOriginal, piexif.ExifIFD.OffsetTimeDigitized):
            inner[tag] = offset
        sub = f"{int(rng.integers(0, 1000)):03d}"
        inner[piexif.ExifIFD.SubSecTimeOriginal] = inner[piexif.ExifIFD.SubSecTimeDigitized] = sub
        if photo.gps:
            utc = photo.at.astimezone(story.ZoneInfo("UTC"))
            place = {
                piexif.GPSIFD.GPSVersionID: (2, 3, 0, 0),
                piexif.GPSIFD.GPSDateStamp: utc.strftime("%Y:%m:%d"),
                piexif.GPSIFD.GPSTimeStamp: ((utc.hour, 1), (utc.minute, 1), (utc.second, 1)),
                piexif.GPSIFD.GPSLatitudeRef: "N",
                piexif.GPSIFD.GPSLatitude: ((56, 1), (12, 1), (0, 100)),
                piexif.GPSIFD.GPSLongitudeRef: "E",
                piexif.GPSIFD.GPSLongitude: ((6, 1), (30, 1), (0, 100)),
            }
    data = {"0th": first, "Exif": inner, "GPS": place, "1st": {}, "thumbnail": thumbnail}
    return bytes(piexif.dump(data))


def thumbnail(image: Image.Image) -> bytes:
    """A small JPEG for the Exif block."""
    small = image.copy()
    small.thumbnail((160, 120))
    held = io.BytesIO()
    small.save(held, "JPEG", quality=60)
    return held.getvalue()


def save(photo: story.Photo) -> None:
    """Write one photo."""
    image = Image.fromarray(picture(photo))
    path = MEDIA / photo.path
    path.parent.mkdir(parents=True, exist_ok=True)
    stored = image.transpose(Image.Transpose.ROTATE_90) if photo.turned else image
    block = exif(photo, stored.size, thumbnail(stored) if photo.thumb else None)
    if path.suffix == ".HEIC":
        stored.save(path, "HEIF", quality=52, exif=block)  # orientation 6 becomes the container's rotation too
    else:
        stored.save(
            path,
            "JPEG",
            quality=QUALITY[photo.camera],
            exif=block,
            optimize=True,
            subsampling="4:2:0",
            progressive=False,
        )


def odd_files() -> None:
    """A renamed copy, a truncated JPEG, an empty file and a note, as they turn up on a real card."""
    odd = MEDIA / "odd"
    odd.mkdir(exist_ok=True)
    source = MEDIA / "camera/2026-03-20 mast foot/BL300153.JPG"
    (MEDIA / "phone/received").mkdir(exist_ok=True)
    (MEDIA / "phone/received/mast foot before splice.jpg").write_bytes(source.read_bytes())
    small = Image.open(source).convert("RGB").resize((400, 300))
    held = io.BytesIO()
    small.save(held, "JPEG", quality=60)
    (odd / "BL300150.JPG").write_bytes(held.getvalue()[: len(held.getvalue()) * 2 // 5])
    (odd / "PBT00020.jpg").write_bytes(b"")
    (odd / "card notes.txt").write_text(
        "BL300150 came off the old card broken, PBT00020 is empty.\nCompact: date is wrong, see closings.toml.\n",
        encoding="utf-8",
    )


def main(arguments: list[str]) -> None:
    """photos.py [--missing] [WORD...]: develop all photos, those whose path holds a word, or those not there yet."""
    pillow_heif.register_heif_opener()
    words = [a for a in arguments if not a.startswith("--")]
    for photo in story.photos():
        if words and not any(word in photo.path for word in words):
            continue
        if not (FRAMES / f"{photo.frame}.npy").exists():
            sys.stdout.write(f"not rendered yet: {photo.path}\n")
        elif "--missing" not in arguments or not (MEDIA / photo.path).exists():
            save(photo)
    odd_files()


if __name__ == "__main__":
    main(sys.argv[1:])
