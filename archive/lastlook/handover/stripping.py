"""Originals that go along on request, without what they say of place, camera and owner, and without small pictures of
what was cropped away.

JPEG, PNG and WebP lose their metadata and keep every byte of the picture. A clip's pictures and sound are copied as
they are into a new container, without other streams and without the messages inside H.264 and HEVC. TIFF is written
anew without loss. HEIC and AVIF are encoded anew, since what else they hold cannot be told apart from pixels with
certainty. What cannot be done stays out, with its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps, UnidentifiedImageError

from lastlook.handover import bare_clips, bare_photos, profiles
from lastlook.handover.cleaning import DAMAGED, DEEP, NO_KIND, How, NotCleanable

_QUALITY = 95
_PHOTOS = {"JPEG", "MPO", "PNG", "WEBP", "TIFF", "HEIF", "HEIC", "AVIF"}


def can(kind: str, format: str, file: str) -> bool:
    """Is there a way to clean an original of this kind ("photo", "clip") and format? The file itself may yet refuse."""
    return Path(file).suffix.lower() in bare_clips.CONTAINERS if kind == "clip" else format.upper() in _PHOTOS


def clean(
    source: Path,
    target: Path,
    kind: str,
    format: str,
    tick: Callable[[], None] = lambda: None,
    *,
    sound: bool = True,
) -> How:
    """Write a cleaned copy of an original. `tick` is called now and then, and may raise to stop; `sound` False leaves
    the sound of a clip behind. Raises NotCleanable, OSError (of the disk); `target` may then be there in part."""
    if kind == "clip":
        return bare_clips.repack(source, target, tick, sound=sound)
    try:
        match format.upper():
            case "JPEG" | "MPO":
                target.write_bytes(bare_photos.jpeg(source.read_bytes()))
            case "PNG":
                target.write_bytes(bare_photos.png(source.read_bytes()))
            case "WEBP":
                target.write_bytes(bare_photos.webp(source.read_bytes()))
            case "TIFF":
                return _tiff(source, target)
            case "HEIF" | "HEIC":
                return _heif(source, target)
            case "AVIF":
                return _avif(source, target)
            case _:
                raise NotCleanable(NO_KIND)
    except (ValueError, SyntaxError, EOFError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise NotCleanable(DAMAGED) from error
    except RuntimeError as error:  # libheif's limits on what a file may ask for
        raise NotCleanable(DAMAGED) from error
    except OSError as error:
        if error.errno is not None:  # of the disk
            raise
        raise NotCleanable(DAMAGED) from error  # of a decoder
    return How.STRIPPED


# ------------------------------------------------------------------------------------------------ written anew


def _bare(image: Image.Image) -> tuple[Image.Image, bytes]:
    """Nothing but the pixels, upright, and what the profile says of colours."""
    image.load()  # the decoder of TIFF turns it now, and forgets that it was to be turned
    upright = ImageOps.exif_transpose(image)
    bare = Image.new(upright.mode, upright.size)
    if upright.mode == "P":
        bare.putpalette(upright.getpalette("RGB") or [], "RGB")
    bare.paste(upright)
    return bare, profiles.bare(image.info.get("icc_profile"))


def _tiff(source: Path, target: Path) -> How:
    with Image.open(source) as image:
        bits: Any = image.tag_v2.get(258, (1,)) if hasattr(image, "tag_v2") else (1,)
        deep = max(bits if isinstance(bits, tuple) else (bits,)) > 8 and image.mode not in {"I;16", "F", "I"}
        if deep or getattr(image, "n_frames", 1) > 1:
            raise NotCleanable(DEEP)
        bare, profile = _bare(image)
        more: dict[str, Any] = {"icc_profile": profile} if profile else {}
        bare.save(target, "TIFF", compression="group4" if bare.mode == "1" else "tiff_adobe_deflate", **more)
    return How.LOSSLESS


def _heif(source: Path, target: Path) -> How:
    import pillow_heif

    image = pillow_heif.open_heif(source, convert_hdr_to_8bit=True).to_pillow()
    profile = profiles.bare(image.info.get("icc_profile"))
    bare = Image.new(image.mode, image.size)
    bare.paste(image)  # it is upright: the decoder has turned it, whatever its Exif says (ISO/IEC 23008-12, 6.5.10)
    made = pillow_heif.from_pillow(bare)
    if profile:
        made.info["icc_profile"] = profile
    # The quickest way of x265 takes a seventh of the time; at this quality it loses less, and is a tenth larger.
    made.save(target, quality=_QUALITY, enc_params={"preset": "ultrafast"})
    return How.ENCODED


def _avif(source: Path, target: Path) -> How:
    with Image.open(source) as image:
        bare, profile = _bare(image)
        more: dict[str, Any] = {"icc_profile": profile} if profile else {}
        bare.save(target, "AVIF", quality=_QUALITY, **more)
    return How.ENCODED
