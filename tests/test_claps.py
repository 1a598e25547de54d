"""Sound against picture: judged by planted claps, and by motion that is none of theirs."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.listen import Motion, find_strokes, measure_shift

RATE = 16_000


def test_claps_are_found_where_they_begin_and_notes_are_none(rng: np.random.Generator) -> None:
    times = np.arange(8 * RATE) / RATE
    sound = 0.001 * rng.standard_normal(times.size)
    for begin_s in (4.5, 5.2, 6.1):
        note = np.clip((times - begin_s) / 0.03, 0, 1) * np.exp(
            -np.maximum(times - begin_s, 0) / 0.4
        )
        sound += 0.3 * note * np.sin(2 * np.pi * 440 * times) * (times >= begin_s)
    claps_s = [1.0, 1.731, 2.405, 3.333]
    burst = np.arange(round(0.06 * RATE)) / RATE
    for clap_s in claps_s:
        begin = round(clap_s * RATE)
        noise = rng.standard_normal(burst.size) * np.exp(-burst / 0.01)
        sound[begin : begin + burst.size] += 0.3 * noise
    found = find_strokes(sound.astype(np.float32), sample_rate=RATE)
    assert found == pytest.approx(claps_s, abs=0.004)


@pytest.mark.parametrize("samples", [0, 100, 3 * RATE])
def test_silence_has_no_claps(samples: int) -> None:
    assert find_strokes(np.zeros(samples, np.float32), sample_rate=RATE).size == 0


def stopping(stop_s: float, rng: np.random.Generator, phase_s: float) -> Motion:
    """Return motion at 30 pictures a second that runs at an even speed for 0.2 s, then stops."""
    times_s = stop_s - 0.6 + phase_s + np.arange(36) / 30
    way = np.clip((times_s - (stop_s - 0.2)) / 0.2, 0, 1)
    amounts = np.abs(np.diff(way, prepend=way[0])) + 0.004 * rng.random(times_s.size)
    return Motion(times_s, amounts)


@pytest.mark.parametrize("shift_s", [-0.21, -0.04, 0.0, 0.12])
def test_the_moment_at_which_motion_stops_is_found_between_pictures(
    shift_s: float, rng: np.random.Generator
) -> None:
    """Even motion stops in the share of the last picture's time that it still fills."""
    strokes_s = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    motions = [stopping(s + shift_s, rng, rng.uniform(0, 1 / 30)) for s in strokes_s]
    found = measure_shift(strokes_s, motions)
    assert found is not None
    assert found.is_clear
    assert found.agreeing == 5
    assert found.shift_ms == pytest.approx(1000 * shift_s, abs=4.0)
    assert found.spread_ms < 5.0


def test_motion_that_has_nothing_to_do_with_the_claps_is_not_believed() -> None:
    """A hundred files, each with five claps that nobody sees: at 1 in 100 by chance, 5 are many."""
    rng = np.random.default_rng(4)
    strokes_s = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    believed = 0
    for _ in range(100):
        motions = [stopping(s + rng.uniform(-0.3, 0.3), rng, 0.0) for s in strokes_s]
        found = measure_shift(strokes_s, motions)
        believed += found is not None and found.is_clear
    assert believed < 5


def test_without_motion_nothing_is_measured() -> None:
    still = Motion(np.arange(30) / 30, np.zeros(30))
    assert measure_shift(np.array([0.5]), [still]) is None
    assert measure_shift(np.zeros(0), []) is None
    assert measure_shift(np.array([0.5]), [Motion(np.zeros(0), np.zeros(0))]) is None
