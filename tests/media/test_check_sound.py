"""True peak and loudness: values of EBU Tech 3341 and ITU-R BS.1770, and a second meter."""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.media.check_sound import SoundCheck, SoundFigures, SoundMeter
from syncvid.media.encode import EncodeSettings
from tests.media.video_files import RATE, Given, noise, write_checked

LOSSLESS = EncodeSettings(preset="ultrafast", crf=30, sound="lossless")


def tone(hertz: float, amplitude: float, length_s: float, degrees: float = 0.0) -> Audio:
    phase = 2 * np.pi * hertz * np.arange(round(length_s * RATE)) / RATE + np.radians(degrees)
    return (amplitude * np.sin(phase)).astype(np.float32)[np.newaxis]


def faded(samples: Audio, fade_s: float = 0.01) -> Audio:
    """Return a tone with the 10 ms fades that EBU Tech 3341 gives its true-peak signals."""
    count = round(fade_s * RATE)
    ramp = np.ones(samples.shape[1], np.float32)
    ramp[:count] = np.arange(count) / count
    return samples * ramp * ramp[::-1]


def level(lufs: float) -> float:
    """Return the amplitude of a stereo tone of 1 kHz that reads so many LUFS."""
    return float(10 ** (lufs / 20))


def metered(samples: Audio, block: int = 48_000) -> SoundFigures:
    meter = SoundMeter(RATE)
    for first in range(0, samples.shape[1], block):
        meter(samples[:, first : first + block])
    return meter.figures()


def ffmpeg_meter(path: Path) -> tuple[float, float]:
    """Return loudness and true peak as told by imageio-ffmpeg's program, of another build."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", str(path), "-map", "0:a"]
    command += ["-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    summary = said[said.rindex("Summary:") :]
    loudness, peak = (
        re.search(pattern, summary) for pattern in (r"I:\s+(\S+) LUFS", r"Peak:\s+(\S+) dBFS")
    )
    assert loudness
    assert peak
    return float(loudness[1]), float(peak[1])


@pytest.mark.parametrize(
    ("part", "amplitude", "degrees", "expected"),
    [
        (4, 0.50, 0.0, -6.0),  # 3341-15
        (4, 0.50, 45.0, -6.0),  # 3341-16, LU10
        (8, 0.50, 67.5, -6.0),  # 3341-18, LU11
        (4, 1.41, 45.0, 3.0),  # 3341-19, LU12
    ],
)
def test_true_peak_of_tones(part: int, amplitude: float, degrees: float, expected: float) -> None:
    """EBU Tech 3341, tests 15 to 19; tolerance +0.2, -0.4 dB."""
    figures = metered(faded(tone(RATE / part, amplitude, 1.0, degrees)))
    assert -0.4 <= figures.true_peak_dbtp - expected <= 0.2


@pytest.mark.parametrize("hertz", [997.0, 10_000.0, 18_000.0])
@pytest.mark.parametrize("block", [700, 8_192, 48_000])
def test_true_peak_of_a_tone_is_its_amplitude_however_it_is_cut(hertz: float, block: int) -> None:
    """A sine's peak is its amplitude; four phases miss at most 0.17 dB at 0.375 of the rate."""
    figures = metered(faded(tone(hertz, 0.25, 0.5)), block)
    assert figures.true_peak_dbtp == pytest.approx(20 * math.log10(0.25), abs=0.4)
    assert figures.true_peak_dbtp >= figures.sample_peak_dbfs


def test_a_peak_across_two_blocks_and_at_the_end_is_found() -> None:
    """Two samples of 0.5 between zeros: band-limited, more than 0.5 lies between them."""
    for at in (999, 1_998):
        samples = np.zeros((2, 2_000), np.float32)
        samples[:, at : at + 2] = 0.5
        expected = 20 * math.log10(2 * 0.5 * np.sinc(0.5))
        assert metered(samples, 1_000).true_peak_dbtp == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize(
    ("stretches", "expected"),
    [
        ([(-23, 20)], -23.0),  # LU3: Tech 3341-1
        ([(-33, 20)], -33.0),  # LU4: Tech 3341-2
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),  # LU5: Tech 3341-3
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),  # LU6: Tech 3341-4
    ],
)
def test_loudness_of_tones(stretches: list[tuple[float, float]], expected: float) -> None:
    """EBU Tech 3341, tests 1 to 4; tolerance 0.1 LU."""
    samples = np.concatenate([tone(1000.0, level(lufs), s) for lufs, s in stretches], axis=1)
    loudness = metered(np.repeat(samples, 2, axis=0)).loudness_lufs
    assert loudness == pytest.approx(expected, abs=0.1)


def test_one_channel_counts_as_it_is_heard_from_two() -> None:
    """LU2 of the standard's arithmetic: 997 Hz at full scale on both channels is 0.00 LUFS."""
    assert metered(tone(997.0, 1.0, 20.0)).loudness_lufs == pytest.approx(0.0, abs=0.02)


def test_silence_has_neither_loudness_nor_peak() -> None:
    figures = metered(np.zeros((2, RATE), np.float32))
    assert figures.loudness_lufs is None
    assert figures.true_peak_dbtp == figures.sample_peak_dbfs == -math.inf
    assert figures.duration_s == 1.0
    assert SoundCheck(figures, figures).sentences() == ()


@pytest.mark.parametrize("settings", [EncodeSettings("ultrafast", 30), LOSSLESS])
def test_a_finished_video_reads_as_with_another_meter(
    tmp_path: Path, rng: np.random.Generator, settings: EncodeSettings
) -> None:
    samples = noise(rng, 6.0)
    out, check = write_checked(tmp_path, Given(samples), settings=settings)
    loudness, peak = ffmpeg_meter(out)
    assert check.written.loudness_lufs == pytest.approx(loudness, abs=0.06)  # it prints 0.1
    assert check.written.true_peak_dbtp == pytest.approx(peak, abs=0.2)
    assert check.louder_lu == pytest.approx(0.0, abs=0.1)
    assert check.given == metered(samples)


def test_sound_that_peaks_too_high_after_encoding_is_told(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    samples = noise(rng, 4.0)
    samples *= 0.98 / np.abs(samples).max()
    _, check = write_checked(tmp_path, Given(samples))
    (sentence,) = check.sentences()
    assert re.match(
        r"The encoded sound peaks at -?\d\.\d dBTP, above -1 dBTP: .* Its mix peaks at "
        r"-?\d\.\d dBTP; one that is \d\.\d dB softer would do\.",
        sentence,
    )


def test_what_is_advised_is_enough_and_a_good_peak_is_not_mentioned() -> None:
    def figures(peak: float, loudness: float = -14.0) -> SoundFigures:
        return SoundFigures(loudness, peak, peak, 1.0)

    (sentence,) = SoundCheck(figures(-0.33), figures(-1.2)).sentences()
    assert sentence == (
        "The encoded sound peaks at -0.3 dBTP, above -1 dBTP: some players may distort there. "
        "Its mix peaks at -1.2 dBTP; one that is 0.7 dB softer would do."
    )
    assert SoundCheck(figures(-1.0), figures(-0.9)).sentences() == ()
    (softer,) = SoundCheck(figures(-3.0, -14.3), figures(-3.0)).sentences()
    assert softer == "The encoded sound is 0.3 LU softer than its mix."


@pytest.mark.parametrize(
    ("kind", "kbps"),
    [("coloured", 256), ("coloured", 96), ("pink", 128), ("white", 256), ("soft", 128)],
)
def test_what_the_encoder_takes_away_is_given_back(
    tmp_path: Path, rng: np.random.Generator, kind: str, kbps: int
) -> None:
    """Issue 4: loudness as in the mix within 0.1 LU; by a meter of another build."""
    samples = noise(rng, 5.0)
    if kind == "soft":
        samples *= 0.01
    elif kind != "coloured":
        hertz = np.fft.rfftfreq(samples.shape[1], 1 / RATE)
        slope = np.sqrt(np.maximum(hertz, 20.0)) if kind == "pink" else np.ones_like(hertz)
        white = np.fft.rfft(rng.normal(0, 1, samples.shape))
        shaped = np.fft.irfft(white / slope, samples.shape[1])
        samples = (0.1 * shaped / shaped.std()).clip(-1, 1).astype(np.float32)
    settings = EncodeSettings("ultrafast", 30, sound_kbps=kbps)
    _, check = write_checked(tmp_path, Given(samples), settings=settings)
    assert check.given == metered(samples)
    assert check.louder_lu == pytest.approx(0.0, abs=0.1)
