"""Lines of parts, cues and spoken words: where they sound, and how."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.guide.cues import lay_cues
from syncvid.guide.lines import lay_lines
from syncvid.guide.spoken import lay_words
from syncvid.production.beats import Mark
from syncvid.production.guide_plan import ScorePart
from tests.guide.plans import part_of, plan_of, timed

RATE = 48_000


def line_of(*parts: ScorePart, bars: int = 4) -> Audio:
    timing = timed(plan_of(bars))
    out = np.zeros(round(timing.map.duration_s * RATE), np.float32)
    lay_lines(out, parts, timing, a4_hz=442.0, gain=0.05, sample_rate=RATE)
    return out


def test_notes_sound_from_their_beginning_to_their_end_and_at_their_pitch() -> None:
    sound = line_of(part_of("Flute", ("1/4", "1/2", 69.0)))
    timing = timed(plan_of(4))
    begin = round(timing.seconds_at(Fraction(1, 4)) * RATE)
    end = round(timing.seconds_at(Fraction(3, 4)) * RATE)
    heard = np.flatnonzero(sound)
    assert begin <= heard[0] <= begin + 2
    assert end - 10 <= heard[-1] < end
    spectrum = np.abs(np.fft.rfft(sound[begin:end] * np.hanning(end - begin), 1 << 19))
    # A4 as the plan has it.
    assert np.argmax(spectrum) * RATE / (1 << 19) == pytest.approx(442.0, abs=0.1)


def test_repeated_notes_are_told_apart_and_long_ones_go_on() -> None:
    timing = timed(plan_of(4))
    repeated = line_of(part_of("Flute", ("0", "1/4", 69.0), ("1/4", "1/4", 69.0)))
    again = round(timing.seconds_at(Fraction(1, 4)) * RATE)
    assert np.abs(repeated[again - 48 : again + 48]).max() < 0.01 * np.abs(repeated).max()
    long = line_of(part_of("Flute", ("0", "4", 69.0)))
    end = round(timing.seconds_at(Fraction(4)) * RATE)
    assert np.abs(long[end - RATE : end - RATE // 2]).max() > 0.3 * np.abs(long).max()


def test_several_parts_together_are_as_loud_as_one() -> None:
    one = line_of(part_of("A", ("0", "4", 60.0)))
    three = line_of(*(part_of(name, ("0", "4", 60.0 + n)) for n, name in enumerate("ABC")))
    # Unlike sounds add by their power.
    levels = [10 * np.log10(np.mean(sound.astype(np.float64) ** 2)) for sound in (one, three)]
    assert abs(levels[1] - levels[0]) < 0.5


def test_a_line_has_no_steps() -> None:
    notes = [(f"{n}/16", "1/16", 60.0 + 5 * n % 13) for n in range(64)]
    sound = line_of(part_of("Flute", *notes))
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size))) ** 2
    hertz = np.fft.rfftfreq(sound.size, 1 / RATE)
    assert 10 * np.log10(spectrum[hertz > 10_000].sum() / spectrum.sum()) < -70


def test_a_cue_is_a_call_that_begins_at_its_mark() -> None:
    marks = [
        Mark("A", 1, 0.5, "section"),
        Mark("Horn", 9, 1.25, "cue"),
        Mark("Tuba", 9, 1.25, "cue"),
        Mark("Oboe", 20, 99.0, "cue"),
    ]
    sound = np.zeros(3 * RATE, np.float32)
    lay_cues(sound, marks, a4_hz=440.0, gain=0.05, sample_rate=RATE)
    heard = np.flatnonzero(sound)
    assert 1.25 * RATE <= heard[0] <= 1.25 * RATE + 2
    assert (heard[-1] - heard[0]) / RATE == pytest.approx(0.26, abs=0.01)
    halves = np.split(sound[round(1.25 * RATE) :][: round(0.26 * RATE)], 2)
    pitches = [np.argmax(np.abs(np.fft.rfft(half, RATE))) for half in halves]
    # An octave over A4, and a fourth (4/3) more.
    assert pitches == pytest.approx([880, 1173], abs=3)
    single = np.zeros(3 * RATE, np.float32)
    lay_cues(single, marks[1:2], a4_hz=440.0, gain=0.05, sample_rate=RATE)
    assert np.array_equal(sound, single)


class Buzzer:
    """Says every text as a hum whose length grows with it."""

    def __init__(self, letter_s: float) -> None:
        self.letter_s, self.said = letter_s, list[str]()

    def say(self, text: str, sample_rate: int) -> Audio:
        self.said.append(text)
        count = round(len(text) * self.letter_s * sample_rate)
        return np.sign(np.sin(2 * np.pi * 300 * np.arange(1, count + 1) / sample_rate)).astype(
            np.float32
        )


def spoken(letter_s: float, what: str, bars: int = 12) -> tuple[list[tuple[float, float]], Buzzer]:
    """Return begin and end of each word."""
    timing, speaker = timed(plan_of(bars)), Buzzer(letter_s)
    out = np.zeros(round(timing.map.duration_s * RATE), np.float32)
    lay_words(out, timing.map, speaker, spoken=what, gain=0.05, sample_rate=RATE)
    heard = np.flatnonzero(np.abs(out) > 0)
    cuts = np.flatnonzero(np.diff(heard) > 0.05 * RATE)
    begins = heard[np.concatenate(([0], cuts + 1))] / RATE
    ends = heard[np.concatenate((cuts, [-1]))] / RATE
    return list(zip(begins.tolist(), ends.tolist(), strict=True)), speaker


def test_bar_numbers_end_before_their_bar() -> None:
    words, speaker = spoken(0.2, "bars")
    assert speaker.said == [str(bar) for bar in range(1, 13)]
    ones = [b.guide_s for b in timed(plan_of(12)).map.beats if b.beat == 1 and b.bar >= 1]
    assert [one - end for (_, end), one in zip(words, ones, strict=True)] == pytest.approx(
        [0.08] * 12, abs=0.005
    )


def test_numbers_for_which_there_is_no_time_are_left_out() -> None:
    # Bars of 2 s; 10 to 12 would take 2.4 s.
    words, _ = spoken(1.2, "bars")
    assert all(later[0] > earlier[1] for earlier, later in itertools.pairwise(words))
    assert 9 <= len(words) < 12


def test_sections_are_announced_by_name() -> None:
    words, speaker = spoken(0.3, "sections")
    assert speaker.said == ["S0"]
    assert words[0][1] < timed(plan_of(12)).map.music_from_s


def test_silence_is_a_word_too_and_nonsense_is_told() -> None:
    timing = timed(plan_of(2))
    out = np.zeros(round(timing.map.duration_s * RATE), np.float32)

    class Mute:
        def say(self, text: str, sample_rate: int) -> Audio:
            return np.zeros(len(text), np.float32)

    lay_words(out, timing.map, Mute(), spoken="bars", gain=1.0, sample_rate=RATE)
    assert not out.any()
    with pytest.raises(ProductionError, match="bars, sections or none"):
        lay_words(out, timing.map, Mute(), spoken="beats", gain=1.0, sample_rate=RATE)


def test_words_stay_clear_of_the_signature() -> None:
    timing = timed(replace(plan_of(4), sound=replace(plan_of(4).sound, signature=True)))
    out = np.zeros(round(timing.map.duration_s * RATE), np.float32)
    lay_words(out, timing.map, Buzzer(4.2), spoken="bars", gain=0.05, sample_rate=RATE)
    assert np.flatnonzero(out)[0] >= timing.map.beats[0].guide_s * RATE
