"""The drone: its notes, its pitch, and that nothing in it beats or clicks."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.guide.drone import drone_lines, drone_partials, lay_drone
from syncvid.guide.pitches import note_number
from syncvid.guide.tones import Partials, Tone
from syncvid.production.guide_plan import GuidePlan, GuideSound, Score
from syncvid.signals.loudness import LoudnessMeter
from tests.guide.plans import QUIET, part_of, plan_of, score_of, timed

RATE = 48_000

CHORDS = [
    ("D3", "A3"),
    ("C3", "G3", "E4"),
    ("C2", "E2", "G2", "Bb2"),
    ("D3", "D4", "A4"),
    ("E1", "B1"),
    ("C3", "D3"),
]


def numbers(*names: str) -> tuple[float, ...]:
    return tuple(float(note_number(name)) for name in names)


def sound_of(plan: GuidePlan, score: Score | None = None, gain: float = 0.05) -> Audio:
    timing = timed(plan)
    out = np.zeros(round(timing.map.duration_s * RATE), np.float32)
    held = drone_lines(plan, score)
    lay_drone(out, held, timing, plan.sound, gain=gain, sample_rate=RATE)
    return out


def peaks_hz(sound: Audio) -> np.ndarray:
    """Return the components of a steady sound above -80 dB of the strongest.

    Side lobes of the window lie at -92 dB (F. J. Harris, Proc. IEEE 66:51-83, 1978; from memory).
    """
    window = signal.windows.blackmanharris(sound.size, sym=False)
    spectrum = np.abs(np.fft.rfft(sound * window))
    at, _ = signal.find_peaks(spectrum, height=1e-4 * spectrum.max())
    return at * RATE / sound.size


@pytest.mark.parametrize("tuning", ["equal", "just"])
@pytest.mark.parametrize("chord", CHORDS, ids=" ".join)
def test_no_component_of_a_chord_beats_with_another(chord: tuple[str, ...], tuning: str) -> None:
    partials = drone_partials(numbers(*chord), GuideSound(tuning=tuning))
    found = peaks_hz(Tone(partials, RATE).samples(0, 60 * RATE))
    assert len(found) == len(partials.hz)
    gaps = np.diff(found)
    assert not np.any((gaps > 0.05) & (gaps < 25.0))


@given(
    st.lists(st.integers(24, 84), min_size=1, max_size=5),
    st.floats(415.0, 445.0),
    st.sampled_from(["equal", "just"]),
)
def test_no_chord_has_partials_that_beat(notes: list[int], a4_hz: float, tuning: str) -> None:
    partials = drone_partials(notes, GuideSound(a4_hz=a4_hz, tuning=tuning))
    assert len(partials.hz) > 0
    assert all(b - a >= 25.0 for a, b in itertools.pairwise(sorted(partials.hz)))


def test_the_same_chord_with_all_its_partials_would_beat() -> None:
    """Three times D3 and twice A3 in equal temperament are half a hertz apart."""
    low, high = 146.8324, 220.0
    hz = np.array([low * 3, high * 2])
    sound = Tone(Partials(hz, np.ones(2), np.zeros(2)), RATE).samples(0, 60 * RATE)
    (gap,) = np.diff(peaks_hz(sound))
    assert gap == pytest.approx(0.497, abs=0.02)


@pytest.mark.parametrize("after_s", [0, 1800, 36_000])
@pytest.mark.parametrize(
    ("note", "hertz"),
    # Equal temperament over 440, tables.
    [("E1", 41.203445), ("D3", 146.832384), ("A4", 440.0), ("C5", 523.251131)],
)
def test_pitch_is_exact_after_hours(note: str, hertz: float, after_s: int) -> None:
    """The phase of a tone against a wave of the wanted pitch, reckoned in exact fractions."""
    partials = drone_partials(numbers(note), QUIET)
    only = Partials(partials.hz[:1], partials.amplitudes[:1], partials.turns[:1])
    count, first = 10 * RATE, after_s * RATE
    sound = Tone(only, RATE).samples(first, count).astype(np.float64)
    at_s = np.arange(count) / RATE
    beaten = sound * np.exp(-2j * np.pi * hertz * at_s) * np.hanning(count)
    half = count // 2
    turned = np.angle(beaten[half:].sum() * np.conj(beaten[:half].sum())) / (2 * np.pi)
    # The two halves' middles of weight are some 5 s apart or less: an error in Hz is more than
    # a turn over 5 s.
    assert abs(1200 * np.log2(1 + turned / 2.0 / hertz)) < 0.1
    begin = np.angle((sound * np.exp(-2j * np.pi * hertz * at_s)).sum())
    wanted = 2 * np.pi * float(Fraction(partials.hz[0]) * after_s % 1)
    wanted += 2 * np.pi * only.turns[0] - np.pi / 2
    # Tables have six decimals: over ten hours a millionth of a hertz is 0.036 turns.
    assert abs(np.angle(np.exp(1j * (begin - wanted)))) < 0.01 * 2 * np.pi + 1e-3 * after_s / 100


def test_a_drone_in_just_tuning_has_its_ratio() -> None:
    partials = drone_partials(numbers("C3", "G3", "E4"), GuideSound(tuning="just"))
    over = np.array(sorted(partials.hz)) / partials.hz.min()
    for ratio in (1, 1.5, 2.5):
        assert np.abs(over - ratio).min() < 1e-12


def test_every_chord_is_equally_loud() -> None:
    loudness = []
    for chord in CHORDS:
        partials = drone_partials(numbers(*chord), QUIET).at_power(0.01, RATE)
        meter = LoudnessMeter(RATE)
        meter(Tone(partials, RATE).samples(0, 5 * RATE))
        loudness.append(meter.integrated_lufs())
    # BS.1770: -0.691 + 10 log10 of the mean power.
    assert loudness == pytest.approx([-20.691] * len(CHORDS), abs=0.1)


def test_edges_are_soft_and_changes_go_over_into_each_other() -> None:
    plan = plan_of(4, sound=QUIET, drones=[(2, ("D3", "A3")), (2, ("C3", "G3"))])
    sound, timing = sound_of(plan), timed(plan)
    begin = round(timing.map.beats[0].guide_s * RATE)
    end = round(timing.map.music_to_s * RATE)
    change = round(timing.seconds_at(Fraction(2)) * RATE)
    assert np.flatnonzero(sound)[0] == pytest.approx(begin, abs=20)
    assert np.flatnonzero(sound)[-1] == pytest.approx(end, abs=20)
    level = np.sqrt(np.convolve(sound.astype(np.float64) ** 2, np.ones(1440) / 1440, "same"))
    steady = np.median(level[begin + RATE : end - RATE])
    # Two unlike sounds in the middle of a raised cosine: half of each, 3 dB less together.
    assert level[change - 4800 : change + 9600].min() > 0.55 * steady
    # A step of the wave would sound above everything that the drone has.
    high = signal.sosfilt(signal.butter(8, 8000, "high", fs=RATE, output="sos"), sound)
    assert np.abs(high).max() < 1e-4 * np.abs(sound).max()


def test_a_note_that_two_chords_share_is_not_touched() -> None:
    together = sound_of(plan_of(4, sound=QUIET, drones=[(4, ("D3",))]))
    cut = sound_of(plan_of(4, sound=QUIET, drones=[(2, ("D3",)), (2, ("D3",))]))
    assert np.array_equal(together, cut)


def test_sections_have_their_own_notes_or_those_of_the_plan() -> None:
    sound = GuideSound(drone=("G2",))
    plan = plan_of(6, sound=sound, drones=[(1, ()), (2, ("-",)), (1, ("D3", "A3")), (2, ())])
    assert [(h.from_at, h.to_at, h.notes) for h in drone_lines(plan, None)] == [
        (0, 1, (43.0,)),
        (3, 4, (50.0, 57.0)),
        (4, 6, (43.0,)),
    ]
    assert drone_lines(plan_of(2), None) == ()


def lowest(plan: GuidePlan, score: Score) -> list[tuple[Fraction, Fraction, float]]:
    return [(held.from_at, held.to_at, held.notes[0]) for held in drone_lines(plan, score)]


def test_the_lowest_line_is_made_plain() -> None:
    """Worked by hand from a bass that repeats, runs, rests and stops."""
    plan = plan_of(8, sound=GuideSound(drone=("lowest part",)))
    bass = part_of(
        "Bass",
        # Bar 1: C3 four times.  Bar 2: a run in eighths; of two that are equally long the lower one
        # counts.
        *[(f"{n}/4", "1/4", 48.0) for n in range(4)],
        *[(f"{8 + n}/8", "1/8", note) for n, note in enumerate([48.0, 50.0, 52.0, 53.0])],
        # A dotted quarter and an eighth: F3 for a beat; in the next one E3 is as long, and lower.
        ("12/8", "3/8", 53.0),
        ("15/8", "1/8", 52.0),
        # Bar 3: D3 for a half, then a rest of half a bar that is bridged; bar 4: E3.
        ("2", "1/2", 50.0),
        ("3", "1", 52.0),
        # Bars 5 and 6 rest; bar 7 G2.
        ("6", "1", 43.0),
    )
    # In the first four bars, so also while the bass has its half a bar of rest.
    tune = part_of("Flute", *[(f"{n}/4", "1/4", 72.0 + n % 3) for n in range(16)])
    assert lowest(plan, score_of(plan, tune, bass)) == [
        (0, Fraction(5, 4), 48.0),
        (Fraction(5, 4), Fraction(6, 4), 52.0),
        (Fraction(6, 4), Fraction(7, 4), 53.0),
        (Fraction(7, 4), 2, 52.0),
        (2, 3, 50.0),
        (3, 4, 52.0),
        (6, 7, 43.0),
    ]


def test_the_lowest_of_all_parts_counts_and_a_named_part_can_stand_alone() -> None:
    plan = plan_of(2, sound=GuideSound(drone=("lowest part",)))
    score = score_of(plan, part_of("Viola", ("0", "2", 55.0)), part_of("Cello", ("0", "1", 48.0)))
    assert lowest(plan, score) == [(0, 1, 48.0), (1, 2, 55.0)]
    named = plan_of(2, sound=GuideSound(drone=(" viola ",)))
    assert lowest(named, score) == [(0, 2, 55.0)]
    both = plan_of(2, sound=GuideSound(drone=("Viola", "cello")))
    assert lowest(both, score) == [(0, 1, 48.0), (1, 2, 55.0)]


def test_an_unknown_part_is_told_with_those_that_there_are() -> None:
    plan = plan_of(2, sound=GuideSound(drone=("Tuba",)))
    with pytest.raises(ProductionError, match=r"'Tuba'.*'Viola'"):
        drone_lines(plan, score_of(plan, part_of("Viola", ("0", "2", 55.0))))
    with pytest.raises(ProductionError, match="has no score"):
        drone_lines(plan, None)


notes_of_parts = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 24), st.integers(36, 80)), min_size=1, max_size=20
)


@given(notes_of_parts)
@settings(max_examples=60)
def test_a_plain_line_follows_itself_and_takes_its_notes_from_the_score(
    notes: list[tuple[int, int, int]],
) -> None:
    plan = plan_of(6, sound=GuideSound(drone=("lowest part",)))
    part = part_of("Any", *[(f"{a}/12", f"{b}/12", float(c)) for a, b, c in notes])
    line = lowest(plan, score_of(plan, part))
    assert all(first < last for first, last, _ in line)
    assert {note for _, _, note in line} <= {float(c) for _, _, c in notes}
    for (_, end, note), (begin, _, following) in itertools.pairwise(line):
        assert end <= begin
        assert end < begin or note != following
        # Notes are given whole beats, so of a gap of a bar less than a beat on each side is left.
        assert begin == end or begin - end > Fraction(1, 2)
