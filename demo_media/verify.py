"""Check the finished files against the truth, by listening and looking.

    python verify.py [FOLDER]

Decodes every clip, finds its sound against the direct sound of its performance, reads the lamp
panel of every picture, compares every timestamp with the plan, and finds every track in the mix.
Exits with 1 if anything is out of bounds.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import soundfile
from build import counter, files, mixing, plan, recording
from build.signals import SAMPLE_RATE, band, read_at

MAX_SOUND_ERROR_MS = 0.1
MAX_MIX_ERROR_MS = 0.1
# WebM counts in milliseconds; all others in finer units.
MAX_PICTURE_ERROR_MS = 0.51
MAX_BYTES = 18_000_000
MAX_DECODE_CPU_S = 25.0
LUFS_BOUNDS, MAX_DBTP, MAX_GUIDE_DBFS = (-14.5, -13.5), -1.0, -6.0
LIT_LUMA, DARK_LUMA = 200, 50

_WINDOW_S, _UPSAMPLED = 8.0, 16


@dataclass(frozen=True, slots=True)
class Decoded:
    """One decoded clip.

    Attributes
    ----------
    sound : ndarray, shape (samples,)
        First channel; sample 0 is at ``sound_from_s``.
    sample_rate : int
    sound_from_s : float
        Clip second of the first sample.
    pictures_s : list of float
        Clip second of every picture.
    indices : list of int
        What the lamp panel says.
    contrast : tuple of int
        Luma of the darkest lit and the lightest dark lamp in any picture.
    size : tuple of int
        Upright width and height.
    cpu_s : float
        Processor time of decoding alone.
    """

    sound: np.ndarray
    sample_rate: int
    sound_from_s: float
    pictures_s: list[float]
    indices: list[int]
    contrast: tuple[int, int]
    size: tuple[int, int]
    cpu_s: float


def decode(path: Path, panel: dict[str, float]) -> Decoded:
    """Decode a clip; second 0 is the earliest timestamp of any stream."""
    blocks, sound_s, pictures_s, lamps, size, cpu_s = [], [], [], [], (0, 0), 0.0
    with av.open(str(path), options={"advanced_editlist": "0"}) as container:
        for stream in container.streams:
            stream.codec_context.thread_count = 1
        rate = container.streams.audio[0].codec_context.sample_rate
        frames = container.decode()
        while True:
            began_s = time.process_time()
            frame = next(frames, None)
            cpu_s += time.process_time() - began_s
            if frame is None:
                break
            if isinstance(frame, av.AudioFrame):
                sound_s.append(float(frame.pts * frame.time_base))
                blocks.append(frame.to_ndarray()[0])
            else:
                pictures_s.append(float(frame.pts * frame.time_base))
                upright = np.rot90(_luma(frame), frame.rotation // 90)
                size = (upright.shape[1], upright.shape[0])
                lamps.append(_lamps(upright, panel))
    zero_s = min(sound_s[0], pictures_s[0])
    bits = np.array(lamps) > 125
    return Decoded(
        sound=np.concatenate(blocks).astype(np.float64),
        sample_rate=rate,
        sound_from_s=sound_s[0] - zero_s,
        pictures_s=[at_s - zero_s for at_s in pictures_s],
        indices=[counter.index_of(list(row)) for row in bits],
        contrast=(int(np.min(lamps, where=bits, initial=255)),
                  int(np.max(lamps, where=~bits, initial=0))),
        size=size,
        cpu_s=cpu_s,
    )  # fmt: skip


def _luma(frame: av.VideoFrame) -> np.ndarray:
    """Return the luma plane of a picture, shape (height, width)."""
    plane = frame.planes[0]
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: frame.height, : frame.width]


def _lamps(upright: np.ndarray, panel: dict[str, float]) -> np.ndarray:
    """Return the mean full-range luma in the middle of each of the 16 lamps."""
    height, width = upright.shape
    values = []
    for position in range(counter.COLUMNS * counter.ROWS):
        row, column = divmod(position, counter.COLUMNS)
        x = round((panel["first_x"] + column * panel["pitch_x"]) * width)
        y = round((panel["first_y"] + row * panel["pitch_y"]) * height)
        values.append(upright[y - 3 : y + 4, x - 3 : x + 4].mean())
    return (np.array(values) - 16.0) * 255.0 / 219.0


def lag_ms(heard: np.ndarray, expected: np.ndarray, rate: int) -> float:
    """Return how late a sound comes, by PHAT where the expected sound has energy."""
    size = 2 * len(heard)
    cross = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(expected, size))
    strength = np.abs(np.fft.rfft(expected, size))
    useful = strength > 0.003 * strength.max()
    weighted = np.where(useful, cross / np.maximum(np.abs(cross), 1e-12), 0.0)
    around = np.fft.irfft(weighted, size * _UPSAMPLED)
    reach = int(0.02 * rate * _UPSAMPLED)
    near = np.concatenate([around[-reach:], around[: reach + 1]])
    return 1000.0 * (int(np.argmax(near)) - reach) / (rate * _UPSAMPLED)


def sound_errors_ms(clip: plan.Clip, decoded: Decoded) -> list[float]:
    """Return the lag of every stretch of a clip against its direct performance."""
    direct, from_s = recording.direct_sound(clip)
    clip_s = decoded.sound_from_s + np.arange(len(decoded.sound)) / decoded.sample_rate
    expected = read_at(direct, (clip.music_at(clip_s) - from_s) * SAMPLE_RATE)
    return _window_lags(decoded.sound, expected, decoded.sample_rate)


def _window_lags(heard: np.ndarray, expected: np.ndarray, rate: int) -> list[float]:
    """Return the lag in each window in which something should sound."""
    window = int(_WINDOW_S * rate)
    loud = np.sqrt(np.mean(expected**2))
    return [
        lag_ms(heard[at : at + window], expected[at : at + window], rate)
        for at in range(0, len(heard) - window // 2, window)
        if np.sqrt(np.mean(expected[at : at + window] ** 2)) > 0.4 * loud
    ]


def mix_errors_ms(clip: plan.Clip, entry: dict, mix: np.ndarray) -> list[float]:
    """Return the lag of a clip's performance in the mix against the spans of the truth."""
    direct, from_s = recording.direct_sound(clip)
    errors = []
    for span in entry["spans"]:
        slow = 1.0 + entry["drift_ppm"] * 1e-6
        start, stop = (
            round((span["offset_s"] + span[key] * slow) * SAMPLE_RATE)
            for key in ("clip_from_s", "clip_to_s")
        )
        mix_s = np.arange(max(start, 0), min(stop, len(mix))) / SAMPLE_RATE
        clip_s = (mix_s - span["offset_s"]) / slow
        expected = read_at(direct, (clip.music_at(clip_s) - from_s) * SAMPLE_RATE)
        errors += _window_lags(mix[max(start, 0) : stop], expected, SAMPLE_RATE)
    return errors


def check_clip(
    clip: plan.Clip, entry: dict, folder: Path, mix: np.ndarray
) -> tuple[list[str], float]:
    """Check one clip; return what is wrong and the processor seconds of decoding."""
    decoded = decode(folder / clip.file, entry["counter"])
    unit_s = float(files.tick(clip.camera))
    planned_s = [at * unit_s for at in files.picture_ticks(clip)]
    sound_ms = np.array(sound_errors_ms(clip, decoded))
    mix_ms = np.array(mix_errors_ms(clip, entry, mix) or [0.0])
    wrong = []
    if decoded.indices != list(range(entry["pictures"])):
        wrong.append("a lamp panel does not say its picture's index")
    if decoded.size != (entry["width"], entry["height"]):
        wrong.append(f"upright size is {decoded.size}")
    if decoded.contrast[0] <= LIT_LUMA or decoded.contrast[1] >= DARK_LUMA:
        wrong.append(f"lamps too pale: {decoded.contrast}")
    picture_ms = 1000.0 * np.max(np.abs(np.subtract(decoded.pictures_s, planned_s)))
    if picture_ms > MAX_PICTURE_ERROR_MS:
        wrong.append(f"a picture is {picture_ms:.3f} ms off")
    if np.max(np.abs(sound_ms)) > MAX_SOUND_ERROR_MS:
        wrong.append(f"sound is off: {np.round(sound_ms, 3)} ms")
    if np.max(np.abs(mix_ms)) > MAX_MIX_ERROR_MS:
        wrong.append(f"mix is off: {np.round(mix_ms, 3)} ms")
    print(
        f"{clip.file:36} pictures {len(decoded.indices):5} off by {picture_ms:.3f} ms, "
        f"lamps {decoded.contrast}, sound off by {np.max(np.abs(sound_ms)):.3f} ms "
        f"({len(sound_ms)} windows), in the mix {np.max(np.abs(mix_ms)):.3f} ms "
        f"({len(mix_ms)}), decoding {decoded.cpu_s:.2f} s"
    )
    return [f"{clip.file}: {text}" for text in wrong], decoded.cpu_s


def check_levels(folder: Path, mix: np.ndarray) -> list[str]:
    """Check loudness and peaks of mix and guide, and the size of the folder."""
    guide, _ = soundfile.read(folder / "guide.flac")
    lufs, peak_db = mixing.loudness(mix), mixing.true_peak_db(mix)
    guide_db = 20.0 * np.log10(np.max(np.abs(guide)))
    names = ["mix.flac", "guide.flac", *(clip.file for clip in plan.CLIPS)]
    size = sum((folder / name).stat().st_size for name in names)
    print(
        f"mix {lufs:.2f} LUFS, {peak_db:.2f} dBTP; guide {guide_db:.2f} dBFS; {size} bytes of media"
    )
    wrong = []
    if not LUFS_BOUNDS[0] <= lufs <= LUFS_BOUNDS[1] or peak_db > MAX_DBTP:
        wrong.append("mix: level")
    if guide_db > MAX_GUIDE_DBFS:
        wrong.append("guide: level")
    if size > MAX_BYTES:
        wrong.append("too large")
    return wrong


def main() -> int:
    """Check everything; return 1 if anything is wrong."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parent).resolve()
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    mix, _ = soundfile.read(folder / "mix.flac", always_2d=True)
    mono = band(mix.mean(axis=1), low_hz=60.0)
    wrong, cpu_s = check_levels(folder, mix.T), 0.0
    for clip, entry in zip(plan.CLIPS, truth["clips"], strict=True):
        found, spent_s = check_clip(clip, entry, folder, mono)
        wrong += found
        cpu_s += spent_s
    print(f"decoding all clips: {cpu_s:.1f} s of processor time")
    if cpu_s > MAX_DECODE_CPU_S:
        wrong.append("decoding takes too long")
    print("\n".join(wrong) if wrong else "all right")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
