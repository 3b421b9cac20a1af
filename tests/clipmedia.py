"""Real clips for the tests, made by ffmpeg (Debian's) and a few bytes of our own. Each says what is awkward about it.

They are small (a few seconds of 320×180) and made once per run: `Shelf` keeps them.
"""

from __future__ import annotations

import functools
import json
import struct
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

SECONDS = 7
PICTURE = f"testsrc2=size=320x180:rate=25:duration={SECONDS}"
H264 = ("-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "-threads", "1")
KEY_EACH_SECOND = ("-g", "25", "-keyint_min", "25", "-sc_threshold", "0")


def ffmpeg(*arguments: str) -> None:
    """Run ffmpeg; its words become the error if it fails."""
    done = subprocess.run(["ffmpeg", "-v", "error", "-y", *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def draw(target: Path, *options: str, picture: str = PICTURE) -> Path:
    ffmpeg("-f", "lavfi", "-i", picture, *options, str(target))
    return target


# ---------------------------------------------------------------------------------------------- clips that can be read


def constant(folder: Path) -> Path:
    """Nothing awkward: constant rate, a key frame each second."""
    return draw(folder / "constant.mp4", *H264, *KEY_EACH_SECOND)


def b_frames(folder: Path) -> Path:
    """Frames are stored in another order than shown, and decoding starts before time 0, which an edit list hides."""
    return draw(folder / "b-frames.mp4", *H264, *KEY_EACH_SECOND, "-bf", "3", "-b_strategy", "0")


def variable(folder: Path) -> Path:
    """Variable frame rate, as phones in poor light: gaps of 40 to 280 ms. A seek by time lands wrong in OpenCV."""
    dropped = f"{PICTURE},select='not(mod(n,7))+not(mod(n,5))+lt(mod(n,50),9)'"
    return draw(folder / "variable.mp4", *H264, "-g", "12", "-fps_mode", "vfr", picture=dropped)


def long_group(folder: Path) -> Path:
    """One key frame only, at the start: everything else hangs on it."""
    return draw(folder / "long-group.mp4", *H264, "-g", "1000", "-sc_threshold", "0", "-bf", "2")


def open_group(folder: Path) -> Path:
    """Open groups: frames shown before a key frame refer to it, so key frames are no clean cuts."""
    return draw(
        folder / "open-group.mp4", *H264, *KEY_EACH_SECOND, "-bf", "3", "-b_strategy", "0", "-x264-params", "open-gop=1"
    )


def edit_list(folder: Path) -> Path:
    """Cut without recoding at 1.32 s: the edit list hides the frames between the key frame at 1 s and the cut."""
    source = b_frames(folder)
    target = folder / "edit-list.mp4"
    ffmpeg("-ss", "1.32", "-i", str(source), "-c", "copy", str(target))
    return target


def late_start(folder: Path) -> Path:
    """The pictures begin 0.5 s after the sound, so the first frame shown is not at time 0 of the container."""
    target = folder / "late-start.mkv"
    ffmpeg(
        *("-itsoffset", "0.5", "-f", "lavfi", "-i", PICTURE),
        *("-f", "lavfi", "-i", f"sine=duration={SECONDS}", "-c:a", "aac"),
        *(*H264, *KEY_EACH_SECOND, str(target)),
    )
    return target


def fragmented(folder: Path) -> Path:
    """Fragments instead of one index, as recorders write that fear a power cut."""
    return draw(
        folder / "fragmented.mp4", *H264, *KEY_EACH_SECOND, "-movflags", "frag_keyframe+empty_moov+default_base_moof"
    )


def hevc(folder: Path) -> Path:
    """HEVC with open groups (CRA key frames with leading pictures), as phones record it."""
    x265 = "keyint=25:min-keyint=25:scenecut=0:open-gop=1:bframes=3:log-level=error:pools=1"
    return draw(folder / "hevc.mov", "-c:v", "libx265", "-preset", "ultrafast", "-x265-params", x265, "-tag:v", "hvc1")


def motion_jpeg(folder: Path) -> Path:
    """MJPEG in AVI, as older cameras record: every frame is a key frame, and there are no presentation times."""
    return draw(folder / "motion.avi", "-c:v", "mjpeg", "-q:v", "4", "-pix_fmt", "yuvj420p")


def avi_b_frames(folder: Path) -> Path:
    """MPEG-4 with B-frames in AVI, which has no place for presentation times: they must be told from the order."""
    return draw(folder / "b-frames.avi", "-c:v", "mpeg4", "-bf", "2", "-g", "25", "-q:v", "4")


def matroska(folder: Path) -> Path:
    """Matroska: times are whole milliseconds, so frames are 33, 33, 34 ms apart."""
    picture = PICTURE.replace("rate=25", "rate=30")
    return draw(folder / "thirty.mkv", *H264, "-g", "30", "-bf", "2", picture=picture)


def webm(folder: Path) -> Path:
    """VP9 in WebM: hidden frames are stored that are never shown; packets say nothing of their duration."""
    return draw(folder / "vp9.webm", "-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8", "-g", "25")


def transport(folder: Path) -> Path:
    """A transport stream (MTS): no index at all, and time starts at 1.4 s."""
    return draw(folder / "stream.mts", *H264, *KEY_EACH_SECOND, "-bf", "2", "-f", "mpegts")


def transport_cut(folder: Path) -> Path:
    """A transport stream that starts in the middle of a group: what precedes the first key frame cannot be shown."""
    whole = transport(folder).read_bytes()
    start = len(whole) // 5 // 188 * 188
    target = folder / "cut.ts"
    target.write_bytes(whole[start:])
    return target


def third_generation(folder: Path) -> Path:
    """3GP with H.263 at 176×144: pixels are 12:11, not square."""
    return draw(folder / "phone.3gp", "-c:v", "h263", "-s", "176x144", "-g", "25", "-q:v", "4")


def anamorphic(folder: Path) -> Path:
    """Pixels of 4:3, as camcorders store 1440×1080: what is stored is narrower than what is shown."""
    return draw(folder / "anamorphic.mp4", *H264, *KEY_EACH_SECOND, "-vf", "setsar=4/3")


def one_frame(folder: Path) -> Path:
    """A single frame."""
    return draw(folder / "one.mp4", *H264, "-frames:v", "1")


def few_frames(folder: Path) -> Path:
    """Fewer frames than the decoder holds back: nothing comes out before it is drained."""
    return draw(folder / "few.mp4", *H264, "-frames:v", "4", "-bf", "3", "-b_strategy", "0")


def turned(folder: Path, degrees: int) -> Path:
    """A phone held upright: pictures are stored lying down, and a matrix in the track header says how to turn them.

    The matrix (ISO/IEC 14496-12, 8.3.2) is written into the file here, since options for it differ between versions.
    """
    data = bytearray(constant(folder).read_bytes())
    cosine, sine = {90: (0, 1), 180: (-1, 0), 270: (0, -1)}[degrees]
    one = 0x10000
    matrix = struct.pack(">9i", cosine * one, sine * one, 0, -sine * one, cosine * one, 0, 0, 0, 0x40000000)
    at = data.index(b"tkhd") + 4 + 40
    data[at : at + 36] = matrix
    target = folder / f"turned-{degrees}.mp4"
    target.write_bytes(data)
    return target


def turned_90(folder: Path) -> Path:
    """Turned 90° clockwise."""
    return turned(folder, 90)


def turned_180(folder: Path) -> Path:
    """Upside down."""
    return turned(folder, 180)


def turned_270(folder: Path) -> Path:
    """Turned 90° counter-clockwise."""
    return turned(folder, 270)


def truncated(folder: Path) -> Path:
    """The copy broke off at 60 %: the index still claims the full length."""
    source = folder / "whole.mp4"
    draw(source, *H264, *KEY_EACH_SECOND, "-movflags", "+faststart")
    data = source.read_bytes()
    target = folder / "truncated.mp4"
    target.write_bytes(data[: len(data) * 6 // 10])
    return target


READABLE: dict[str, Callable[[Path], Path]] = {
    make.__name__: make
    for make in (
        constant,
        b_frames,
        variable,
        long_group,
        open_group,
        edit_list,
        late_start,
        fragmented,
        hevc,
        motion_jpeg,
        avi_b_frames,
        matroska,
        webm,
        transport,
        transport_cut,
        third_generation,
        anamorphic,
        one_frame,
        few_frames,
        turned_90,
        turned_180,
        turned_270,
        truncated,
    )
}


# ---------------------------------------------------------------------------------------- clips that cannot be read


def sound_only(folder: Path) -> Path:
    """An MP4 without pictures."""
    target = folder / "sound.mp4"
    ffmpeg("-f", "lavfi", "-i", "sine=duration=1", "-c:a", "aac", str(target))
    return target


def cover_only(folder: Path) -> Path:
    """Sound with a cover picture, which is a video stream to the library but no moving picture."""
    cover, target = folder / "cover.png", folder / "cover.m4a"
    draw(cover, "-frames:v", "1")
    sound = sound_only(folder)
    ffmpeg("-i", str(sound), "-i", str(cover), "-map", "0", "-map", "1", "-c", "copy", "-disposition:v", "attached_pic",
           str(target))  # fmt: skip
    return target


def encrypted(folder: Path) -> Path:
    """Protected pictures (Common Encryption, ISO/IEC 23001-7), as bought films are."""
    target = folder / "protected.mp4"
    scheme = ("-encryption_scheme", "cenc-aes-ctr", "-encryption_key", "0123456789abcdef" * 2)
    ffmpeg("-i", str(constant(folder)), "-c", "copy", *scheme, "-encryption_kid", "f" * 32, str(target))
    return target


def no_key_frame(folder: Path) -> Path:
    """A transport stream whose only key frame was cut away: nothing in it can ever be shown."""
    whole = draw(folder / "single.ts", *H264, "-g", "1000", "-sc_threshold", "0", "-f", "mpegts").read_bytes()
    target = folder / "keyless.ts"
    target.write_bytes(whole[len(whole) // 2 // 188 * 188 :])
    return target


def no_index(folder: Path) -> Path:
    """The battery died: an MP4 whose index was never written."""
    whole = constant(folder).read_bytes()
    target = folder / "no-index.mp4"
    target.write_bytes(whole[: whole.index(b"moov") - 4])
    return target


def empty(folder: Path) -> Path:
    """Zero bytes."""
    target = folder / "empty.mp4"
    target.write_bytes(b"")
    return target


def noise(folder: Path) -> Path:
    """Random bytes with a clip's name."""
    target = folder / "noise.mp4"
    target.write_bytes(np.random.default_rng(1).integers(0, 256, 200_000, dtype=np.uint8).tobytes())
    return target


def playlist(folder: Path) -> Path:
    """A playlist with a clip's name: it names another file, which must not be opened through it."""
    constant(folder)
    target = folder / "list.mp4"
    target.write_text("#EXTM3U\n#EXT-X-TARGETDURATION:7\n#EXTINF:7,\nconstant.mp4\n#EXT-X-ENDLIST\n")
    return target


UNREADABLE: dict[str, tuple[Callable[[Path], Path], str]] = {
    "sound_only": (sound_only, "sound"),
    "cover_only": (cover_only, "sound"),
    "encrypted": (encrypted, "encrypted"),
    "no_key_frame": (no_key_frame, "no picture"),
    "no_index": (no_index, "damaged"),
    "empty": (empty, "empty"),
    "noise": (noise, "no clip"),
    "playlist": (playlist, "no clip"),
}


class Shelf:
    """Makes a clip the first time it is asked for and keeps it; each in a folder of its own."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._made: dict[str, Path] = {}

    def get(self, name: str) -> Path:
        if name not in self._made:
            folder = self._root / name
            folder.mkdir()
            make = READABLE[name] if name in READABLE else UNREADABLE[name][0]
            self._made[name] = make(folder)
        return self._made[name]


_shelves: dict[Path, Shelf] = {}


def shared_shelf(root: Path) -> Shelf:
    """One shelf for a whole run, under its base folder `root`, whichever module asks first."""
    if root not in _shelves:
        folder = root / "clip-shelf"
        folder.mkdir()
        _shelves[root] = Shelf(folder)
    return _shelves[root]


# ------------------------------------------------------------------------------------------------ the truth


@dataclass(frozen=True, slots=True)
class Probed:
    """What ffprobe says: the time of every shown frame in ms from the first, and the end of the last."""

    times_ms: tuple[int, ...]
    end_ms: int


@functools.cache
def probe(path: Path) -> Probed:
    """Ask ffprobe (Debian's ffmpeg), a reader independent of the libraries under test, and count in whole ticks."""
    done = subprocess.run(
        [
            *("ffprobe", "-v", "error", "-select_streams", "v:0", "-of", "json"),
            *("-show_entries", "stream=time_base:frame=best_effort_timestamp,duration,pkt_duration", str(path)),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    base = Fraction(found["streams"][0]["time_base"])
    frames = found["frames"]
    ticks: list[int] = []
    for frame in frames:
        # AVI: the decoder holds frames back at the end for which no packet, and so no time, is left.
        before = ticks[-1] + int(frame.get("duration") or frame.get("pkt_duration") or 1) if ticks else 0
        ticks.append(int(frame.get("best_effort_timestamp", before)))
    last = frames[-1]
    duration = int(last.get("duration") or last.get("pkt_duration") or 0)
    times = tuple(int((tick - ticks[0]) * base * 1000 + Fraction(1, 2)) for tick in ticks)
    return Probed(times, int((ticks[-1] - ticks[0] + duration) * base * 1000 + Fraction(1, 2)))


# ------------------------------------------------------------------------------------------------ drawn clips


def write_frames(
    target: Path, frames: Sequence[NDArray[np.uint8]] | Callable[[int], NDArray[np.uint8]], count: int, *,
    rate: int = 25, key_every: int = 25,
) -> Path:  # fmt: skip
    """Encode `count` frames (H×W×3 RGB bytes; a sequence or a function of the number) by PyAV."""
    give = frames if callable(frames) else frames.__getitem__
    first = give(0)
    with av.open(str(target), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.height, stream.width = first.shape[:2]
        stream.pix_fmt = "yuv420p"
        stream.codec_context.gop_size = key_every
        stream.options = {"preset": "ultrafast", "crf": "20", "sc_threshold": "0", "threads": "1"}
        for number in range(count):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(give(number), format="rgb24")))
        container.mux(stream.encode(None))
    return target
