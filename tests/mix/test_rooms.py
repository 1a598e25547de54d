"""Rooms: made ones decay as asked, recorded ones are cut and levelled, and no music passes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal, special

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.rooms import AMOUNTS, ROOMS, decay_of, make_room, use_response
from syncvid.signals.decay import band_decay, decay_curve, measure_decay

RATE = 48_000
SIXTY = 3 * math.log(10)

# Just noticeable: ISO 3382-1, annex A.
NOTICED = 0.05


def decibels(power: float) -> float:
    return 10 * math.log10(power)


@pytest.mark.parametrize(
    ("decay_s", "rate", "seed"),
    [
        (0.3, 48_000, 1),
        (0.8, 48_000, 1),
        (0.8, 44_100, 2),
        (1.6, 48_000, 3),
        (2.4, 16_000, 1),
        (2.4, 48_000, 1),
        (4.0, 48_000, 4),
    ],
)
def test_a_made_room_decays_as_asked(decay_s: float, rate: int, seed: int) -> None:
    """Measured by ISO 3382-1: the whole, and the octaves that stand for it."""
    for channel in make_room(decay_s, sample_rate=rate, seed=seed):
        whole = measure_decay(channel, sample_rate=rate)
        assert whole.t30_s == pytest.approx(decay_s, abs=NOTICED * decay_s)
        for centre_hz in (500.0, 1000.0):
            octave = band_decay(channel, centre_hz, sample_rate=rate)
            assert octave.t30_s == pytest.approx(decay_s, abs=NOTICED * decay_s)


@pytest.mark.parametrize("decay_s", [0.8, 2.0])
def test_highs_decay_sooner_and_lows_are_not_boomy(decay_s: float) -> None:
    channel = make_room(decay_s, sample_rate=RATE)[0]
    times_s = [
        band_decay(channel, centre_hz, sample_rate=RATE).t30_s or 0.0
        for centre_hz in (125.0, 250.0, 1000.0, 2000.0, 4000.0, 8000.0)
    ]
    assert times_s[2:] == sorted(times_s[2:], reverse=True)
    assert times_s[-1] < 0.8 * decay_s
    assert max(times_s[:2]) < 1.2 * decay_s


def test_air_takes_the_highs_of_a_large_room() -> None:
    # ISO 9613-1, 20 degrees, 50 %: 19.0 dB/s at the lower edge of the octave at 8 kHz, where it
    # decays slowest; walls of 4 s take 15 dB/s.
    channel = make_room(4.0, sample_rate=RATE)[0]
    octave = band_decay(channel, 8000.0, sample_rate=RATE)
    assert octave.t30_s is not None
    assert octave.t30_s < 60 / (15 + 19.0)


def test_the_decay_is_a_straight_line() -> None:
    """Nothing swells or breaks off between -5 and -45 dB."""
    for channel in make_room(1.6, sample_rate=RATE):
        curve_db = decay_curve(channel.astype(np.float64) ** 2)
        inside = np.flatnonzero((curve_db < -5) & (curve_db > -45))
        line = np.polyval(np.polyfit(inside, curve_db[inside], 1), inside)
        assert np.abs(curve_db[inside] - line).max() < 2.0


@pytest.mark.parametrize("decay_s", [0.3, 1.6, 4.0])
def test_each_channel_has_an_energy_of_one(decay_s: float) -> None:
    room = make_room(decay_s, sample_rate=RATE)
    assert room.dtype == np.float32
    assert np.square(room, dtype=np.float64).sum(axis=1) == pytest.approx([1.0, 1.0], abs=1e-5)


def test_a_room_is_the_same_each_time_and_another_with_another_seed() -> None:
    room = make_room(0.5, sample_rate=RATE)
    assert (room == make_room(0.5, sample_rate=RATE)).all()
    assert not (room == make_room(0.5, sample_rate=RATE, seed=2)).all()


def test_two_channels_are_alike_in_the_lows_only() -> None:
    # Sound from all sides at two points 0.5 m apart: sin(x)/x with x = 2 pi f d / c.
    rooms = [make_room(2.0, sample_rate=RATE, seed=seed) for seed in (1, 2, 3)]
    # Made stationary, so that every moment counts alike.
    steady = np.exp(SIXTY * np.arange(rooms[0].shape[1]) / RATE / 2.0)
    steady *= steady < 10**3
    for low_hz, high_hz, tolerance in [
        (50, 90, 0.1),
        (90, 150, 0.12),
        (150, 250, 0.15),
        (350, 700, 0.1),
        (700, 4000, 0.05),
        (4000, 16_000, 0.05),
    ]:
        sections = signal.butter(4, (low_hz, high_hz), "bandpass", fs=RATE, output="sos")
        heard = np.hstack([signal.sosfilt(sections, room * steady) for room in rooms])
        x = 2 * np.pi * math.sqrt(low_hz * high_hz) * 0.5 / 343.2
        wanted = special.spherical_jn(0, x) if x < np.pi else 0.0
        assert np.corrcoef(heard)[0, 1] == pytest.approx(wanted, abs=tolerance)


def echo_density(channel: Audio, at_s: float) -> float:
    """Return the share of samples outside one standard deviation, against that of noise.

    Abel and Huang 2006, AES convention paper 6985: 0 for single reflections, 1 when they merge.
    """
    half = round(0.01 * RATE)
    middle = round(at_s * RATE)
    window = np.hanning(2 * half + 1)
    weights = window / window.sum()
    samples = channel[middle - half : middle + half + 1].astype(np.float64)
    deviation = math.sqrt(float(np.dot(weights, samples**2)))
    return float(np.dot(weights, np.abs(samples) > deviation)) / math.erfc(1 / math.sqrt(2))


@pytest.mark.parametrize("decay_s", [0.8, 2.4])
def test_reflections_come_one_by_one_and_then_merge(decay_s: float) -> None:
    for channel in make_room(decay_s, sample_rate=RATE):
        assert echo_density(channel, 0.011) < 0.85
        assert echo_density(channel, 0.08) > 0.9
        assert echo_density(channel, 0.3) > 0.9


def test_no_reflection_stands_out_and_the_room_rises_softly() -> None:
    for channel in make_room(1.6, sample_rate=RATE):
        energy = np.square(channel, dtype=np.float64)
        assert energy.max() < 0.01, "no single sample is heard as a click: 20 dB under the whole"
        assert energy[: RATE // 1000].sum() < 0.01 * energy[: RATE // 50].sum()


def test_nothing_repeats() -> None:
    """A flutter or a ring would show as a likeness of the early part with itself a little later."""
    for channel in make_room(1.6, sample_rate=RATE):
        # Its overall tone taken out: by a prediction from the last samples, scipy's solver.
        early = channel[: RATE // 4].astype(np.float64)
        early *= np.exp(SIXTY * np.arange(early.size) / RATE / 1.6)
        spectrum = np.abs(np.fft.rfft(early, 2 * early.size)) ** 2
        likeness = np.fft.irfft(spectrum)
        taps = np.append(
            1.0,
            -np.linalg.solve(
                likeness[np.abs(np.subtract.outer(np.arange(64), np.arange(64)))], likeness[1:65]
            ),
        )
        flat = signal.lfilter(taps, 1.0, early)
        likeness = np.fft.irfft(np.abs(np.fft.rfft(flat, 2 * flat.size)) ** 2)[: flat.size]
        assert np.abs(likeness[48 : RATE // 10]).max() < 0.06 * likeness[0]


def test_both_channels_answer_equally_early() -> None:
    for seed in (1, 2):
        early = np.square(make_room(1.6, sample_rate=RATE, seed=seed)[:, : RATE // 25]).sum(axis=1)
        assert abs(decibels(early[0] / early[1])) < 1.5


@pytest.mark.parametrize("decay_s", [0.0, 0.29, 4.1, -1.0, math.nan, math.inf])
def test_rooms_that_cannot_be_made_are_refused(decay_s: float) -> None:
    with pytest.raises(SignalError, match="cannot be made"):
        make_room(decay_s, sample_rate=RATE)
    with pytest.raises(SignalError, match="8000 Hz or more"):
        make_room(1.0, sample_rate=4000)


def test_words_are_in_order() -> None:
    assert list(ROOMS.values()) == sorted(ROOMS.values())
    assert all(0.3 <= decay_s <= 4.0 for decay_s in ROOMS.values())
    assert list(AMOUNTS.values()) == sorted(AMOUNTS.values(), reverse=True)
    assert AMOUNTS["none"] == math.inf


# A recorded response.

DIRECT_AT, REFLECTION_S = 4321, 0.02


def recorded(
    rng: np.random.Generator, *, decay_s: float = 1.2, noise_db: float = -60.0, level: float = 0.01
) -> Audio:
    """Make what a microphone hears of a burst balloon: direct sound, a reflection, a tail."""
    size = 4 * RATE
    at_s = np.arange(size) / RATE
    tail = rng.standard_normal(size) * np.exp(-SIXTY * at_s / decay_s) * 0.05
    tail[: round(0.01 * RATE)] = 0
    tail[round(REFLECTION_S * RATE)] += 0.5
    tail[0] = 1.0
    sound = np.concatenate([np.zeros(DIRECT_AT), tail])
    sound += 0.05 * 10 ** (noise_db / 20) * rng.standard_normal(sound.size)
    return (level * sound).astype(np.float32)


@pytest.mark.parametrize("level", [1e-9, 0.01, 1000.0])
def test_a_recorded_response_becomes_a_room(rng: np.random.Generator, level: float) -> None:
    room = use_response(recorded(rng, level=level)[np.newaxis], sample_rate=RATE)
    assert room.shape[0] == 2
    assert room.dtype == np.float32
    assert (room[0] == room[1]).all(), "one channel is heard on both sides"
    assert np.square(room[0], dtype=np.float64).sum() == pytest.approx(1.0, abs=1e-5)
    # The moment of the direct sound is 0, and it is gone.
    assert np.abs(room[0]).argmax() == round(REFLECTION_S * RATE)
    assert not room[0, : RATE // 1000].any()
    # 60 dB over the noise, 1.2 s long: cut there, and softly.
    assert room.shape[1] == pytest.approx(1.2 * RATE, abs=0.1 * RATE)
    assert np.abs(room[0, -5:]).max() < 1e-6
    measured = measure_decay(room[0], sample_rate=RATE)
    assert measured.t20_s == pytest.approx(1.2, abs=NOTICED * 1.2)


def test_two_channels_keep_their_balance_and_their_delay(rng: np.random.Generator) -> None:
    left, right = recorded(rng), 0.5 * np.roll(recorded(rng), 24)
    room = use_response(np.stack([left, right]).astype(np.float32), sample_rate=RATE)
    energies = np.square(room, dtype=np.float64).sum(axis=1)
    assert energies.mean() == pytest.approx(1.0, abs=1e-5)
    assert decibels(energies[0] / energies[1]) == pytest.approx(6.02, abs=1.0)
    at = np.abs(room).argmax(axis=1)
    assert at.tolist() == [round(REFLECTION_S * RATE), round(REFLECTION_S * RATE) + 24]


def test_a_silent_side_is_passed_over(rng: np.random.Generator) -> None:
    sound = recorded(rng)
    room = use_response(np.stack([np.zeros_like(sound), sound]), sample_rate=RATE)
    assert (room == use_response(sound[np.newaxis], sample_rate=RATE)).all()


def test_a_made_room_can_be_used_as_a_recorded_one() -> None:
    room = use_response(make_room(1.6, sample_rate=RATE), sample_rate=RATE)
    measured = measure_decay(room[0], sample_rate=RATE)
    assert measured.t30_s == pytest.approx(1.6, abs=NOTICED * 1.6)


@pytest.mark.parametrize("noise_db", [-70, -50, -40])
def test_a_decay_is_told_as_far_as_noise_lets_it_be_seen(
    rng: np.random.Generator, noise_db: float
) -> None:
    sound = recorded(rng, decay_s=0.9, noise_db=noise_db)
    room = use_response(sound[np.newaxis], sample_rate=RATE)
    assert decay_of(room, sample_rate=RATE) == pytest.approx(0.9, abs=0.08)


def test_a_response_under_noise_is_refused(rng: np.random.Generator) -> None:
    """ISO 3382-1: 35 dB between the beginning and the noise for T20."""
    sound = recorded(rng, noise_db=-22)
    with pytest.raises(SignalError, match="too soon"):
        use_response(sound[np.newaxis], sample_rate=RATE)


def notes(rng: np.random.Generator, *, count: int = 8, last_s: float = 1.0) -> Audio:
    """Make plucked notes, half a second each; the last one rings out."""
    sound = np.zeros(round((count * 0.5 + last_s) * RATE))
    for note in range(count):
        pitch_hz = 220 * 2 ** (rng.integers(0, 12) / 12)
        at_s = np.arange(sound.size - note * RATE // 2) / RATE
        for partial in range(1, 12):
            wave = np.sin(2 * np.pi * partial * pitch_hz * at_s) / partial
            sound[note * RATE // 2 :] += wave * np.exp(-4 * at_s * math.sqrt(partial))
    return (0.1 * sound).astype(np.float32)


def sweep_in_a_room(rng: np.random.Generator) -> Audio:
    """Make what is heard of a sweep that nobody has turned into a response yet."""
    at_s = np.arange(3 * RATE) / RATE
    sweep = 0.5 * signal.chirp(at_s, 50, 3, 16_000, method="logarithmic")
    return signal.fftconvolve(sweep, recorded(rng)).astype(np.float32)


def speech(rng: np.random.Generator) -> Audio:
    """Make bursts of noise as long and as far apart as syllables."""
    sound = np.zeros(4 * RATE)
    for begin in range(0, 3 * RATE, RATE // 4):
        length = RATE // 6
        burst = rng.standard_normal(length) * np.hanning(length) * rng.uniform(0.3, 1)
        sound[begin : begin + length] += burst
    return (0.1 * sound).astype(np.float32)


@pytest.mark.parametrize("kind", "notes one_note sweep speech noise tone click fade".split())
def test_what_is_no_response_is_refused(rng: np.random.Generator, kind: str) -> None:
    click = np.zeros(RATE)
    click[1000] = 1
    at_s = np.arange(4 * RATE) / RATE
    sound = {
        "notes": lambda: notes(rng),
        "one_note": lambda: notes(rng, count=1, last_s=3.0),
        "sweep": lambda: sweep_in_a_room(rng),
        "speech": lambda: speech(rng),
        "noise": lambda: rng.standard_normal(4 * RATE),
        "tone": lambda: np.sin(2 * np.pi * 440 * at_s),
        "click": lambda: click,
        # Music that somebody fades out within its last second.
        "fade": lambda: rng.standard_normal(4 * RATE) * 10 ** (-3 * np.maximum(at_s - 3, 0)),
    }[kind]()
    with pytest.raises(SignalError, match="does not die away"):
        use_response(sound[np.newaxis].astype(np.float32), sample_rate=RATE)


def test_files_that_cannot_be_responses_are_refused(rng: np.random.Generator) -> None:
    with pytest.raises(SignalError, match="silent"):
        use_response(np.zeros((2, RATE), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="silent"):
        use_response(np.zeros((1, 0), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="more than 10 s"):
        use_response(np.ones((1, 11 * RATE), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="one or two channels"):
        use_response(np.ones((3, RATE), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="one or two channels"):
        use_response(np.ones(RATE, np.float32), sample_rate=RATE)
    for wrong in (math.nan, math.inf):
        sound = recorded(rng)[np.newaxis].copy()
        sound[0, 7] = wrong
        with pytest.raises(SignalError, match="finite"):
            use_response(sound, sample_rate=RATE)
