"""Where the sound of a finished video lies, and how loud it is, at every usual picture rate.

Issue 4: under 0.1 ms from the mix at both ends; loudness as in the mix within 0.1 LU.  Read by
PyAV alone and by the program of imageio-ffmpeg, which is of another build.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.media.encode import EncodeSettings
from tests.media.video_files import (
    RATE,
    Given,
    ffprobe,
    heard_by_ffmpeg,
    heard_by_pyav,
    noise,
    peak_lag,
    write_checked,
)

RATES = [
    Fraction(24000, 1001),
    Fraction(24),
    Fraction(25),
    Fraction(30000, 1001),
    Fraction(30),
    Fraction(50),
    Fraction(60000, 1001),
    Fraction(60),
]
MOST_LATE_MS = 0.1
WINDOW = RATE  # samples that are compared at either end
AAC = EncodeSettings("ultrafast", 30)
LOSSLESS = EncodeSettings("ultrafast", 30, sound="lossless")


def late_ms(heard: Audio, start_s: float, mix: Audio, at_s: float) -> tuple[float, float]:
    """Return by how much a sound comes late at its beginning and at its end."""
    first = round((at_s - start_s) * RATE)
    assert first >= 0
    found = heard[:, first : first + mix.shape[1]].mean(axis=0)
    assert found.size == mix.shape[1]
    whole = mix.mean(axis=0)
    # What is asked and what a whole sample can give differ by less than half a sample.
    rest = (at_s - start_s) * RATE - first
    ends = (slice(None, WINDOW), slice(-WINDOW, None))
    head, tail = (1000 * (peak_lag(found[e], whole[e]) - rest) / RATE for e in ends)
    return head, tail


@pytest.mark.slow
@pytest.mark.parametrize(
    ("settings", "at_s"),
    [(AAC, 0.0), (AAC, 2.502503), (LOSSLESS, 2.502503)],
    ids=["aac", "aac behind a title", "lossless behind a title"],
)
@pytest.mark.parametrize("rate", RATES, ids=str)
def test_the_sound_lies_where_it_must_and_is_as_loud(
    tmp_path: Path, rng: np.random.Generator, rate: Fraction, at_s: float, settings: EncodeSettings
) -> None:
    mix = noise(rng, 12.23456)
    tail_s = 1.5 if at_s else 0.0
    duration_s = at_s + mix.shape[1] / RATE + tail_s
    out, check = write_checked(tmp_path, Given(mix), rate, duration_s, settings, sound_at_s=at_s)
    start_s, heard = heard_by_pyav(out)
    for reader, begin_s, samples in (
        ("pyav", start_s, heard),
        ("ffmpeg", 0.0, heard_by_ffmpeg(out)),
    ):
        head, tail = late_ms(samples, begin_s, mix, at_s)
        assert abs(head) < MOST_LATE_MS, f"{reader}: {head:.4f} ms late at the beginning"
        assert abs(tail) < MOST_LATE_MS, f"{reader}: {tail:.4f} ms late at the end"
    assert check.louder_lu == pytest.approx(0.0, abs=0.1)
    streams = ffprobe(out, "-show_streams")["streams"]
    assert {stream["start_time"] for stream in streams} == {"0.000000"}
    assert float(streams[1]["duration"]) == pytest.approx(duration_s, abs=0.5 / RATE + 1e-6)


def test_the_measure_sees_a_fifth_of_a_sample(rng: np.random.Generator) -> None:
    """A delay by the shift theorem of Fourier's transform."""
    samples = noise(rng, 1.0)[0]
    spectrum = np.fft.rfft(samples)
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) * 3.2 / samples.size)
    late = np.fft.irfft(spectrum * turn, samples.size)
    assert peak_lag(late, samples) == pytest.approx(3.2, abs=0.05)
