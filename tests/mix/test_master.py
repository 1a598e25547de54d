"""The master: loudness and true peak of its targets, by a meter of other hands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.media.check_sound import SoundMeter
from syncvid.mix.master import TARGETS, Mastered, Target, master
from syncvid.signals.programme import measure_programme

RATE = 48_000
SHARE = TARGETS["share"]


def music(rng: np.random.Generator, length_s: float = 12.0, jumps_db: float = 16.0) -> Audio:
    """Return pink-like noise whose level jumps about; its highest sample is 0.5."""
    sound = signal.sosfilt(
        signal.butter(1, 400, fs=RATE, output="sos"),
        rng.standard_normal((2, round(length_s * RATE))),
    )
    levels = np.repeat(rng.uniform(-jumps_db, 0, round(length_s * 4)), RATE // 4)
    sound *= 10 ** (levels[: sound.shape[1]] / 20)
    return (0.5 * sound / np.abs(sound).max()).astype(np.float32)


def by_ffmpeg(samples: Audio) -> tuple[float, float]:
    """Return loudness by FFmpeg's filter `ebur128`, and true peak by the search for videos."""
    meter = SoundMeter(RATE)
    meter(samples)
    figures = meter.figures()
    assert figures.loudness_lufs is not None
    return figures.loudness_lufs, figures.true_peak_dbtp


def made(samples: Audio, target: Target = SHARE, most_db: float = 6.0) -> Mastered:
    return master(samples, sample_rate=RATE, target=target, most_limiting_db=most_db)


@pytest.mark.parametrize("name", ["share", "stream", "broadcast"])
def test_a_target_is_met(rng: np.random.Generator, name: str) -> None:
    target = TARGETS[name]
    mastered = made(music(rng), target)
    loudness, peak = by_ffmpeg(mastered.samples)
    # EBU Tech 3341: meters may differ by 0.1 LU.
    assert loudness == pytest.approx(target.loudness_lufs, abs=0.1)
    assert peak <= target.ceiling_dbtp + 0.01
    assert not mastered.remarks


def test_targets_are_those_of_the_documents() -> None:
    # Web video -14 (practice), AES TD1008 music by track -16, EBU R 128 -23; all at most -1 dBTP.
    figures = {
        name: (target.loudness_lufs, target.ceiling_dbtp) for name, target in TARGETS.items()
    }
    assert figures == {
        "share": (-14.0, -1.0),
        "stream": (-16.0, -1.0),
        "broadcast": (-23.0, -1.0),
        "natural": (None, -1.0),
    }
    assert all(target.told for target in TARGETS.values())


def test_where_the_peaks_fit_there_is_a_gain_and_nothing_else() -> None:
    """A tone of -23 LUFS on both channels to -14 LUFS: 9 dB (arithmetic; EBU Tech 3341, case 1)."""
    tone = np.sin(2 * np.pi * 1000 * np.arange(20 * RATE) / RATE)
    sound = np.tile(10 ** (-23 / 20) * tone, (2, 1)).astype(np.float32)
    mastered = made(sound)
    assert mastered.gain_db == pytest.approx(9.0, abs=0.1)
    assert (mastered.limited_db, mastered.limited_share) == (0.0, 0.0)
    factor = np.float32(10 ** (mastered.gain_db / 20))
    assert np.abs(mastered.samples - sound * factor).max() < 1e-6
    assert by_ffmpeg(mastered.samples)[0] == pytest.approx(-14.0, abs=0.1)


def test_the_limiter_works_only_where_it_must(rng: np.random.Generator) -> None:
    sound = music(rng)
    mastered = made(sound, Target("t", -16.0, -1.0, ""))
    assert 0.5 < mastered.limited_db < 6.1
    assert 0 < mastered.limited_share < 0.5
    # The rest has the gain and nothing else.
    raised = sound * np.float32(10 ** (mastered.gain_db / 20))
    same = (np.abs(mastered.samples - raised) < 1e-6).mean()
    assert same > 0.4


def test_as_loud_as_goes_without_limiting(rng: np.random.Generator) -> None:
    sound = music(rng)
    mastered = made(sound, TARGETS["natural"])
    assert by_ffmpeg(mastered.samples)[1] == pytest.approx(-1.0, abs=0.1)
    assert np.abs(mastered.samples - sound * 10 ** (mastered.gain_db / 20)).max() < 1e-6
    assert not mastered.remarks


def test_a_mix_that_would_be_limited_too_much_stays_softer(rng: np.random.Generator) -> None:
    sound = 0.2 * music(rng)
    sound[:, 3 * RATE : 3 * RATE + 20] = 0.9
    mastered = made(sound)
    loudness, peak = by_ffmpeg(mastered.samples)
    assert loudness < -14.5
    assert peak <= -0.99
    assert mastered.limited_db == pytest.approx(6.0, abs=0.05)
    assert mastered.remarks[0].startswith(
        f"The mix reaches {loudness:.1f} LUFS, not -14: the peak at 0:03.0 would have to be "
        "lowered by more than 6 dB. Listen there"
    )
    # Without the limiter it is softer still.
    plain = made(sound, most_db=0.0)
    assert plain.limited_db == 0
    # A knock has peaks that four times as many samples miss in part.
    assert by_ffmpeg(plain.samples)[1] == pytest.approx(-1.0, abs=0.15)
    assert "0:03.0 and 2 more would have to be lowered. Listen" in plain.remarks[0]
    # With a second knock, a softer one, there are two places; with many it is the music.
    sound[:, 6 * RATE] = 0.8
    assert "the peak at 0:03.0 and 1 more would" in made(sound).remarks[0]
    sound[:, :: RATE // 2] = 0.8
    assert "in 24 places, the highest at 0:03.0. A softer use" in made(sound).remarks[0]


def test_a_loudness_range_that_shrinks_is_told(rng: np.random.Generator) -> None:
    """Short loud strokes over soft music: the limiter takes them down, and all comes up."""
    at_s = np.arange(60 * RATE) / RATE
    loud = (at_s % 20 < 5) * (np.exp(-30 * (at_s % 0.5)) + 0.02)
    soft = 0.05 * (at_s % 20 >= 5)
    sound = ((loud + soft) * rng.standard_normal((2, at_s.size)) * 0.3).astype(np.float32)
    mastered = made(sound, Target("t", -12.0, -1.0, ""), most_db=20.0)
    before, after = (
        measure_programme(some, sample_rate=RATE).range_lu for some in (sound, mastered.samples)
    )
    assert before is not None
    assert after is not None
    assert before - after > 1
    assert f"from {before:.1f} to {after:.1f} LU" in mastered.remarks[-1]


def test_silence_stays_silence() -> None:
    for length in (0, 1, RATE):
        sound = np.zeros((2, length), np.float32)
        mastered = made(sound)
        assert np.array_equal(mastered.samples, sound)
        assert mastered.remarks == ("The mix is silent.",)


def test_what_is_too_short_to_measure_is_only_brought_under_the_ceiling() -> None:
    short = np.full((2, 1000), 1.5, np.float32)
    mastered = made(short)
    assert np.abs(mastered.samples).max() <= 10 ** (-1 / 20)
    assert mastered.gain_db < -4
    assert "too short or too soft" in mastered.remarks[0]
    soft = made(np.full((2, 1000), 0.01, np.float32))
    assert soft.gain_db == 0


@settings(deadline=None, max_examples=8)
@given(level_db=st.floats(-40, 20), target_lufs=st.floats(-30, -13))
def test_the_level_that_comes_in_does_not_matter(level_db: float, target_lufs: float) -> None:
    sound = music(np.random.default_rng(5), 4.0, jumps_db=10.0)
    target = Target("t", target_lufs, -1.0, "")
    one, other = made(sound, target), made(sound * np.float32(10 ** (level_db / 20)), target)
    assert other.gain_db == pytest.approx(one.gain_db - level_db, abs=0.05)
    assert np.abs(other.samples - one.samples).max() < 0.01
    for mastered in (one, other):
        measured = measure_programme(mastered.samples, sample_rate=RATE)
        assert measured.true_peak_dbtp <= -1.0
        if not mastered.remarks:
            assert measured.integrated_lufs == pytest.approx(target_lufs, abs=0.05)


def test_what_is_no_mix_is_refused() -> None:
    with pytest.raises(SignalError, match="samples"):
        made(np.zeros((1, 100), np.float32))
    with pytest.raises(SignalError, match="finite"):
        made(np.full((2, 100), np.nan, np.float32))
