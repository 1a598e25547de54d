"""A finished mix from elsewhere: clipped, loud, one-sided, out of phase, cut off."""

from __future__ import annotations

import dataclasses
import math
from functools import lru_cache
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.listen.broad_tops import BroadTops, find_broad_tops
from syncvid.listen.finished import Finished, judge_finished
from syncvid.listen.sides import Sides
from syncvid.listen.tops import FlatTops, find_extremes, find_flat_tops
from syncvid.media.check_sound import SoundMeter
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound

RATE = 48_000

# What a mix has of which nothing need be said.
GOOD = Finished(
    duration_s=60.0,
    channels=2,
    integrated_lufs=-14.0,
    range_lu=6.0,
    true_peak_dbtp=-1.0,
    sample_peak_dbfs=-1.2,
    flat_tops=FlatTops(),
    broad_tops=BroadTops(),
    alike=False,
    silent_side="",
    correlation=0.4,
    offset=0.0,
    head_s=1.0,
    tail_s=2.0,
    cut_off=False,
)


def sine(pitch_hz: float, amplitude: float, length_s: float = 1.0, phase: float = 0.0) -> Audio:
    at_s = np.arange(round(length_s * RATE)) / RATE
    return (amplitude * np.sin(2 * np.pi * pitch_hz * at_s + phase)).astype(np.float32)


def sixteen_bits(samples: Audio, rng: np.random.Generator | None = None) -> Audio:
    """Round to 16 bits, with triangular dither of one step where there is a generator."""
    dither = rng.uniform(-0.5, 0.5, (2, *samples.shape)).sum(axis=0) if rng is not None else 0.0
    return (np.clip(np.rint(samples * 32767 + dither), -32768, 32767) / 32768).astype(np.float32)


@lru_cache
def chords(length_s: float = 12.0) -> Audio:
    """Decaying chords that differ a little from side to side; a second of silence at each end."""
    rng = np.random.default_rng(20260314)
    samples = np.zeros((2, round(length_s * RATE)))
    at_s = np.arange(round(0.9 * RATE)) / RATE
    fall = np.minimum(at_s / 0.004, 1) * np.exp(-at_s / 0.25) * np.clip((0.9 - at_s) / 0.05, 0, 1)
    for begin_s in np.arange(1.0, length_s - 2.0, 0.4):
        first = round(begin_s * RATE)
        for pitch_hz in 110.0 * 2 ** (rng.integers(0, 36, 3) / 12):
            wave = sum(
                np.sin(2 * np.pi * pitch_hz * k * at_s + rng.uniform(0, 6)) / k for k in range(1, 9)
            )
            samples[:, first : first + wave.size] += rng.uniform(0.5, 1.0, (2, 1)) * wave * fall
    return samples / np.abs(samples).max()


def music(amplitude: float = 0.5) -> Audio:
    """Return the chords so that their highest sample has this magnitude."""
    return (chords() * amplitude).astype(np.float32)


def tops_of(samples: Audio) -> FlatTops:
    samples = np.atleast_2d(samples)
    return find_flat_tops(samples, find_extremes(samples), sample_rate=RATE)


def judged(samples: Audio) -> Finished:
    return judge_finished(np.ascontiguousarray(np.atleast_2d(samples)), sample_rate=RATE)


def test_the_flat_tops_of_a_clipped_sine() -> None:
    # Arithmetic: 100 Hz, amplitude 1.25 clipped at 1, 48 kHz: 200 runs a second of 99 samples.
    tops = tops_of(np.clip(sine(100, 1.25), -1, 1))
    assert tops.tops == 200
    assert tops.longest == pytest.approx(99, abs=1)
    assert tops.places == 1
    # It reaches 1 where sin is 0.8: after 0.1476 of a period.
    assert tops.first_s == pytest.approx(math.asin(0.8) / (2 * math.pi * 100), abs=1 / RATE)
    assert tops.level == 1.0


@pytest.mark.parametrize("pitch_hz", [20.0, 27.5, 41.2, 65.4, 100.0, 1000.0, 12_000.0])
@pytest.mark.parametrize("amplitude", [1.0, 0.12])
def test_a_clean_sine_has_no_flat_tops(
    pitch_hz: float, amplitude: float, rng: np.random.Generator
) -> None:
    # Clean 16-bit sines of full scale have runs of equal samples: 3 at 41.2 Hz, 5 at 20 Hz.
    clean = sine(pitch_hz, amplitude, 2.0)
    for samples in (clean, sixteen_bits(clean), sixteen_bits(clean, rng)):
        assert tops_of(samples).tops == 0


@pytest.mark.parametrize("over_db", [4.0, 8.0])
@pytest.mark.parametrize("softer_db", [0.0, 1.2, 6.0])
def test_clipped_music_is_told_from_whole_music(
    over_db: float, softer_db: float, rng: np.random.Generator
) -> None:
    loud = music(10 ** (over_db / 20))
    softer = np.float32(10 ** (-softer_db / 20))
    clipped = sixteen_bits(np.clip(loud, -1, 1) * softer, rng)
    # The truth: how many waves go beyond 1 for 3 samples or more.
    beyond = np.pad(np.concatenate((loud > 1, loud < -1)), ((0, 0), (1, 1)))
    turns = np.flatnonzero(np.diff(beyond.ravel()))
    truth = np.count_nonzero(turns[1::2] - turns[::2] >= 3)
    assert truth > 20
    assert tops_of(clipped).tops == pytest.approx(truth, abs=0.1 * truth)
    assert tops_of(clipped).level == pytest.approx(softer, abs=1e-4)
    assert judged(clipped).is_clipped
    assert tops_of(sixteen_bits(music(1.0) * softer, rng)).tops == 0


def test_places_are_counted_and_the_first_is_told() -> None:
    samples = np.zeros((2, 70 * RATE), np.float32)
    for second in (62.3, 62.5, 66.0):
        first = round(second * RATE)
        samples[:, first : first + 4800] = np.clip(sine(500, 2.0, 0.1), -1, 1)
    tops = tops_of(samples)
    assert tops.places == 2
    (told,) = (text for text in judged(samples).sentences() if "clipped" in text)
    assert "in 2 places, first at 1:02.3:" in told


def test_flat_tops_at_the_very_ends_are_found() -> None:
    samples = np.clip(sine(100, 1.25, 0.2), -1, 1)[60:-60]
    assert tops_of(np.ascontiguousarray(samples[70:-70])).tops >= 36


@given(st.integers(0, 3000), st.integers(1, 400))
def test_a_flat_top_is_found_wherever_it_lies(at: int, length: int) -> None:
    samples = np.zeros((1, 4000), np.float32)
    samples[0, at : at + length] = -0.5
    found = find_flat_tops(samples, find_extremes(samples), sample_rate=RATE)
    assert found.tops == (length >= 3)
    if found.tops:
        assert (found.first_s, found.longest) == (at / RATE, length)


def test_levels_agree_with_another_meter(rng: np.random.Generator) -> None:
    # FFmpeg's filter ebur128, and a true peak with 4 phases; both read within 0.1.
    samples = music(0.9)
    meter = SoundMeter(RATE)
    meter(samples)
    figures, mix = meter.figures(), judged(samples)
    assert figures.loudness_lufs is not None
    assert mix.integrated_lufs == pytest.approx(figures.loudness_lufs, abs=0.1)
    assert mix.true_peak_dbtp == pytest.approx(figures.true_peak_dbtp, abs=0.1)
    assert mix.sample_peak_dbfs == pytest.approx(20 * math.log10(0.9), abs=0.001)


def test_one_channel_is_as_loud_as_two_alike(rng: np.random.Generator) -> None:
    left = music()[:1]
    mono, double = judged(left), judged(np.repeat(left, 2, axis=0))
    assert mono.integrated_lufs == pytest.approx(double.integrated_lufs, abs=1e-6)
    assert (mono.is_mono, double.is_mono) == (True, True)
    assert (mono.alike, double.alike) == (False, True)
    assert mono.correlation is None
    assert "The mix is mono." in mono.sentences()
    assert "The mix is mono." in double.sentences()


def test_the_correlation_is_that_of_statistics(rng: np.random.Generator) -> None:
    samples = rng.standard_normal((2, 200_000)).astype(np.float32) * 0.1 + 0.02
    samples[1] -= 0.8 * samples[0]
    # numpy's own correlation coefficient, in double precision.
    truth = float(np.corrcoef(samples.astype(np.float64))[0, 1])
    assert Sides.of(samples).correlation == pytest.approx(truth, abs=1e-5)


def test_sides_that_work_against_each_other(rng: np.random.Generator) -> None:
    samples = music()
    samples[1] = -samples[0]
    mix = judged(samples)
    assert mix.correlation == pytest.approx(-1.0, abs=1e-5)
    assert any("disappears on a single loudspeaker" in text for text in mix.sentences())
    assert not judged(music()).is_mono


@pytest.mark.parametrize(("nth", "side", "other"), [(0, "left", "right"), (1, "right", "left")])
def test_a_silent_side(nth: int, side: str, other: str, rng: np.random.Generator) -> None:
    samples = music()
    # What a coder leaves of silence.
    samples[nth] = 1e-5 * rng.standard_normal(samples.shape[1])
    mix = judged(samples)
    assert mix.silent_side == side
    assert f"Only the {other} side of the mix sounds: the {side} is silent." in mix.sentences()


def test_silence_at_the_ends_is_measured(rng: np.random.Generator) -> None:
    samples = np.zeros((2, 20 * RATE), np.float32)
    samples[0, 6 * RATE : 7 * RATE + 123] = 0.3 * rng.choice([-1, 1], RATE + 123)
    mix = judged(samples)
    assert mix.head_s == pytest.approx(6.0, abs=0.1 / RATE)
    assert mix.tail_s == pytest.approx(13.0 - 123 / RATE, abs=0.1 / RATE)
    assert "The mix begins with 6.0 s of silence." in mix.sentences()
    assert "The mix ends with 13.0 s of silence." in mix.sentences()


@pytest.mark.parametrize("offset", [0.0, 0.05])
def test_a_mix_that_is_cut_off(offset: float, rng: np.random.Generator) -> None:
    samples = music(0.3) + np.float32(offset)
    assert not judged(samples).cut_off
    cut = judged(samples[:, : 8 * RATE])
    assert cut.cut_off
    assert any("may be cut off" in text for text in cut.sentences())


def test_an_offset_is_measured_and_told(rng: np.random.Generator) -> None:
    mix = judged(music(0.3) + np.float32([[0.0], [-0.03]]))
    assert mix.offset == pytest.approx(0.03, abs=0.002)
    assert any(text.startswith("The mix lies off zero, by 3 %") for text in mix.sentences())


@pytest.mark.parametrize("shape", [(1, 0), (2, 0), (2, 1), (1, 100), (2, RATE)])
def test_silence_is_an_input(shape: tuple[int, int]) -> None:
    mix = judge_finished(np.zeros(shape, np.float32), sample_rate=RATE)
    assert mix.is_silent
    assert mix.sentences() == ("The mix is silent.",)
    assert (mix.head_s, mix.tail_s) == (shape[1] / RATE, 0.0)


def test_one_sample_is_an_input() -> None:
    mix = judge_finished(np.full((2, 1), 0.5, np.float32), sample_rate=RATE)
    assert mix.integrated_lufs is None
    assert not mix.is_silent
    assert mix.sentences()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("at", [(0, 0), (1, 999)])
def test_values_that_are_not_finite_are_refused(bad: float, at: tuple[int, int]) -> None:
    samples = np.zeros((2, 1000), np.float32)
    samples[at] = bad
    with pytest.raises(SignalError, match="not finite"):
        judge_finished(samples, sample_rate=RATE)


@pytest.mark.parametrize(
    "samples", [np.zeros(9, np.float32), np.zeros((3, 9), np.float32), np.zeros((2, 9))]
)
def test_other_shapes_and_types_are_refused(samples: Audio) -> None:
    with pytest.raises(SignalError, match="1 or 2 channels"):
        judge_finished(samples, sample_rate=RATE)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, ()),
        ({"true_peak_dbtp": -0.96}, ()),
        ({"true_peak_dbtp": -0.2}, ("The mix peaks at -0.2 dBTP, above -1 dBTP",)),
        ({"true_peak_dbtp": 0.0}, ("The mix peaks at 0.0 dBTP",)),
        ({"true_peak_dbtp": 1.9, "sample_peak_dbfs": 1.6}, ("The mix goes 1.6 dB above",)),
        ({"integrated_lufs": -10.0}, ()),
        ({"integrated_lufs": -9.4}, ("The mix is very loud, -9.4 LUFS: about -14 is usual",)),
        ({"integrated_lufs": -20.0}, ()),
        ({"integrated_lufs": -23.4}, ("The mix is soft, -23.4 LUFS",)),
        ({"integrated_lufs": None}, ()),
        ({"correlation": -0.49}, ()),
        ({"correlation": -0.6}, ("The two sides of the mix work against each other",)),
        ({"channels": 1, "correlation": None}, ("The mix is mono.",)),
        ({"offset": 0.009}, ()),
        ({"flat_tops": FlatTops(2, 5, 2, 1.0, 0.9)}, ()),
        (
            {"flat_tops": FlatTops(3, 3, 1, 59.97, 1.0)},
            ("The mix is clipped at 1:00.0: tops of its waves are cut off, and it may sound",),
        ),
        ({"flat_tops": FlatTops(1, 6, 1, 1.0, 1.0)}, ("The mix is clipped at 0:01.0",)),
        ({"broad_tops": BroadTops(19, 0.5, 1.0)}, ()),
        ({"broad_tops": BroadTops(99, 0.01, 1.0)}, ()),
        ({"broad_tops": BroadTops(20, 0.02, 1.0)}, ("The mix may have been clipped before",)),
    ],
)
def test_only_what_is_uncommon_is_told(changes: dict[str, object], told: tuple[str, ...]) -> None:
    sentences = dataclasses.replace(GOOD, **changes).sentences()  # type: ignore[arg-type]
    assert len(sentences) == len(told)
    for sentence, begin in zip(sentences, told, strict=True):
        assert sentence.startswith(begin)
        assert sentence.endswith(".")


def test_tops_below_full_scale_say_why_the_level_does_not_show_them() -> None:
    tops = FlatTops(9, 9, 2, 1.0, 10 ** (-1.2 / 20))
    (told,) = dataclasses.replace(GOOD, flat_tops=tops).sentences()
    assert told.endswith("They lie 1.2 dB below full scale, so that its level hides it.")


def broad_tops_of(samples: Audio) -> BroadTops:
    samples = np.atleast_2d(samples)
    return find_broad_tops(samples, find_extremes(samples), sample_rate=RATE)


def rippled(samples: Audio, rng: np.random.Generator, ripple: float = 0.05) -> Audio:
    """Add what a lossy coder adds, in the least kind form: noise up to a share of full scale."""
    return (samples + ripple * rng.uniform(-1, 1, samples.shape)).astype(np.float32)


def test_the_tops_of_a_sine_are_not_broad() -> None:
    # acos(0.8) / acos(0.4) = 0.555 of the time, below 0.7; 480 samples a period are exact enough.
    assert broad_tops_of(sine(100, 0.9)).tops == 0
    # Clipped by 6 dB: (pi/2 - asin(0.4)) / (pi/2 - asin(0.2)) = 0.846, in 100 waves of each side.
    clipped = broad_tops_of(np.clip(sine(100, 2.0), -1, 1))
    assert clipped.tops == pytest.approx(200, abs=2)
    assert clipped.share == 1.0
    assert clipped.first_s == pytest.approx(math.asin(0.2) / (2 * math.pi * 100), abs=2 / RATE)


def test_clipping_is_suspected_where_a_coder_has_rippled_it(rng: np.random.Generator) -> None:
    clipped = rippled(np.clip(music(10 ** (8 / 20)), -1, 1), rng)
    mix = judged(clipped)
    assert not mix.is_clipped
    assert mix.broad_tops.tell
    assert mix.sentences()[0].startswith("The mix may have been clipped before it was coded:")
    assert not judged(rippled(music(0.9), rng)).broad_tops.tell


@pytest.mark.slow
@pytest.mark.parametrize("codec", ["aac", "libmp3lame"])
def test_clipping_is_suspected_through_real_coders(codec: str, tmp_path: Path) -> None:
    for over_db, clipped in ((-3.0, False), (3.0, False), (8.0, True)):
        path = tmp_path / f"{codec}{over_db}.{'m4a' if codec == 'aac' else 'mp3'}"
        write_coded(path, codec, np.clip(music(10 ** (over_db / 20)), -1, 1))
        sound = read_sound(probe(path))
        mix = judge_finished(sound.samples, sample_rate=sound.sample_rate)
        assert mix.broad_tops.tell is clipped, over_db


def write_coded(path: Path, codec: str, samples: Audio) -> None:
    """Encode a sound with FFmpeg's own coders, 192 kb/s."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE, layout="stereo")
        stream.bit_rate = 192_000
        block = av.AudioFrame.from_ndarray(samples, format="fltp", layout="stereo")
        block.sample_rate = RATE
        for packet in (*stream.encode(block), *stream.encode(None)):
            container.mux(packet)


def test_silence_has_no_broad_tops() -> None:
    for shape in ((2, 0), (1, 1), (2, 1000)):
        assert broad_tops_of(np.zeros(shape, np.float32)) == BroadTops()
