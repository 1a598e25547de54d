"""The sum of all stems against a plain one in double precision, and excerpts against the whole."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio, Floats
from syncvid.mix import bus
from syncvid.mix.bus import Room, Strand, mix_down, mix_excerpt
from syncvid.mix.measures import BANDS_HZ
from syncvid.mix.reverb import reverberate
from syncvid.mix.rooms import make_room
from syncvid.mix.tone_filters import tone_filter
from syncvid.progress import Event, Progress

RATE = 48_000

# Two stretches in which stems are added, and some.
LENGTH = 1_100_000

# An impulse after so many samples: a room of one wall.
WALL = 700


def noise(seed: int, channels: int = 1, length: int = LENGTH) -> Audio:
    rng = np.random.default_rng(seed)
    return rng.normal(0.0, 0.1, (channels, length)).astype(np.float32)


def bright(sample_rate: int = RATE) -> Audio:
    """Return a filter that lifts the treble."""
    return tone_filter(np.linspace(-2, 3, len(BANDS_HZ)), sample_rate=sample_rate)


def by_hand(strand: Strand) -> Floats:
    """Return one stem on two channels: filtered, at its gain, by the constant-power law."""
    samples = strand.samples.astype(np.float64)
    if strand.tone is not None:
        samples = signal.fftconvolve(samples, strand.tone[np.newaxis], mode="same", axes=1)
    angle = (strand.pan + 1) * math.pi / 4
    sides = np.array([[math.cos(angle)], [math.sin(angle)]]) * math.sqrt(samples.shape[0])
    return np.asarray(samples * sides * strand.gain)


def wall() -> Room:
    """Return a room that repeats everything once, 12 dB softer: all frequencies alike."""
    response = np.zeros((2, 1000), np.float32)
    response[:, WALL] = 1.0
    return Room(response, under_db=12.0, predelay_s=0.01, low_cut_hz=0.0)


def strands(length: int = LENGTH, sample_rate: int = RATE) -> list[Strand]:
    return [
        Strand(noise(1, length=length), gain=0.7, pan=-0.4),
        Strand(noise(2, 2, length), gain=1.3, pan=0.25, tone=bright(sample_rate), room=0.5),
        Strand(noise(3, length=length), tone=bright(sample_rate), room=2.0),
        Strand(noise(4, 2, length)),
    ]


def test_the_dry_sum_is_the_plain_sum() -> None:
    given = strands()
    heard = mix_down(given, None, sample_rate=RATE)
    assert heard.shape == (2, LENGTH)
    assert heard.dtype == np.float32
    # Rounding to 24 bits of a few numbers near 1.
    assert np.abs(heard - sum(by_hand(strand) for strand in given)).max() < 2e-6


def test_one_strand_in_the_middle_is_what_it_was() -> None:
    wide, one = noise(1, 2, 1000), noise(2, 1, 1000)
    assert np.array_equal(mix_down([Strand(wide)], None, sample_rate=RATE), wide)
    heard = mix_down([Strand(one)], None, sample_rate=RATE)
    assert np.array_equal(heard[0], heard[1])
    # The constant-power law: -3.01 dB on each side.
    assert np.abs(heard - one * math.sqrt(0.5)).max() < 1e-7


def test_what_is_sent_comes_back_from_a_wall() -> None:
    """Of the difference of the sides half is kept on the way; the rest is arithmetic."""
    given, room = strands(), wall()
    heard = mix_down(given, room, sample_rate=RATE)
    assert heard.shape == (2, LENGTH + 1000 + 480)
    sent = sum(by_hand(strand) * strand.room for strand in given)
    middle, side = sent.mean(axis=0), (sent[0] - sent[1]) / 2
    fed = np.stack((middle + side / 2, middle - side / 2))
    wanted = np.zeros(heard.shape)
    wanted[:, :LENGTH] += sum(by_hand(strand) for strand in given)
    wanted[:, WALL + 480 :][:, :LENGTH] += 10 ** (-12 / 20) * fed
    assert np.abs(heard - wanted).max() < 1e-5


def test_the_room_answers_each_by_what_it_sends() -> None:
    loud, none = Strand(noise(1), room=1.0), Strand(noise(2), room=0.0)
    room = wall()
    dry = mix_down([loud, none], None, sample_rate=RATE)
    wet = mix_down([loud, none], room, sample_rate=RATE)
    wet[:, :LENGTH] -= dry
    alone = mix_down([loud], room, sample_rate=RATE)
    alone[:, :LENGTH] -= mix_down([loud], None, sample_rate=RATE)
    assert np.abs(wet - alone).max() < 1e-6
    assert np.abs(alone).max() > 0.01


def test_equal_sends_are_the_dry_sum_and_it_is_not_changed_by_them() -> None:
    given = [Strand(noise(1), gain=0.5), Strand(noise(2), pan=0.3)]
    room = Room(make_room(0.45, sample_rate=RATE), under_db=16.0)
    dry = mix_down(given, None, sample_rate=RATE)
    wet = reverberate(dry, room.response, sample_rate=RATE)
    wet *= np.float32(room.gain(RATE))
    wet[:, :LENGTH] += dry
    assert np.abs(mix_down(given, room, sample_rate=RATE) - wet).max() < 1e-6


def test_no_room_for_infinitely_little_of_it() -> None:
    given = [Strand(noise(1))]
    room = Room(wall().response, under_db=math.inf)
    heard = mix_down(given, room, sample_rate=RATE)
    assert np.array_equal(heard[:, :LENGTH], mix_down(given, None, sample_rate=RATE))
    assert not heard[:, LENGTH:].any()


def test_a_filter_is_applied_over_the_stretches_as_over_the_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = strands(20_000)
    at_once = mix_down(given, None, sample_rate=RATE)
    monkeypatch.setattr(bus, "_BLOCK", 777)
    assert np.abs(mix_down(given, None, sample_rate=RATE) - at_once).max() < 2e-6


def test_a_shorter_strand_is_silent_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus, "_BLOCK", 500)
    long, short = Strand(noise(1, length=5000)), Strand(noise(2, length=1234), tone=bright())
    heard = mix_down([short, long], wall(), sample_rate=RATE)
    padded = np.zeros((1, 5000), np.float32)
    padded[:, :1234] = short.samples
    wanted = mix_down([Strand(padded, tone=short.tone), long], wall(), sample_rate=RATE)
    # A filter rings on beyond the end of what it filters; a stem ends in silence.
    assert np.abs(heard - wanted)[:, :1234].max() < 1e-5
    assert np.abs(heard - wanted)[:, 1234 + 2100 + WALL + 480 :].max() < 1e-5


def test_stems_are_read_where_they_lie_and_are_not_changed(tmp_path: Path) -> None:
    kept = [strand.samples for strand in strands(30_000)]
    before = [samples.copy() for samples in kept]
    from_disk = []
    for number, (samples, strand) in enumerate(zip(kept, strands(30_000), strict=True)):
        np.save(tmp_path / f"{number}.npy", samples)
        mapped = np.load(tmp_path / f"{number}.npy", mmap_mode="r")
        from_disk.append(Strand(mapped, strand.gain, strand.pan, strand.tone, strand.room))
    heard = mix_down(from_disk, wall(), sample_rate=RATE)
    assert np.array_equal(heard, mix_down(strands(30_000), wall(), sample_rate=RATE))
    mix_excerpt(from_disk, wall(), first=100, last=2000, sample_rate=RATE)
    for was, strand in zip(before, from_disk, strict=True):
        assert np.array_equal(was, strand.samples)


# Excerpts

LOW_RATE, LOW_LENGTH = 16_000, 48_000


@pytest.fixture(scope="module")
def hall() -> Room:
    return Room(make_room(0.8, sample_rate=LOW_RATE), under_db=8.0)


@pytest.fixture(scope="module")
def whole(hall: Room) -> Audio:
    return mix_down(strands(LOW_LENGTH, LOW_RATE), hall, sample_rate=LOW_RATE)


@settings(max_examples=15, deadline=None)
@given(edges=st.tuples(st.integers(0, LOW_LENGTH), st.integers(0, LOW_LENGTH)))
def test_an_excerpt_is_what_it_is_in_the_whole(
    hall: Room, whole: Audio, edges: tuple[int, int]
) -> None:
    first, last = sorted(edges)
    given = strands(LOW_LENGTH, LOW_RATE)
    heard, dry = mix_excerpt(given, hall, first=first, last=last, sample_rate=LOW_RATE)
    assert heard.shape == dry.shape == (2, last - first)
    assert np.abs(heard - whole[:, first:last]).max(initial=0.0) < 1e-4
    without = mix_down(given, None, sample_rate=LOW_RATE)[:, first:last]
    assert np.abs(dry - without).max(initial=0.0) < 1e-5


def test_an_excerpt_of_seconds_at_full_rate_is_what_it_is_in_the_whole() -> None:
    room = Room(make_room(1.4, sample_rate=RATE), under_db=12.0)
    given = strands(400_000)
    whole = mix_down(given, room, sample_rate=RATE)
    heard, _ = mix_excerpt(given, room, first=250_001, last=330_000, sample_rate=RATE)
    assert np.abs(heard - whole[:, 250_001:330_000]).max() < 1e-4


def test_a_dry_excerpt() -> None:
    given = strands(20_000)
    whole = mix_down(given, None, sample_rate=RATE)
    heard, dry = mix_excerpt(given, None, first=5000, last=9000, sample_rate=RATE)
    assert np.abs(heard - whole[:, 5000:9000]).max() < 2e-6
    assert np.array_equal(heard, dry)


def test_progress_is_told() -> None:
    told: list[Event] = []
    mix_down([Strand(noise(1))], None, sample_rate=RATE, progress=Progress(told.append))
    assert [event.fraction for event in told] == pytest.approx([0, 480 / 1100, 960 / 1100])
