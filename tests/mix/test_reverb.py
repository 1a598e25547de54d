"""Reverberation: a convolution as scipy does it, as loud as stated, and the same in part."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix import reverb
from syncvid.mix.reverb import memory_samples, reverb_in_part, reverberate, wet_gain
from syncvid.mix.rooms import ROOMS, make_room
from syncvid.signals.decay import band_decay, measure_decay
from syncvid.signals.loudness import LoudnessMeter

RATE = 48_000

# Half of the difference between the sides: what is given on one side reaches the other with 1/4.
NEAR, FAR = 0.75, 0.25


def plain(send: Audio, response: Audio, predelay: int) -> Audio:
    """Convolve as scipy does, in double precision and at once: the second implementation."""
    left, right = send.astype(np.float64)
    sent = (NEAR * left + FAR * right, NEAR * right + FAR * left)
    wet = np.zeros((2, send.shape[1] + response.shape[1] + predelay))
    for channel, sound, answer in zip(wet, sent, response.astype(np.float64), strict=True):
        channel[predelay:-1] = signal.fftconvolve(sound, answer)
    return wet


def noise(seed: int, samples: int) -> Audio:
    return np.random.default_rng(seed).standard_normal((2, samples)).astype(np.float32)


def decibels(power: float) -> float:
    return 10 * math.log10(power)


@settings(max_examples=60, deadline=None)
@given(
    count=st.integers(1, 6000),
    length=st.integers(1, 3000),
    predelay=st.integers(0, 500),
    seed=st.integers(0, 99),
)
def test_it_is_a_convolution(count: int, length: int, predelay: int, seed: int) -> None:
    send, response = noise(seed, count), noise(seed + 100, length)
    wet = reverberate(send, response, sample_rate=RATE, predelay_s=predelay / RATE, low_cut_hz=0)
    wanted = plain(send, response, predelay)
    assert wet.shape == (2, count + length + predelay)
    assert wet.dtype == np.float32
    # Single precision: 100 dB under the whole.
    assert np.abs(wet - wanted).max() <= 1e-5 * np.abs(wanted).max()


@pytest.mark.parametrize("length", [1, 1000, 40_000])
def test_blocks_leave_no_seam(monkeypatch: pytest.MonkeyPatch, length: int) -> None:
    monkeypatch.setattr(reverb, "_LEAST_SIZE", 1 << 12)
    send, response = noise(1, 200_000), noise(2, length)
    wet = reverberate(send, response, sample_rate=RATE, predelay_s=0.0, low_cut_hz=0)
    wanted = plain(send, response, 0)
    assert np.abs(wet - wanted).max() <= 1e-5 * np.abs(wanted).max()


def test_it_is_linear_and_does_not_change_what_is_sent() -> None:
    room = make_room(0.5, sample_rate=RATE)
    one, two = noise(3, 30_000), noise(4, 30_000)
    kept = one.copy()
    parts = [reverberate(send, room, sample_rate=RATE) for send in (one, two)]
    both = reverberate(one + 2 * two, room, sample_rate=RATE)
    assert np.abs(both - parts[0] - 2 * parts[1]).max() < 1e-5 * np.abs(both).max()
    assert (one == kept).all()


def test_the_room_decays_as_asked_behind_a_click() -> None:
    click = np.zeros((2, RATE), np.float32)
    click[:, 100] = 1.0
    room = make_room(1.6, sample_rate=RATE)
    wet = reverberate(click, room, sample_rate=RATE)
    assert not np.abs(wet[:, : 100 + round(0.02 * RATE)]).max() > 1e-7, "nothing before it"
    for channel in wet:
        # Just noticeable: 5 %, ISO 3382-1.
        assert measure_decay(channel, sample_rate=RATE).t30_s == pytest.approx(1.6, abs=0.08)
        octave = band_decay(channel, 1000.0, sample_rate=RATE)
        assert octave.t30_s == pytest.approx(1.6, abs=0.08)


@pytest.mark.parametrize("name", ["living room", "hall"])
def test_energy_of_noise_is_kept(name: str) -> None:
    """A response of energy 1 answers white noise with as much power as it was sent."""
    room = make_room(ROOMS[name], sample_rate=RATE)
    send = noise(5, 8 * RATE)
    send[1] = send[0]
    steady = slice(room.shape[1], 8 * RATE)
    wet = reverberate(send, room, sample_rate=RATE, predelay_s=0.0, low_cut_hz=0)
    for channel in wet:
        assert decibels(float(np.square(channel[steady]).mean())) == pytest.approx(0.0, abs=0.2)
    # Sides that have nothing in common lose (1 + 1/4) / 2 of their power: -2.04 dB.
    apart = reverberate(noise(6, 8 * RATE), room, sample_rate=RATE, predelay_s=0.0, low_cut_hz=0)
    for channel in apart:
        assert decibels(float(np.square(channel[steady]).mean())) == pytest.approx(-2.04, abs=0.2)


def test_a_part_on_one_side_is_heard_on_both() -> None:
    room = make_room(0.8, sample_rate=RATE)
    send = noise(7, 2 * RATE)
    send[1] = 0
    left, right = np.square(reverberate(send, room, sample_rate=RATE)).sum(axis=1)
    # By 3/4 and 1/4: 9.54 dB.
    assert decibels(left / right) == pytest.approx(9.54, abs=0.3)


@pytest.mark.parametrize("hertz", [50.0, 150.0, 1000.0])
def test_the_low_cut_is_a_second_order_one(hertz: float) -> None:
    """A Butterworth filter of second order: 1 / (1 + (cut/f)^4), so -3.01 dB at the cut."""
    room = make_room(0.8, sample_rate=RATE)
    tone = np.sin(2 * np.pi * hertz * np.arange(2 * RATE) / RATE)
    send = np.stack([tone, tone]).astype(np.float32)
    steady = slice(RATE, 2 * RATE)
    powers = [
        float(np.square(reverberate(send, room, sample_rate=RATE, low_cut_hz=cut)[0, steady]).sum())
        for cut in (150.0, 0.0)
    ]
    wanted = -decibels(1 + (150 / hertz) ** 4)
    assert decibels(powers[0] / powers[1]) == pytest.approx(wanted, abs=0.1)


def test_the_low_cut_delays_nothing() -> None:
    """A response of one sample answers in that sample; middle and highs keep their phase."""
    click = np.zeros((2, 1000), np.float32)
    click[:, 0] = 1.0
    wet = reverberate(click, click, sample_rate=RATE, predelay_s=0.001)
    assert np.abs(wet[0]).argmax() == 48
    assert wet[0, 48] == pytest.approx(1.0, abs=0.02)
    assert np.abs(wet[0, :48]).max() < 1e-6


@settings(max_examples=30, deadline=None)
@given(first=st.integers(0, 40_000), samples=st.integers(0, 9000), predelay=st.integers(0, 2000))
def test_an_excerpt_sounds_as_in_the_whole(first: int, samples: int, predelay: int) -> None:
    send, room = noise(8, 50_000), make_room(0.3, sample_rate=16_000)
    settings = {"sample_rate": 16_000, "predelay_s": predelay / 16_000}
    whole = reverberate(send, room, **settings)
    lead = min(first, memory_samples(room, **settings))
    part = reverb_in_part(send[:, first - lead : first + samples], room, lead=lead, **settings)
    assert part.shape == (2, samples)
    assert np.abs(part - whole[:, first : first + samples]).max(initial=0.0) < 1e-4


def pink(rng: np.random.Generator, samples: int) -> Audio:
    """Make noise with the same power in every octave."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    hertz = np.maximum(np.fft.rfftfreq(samples, 1 / RATE), 20.0)
    sound = np.fft.irfft(spectrum / np.sqrt(hertz), samples)
    return (0.1 * sound / sound.std()).astype(np.float32)


def loudness(sound: Audio) -> float:
    meter = LoudnessMeter(RATE)
    meter(sound)
    return meter.integrated_lufs() or math.nan


@pytest.mark.parametrize(
    ("name", "low_cut_hz"), [("living room", 0.0), ("hall", 150.0), ("church", 300.0)]
)
def test_the_room_lies_as_far_under_the_dry_sound_as_told(
    rng: np.random.Generator, name: str, low_cut_hz: float
) -> None:
    # By the loudness meter of ITU-R BS.1770, on noise with the same power in every octave.
    room = make_room(ROOMS[name], sample_rate=RATE)
    dry = pink(rng, 10 * RATE)
    wet = reverberate(np.stack([dry, dry]), room, sample_rate=RATE, low_cut_hz=low_cut_hz)
    wet *= np.float32(wet_gain(room, sample_rate=RATE, under_db=14.0, low_cut_hz=low_cut_hz))
    under = [loudness(dry) - loudness(channel[4 * RATE : 10 * RATE]) for channel in wet]
    # Ten seconds of noise through a room are not the same power twice: half a decibel.
    assert np.mean(under) == pytest.approx(14.0, abs=0.5)


def test_no_room_has_no_gain() -> None:
    room = make_room(0.5, sample_rate=RATE)
    assert wet_gain(room, sample_rate=RATE, under_db=math.inf) == 0.0
    assert wet_gain(np.zeros_like(room), sample_rate=RATE, under_db=10.0) == 0.0


def test_silence_stays_silence() -> None:
    room = make_room(0.5, sample_rate=RATE)
    assert not reverberate(np.zeros((2, 100_000), np.float32), room, sample_rate=RATE).any()
    nothing = reverberate(np.zeros((2, 0), np.float32), room, sample_rate=RATE)
    assert nothing.shape == (2, room.shape[1] + 960)
    assert not nothing.any()


def test_what_cannot_be_reverberated_is_refused() -> None:
    room, send = make_room(0.5, sample_rate=RATE), np.zeros((2, 100), np.float32)
    with pytest.raises(SignalError, match="send must have two channels"):
        reverberate(send[:1], room, sample_rate=RATE)
    with pytest.raises(SignalError, match="response must have two channels"):
        reverberate(send, room[0], sample_rate=RATE)
    with pytest.raises(SignalError, match="send holds values that are not finite"):
        reverberate(np.full_like(send, np.inf), room, sample_rate=RATE)
    with pytest.raises(SignalError, match="response is empty"):
        reverberate(send, room[:, :0], sample_rate=RATE)
    for wrong in (-0.01, math.nan, math.inf):
        with pytest.raises(SignalError, match="pre-delay"):
            reverberate(send, room, sample_rate=RATE, predelay_s=wrong)
    for wrong in (-1.0, 24_000.0, math.nan):
        with pytest.raises(SignalError, match="low cut"):
            reverberate(send, room, sample_rate=RATE, low_cut_hz=wrong)
    for lead in (-1, 101):
        with pytest.raises(SignalError, match="lead"):
            reverb_in_part(send, room, sample_rate=RATE, lead=lead)
