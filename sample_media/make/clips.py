"""Turn held frames into hand-held recordings: moving crops with shake, motion blur and refocusing, then encode."""

import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cameras
import cv2
import develop
import numpy as np
import reel
import story
from paths import FRAMES, MEDIA, SCRATCH

BITRATE = 300_000


@dataclass(frozen=True)
class Beat:
    """One video frame: picture a, picture b and their mix, window, extra blur (px)."""

    a: str
    b: str
    mix: float
    window: tuple[float, float, float]
    blur: float


def ease(t: float) -> float:
    """Smooth start and stop."""
    return t * t * (3 - 2 * t)


def states(clip: reel.Clip) -> list[tuple[float, float]]:
    """Start and end second of each hold."""
    times, now = [], 0.0
    for hold in clip.holds:
        now += hold.move
        times.append((round(now, 2), round(now + hold.seconds, 2)))
        now += hold.seconds
    return times


def beat(clip: reel.Clip, second: float) -> Beat:
    """What the clip shows at a second."""
    spans = states(clip)
    for i, (hold, (start, end)) in enumerate(zip(clip.holds, spans, strict=True)):
        if second < start:
            before = clip.holds[i - 1]
            t = (second - (start - hold.move)) / hold.move
            s = ease(t)
            window = tuple(p + (q - p) * s for p, q in zip(before.window, hold.window, strict=True))
            blur = 0.0
            if before.frame != hold.frame:
                blur = (9.0 if hold.refocus else 4.5) * np.sin(np.pi * t) ** 0.7
                dip = 0.10 * np.sin(np.pi * t) if hold.refocus else 0.02 * np.sin(np.pi * t)
                window = (window[0] - dip * 0.4, window[1] + dip, window[2])
            return Beat(before.frame, hold.frame, float(np.clip((t - 0.38) / 0.24, 0, 1)), window, float(blur))
        if second < end:
            settle = 5.0 * np.exp(-(second - start) * 5.0) if hold.refocus else 0.0
            return Beat(hold.frame, hold.frame, 0.0, hold.window, settle if settle > 0.3 else 0.0)
    last = clip.holds[-1]
    return Beat(last.frame, last.frame, 0.0, last.window, 0.0)


def shake(second: float, seed: int) -> tuple[float, float, float]:
    """Hand shake: offsets as shares of the frame and a turn in degrees."""
    rng = np.random.default_rng(seed)
    freq = rng.uniform(0.25, 2.2, (3, 6))
    phase = rng.uniform(0, 6.28, (3, 6))
    size = np.array([0.0022, 0.0022, 0.16])[:, None] / freq**0.9
    x, y, r = (size * np.sin(2 * np.pi * freq * second + phase)).sum(axis=1)
    return float(x), float(y), float(r)


class Studio:
    """Holds the developed frames of a clip and draws its video frames."""

    def __init__(self, clip: reel.Clip) -> None:
        self.clip = clip
        self.seed = int(clip.at.timestamp()) % 100_003
        self.sources = {}
        for name in {h.frame for h in clip.holds}:
            linear = np.load(FRAMES / f"{name}.npy").astype(np.float32)
            want = story.TALL if linear.shape[0] > linear.shape[1] else story.WIDE
            if (linear.shape[1], linear.shape[0]) != want:
                linear = cv2.resize(linear, want, interpolation=cv2.INTER_CUBIC)
            self.sources[name] = develop.develop(linear, cameras.CAMERAS["phone"], self.seed, grain=0.25)
        rng = np.random.default_rng(self.seed)
        w, h = clip.size
        self.grain = []
        for _ in range(5):
            one = cv2.GaussianBlur(rng.normal(0, 1, (h, w)).astype(np.float32), (0, 0), 0.8) * 2.2
            self.grain.append(np.repeat(np.rint(one).astype(np.int16)[..., None], 3, axis=2))
        self.drift = rng.normal(0, 0.02, 8)

    def matrix(self, second: float) -> tuple[Any, Beat]:
        """Affine map from the frame to the video."""
        now = beat(self.clip, second)
        w, h = self.clip.size
        source = self.sources[now.a]
        sh, sw = source.shape[:2]
        dx, dy, turn = shake(second, self.seed)
        width = min(now.window[2], 0.97 * min(1.0, sh * w / h / sw) if self.clip.size[1] > w else now.window[2])
        scale = w / (width * sw)
        half_w, half_h = w / scale / 2, h / scale / 2
        cx = float(np.clip(now.window[0] * sw, half_w + 4, max(sw - half_w - 4, half_w + 4)))
        cy = float(np.clip(now.window[1] * sh, half_h + 4, max(sh - half_h - 4, half_h + 4)))
        cx, cy = cx + dx * sw * now.window[2], cy + dy * sw * now.window[2]
        m = cv2.getRotationMatrix2D((cx, cy), turn, scale)
        m[:, 2] += np.array([w / 2 - cx, h / 2 - cy])
        return m, now

    def draw(self, second: float, index: int) -> Any:
        """One RGB frame."""
        m, now = self.matrix(second)
        w, h = self.clip.size
        image = cv2.warpAffine(
            self.sources[now.a], m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
        )
        if now.mix > 0:
            other = cv2.warpAffine(
                self.sources[now.b], m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
            )
            image = cv2.addWeighted(image, 1 - now.mix, other, now.mix, 0)
        later, _ = self.matrix(second + 0.02)
        centre = np.array([self.sources[now.a].shape[1] / 2, self.sources[now.a].shape[0] / 2, 1.0])
        step = (later - m) @ centre
        length = float(np.hypot(*step))
        if length > 1.5:
            n = int(min(length, 45)) | 1
            kernel = np.zeros((n, n), np.float32)
            end = step / length * (n / 2)
            a = (int(n / 2 - end[0]), int(n / 2 - end[1]))
            cv2.line(kernel, a, (int(n / 2 + end[0]), int(n / 2 + end[1])), 1.0, 1)
            image = cv2.filter2D(image, -1, kernel / max(float(kernel.sum()), 1e-6))
        if now.blur > 0.3:
            image = cv2.GaussianBlur(image, (0, 0), now.blur)
        light = 1 + sum(self.drift[k] * np.sin(second * (0.11 + 0.07 * k)) for k in range(3))
        lit = cv2.convertScaleAbs(image, alpha=float(light))
        return cv2.add(lit, self.grain[index % 5], dtype=cv2.CV_8U)


def ticks(clip: reel.Clip, length: float) -> list[float]:
    """Presentation times in seconds: even, or uneven as a phone writes them in poor light."""
    if not clip.variable:
        return [i / clip.rate for i in range(int(length * clip.rate))]
    rng = np.random.default_rng(44)
    times, now = [], 0.0
    while now < length - 0.05:
        times.append(round(now, 3))
        slow = np.sin(now * 0.5) > 0.35
        now += float(rng.choice([0.05, 0.067, 0.083] if slow else [0.033, 0.04, 0.042]))
    return times


def encode(clip: reel.Clip, target: Path) -> float:
    """Write H.264 to a scratch file, then copy it with its metadata; returns the length in seconds."""
    studio = Studio(clip)
    length = states(clip)[-1][1]
    raw = SCRATCH / f"{target.stem}.raw{target.suffix}"
    w, h = (clip.size[1], clip.size[0]) if clip.turned else clip.size
    with av.open(str(raw), "w") as box:
        stream = box.add_stream("libx264", rate=clip.rate)
        stream.width, stream.height, stream.pix_fmt = w, h, "yuv420p"
        stream.codec_context.time_base = Fraction(1, 1000)
        stream.codec_context.max_b_frames = 2
        stream.options = {
            "preset": "veryfast",
            "crf": "25",
            "g": str(int(clip.rate * 1.6)),
            "profile": "main",
            "maxrate": str(BITRATE),
            "bufsize": str(BITRATE * 2),
            "threads": "2",
        }
        for index, second in enumerate(ticks(clip, length)):
            image = studio.draw(second, index)
            if clip.turned:
                image = np.ascontiguousarray(np.rot90(image))
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts = round(second * 1000)
            frame.time_base = Fraction(1, 1000)
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
    created = clip.at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
    turn = ["-metadata:s:v:0", "rotate=270"] if clip.turned else []
    subprocess.run(
        [
            "ffmpeg",
            "-v",
            "error",
            "-y",
            "-i",
            str(raw),
            "-c",
            "copy",
            "-metadata",
            f"creation_time={created}",
            *turn,
            "-movflags",
            "+faststart",
            str(target),
        ],
        check=True,
    )
    raw.unlink()
    return length


def mark(seconds: float, comma: str) -> str:
    """A cue time, hh:mm:ss and milliseconds."""
    whole = round(seconds * 1000)
    return f"{whole // 3600000:02d}:{whole // 60000 % 60:02d}:{whole // 1000 % 60:02d}{comma}{whole % 1000:03d}"


def narrate(clip: reel.Clip, target: Path) -> None:
    """Write the sidecar with the words."""
    spans = states(clip)
    cues = [(spans[i][0] + into, spans[i][0] + into + long, words) for i, into, long, words in clip.said]
    if clip.sidecar == "srt":
        text = "".join(
            f"{n}\n{mark(a, ',')} --> {mark(b, ',')}\n{words}\n\n" for n, (a, b, words) in enumerate(cues, 1)
        )
    else:
        text = "WEBVTT\n\n" + "".join(f"{mark(a, '.')} --> {mark(b, '.')}\n{words}\n\n" for a, b, words in cues)
    target.with_suffix(f".{clip.sidecar}").write_text(text, encoding="utf-8")


def live_pair() -> reel.Clip:
    """The two seconds that the phone keeps beside one of its photos."""
    hold = reel.Hold("IMG_20260324_145018", (0.5, 0.5, 0.95), 2.0, "the spliced W03 and its loop", 0)
    return reel.Clip(
        "phone/IMG_20260324_145018.MOV",
        story.local("03-24 14:50:17"),
        (960, 720),
        "",
        ("MAST", "HULL-F"),
        ("S09",),
        (hold,),
        (),
    )


def main(arguments: list[str]) -> None:
    """clips.py [WORD]: make all clips, or those whose name holds the word."""
    SCRATCH.mkdir(parents=True, exist_ok=True)
    for clip in (*reel.CLIPS, live_pair()):
        if arguments and arguments[0] not in clip.path:
            continue
        if any(not (FRAMES / f"{h.frame}.npy").exists() for h in clip.holds):
            sys.stdout.write(f"not rendered yet: {clip.path}\n")
            continue
        target = MEDIA / clip.path
        target.parent.mkdir(parents=True, exist_ok=True)
        length = encode(clip, target)
        if clip.said:
            narrate(clip, target)
        sys.stdout.write(f"{clip.path} {length:.1f} s, {target.stat().st_size / 1e6:.2f} MB\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
