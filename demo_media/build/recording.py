"""One clip's sound: the performance in its room, through the phone, on the phone's own clock."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from scipy.ndimage import uniform_filter1d
from scipy.signal import resample_poly

from . import guide
from .instruments import render_part
from .plan import GUIDE_HEAD_S, Clip, seen_in
from .rooms import background, in_room
from .signals import SAMPLE_RATE, add_at, band, db, read_at, rms, to_rms

_SLATE_AT_CLIP_S = 1.3
_GAIN_WINDOW_S = 0.7
_MARGIN_S = 1.0


def direct_sound(clip: Clip) -> tuple[np.ndarray, float]:
    """Return the close sound of everything played in the clip and the music second it starts."""
    from_s = float(clip.music_at(0.0)) - _MARGIN_S
    to_s = float(clip.music_at(clip.seconds)) + _MARGIN_S
    return render_part(seen_in(clip), part=clip.part, from_s=from_s, to_s=to_s), from_s


def _spoken(words: str) -> np.ndarray:
    """Speak a slate by a speech synthesiser."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "slate.wav"
        subprocess.run(
            ["espeak-ng", "-v", "en-gb+f3", "-s", "140", "-w", str(path), words], check=True
        )
        samples, rate = soundfile.read(path)
    return resample_poly(samples, SAMPLE_RATE, rate)


def _add_extras(track: np.ndarray, clip: Clip, from_s: float) -> np.ndarray:
    """Add the spoken slate and what leaks from the headphones."""
    level = rms(track)
    if clip.slate:
        at_s = float(clip.music_at(_SLATE_AT_CLIP_S)) - from_s
        spoken = to_rms(_spoken(clip.slate), 20 * np.log10(level) - 2.0)
        add_at(track, spoken, at_s * SAMPLE_RATE)
    if clip.leak_db is not None:
        leak = band(guide.track(), low_hz=700.0)
        leak = leak * level * db(clip.leak_db) / rms(leak)
        add_at(track, leak, (-GUIDE_HEAD_S - from_s) * SAMPLE_RATE)
    return track


def _gain_controlled(sound: np.ndarray, strength: float, sample_rate: int) -> np.ndarray:
    """Raise quiet stretches and lower loud ones, by a centred window."""
    window = int(_GAIN_WINDOW_S * sample_rate)
    envelope = np.sqrt(uniform_filter1d(sound**2, window) + 1e-7)
    return sound * (rms(sound) / envelope) ** strength


def _through_phone(sound: np.ndarray, clip: Clip) -> np.ndarray:
    """Apply band, gain control and clipping; return at the phone's level."""
    phone = clip.phone
    heard = band(sound, low_hz=phone.low_hz, high_hz=phone.high_hz, sample_rate=phone.sample_rate)
    if phone.gain_control:
        heard = _gain_controlled(heard, phone.gain_control, phone.sample_rate)
    heard = to_rms(heard, phone.level_db)
    if phone.clip_above_db is not None:
        ceiling = db(phone.clip_above_db)
        heard = np.clip(heard, -ceiling, ceiling)
    return np.clip(heard, -0.98, 0.98)


def record(clip: Clip) -> np.ndarray:
    """Return the sound of a clip on its own clock.

    Returns
    -------
    ndarray, shape (channels, samples), float64
        At the phone's sample rate; sample 0 is clip second 0.
    """
    dry, from_s = direct_sound(clip)
    wet = _add_extras(in_room(dry, clip.room, clip.seed), clip, from_s)
    rate = clip.phone.sample_rate
    clip_s = np.arange(round(clip.seconds * rate)) / rate
    if rate < SAMPLE_RATE:
        wet = band(wet, high_hz=0.42 * rate, order=6)
    at = (clip.music_at(clip_s) - from_s) * SAMPLE_RATE
    heard = to_rms(read_at(wet, at), -20.0)
    sound = _through_phone(
        heard + background(clip.room, clip.seconds, rate, clip.seed)[: len(at)], clip
    )
    if not clip.phone.stereo:
        return sound[None, :]
    other = background(clip.room, clip.seconds, rate, clip.seed + 1)[: len(at)]
    return np.clip(np.stack([sound, 0.92 * sound + 0.3 * other]), -0.98, 0.98)
