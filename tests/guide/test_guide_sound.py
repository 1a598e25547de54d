"""The whole sound of a guide, measured by the system's ffmpeg (another build than ours)."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile
from scipy import signal

from syncvid.arrays import Audio, Sound
from syncvid.errors import ProductionError
from syncvid.guide.sound import render_guide
from syncvid.guide.timing import time_plan
from syncvid.production.beats import Mark
from syncvid.production.guide_plan import Clicks, GuidePlan, GuideSound, Hold, Place, Score, Tempo
from syncvid.production.guide_plan import TempoChange as Change
from syncvid.signals.cue import make_signature
from tests.guide.plans import part_of, plan_of, score_of, timed

RATE = 48_000

FFMPEG = shutil.which("ffmpeg")
# Where a change is judged it must be there: the tests then fail, not skip.
needs_ffmpeg = pytest.mark.skipif(
    FFMPEG is None and not os.environ.get("CI"), reason="the system has no ffmpeg"
)


def sound(**given: object) -> GuideSound:
    return replace(GuideSound(signature=False), **given)  # type: ignore[arg-type]


def little_score(plan: GuidePlan) -> Score:
    bars = len(plan.bars)
    tune = [(f"{n}/8", "1/8", 62.0 + 7 * n % 12) for n in range(8 * bars)]
    bass = [(f"{n}/2", "1/2", 38.0 + 5 * n % 12) for n in range(2 * bars)]
    return score_of(plan, part_of("Flute", *tune), part_of("Cello", *bass))


def rendered(plan: GuidePlan, *, only: str | None = None) -> Sound:
    return render_guide(timed(plan), plan, little_score(plan), only=only)


def metered(made: Sound, folder: Path) -> tuple[float, float]:
    """Return integrated loudness and true peak by ffmpeg's own meter."""
    path = folder / "guide.wav"
    soundfile.write(path, made.samples.T, made.sample_rate, subtype="FLOAT")
    command = [str(FFMPEG), "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null"]
    said = subprocess.run([*command, "-"], capture_output=True, text=True, check=True).stderr
    summary = said[said.rindex("Summary:") :]
    loudness = re.search(r"I:\s+(\S+) LUFS", summary)
    peak = re.search(r"Peak:\s+(\S+) dBFS", summary)
    assert loudness
    assert peak
    return float(loudness[1]), float(peak[1])


GUIDES = {
    "wood": plan_of(16, sound=sound()),
    "bell": plan_of(16, tempo=52, sound=sound(click="bell")),
    "tick, slow": plan_of(8, tempo=40, sound=sound(click="tick")),
    "ones only": plan_of(24, clicks=Clicks.BARS, sound=sound(click="tick")),
    "dense": plan_of(16, tempo=100, clicks=Clicks.QUARTERS, sound=sound(click="tick")),
    "very fast": plan_of(40, tempo=300, clicks=Clicks.QUARTERS, sound=sound(click="bell")),
    "drone": plan_of(16, sound=sound(drone=("C2", "G2", "E3"))),
    "low drone, loud": plan_of(16, sound=sound(drone=("E1",), drone_db=0.0)),
    "lowest part": plan_of(16, sound=sound(drone=("lowest part",))),
    "all": plan_of(16, sound=sound(drone=("lowest part",), melody=("Flute", "Cello"))),
    "clicks stop": plan_of(40, clicks=Clicks.NONE, sound=sound(drone=("D3", "A3"), click="tick")),
}


@needs_ffmpeg
@pytest.mark.parametrize("name", GUIDES)
def test_every_guide_is_equally_loud_and_peaks_below_minus_six(name: str, tmp_path: Path) -> None:
    # EBU Tech 3341: meters agree within 0.1 LU; our target.
    loudness, peak = metered(rendered(GUIDES[name]), tmp_path)
    assert loudness == pytest.approx(-31.0, abs=0.15)
    assert peak <= -6.0


@needs_ffmpeg
@pytest.mark.parametrize("only", ["clicks", "drone"])
def test_guides_for_practice_are_as_loud(only: str, tmp_path: Path) -> None:
    loudness, peak = metered(rendered(GUIDES["all"], only=only), tmp_path)
    assert loudness == pytest.approx(-31.0, abs=0.15)
    assert peak <= -6.0


@needs_ffmpeg
def test_where_peaks_do_not_allow_it_a_guide_is_softer(tmp_path: Path) -> None:
    """A faint drone lies above the gates and makes the mean small: the clicks end at -6 dBTP."""
    plan = plan_of(
        16, tempo=40, clicks=Clicks.BARS, sound=sound(click="tick", drone=("D3",), drone_db=-16.0)
    )
    loudness, peak = metered(rendered(plan), tmp_path)
    assert -36.0 < loudness < -31.2
    assert peak == pytest.approx(-6.0, abs=0.1)


def test_balance_is_what_the_plan_says() -> None:
    """A drone that is 6 dB louder against the clicks is so in the sum, whatever the whole does."""
    shares = []
    for level_db in (-12.0, -6.0):
        plan = plan_of(16, sound=sound(click="tick", drone=("D3",), drone_db=level_db))
        made, begin = rendered(plan).samples[0], round(timed(plan).map.music_from_s * RATE)
        shares.append(_between_and_at_clicks(made, begin))
    assert shares[1] - shares[0] == pytest.approx(6.0, abs=0.3)


def _between_and_at_clicks(made: Audio, begin: int) -> float:
    """Return the level between clicks against the crest of a click, in dB."""
    between = made[begin + 4800 : begin + 20_000].astype(np.float64)
    # Above the highest partial of D3.
    clicks = signal.sosfilt(signal.butter(8, 3000, "high", fs=RATE, output="sos"), made)
    return float(10 * np.log10(np.mean(between**2)) - 20 * np.log10(np.abs(clicks).max()))


def test_only_clicks_and_only_drone_hold_nothing_else() -> None:
    plan = GUIDES["all"]
    clicks = rendered(plan, only="clicks").samples[0]
    gap = round((timed(plan).map.music_from_s + 0.1) * RATE)
    assert not clicks[gap : gap + RATE // 4].any()
    drone = rendered(plan, only="drone").samples[0]
    bare = rendered(replace(plan, sound=sound(drone=("lowest part",)))).samples[0]
    assert not np.array_equal(drone, bare)
    # Clicks reach far above the drone's crest.
    assert np.abs(drone).max() < 0.5 * np.abs(bare).max()


def test_errors_say_what_to_do() -> None:
    plan = plan_of(2, sound=sound())
    with pytest.raises(ProductionError, match="Choose clicks or drone"):
        render_guide(timed(plan), plan, only="melody")
    with pytest.raises(ProductionError, match="has no drone"):
        render_guide(timed(plan), plan, only="drone")
    endless = plan_of(8000, tempo=20, sound=sound())
    with pytest.raises(ProductionError, match=r"27 hours.*tempo"):
        render_guide(timed(endless), endless)
    asked = replace(plan, sound=sound(melody=("Tuba",)))
    with pytest.raises(ProductionError, match=r"'Tuba'.*'Flute', 'Cello'"):
        rendered(asked)


def test_the_first_second_is_softer() -> None:
    made, timing = rendered(GUIDES["wood"]).samples[0], timed(GUIDES["wood"])
    starts = [round(beat.guide_s * RATE) for beat in timing.map.beats]
    crests = [float(np.abs(made[start : start + 2400]).max()) for start in starts]
    # The same click: 9 dB less at first, and nothing after a second (four beats of half a second).
    first, fifth = crests[0], crests[4]
    assert 20 * np.log10(first / fifth) == pytest.approx(-9.0, abs=0.2)
    assert crests[4] == pytest.approx(crests[8], rel=1e-3)
    assert crests[1] < crests[5]


@pytest.mark.parametrize("only", [None, "clicks", "drone"])
def test_the_signature_stands_in_front_at_the_same_level(only: str | None) -> None:
    plan = plan_of(4, sound=GuideSound(drone=("D3",)))
    timing = time_plan(plan, guide=4711, version=3)
    made = render_guide(timing, plan, only=only).samples[0]
    at = round(0.5 * RATE)
    assert not made[:at].any()
    wanted = make_signature(4711, 3, RATE)
    assert np.array_equal(made[at : at + wanted.size], np.float32(10 ** (-24 / 20)) * wanted)


def test_a_cue_sounds_a_bar_before_an_entry() -> None:
    plan = plan_of(4, clicks=Clicks.NONE, sound=sound())
    timing = timed(plan)
    cue_s = timing.seconds_at(Fraction(2))
    marked = replace(timing.map, marks=(Mark("Horn", 4, cue_s, "cue"),))
    made = render_guide(replace(timing, map=marked), plan).samples[0]
    at = round(cue_s * RATE)
    assert not made[at - 4800 : at].any()
    assert np.abs(made[at : at + 4800]).max() > 0.01


def onsets(made: Audio, from_hz: float = 1000.0) -> np.ndarray:
    """Find onsets: energy above the drone's strongest partials that grows fivefold in 2 ms."""
    hop = RATE // 500
    high = signal.sosfilt(signal.butter(4, from_hz, "high", fs=RATE, output="sos"), made)
    energy = (high[: made.size // hop * hop].reshape(-1, hop) ** 2).sum(axis=1)
    before = np.lib.stride_tricks.sliding_window_view(np.pad(energy, (8, 0)), 7)[: energy.size]
    found: list[int] = []
    for at in np.flatnonzero(energy > 5 * before.max(axis=1) + 1e-5 * energy.max()):
        if not found or at - found[-1] > 20:
            found.append(int(at))
    return np.array(found) * hop / RATE


@pytest.mark.parametrize("colour", ["wood", "bell", "tick"])
def test_every_click_of_a_whole_guide_is_found_and_nothing_else(colour: str) -> None:
    plan = plan_of(
        24, clicks=Clicks.HALVES, sound=sound(click=colour, drone=("lowest part",), drone_db=-12.0)
    )
    plan = replace(
        plan,
        changes=(
            Change(Place(5), Tempo(90.0), until=Place(9)),
            Change(Place(17), Tempo(132.0)),
        ),
        holds=(
            Hold(Place(12, Fraction(3)), seconds=1.3),
            Hold(Place(14), seconds=0.4, before=True),
        ),
    )
    timing = timed(plan)
    made = render_guide(timing, plan, little_score(plan)).samples[0]
    truth = np.array([click.guide_s for click in timing.map.clicks])
    # mir_eval 0.8: F, precision and recall; 50 ms as usual, and 5 ms.
    for window_s in (0.05, 0.005):
        assert mir_eval.onset.f_measure(truth, onsets(made), window=window_s) == (1.0, 1.0, 1.0)


def test_words_are_said_where_there_is_a_speaker_and_the_plan_wants_them() -> None:
    class Hummer:
        def say(self, text: str, sample_rate: int) -> Audio:
            return np.sin(np.arange(1, 9600) * 0.05).astype(np.float32)

    told = plan_of(4, clicks=Clicks.NONE, sound=sound(spoken="bars"))
    untold = replace(told, sound=sound())
    with_words = render_guide(timed(told), told, speaker=Hummer()).samples
    assert np.array_equal(
        render_guide(timed(told), told).samples,
        render_guide(timed(untold), untold, speaker=Hummer()).samples,
    )
    before = round((timed(told).seconds_at(Fraction(2)) - 0.2) * RATE)
    assert np.abs(with_words[0, before : before + 4800]).max() > 0.005


@needs_ffmpeg
def test_other_rates_sound_alike(tmp_path: Path) -> None:
    plan = GUIDES["all"]
    made = render_guide(timed(plan), plan, little_score(plan), sample_rate=44_100)
    loudness, peak = metered(made, tmp_path)
    assert loudness == pytest.approx(-31.0, abs=0.15)
    assert peak <= -6.0
    starts = [click.guide_s for click in timed(plan).map.clicks]
    bare = render_guide(timed(plan), plan, only="clicks", sample_rate=44_100).samples[0]
    heard = np.flatnonzero(bare)
    begins = heard[np.diff(heard, prepend=-10_000) > 4410]
    assert np.abs(begins - np.array(starts) * 44_100).max() <= 0.5
