"""Sound in a finished video: where it lies, silence around it, cuts, no loss."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.media.encode import EncodeSettings
from syncvid.media.sound_place import PlacedSound
from tests.media.video_files import (
    RATE,
    Given,
    ffprobe,
    heard_by_ffmpeg,
    heard_by_pyav,
    noise,
    write_video,
)

LOSSLESS = EncodeSettings(preset="ultrafast", crf=30, sound="lossless")


def whole_numbers(rng: np.random.Generator, bits: int, length: int = 90_000) -> np.ndarray:
    """Return samples as a file of so many bits holds them, both extremes included."""
    top = 1 << (bits - 1)
    values = rng.integers(-top, top, (2, length))
    values[:, :2] = -top, top - 1
    return (values / top).astype(np.float32)


@pytest.mark.parametrize("bits", [16, 24])
def test_sound_without_loss_comes_back_bit_by_bit(
    tmp_path: Path, rng: np.random.Generator, bits: int
) -> None:
    samples = whole_numbers(rng, bits)
    out = write_video(tmp_path, Given(samples), settings=LOSSLESS)
    start_s, heard = heard_by_pyav(out)
    assert start_s == 0.0
    np.testing.assert_array_equal(heard, samples)
    np.testing.assert_array_equal(heard_by_ffmpeg(out), samples)


def test_sound_without_loss_may_keep_a_rate_of_its_own(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    samples = whole_numbers(rng, 24)
    sound = Given(samples, sample_rate=44_100)
    out = write_video(tmp_path, sound, settings=LOSSLESS, sample_rate=44_100)
    np.testing.assert_array_equal(heard_by_pyav(out)[1], samples)
    with av.open(str(out)) as container:
        assert container.streams.audio[0].codec_context.sample_rate == 44_100


def test_sound_above_full_scale_is_cut_off_and_does_not_wrap_around(tmp_path: Path) -> None:
    out = write_video(tmp_path, Given(np.full((2, 9_000), 1.5, np.float32)), settings=LOSSLESS)
    assert heard_by_pyav(out)[1].min() == pytest.approx(1.0, abs=1e-6)


def test_ffprobe_sees_alac_with_24_bits(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_video(tmp_path, Given(whole_numbers(rng, 24)), settings=LOSSLESS)
    (stream,) = ffprobe(out, "-show_streams", "-select_streams", "a")["streams"]
    assert (stream["codec_name"], stream["bits_per_raw_sample"]) == ("alac", "24")
    assert (stream["sample_rate"], stream["channels"]) == ("48000", 2)


def test_behind_a_title_the_sound_begins_at_its_sample_and_silence_follows_it(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    samples = whole_numbers(rng, 24)
    rate, late_s = Fraction(30000, 1001), 2.345678
    out = write_video(
        tmp_path,
        Given(samples),
        settings=LOSSLESS,
        frame_rate=rate,
        duration_s=6.0,
        sound_at_s=late_s,
    )
    at = round(late_s * RATE)
    heard = heard_by_ffmpeg(out)
    assert heard.shape[1] == 6 * RATE
    np.testing.assert_array_equal(heard[:, at : at + samples.shape[1]], samples)
    assert not heard[:, :at].any()
    assert not heard[:, at + samples.shape[1] :].any()


def test_an_excerpt_is_the_sound_from_the_middle_with_soft_ends(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    samples = noise(rng, 5.0)
    out = write_video(
        tmp_path,
        Given(samples),
        settings=LOSSLESS,
        duration_s=3.0,
        sound_at_s=0.5,
        sound_from_s=1.25,
        sound_to_s=3.25,
    )
    heard, at, begin, length = heard_by_ffmpeg(out), RATE // 2, 5 * RATE // 4, 2 * RATE
    fade = RATE // 100  # 10 ms, the most that is allowed
    inner = slice(at + fade, at + length - fade)
    wanted = samples[:, begin + fade : begin + length - fade]
    np.testing.assert_allclose(heard[:, inner], wanted, atol=2**-24)
    assert not heard[:, :at].any()
    assert not heard[:, at + length :].any()
    # Every fade starts from nothing: within the first 0.1 ms no more than a hundredth is heard.
    for edge in (heard[:, at : at + 5], heard[:, at + length - 5 : at + length]):
        assert np.abs(edge).max() < 0.01 * np.abs(samples).max()


def test_the_ends_of_the_mix_itself_are_never_faded(rng: np.random.Generator) -> None:
    samples = noise(rng, 1.0)
    placed = PlacedSound(Given(samples), duration_s=1.0)
    np.testing.assert_array_equal(placed.read(0.0, 1.0, RATE), samples)
    head = PlacedSound(Given(samples), duration_s=0.5)
    np.testing.assert_array_equal(head.read(0.0, 0.4, RATE), samples[:, : round(0.4 * RATE)])
    tail = PlacedSound(Given(samples), duration_s=0.5, from_s=0.5)
    np.testing.assert_array_equal(tail.read(0.1, 0.5, RATE), samples[:, round(0.6 * RATE) :])


@given(
    at=st.integers(0, 3_000),
    begin=st.integers(0, 3_000),
    end=st.integers(0, 4_000),
    cuts=st.lists(st.integers(0, 6_000), max_size=4),
)
def test_in_pieces_the_sound_is_the_same_as_in_one(
    at: int, begin: int, end: int, cuts: list[int]
) -> None:
    samples = np.random.default_rng(1).normal(0, 0.1, (2, 3_500)).astype(np.float32)
    placed = PlacedSound(
        Given(samples),
        duration_s=6_000 / RATE,
        at_s=at / RATE,
        from_s=begin / RATE,
        to_s=end / RATE,
    )
    whole = np.zeros((2, 6_000), np.float32) + placed.read(0.0, 6_000 / RATE, RATE)
    bounds = [0, *sorted(cuts), 6_000]
    pieces = [
        np.zeros((2, b - a), np.float32) + placed.read(a / RATE, b / RATE, RATE)
        for a, b in itertools.pairwise(bounds)
    ]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), whole)
    heard = np.flatnonzero(whole[0])
    assert heard.size <= max(0, min(end, 3_500) - begin)
