"""The meter for finished sounds against the test signals of the standards; see SOURCES.md.

All signals are on two channels, in phase, 1 kHz unless said; at both of the usual rates.
"""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.signals.loudness import k_gains
from syncvid.signals.programme import (
    integrated_lufs,
    measure_programme,
    momentary_lufs,
    short_term_lufs,
    true_peak_dbtp,
)

Steps = list[tuple[float | None, float]]

# EBU Tech 3341, table 1; Tech 3342, table 1.
TOLERANCE_LU, RANGE_TOLERANCE_LU = 0.1, 1.0
PEAK_OVER_DB, PEAK_UNDER_DB = 0.2, 0.4

both_rates = pytest.mark.parametrize("rate", [48_000, 44_100])


def steps_of_tone(steps: Steps, rate: int, hertz: float = 1000.0, channels: int = 2) -> Audio:
    """Return a tone of so many decibels for so many seconds, one after the other; None: silence."""
    levels = [0.0 if level is None else 10 ** (level / 20) for level, _ in steps]
    counts = [round(length_s * rate) for _, length_s in steps]
    at = np.arange(sum(counts))
    tone = np.repeat(levels, counts) * np.sin(2 * np.pi * hertz * at / rate)
    return np.tile(tone.astype(np.float32), (channels, 1))


@both_rates
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_a_steady_tone_reads_its_level_on_every_scale(rate: int, level: float) -> None:
    # Tech 3341, cases 1 and 2: M = S = I.
    found = measure_programme(steps_of_tone([(level, 20.0)], rate), sample_rate=rate)
    for lufs in (found.integrated_lufs, found.momentary_lufs, found.short_term_lufs):
        assert lufs == pytest.approx(level, abs=TOLERANCE_LU)
    assert found.sample_peak_dbfs == pytest.approx(level, abs=0.01)
    assert found.true_peak_dbtp == pytest.approx(level, abs=0.01)


@both_rates
@pytest.mark.parametrize(
    "steps",
    [
        # Tech 3341, cases 3, 4 and 5.
        [(-36, 10), (-23, 60), (-36, 10)],
        [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
        [(-26, 20), (-20, 20.1), (-26, 20)],
    ],
)
def test_both_gates_leave_out_what_is_soft(rate: int, steps: Steps) -> None:
    sound = steps_of_tone(steps, rate)
    assert integrated_lufs(sound, sample_rate=rate) == pytest.approx(-23.0, abs=TOLERANCE_LU)


@both_rates
def test_short_term_loudness_is_steady(rate: int) -> None:
    # Tech 3341, case 9: constant after 3 s.
    sound = steps_of_tone([(-20, 1.34), (-30, 1.66)] * 5, rate)
    values = short_term_lufs(sound, sample_rate=rate)
    assert values.size == 121
    assert values == pytest.approx(-23.0, abs=TOLERANCE_LU)


@both_rates
def test_momentary_loudness_is_steady(rate: int) -> None:
    # Tech 3341, case 12: constant after 1 s.
    sound = steps_of_tone([(-20, 0.18), (-30, 0.22)] * 25, rate)
    values = momentary_lufs(sound, sample_rate=rate)
    assert values.size == 97
    assert values[6:] == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("number", [0, 1, 7, 12, 19])
def test_the_highest_loudness_is_found_wherever_it_begins(number: int) -> None:
    # Tech 3341, cases 10 and 13, for meters of files: a tone just as long as the window, after
    # 0.15 or 0.005 s more of silence each time.  That the cases ask for the highest value, -23.0,
    # for each of 20 files is second-hand, the lengths of the silence are from memory.
    for length_s, lead_s in ((3.0, 0.15), (0.4, 0.005)):
        steps: Steps = [(None, number * lead_s), (-23.0, length_s), (None, 1.0)]
        found = measure_programme(steps_of_tone(steps, 48_000), sample_rate=48_000)
        highest = found.short_term_lufs if length_s == 3.0 else found.momentary_lufs
        assert highest == pytest.approx(-23.0, abs=TOLERANCE_LU)


@both_rates
@pytest.mark.parametrize(
    ("part_of_rate", "amplitude", "degrees", "wanted"),
    # Tech 3341, cases 15 to 19.
    [
        (4, 0.50, 0.0, -6.0),
        (4, 0.50, 45.0, -6.0),
        (6, 0.50, 60.0, -6.0),
        (8, 0.50, 67.5, -6.0),
        (4, 1.41, 45.0, 3.0),
    ],
)
def test_peaks_between_the_samples_are_seen(
    rate: int, part_of_rate: int, amplitude: float, degrees: float, wanted: float
) -> None:
    at = np.arange(rate // 2)
    # Fades of 10 ms: a tone that begins at once swings higher than it is.
    fade = np.clip(np.minimum(at, at[::-1]) / (0.01 * rate), 0, 1)
    tone = amplitude * fade * np.sin(2 * np.pi * at / part_of_rate + np.radians(degrees))
    found = true_peak_dbtp(np.tile(tone.astype(np.float32), (2, 1)), sample_rate=rate)
    assert wanted - PEAK_UNDER_DB <= found <= wanted + PEAK_OVER_DB
    # And the definition: the tone's own amplitude.
    assert found == pytest.approx(20 * np.log10(amplitude), abs=0.03)


@both_rates
@pytest.mark.parametrize(
    ("steps", "wanted"),
    # Tech 3342, cases 1 to 4.
    [
        ([(-20, 20), (-30, 20)], 10.0),
        ([(-20, 20), (-15, 20)], 5.0),
        ([(-40, 20), (-20, 20)], 20.0),
        ([(-50, 20), (-35, 20), (-20, 20), (-35, 20), (-50, 20)], 15.0),
    ],
)
def test_loudness_range(rate: int, steps: Steps, wanted: float) -> None:
    found = measure_programme(steps_of_tone(steps, rate), sample_rate=rate).range_lu
    assert found == pytest.approx(wanted, abs=RANGE_TOLERANCE_LU)
    # Computed elsewhere with the tables' filter: within 0.05.
    assert found == pytest.approx(wanted, abs=0.05)


@both_rates
@pytest.mark.parametrize(("channels", "wanted"), [(1, -3.01), (2, 0.0)])
def test_a_full_tone_on_one_channel_and_on_two(rate: int, channels: int, wanted: float) -> None:
    # BS.1770-5, annex 1: 997 Hz at 0 dBFS on one channel reads -3.01 LUFS.
    sound = steps_of_tone([(0.0, 20.0)], rate, 997.0, channels)
    assert integrated_lufs(sound, sample_rate=rate) == pytest.approx(wanted, abs=0.02)


def test_the_filter_weighs_as_its_tables() -> None:
    # BS.1770-5, annex 1, tables 1 and 2: +0.691 dB at 997 Hz and +4.042 dB at 10 kHz.
    for hertz, gain_db in ((997.0, 0.691), (10_000.0, 4.042)):
        found = integrated_lufs(steps_of_tone([(0.0, 2.0)], 48_000, hertz, 1), sample_rate=48_000)
        assert found == pytest.approx(-0.691 - 3.0103 + gain_db, abs=0.01)
        assert 20 * np.log10(k_gains(np.array([hertz]), 48_000))[0] == pytest.approx(
            gain_db, abs=1e-3
        )


@both_rates
def test_a_gain_to_a_target_reaches_it(rate: int) -> None:
    # Arithmetic: -23.0 to -14 LUFS is +9.0 dB.
    sound = steps_of_tone([(-23.0, 20.0)], rate)
    raised = (sound * 10 ** (9.0 / 20)).astype(np.float32)
    before, after = (integrated_lufs(x, sample_rate=rate) for x in (sound, raised))
    assert before is not None
    assert -14.0 - before == pytest.approx(9.0, abs=TOLERANCE_LU)
    assert after == pytest.approx(-14.0, abs=TOLERANCE_LU)


@both_rates
def test_a_long_silence_hardly_matters(rate: int) -> None:
    # The gates: three blocks that hold some of the tone move it by -0.03 LU.
    alone = integrated_lufs(steps_of_tone([(-23.0, 20.0)], rate), sample_rate=rate)
    followed = steps_of_tone([(-23.0, 20.0), (None, 20.0)], rate)
    assert alone is not None
    assert integrated_lufs(followed, sample_rate=rate) == pytest.approx(alone - 0.03, abs=0.02)
