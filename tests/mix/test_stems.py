"""Stems against arithmetic: what a clip's clock, place, fades and ends make of known sounds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from syncvid.arrays import Audio, Floats
from syncvid.media.sound import SoundFile
from syncvid.mix import stems
from syncvid.mix.stems import Piece, lay_piece, render_stem
from syncvid.production.mix_made import FadeLaw
from syncvid.progress import Event, Progress
from syncvid.timeline import Placement, to_samples

RATE = 48_000

# A tone's deviation from arithmetic: 80 dB below it.
CLOSE = 10 ** (-80 / 20)

# Where a clip itself begins or ends it comes and goes within 10 ms; the interpolation sees its edge
# for less than a millisecond more.
EDGE_S = 0.011


@dataclass(frozen=True)
class Tone:
    """A clip of which every sample is known: one channel for each (Hz, degrees, amplitude)."""

    channels: tuple[tuple[float, float, float], ...] = ((997.0, 0.0, 1.0),)
    duration_s: float = 60.0

    def at(self, clip_s: Floats) -> Floats:
        return np.stack(
            [
                size * np.sin(2 * np.pi * hertz * clip_s + np.radians(degrees))
                for hertz, degrees, size in self.channels
            ]
        )

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        clip_s = np.arange(first, last) / sample_rate
        # The file has a whole number of samples.
        inside = (np.arange(first, last) >= 0) & (
            np.arange(first, last) < to_samples(self.duration_s, sample_rate)
        )
        return np.where(inside, self.at(clip_s), 0.0).astype(np.float32)


def steady(value: float = 1.0, duration_s: float = 60.0) -> Tone:
    """Return a clip that has the same value all the time."""
    return Tone(((0.0, 90.0, value),), duration_s)


def stem(*pieces: Piece, from_s: float = 0.0, to_s: float = 3.0) -> Audio:
    return render_stem(pieces, from_s=from_s, to_s=to_s, sample_rate=RATE)


def times(from_s: float, count: int) -> Floats:
    """Return the reference seconds of samples."""
    return (to_samples(from_s, RATE) + np.arange(count)) / RATE


def raised_cosine(length: int) -> Floats:
    """Return a rise whose ends have no corner, read in the middle of each sample."""
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)


def delay_samples(heard: Audio, hertz: float, place: Placement, from_s: float) -> float:
    """Return by how much a tone lies later than its place says, by least squares."""
    clip_s = (times(from_s, heard.size) - place.offset_s) / place.rate
    turn = 2 * np.pi * hertz * clip_s
    waves = np.stack((np.sin(turn), np.cos(turn)), axis=1)
    (sine, cosine), *_ = np.linalg.lstsq(waves, heard.astype(np.float64), rcond=None)
    return float(-math.atan2(cosine, sine) / (2 * np.pi * hertz) * RATE)


# Clocks and places


@pytest.mark.parametrize("hertz", [55.0, 997.0, 10_007.0])
# The last is 44.1 kHz taken for 48 kHz.
@pytest.mark.parametrize("drift_ppm", [0.0, -3.7, 87.0, -500.0, 88_435.37])
def test_a_drifting_clock_is_right_in_the_first_second_and_in_the_last(
    hertz: float, drift_ppm: float
) -> None:
    place = Placement(1.23456789, drift_ppm)
    clip = Tone(((hertz, 0.0, 0.5),), 25.0)
    heard = stem(Piece(clip, place), to_s=30.0)[0]
    end_s = place.to_reference(25.0)
    for begin_s in (place.offset_s + EDGE_S, end_s - 1.0 - EDGE_S):
        first = to_samples(begin_s, RATE)
        part = heard[first : first + RATE]
        clip_s = (times(begin_s, RATE) - place.offset_s) / place.rate
        assert np.abs(part - clip.at(clip_s)[0]).max() < 0.5 * CLOSE


@settings(max_examples=25)
@given(
    offset_s=st.floats(-5.0, 0.2),
    drift_ppm=st.just(0.0) | st.floats(-500.0, 500.0),
    hertz=st.floats(200.0, 5000.0),
)
def test_a_place_holds_to_a_thousandth_of_a_sample(
    offset_s: float, drift_ppm: float, hertz: float
) -> None:
    place = Placement(offset_s, drift_ppm)
    heard = stem(Piece(Tone(((hertz, 0.0, 1.0),)), place), from_s=0.25, to_s=0.35)[0]
    assert abs(delay_samples(heard, hertz, place, 0.25)) < 1e-3


def test_a_place_of_whole_samples_keeps_every_bit() -> None:
    """Nothing is worked out where nothing is to be worked out."""
    clip = Tone(((1000.0, 10.0, 0.3),))
    heard = stem(Piece(clip, Placement(-1.5)), from_s=0.0, to_s=2.0)
    assert np.array_equal(heard, clip.read(1.5, 3.5, RATE))


def test_the_first_sample_lies_nearest_to_the_windows_begin() -> None:
    clip = Tone(((1000.0, 10.0, 0.3),))
    heard = stem(Piece(clip, Placement(-1.0)), from_s=0.5 + 0.4 / RATE, to_s=1.0)
    assert np.array_equal(heard, clip.read(1.5, 2.0, RATE))


@pytest.mark.parametrize("drift_ppm", [0.0, 61.0])
def test_stretches_join_without_a_seam(drift_ppm: float) -> None:
    """Clips are read 20 s at a time, counted from where the clip or the window begins."""
    place = Placement(0.70001, drift_ppm)
    clip = Tone(((523.25, 0.0, 0.5),), 45.0)
    for begins_s, from_s in ((place.offset_s, 0.0), (2.0, 2.0)):
        heard = stem(Piece(clip, place), from_s=from_s, to_s=43.0)[0]
        for seam_s in (begins_s + 20.0, begins_s + 40.0):
            first = to_samples(seam_s - 0.05, RATE)
            part = heard[first - to_samples(from_s, RATE) :][: RATE // 10]
            clip_s = (times(seam_s - 0.05, RATE // 10) - place.offset_s) / place.rate
            assert np.abs(part - clip.at(clip_s)[0]).max() < 0.5 * CLOSE


@pytest.mark.parametrize("file_rate", [8000, 44_100, 48_000, 96_000])
def test_files_of_any_rate_are_right_from_the_first_second_to_the_last(
    file_rate: int, tmp_path: Path
) -> None:
    """Read forward from a file, stretch by stretch; 24 bits are far below what is asked for."""
    place, clip = Placement(0.70001, 61.0), Tone(((997.0, 0.0, 0.5),), 44.0)
    heard_s = np.arange(clip.duration_s * file_rate) / file_rate
    soundfile.write(tmp_path / "clip.wav", clip.at(heard_s).T, file_rate, subtype="PCM_24")
    heard = stem(Piece(SoundFile(tmp_path / "clip.wav"), place), to_s=46.0)
    assert heard.shape[0] == 1
    # Its ends are those of the converter too.
    for from_s in (0.75, 20.2, 40.2, 43.65):
        first = to_samples(from_s, RATE)
        part = heard[0, first : first + RATE]
        clip_s = (times(from_s, RATE) - place.offset_s) / place.rate
        assert np.abs(part - clip.at(clip_s)[0]).max() < 0.5 * CLOSE


# Splices


def joined(
    old: Tone, new: Tone, law: FadeLaw, *, at_s: float = 1.0, fade_s: float = 0.1, **more: float
) -> Audio:
    """Return two clips that are joined at a moment."""
    before = Piece(old, Placement(-1.0), to_s=at_s, fade_out_s=fade_s, law_out=law)
    after = Piece(new, Placement(-1.0), from_s=at_s, fade_in_s=fade_s, law_in=law)
    return stem(before, after, from_s=more.get("from_s", 0.0), to_s=more.get("to_s", 2.0))


def test_a_linear_fade_between_equal_sounds_is_not_heard() -> None:
    clip = Tone(((440.0, 0.0, 0.5),))
    heard = joined(clip, clip, "linear")
    assert np.abs(heard - clip.read(1.0, 3.0, RATE)).max() < 0.5 * CLOSE


def test_a_fade_of_equal_power_between_unlike_sounds_keeps_the_power() -> None:
    """Tones a quarter of a turn apart add up by their powers: 0.5 everywhere."""
    hertz = 1000.0
    heard = joined(Tone(((hertz, 0.0, 1.0),)), Tone(((hertz, 90.0, 1.0),)), "equal power")[0]
    # Whole periods of the tone, all along the fade.
    powers = np.mean(np.reshape(heard, (-1, 48)) ** 2, axis=1)
    assert np.abs(10 * np.log10(powers / 0.5)).max() < 0.05
    # The linear law would leave a hole there: half the amplitude of each, half the power.
    dip = joined(Tone(((hertz, 0.0, 1.0),)), Tone(((hertz, 90.0, 1.0),)), "linear")[0]
    middle = np.mean(dip[RATE - 48 : RATE + 48] ** 2)
    assert 10 * np.log10(middle / 0.5) == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize(("law", "centre_db"), [("equal power", -3.0103), ("linear", -6.0206)])
def test_the_middle_of_a_fade_lies_at_the_splice(law: FadeLaw, centre_db: float) -> None:
    fade = 4800
    for at_s in (1.0, 0.73215):
        going = joined(steady(), steady(0.0), law, at_s=at_s)[0]
        coming = joined(steady(0.0), steady(), law, at_s=at_s)[0]
        middle = to_samples(at_s, RATE)
        for curve in (going, coming):
            around = (curve[middle - 1] + curve[middle]) / 2
            assert 20 * np.log10(around) == pytest.approx(centre_db, abs=0.01)
        assert (going[: middle - fade // 2] == 1).all()
        assert not going[middle + fade // 2 :].any()
        assert not coming[: middle - fade // 2].any()
        assert (coming[middle + fade // 2 :] == 1).all()
        way = (np.arange(fade) + 0.5) / fade
        rise = np.sin(np.pi / 2 * way) if law == "equal power" else way
        inside = slice(middle - fade // 2, middle + fade // 2)
        # A sample of the very tips may be missing, where the fade is nearly silent.
        assert np.abs(coming[inside] - rise).max() < 1e-3
        assert np.abs(going[inside] - rise[::-1]).max() < 1e-3


def test_a_fade_goes_on_over_the_stretches_in_which_clips_are_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    old, new = Tone(((440.0, 0.0, 0.5),)), Tone(((550.0, 0.0, 0.5),))
    for law in ("equal power", "linear"):
        at_once = joined(old, new, law)
        monkeypatch.setattr(stems, "_BLOCK_S", 0.013)
        assert np.abs(joined(old, new, law) - at_once).max() < 1e-6
        monkeypatch.undo()


def test_a_window_may_begin_and_end_within_a_fade() -> None:
    old, new = Tone(((440.0, 0.0, 0.5),)), Tone(((550.0, 0.0, 0.5),))
    whole = joined(old, new, "equal power")
    part = joined(old, new, "equal power", from_s=0.97, to_s=1.02)
    first = to_samples(0.97, RATE)
    assert np.abs(part - whole[:, first : first + part.shape[1]]).max() < 1e-6


@settings(max_examples=40)
@given(at_s=st.floats(0.5, 1.5), fade_s=st.floats(0.005, 0.3))
# Half a sample is rounded to the even one, so that the fade begins a sample later than its seconds.
@example(at_s=48_001.5 / RATE, fade_s=4801 / RATE)
def test_fades_between_samples_have_no_step(at_s: float, fade_s: float) -> None:
    # The steepest step of a linear fade; one sample of a tip may be missing, which is half of it.
    most = 1.1 / (fade_s * RATE)
    both = joined(steady(), steady(), "linear", at_s=at_s, fade_s=fade_s)
    assert np.abs(both - 1).max() < most
    for clips in ((steady(), steady(0.0)), (steady(0.0), steady())):
        one = joined(*clips, "equal power", at_s=at_s, fade_s=fade_s)
        assert np.abs(np.diff(one)).max() < 1.5 * np.pi / 2 * most


@given(at_s=st.floats(0.5, 1.5))
@settings(max_examples=25)
def test_takes_without_a_fade_take_turns_at_one_sample(at_s: float) -> None:
    heard = joined(steady(), steady(), "linear", at_s=at_s, fade_s=0.0)
    assert (heard == 1).all(), "neither a hole nor both at once"


def test_each_take_has_its_own_gain() -> None:
    before = Piece(steady(), Placement(-1.0), to_s=1.0, gain=0.5)
    heard = stem(before, Piece(steady(), Placement(-1.0), from_s=1.0, gain=2.0), to_s=2.0)[0]
    assert (heard[:RATE] == 0.5).all()
    assert (heard[RATE:] == 2.0).all()


# Where clips begin and end


@settings(max_examples=60)
@given(tenths=st.integers(1, 19), length_ms=st.integers(30, 900))
def test_a_clip_comes_and_goes_within_ten_milliseconds(tenths: int, length_ms: int) -> None:
    """Offsets like 1.1 s, times 48000, lie a hair beside a whole sample."""
    offset_s, duration_s = tenths / 10, length_ms / 1000
    heard = stem(Piece(steady(duration_s=duration_s), Placement(offset_s)))[0]
    first, count, ramp = round(offset_s * RATE), round(duration_s * RATE), raised_cosine(480)
    wanted = np.ones(count)
    wanted[:480] *= ramp
    wanted[-480:] *= ramp[::-1]
    assert np.abs(heard[first : first + count] - wanted).max() < 1e-4
    assert not heard[:first].any()
    assert not heard[first + count :].any()


def test_a_clip_shorter_than_its_ramps_stays_soft() -> None:
    heard = stem(Piece(steady(duration_s=0.005), Placement(1.0)))[0]
    assert 0.0 < heard.max() < 0.1
    assert np.abs(np.diff(heard)).max() < 0.01


def test_only_the_stretch_that_is_used_is_heard() -> None:
    """Clip seconds 2 to 3 at an offset of -1 s are reference seconds 1 to 2."""
    piece = Piece(steady(), Placement(-1.0), clip_from_s=2.0, clip_to_s=3.0)
    assert piece.heard == (1.0, 2.0)
    heard = stem(piece)[0]
    assert not heard[:RATE].any()
    assert not heard[2 * RATE :].any()
    assert np.abs(heard[RATE : RATE + 480] - raised_cosine(480)).max() < 1e-6
    assert np.abs(heard[2 * RATE - 480 : 2 * RATE] - raised_cosine(480)[::-1]).max() < 1e-6
    assert (heard[RATE + 480 : 2 * RATE - 480] == 1).all()


def test_a_stretch_begins_no_earlier_than_its_clip_and_ends_no_later() -> None:
    piece = Piece(steady(duration_s=1.0), Placement(0.5), clip_from_s=-3.0, clip_to_s=9.0)
    assert piece.heard == (0.5, 1.5)


def test_a_clip_that_ends_within_a_splice_is_soft_there_too() -> None:
    """The old take ends in the middle of the fade: it is gone by then, without a step."""
    old = Piece(steady(duration_s=2.0), Placement(-1.0), to_s=1.0, fade_out_s=0.1)
    heard = stem(old, to_s=2.0)[0]
    assert not heard[RATE:].any()
    assert np.abs(np.diff(heard)).max() < 0.005
    new = Piece(steady(duration_s=2.0), Placement(1.0), from_s=1.0, fade_in_s=0.1)
    heard = stem(new, to_s=2.0)[0]
    assert not heard[:RATE].any()
    assert np.abs(np.diff(heard)).max() < 0.005


def test_outside_of_its_clips_a_stem_is_silent() -> None:
    piece = Piece(Tone(duration_s=1.0), Placement(1.0))
    for from_s, to_s in ((-5.0, -4.0), (0.0, 1.0), (2.0, 3.5)):
        heard = stem(piece, from_s=from_s, to_s=to_s)
        assert heard.shape == (1, round((to_s - from_s) * RATE))
        assert not heard.any()
    assert stem(piece, from_s=2.0, to_s=1.0).shape == (1, 0)
    silent = stem(to_s=1.0)
    assert silent.shape == (1, RATE)
    assert not silent.any()
    # A splice that lies outside of its clip.
    assert not stem(replace(piece, from_s=5.0), replace(piece, to_s=0.5)).any()


# Channels

LEFT, RIGHT = (440.0, 0.0, 0.5), (660.0, 0.0, 0.5)


def test_channels_that_are_alike_become_one() -> None:
    both = Tone((LEFT, LEFT))
    heard = stem(Piece(both, Placement(-1.0)))
    assert np.array_equal(heard, both.read(1.0, 4.0, RATE)[:1])
    # Half of a step of 16 bits cannot be told apart; two of them can.
    nearly = Tone((LEFT, (440.0, 0.0, 0.5 + 0.5 / 2**16)))
    assert stem(Piece(nearly, Placement(-1.0))).shape[0] == 1
    apart = Tone((LEFT, (440.0, 0.0, 0.5 + 2 / 2**16)))
    assert stem(Piece(apart, Placement(-1.0))).shape[0] == 2


def test_two_channels_keep_their_sides_and_one_is_heard_on_both() -> None:
    wide, one = Tone((LEFT, RIGHT)), Tone((LEFT,))
    pieces = [
        Piece(wide, Placement(-1.0), to_s=1.0),
        Piece(one, Placement(-1.0), from_s=1.0),
    ]
    for order in (pieces, pieces[::-1]):
        heard = stem(*order, to_s=2.0)
        assert np.array_equal(heard[:, :RATE], wide.read(1.0, 2.0, RATE))
        assert np.array_equal(heard[:, RATE:], np.repeat(one.read(2.0, 3.0, RATE), 2, axis=0))


@dataclass(frozen=True)
class Opens(Tone):
    """Wide only for a while."""

    from_s: float = 0.0
    to_s: float = math.inf

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        heard = Tone.read(self, from_s, to_s, sample_rate)
        if not self.from_s <= from_s < self.to_s:
            heard[1] = heard[0]
        return heard


def test_a_difference_in_one_stretch_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stems, "_BLOCK_S", 0.5)
    for from_s, to_s, channels in ((2.0, 9.0, 2), (-1.0, 0.7, 2), (0.7, 1.2, 2), (5.0, 9.0, 1)):
        clip = Opens((LEFT, RIGHT), from_s=from_s, to_s=to_s)
        assert stem(Piece(clip, Placement(0.0))).shape[0] == channels


# What always holds

PIECES = st.builds(
    Piece,
    source=st.just(Tone((LEFT, RIGHT), 2.5)),
    placement=st.builds(Placement, st.floats(-2.0, 2.0), st.floats(-300.0, 300.0)),
    from_s=st.just(-math.inf) | st.floats(-0.5, 1.0),
    to_s=st.just(math.inf) | st.floats(1.0, 2.5),
    clip_from_s=st.floats(0.0, 0.5),
    clip_to_s=st.just(math.inf) | st.floats(1.0, 2.5),
    gain=st.floats(0.1, 2.0),
    fade_in_s=st.just(0.0) | st.floats(0.005, 0.3),
    fade_out_s=st.just(0.0) | st.floats(0.005, 0.3),
    law_in=st.sampled_from(["equal power", "linear"]),
    law_out=st.sampled_from(["equal power", "linear"]),
)


@settings(max_examples=40, deadline=None)
@given(piece=PIECES, from_s=st.floats(-1.0, 2.0), length_s=st.floats(0.0, 1.0))
def test_a_part_of_a_stem_is_what_it_is_in_the_whole(
    piece: Piece, from_s: float, length_s: float
) -> None:
    whole, part = np.zeros((2, 5 * RATE), np.float32), np.zeros((2, round(length_s * RATE)), "f4")
    lay_piece(whole, piece, -RATE, sample_rate=RATE)
    first = to_samples(from_s, RATE)
    lay_piece(part, piece, first, sample_rate=RATE)
    wanted = whole[:, first + RATE : first + RATE + part.shape[1]]
    assert np.abs(part - wanted).max(initial=0.0) < 1e-5


@settings(max_examples=40, deadline=None)
@given(piece=PIECES)
def test_a_piece_is_added_at_its_gain_where_it_is_heard(piece: Piece) -> None:
    once, before = np.zeros((2, 5 * RATE), np.float32), np.full((2, 5 * RATE), 0.25, np.float32)
    lay_piece(once, piece, -RATE, sample_rate=RATE)
    lay_piece(before, piece, -RATE, sample_rate=RATE)
    assert np.abs(before - 0.25 - once).max() < 1e-6
    plain = np.zeros_like(once)
    lay_piece(plain, replace(piece, gain=1.0), -RATE, sample_rate=RATE)
    assert np.abs(plain * piece.gain - once).max() < 1e-6
    begin_s, end_s = piece.heard
    at_s = times(-1.0, once.shape[1])
    assert not once[:, (at_s < begin_s - 1e-9) | (at_s >= end_s)].any()
    # Windowed sinc interpolation may overshoot where the clip is cut off, never by a third.
    assert np.abs(once).max() <= 0.5 * piece.gain * 4 / 3


def test_progress_goes_evenly_through_the_pieces() -> None:
    told: list[Event] = []
    pieces = [Piece(Tone(duration_s=1.0), Placement(0.0)) for _ in range(4)]
    render_stem(pieces, from_s=0.0, to_s=1.0, sample_rate=RATE, progress=Progress(told.append))
    assert [event.fraction for event in told] == pytest.approx([0.0, 0.25, 0.5, 0.75])
