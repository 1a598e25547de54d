"""The finished mix, made from the close sound of the same performances."""

from __future__ import annotations

import numpy as np
import pyloudnorm
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import fftconvolve, resample_poly

from .instruments import render_part
from .plan import (
    CLIPS,
    LEAD_IN_S,
    MIX_HEAD_S,
    MIX_S,
    SPLICE_MUSIC_S,
    VIOLA_MOVED_S,
    played_in,
)
from .signals import SAMPLE_RATE, band, db

TARGET_LUFS = -14.0
CEILING_DBTP = -1.2

# Where each part sits (-1 left, +1 right) and how loud it is against the others.
PAN = {
    "Flute": -0.25,
    "Clarinet": 0.2,
    "Violin": -0.5,
    "Viola": 0.45,
    "Cello": 0.05,
    "Marimba": 0.6,
}
BALANCE_DB = {
    "Flute": -1.0,
    "Clarinet": -1.5,
    "Violin": -1.5,
    "Viola": 0.0,
    "Cello": 1.5,
    "Marimba": -0.5,
}
_CROSSFADE_S = 0.03


def close_tracks() -> dict[str, np.ndarray]:
    """Return each part's mono track on the mix clock, edits included."""
    takes = {(clip.part, clip.take): clip for clip in CLIPS if clip.belongs}
    rendered = {
        key: render_part(
            played_in(clip),
            part=clip.part,
            # A track that was moved later is read from an earlier music second.
            from_s=-MIX_HEAD_S - (VIOLA_MOVED_S if clip.part == "Viola" else 0.0),
            to_s=MIX_S - MIX_HEAD_S - (VIOLA_MOVED_S if clip.part == "Viola" else 0.0),
        )
        for key, clip in takes.items()
    }
    tracks = {part: track for (part, take), track in rendered.items() if take == 1}
    tracks["Flute"] = _splice(rendered["Flute", 1], rendered["Flute", 2])
    return tracks


def _splice(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Go from take 1 to take 2 of the flute."""
    at_s = np.arange(len(first)) / SAMPLE_RATE - MIX_HEAD_S
    middle_s = SPLICE_MUSIC_S - LEAD_IN_S
    share = np.clip((at_s - middle_s) / _CROSSFADE_S + 0.5, 0.0, 1.0)
    return first * np.cos(share * np.pi / 2) + second * np.sin(share * np.pi / 2)


def _hall(seed: int) -> np.ndarray:
    """Return a short stereo reverb, 30 ms after the direct sound."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(int(1.6 * SAMPLE_RATE)) / SAMPLE_RATE
    tail = rng.normal(size=(2, len(at_s))) * np.exp(-6.91 * at_s / 1.3)
    tail = np.stack([band(channel, low_hz=200.0, high_hz=5_500.0, order=1) for channel in tail])
    tail *= db(-17.0) / np.sqrt(np.sum(tail**2, axis=1, keepdims=True)) * np.sqrt(2.0)
    return np.pad(tail, ((0, 0), (int(0.03 * SAMPLE_RATE), 0)))


def render_mix() -> np.ndarray:
    """Render the mix, shape (2, samples)."""
    dry = np.zeros((2, round(MIX_S * SAMPLE_RATE)))
    for part, track in close_tracks().items():
        angle = (PAN[part] + 1.0) * np.pi / 4.0
        dry += np.outer([np.cos(angle), np.sin(angle)], track * db(BALANCE_DB[part]))
    wet = fftconvolve(dry, _hall(7), axes=1)[:, : dry.shape[1]]
    return _master(_quiet_ends(dry + wet))


def _quiet_ends(mix: np.ndarray) -> np.ndarray:
    """Fade the last half second; nothing sounds before bar 1."""
    count = int(0.5 * SAMPLE_RATE)
    mix[:, -count:] *= np.cos(np.linspace(0.0, np.pi / 2, count))
    return mix


def true_peak_db(mix: np.ndarray) -> float:
    """Return the peak between samples, by oversampling four times."""
    return float(20.0 * np.log10(np.max(np.abs(resample_poly(mix, 4, 1, axis=1)))))


def loudness(mix: np.ndarray) -> float:
    """Return the integrated loudness in LUFS."""
    return float(pyloudnorm.Meter(SAMPLE_RATE, filter_class="DeMan").integrated_loudness(mix.T))


def _limit(mix: np.ndarray, ceiling: float) -> np.ndarray:
    """Hold peaks below a ceiling by a gain that moves slowly enough not to be heard."""
    window = int(0.004 * SAMPLE_RATE)
    peaks = np.max(np.abs(resample_poly(mix, 4, 1, axis=1)), axis=0)
    peaks = peaks[: 4 * mix.shape[1]].reshape(-1, 4).max(axis=1)
    needed = np.minimum(1.0, ceiling / np.maximum(peaks, 1e-9))
    # The lowest gain within a window on both sides, then smoothed over the same window.
    held = minimum_filter1d(needed, 4 * window + 1)
    smooth = uniform_filter1d(uniform_filter1d(held, 2 * window + 1), 2 * window + 1)
    return mix * smooth


def _master(mix: np.ndarray) -> np.ndarray:
    """Bring the mix to its loudness, a few peaks held back."""
    for _ in range(3):
        mix = mix * db(TARGET_LUFS - loudness(mix))
        mix = _limit(mix, db(CEILING_DBTP))
    return mix
