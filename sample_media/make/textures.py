"""Printed things of the bench drawn with Pillow: cutting mat, steel rule, paper tags, notes, the meter's display."""

import itertools
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

FONTS = Path("/usr/share/fonts/truetype/dejavu")


def font(size: int, bold: bool = False, mono: bool = False) -> ImageFont.FreeTypeFont:
    """A DejaVu font at a pixel size."""
    name = "DejaVuSans" + ("Mono" if mono else "") + ("-Bold" if bold else "") + ".ttf"
    return ImageFont.truetype(str(FONTS / name), size)


def speckled(image: Image.Image, amount: float, seed: int) -> Image.Image:
    """Fine and coarse unevenness, so that no printed area is perfectly flat."""
    rng = np.random.default_rng(seed)
    fine = rng.normal(0, amount, (image.height, image.width, 1))
    low = Image.fromarray(rng.integers(0, 255, (12, 12), dtype=np.uint8)).resize(image.size, Image.Resampling.BICUBIC)
    coarse = (np.asarray(low, dtype=float)[..., None] / 255 - 0.5) * amount * 3
    return Image.fromarray(np.clip(np.asarray(image, dtype=float) + fine + coarse, 0, 255).astype(np.uint8))


def mat(path: Path, width: int = 1000, height: int = 640) -> None:
    """The cutting mat, 3 px a millimetre, with a 10 mm grid, figures, scratches and glue spots."""
    k = 3
    image = Image.new("RGB", (width * k, height * k), (38, 62, 74))
    draw = ImageDraw.Draw(image)
    for mm in range(0, width + 1, 10):
        heavy = mm % 50 == 0
        tone = (122, 142, 146) if heavy else (68, 92, 102)
        draw.line([(mm * k, 0), (mm * k, height * k)], fill=tone, width=2 if heavy else 1)
        if mm % 50 == 0:
            draw.text((mm * k + 4, 6), str(mm // 10), font=font(20), fill=(150, 164, 166))
    for mm in range(0, height + 1, 10):
        heavy = mm % 50 == 0
        tone = (122, 142, 146) if heavy else (68, 92, 102)
        draw.line([(0, mm * k), (width * k, mm * k)], fill=tone, width=2 if heavy else 1)
        if mm % 50 == 0:
            draw.text((6, mm * k + 4), str(mm // 10), font=font(20), fill=(150, 164, 166))
    rng = np.random.default_rng(40)
    for _ in range(150):
        x, y = rng.integers(0, width * k), rng.integers(0, height * k)
        angle, length = rng.normal(0.2, 0.7), rng.integers(30, 420)
        tone = tuple(int(c) for c in rng.integers(70, 105, 3)) if rng.random() < 0.5 else (26, 42, 52)
        draw.line([(x, y), (x + length * np.cos(angle), y + length * np.sin(angle))], fill=tone, width=1)
    for _ in range(26):
        x, y, r = rng.integers(0, width * k), rng.integers(0, height * k), rng.integers(3, 14)
        draw.ellipse([x, y, x + r * 2, y + r * 1.6], fill=tuple(int(c) for c in rng.integers(90, 190, 3)))
    speckled(image.filter(ImageFilter.GaussianBlur(0.6)), 4, 1).save(path)


def wood(path: Path) -> None:
    """The bench top, 2400 by 1140 mm at 1.5 px a millimetre: six boards with long grain, dents and stains."""
    rng = np.random.default_rng(12)
    h, w = 1710, 3600
    base = np.zeros((h, w, 3))
    edges = np.linspace(0, h, 7).astype(int)
    for top, bottom in itertools.pairwise(edges):
        n = bottom - top
        lines = rng.normal(0, 1, (n, 30))
        grain = np.asarray(Image.fromarray(lines.astype(np.float32)).resize((w, n), Image.Resampling.BICUBIC))
        slow = np.asarray(
            Image.fromarray(rng.normal(0, 1, (6, 9)).astype(np.float32)).resize((w, n), Image.Resampling.BICUBIC)
        )
        fibre = np.asarray(
            Image.fromarray(rng.normal(0, 1, (n, w // 40)).astype(np.float32)).resize((w, n), Image.Resampling.BILINEAR)
        )
        tone = (1 + rng.normal(0, 0.06) + 0.05 * grain + 0.06 * slow + 0.05 * fibre)[..., None]
        base[top:bottom] = tone * np.array([146, 108, 72])
        base[top : top + 2] *= 0.55
    image = Image.fromarray(np.clip(base, 0, 255).astype(np.uint8))
    draw = ImageDraw.Draw(image, "RGBA")
    for _ in range(60):
        x, y, r = rng.integers(0, w), rng.integers(0, h), rng.integers(3, 26)
        draw.ellipse([x, y, x + r, y + r * 0.8], fill=(40, 26, 18, int(rng.integers(20, 90))))
    image.filter(ImageFilter.GaussianBlur(0.8)).save(path)


def rule(path: Path, length: int = 300) -> None:
    """A steel rule, 300 mm by 25 mm, 8 px a millimetre."""
    k = 8
    image = Image.new("RGB", (length * k, 25 * k), (176, 178, 180))
    draw = ImageDraw.Draw(image)
    for mm in range(length + 1):
        tall = 9 if mm % 10 == 0 else 6.5 if mm % 5 == 0 else 4.5
        draw.line([(mm * k, 0), (mm * k, tall * k)], fill=(20, 20, 22), width=2)
        if mm % 10 == 0 and mm:
            draw.text((mm * k - 14, 10 * k), str(mm), font=font(26), fill=(20, 20, 22))
    speckled(image, 5, 2).save(path)


def tag(path: Path, text: str, seed: int, size: tuple[int, int] = (220, 110)) -> None:
    """A paper tag with an id, as if written with a felt pen."""
    rng = np.random.default_rng(seed)
    image = Image.new("RGB", size, (236, 229, 206))
    points = min(64, int(1.35 * size[0] / len(text)))
    face = font(points, bold=True)
    layer = Image.new("L", size, 0)
    box = face.getbbox(text)
    ImageDraw.Draw(layer).text(((size[0] - box[2]) / 2, (size[1] - box[3] - box[1]) / 2), text, font=face, fill=235)
    layer = layer.rotate(rng.normal(0, 1.5), resample=Image.Resampling.BICUBIC)
    image.paste((24, 26, 48), mask=layer)
    ImageDraw.Draw(image).rectangle([0, 0, size[0] - 1, size[1] - 1], outline=(205, 196, 170), width=3)
    speckled(image, 5, seed).save(path)


def note(path: Path, lines: list[str], seed: int = 5) -> None:
    """A sheet of squared paper with a few lines of the job."""
    image = Image.new("RGB", (620, 860), (240, 238, 230))
    draw = ImageDraw.Draw(image)
    for x in range(0, 860, 24):
        draw.line([(x, 0), (x, 860)], fill=(206, 214, 226))
        draw.line([(0, x), (620, x)], fill=(206, 214, 226))
    for i, line in enumerate(lines):
        draw.text((40, 50 + i * 54), line, font=font(34), fill=(40, 44, 84))
    speckled(image, 4, seed).save(path)


def display(path: Path, reading: str, unit: str) -> None:
    """The meter's liquid-crystal display."""
    image = Image.new("RGB", (360, 180), (158, 170, 150))
    draw = ImageDraw.Draw(image)
    draw.text((16, 34), reading, font=font(100, bold=True, mono=True), fill=(22, 28, 26))
    draw.text((292, 132), unit, font=font(34, bold=True), fill=(22, 28, 26))
    image.save(path)


def letters(path: Path, text: str) -> None:
    """White name letters on hull red, for the painted sides."""
    image = Image.new("RGB", (900, 150), (163, 37, 32))
    face = font(128, bold=True)
    draw = ImageDraw.Draw(image)
    draw.text(((900 - face.getlength(text)) / 2, 2), text, font=face, fill=(228, 224, 214))
    image.save(path)
