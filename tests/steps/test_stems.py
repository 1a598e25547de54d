"""Stems: the sound of each part on the reference, kept, cleaned and measured."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio
from syncvid.production.material import Material
from syncvid.production.stem_files import StemFiles
from syncvid.progress import SILENT
from syncvid.steps import stems as module
from syncvid.steps.findings import find_places_of
from syncvid.steps.mix_plan import MixPlan, MixWishes, plan_mix
from syncvid.steps.stems import Stem, make_stems
from syncvid.timeline import Placement

from .conftest import RATE
from .mixes import Planned, Player, Small, copy_of, lag_s, make_small, seconds

FLUTE = Player("Flute", [Planned("flute.wav", Placement(-3.217, 30.0))])
OBOE = Player(
    "Oboe",
    [
        Planned("oboe 1.wav", Placement(-1.75, -450.0)),
        Planned("oboe 2.wav", Placement(-0.3, 12.0), 0.7),
    ],
    'passages = ["take 2, 5 to 8"]',
)


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Make a production with its stems, for a plan that names nothing but a passage."""
    folder = tmp_path_factory.mktemp("stems") / "round"
    small = make_small(folder, [FLUTE, OBOE], np.random.default_rng(20260314))
    stems_of(small.write_plan())
    return small


@pytest.fixture
def small(once: Small, tmp_path: Path) -> Small:
    return copy_of(once, tmp_path / "round")


def planned(material: Material) -> MixPlan:
    outcome, facts = find_places_of(material, None, SILENT)
    return plan_mix(material, outcome.result, facts, MixWishes())


def stems_of(material: Material) -> list[Stem]:
    plan = planned(material)
    stems, problems = make_stems(material, plan.parts, plan.window)
    assert problems == []
    return stems


def kept(material: Material, key: str) -> Audio:
    return np.array(StemFiles(material.store.folder).open(key))


@pytest.fixture
def rendered(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count how often clips are read for a stem; a look at a splice is none."""
    counts: list[int] = []

    def counted(pieces: Any, **others: Any) -> Audio:
        if others["to_s"] - others["from_s"] > 1.0:
            counts.append(len(pieces))
        return real(pieces, **others)

    real = module.render_stem
    monkeypatch.setattr(module, "render_stem", counted)
    return counts


def test_stems_lie_on_the_reference_to_a_tenth_of_a_millisecond(small: Small) -> None:
    """In the first and in the last second, and on both sides of the splices."""
    material = small.write_plan()
    window = planned(material).window
    for stem in stems_of(material):
        (samples,) = kept(material, stem.key)
        for at_s in (0.4, 4.0, 6.0, 9.0, 10.4):
            given = seconds(small.played[stem.name], at_s, at_s + 1)
            from_s = at_s - window.from_s
            assert abs(lag_s(seconds(samples, from_s, from_s + 1), given)) < 1e-4


def test_what_measures_the_lag_sees_a_known_one(rng: np.random.Generator) -> None:
    """Guards the test above: a delay of 10.25 samples by a line in the phase."""
    given = rng.normal(0, 0.1, RATE)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(RATE) * 10.25)
    late = np.fft.irfft(np.fft.rfft(given) * turn)
    assert lag_s(late, given) * RATE == pytest.approx(10.25, abs=0.02)
    assert lag_s(given, late) * RATE == pytest.approx(-10.25, abs=0.02)


def test_a_stem_sounds_as_its_takes_do(small: Small) -> None:
    """The second take is softer by a known gain, which the splice makes good."""
    material = small.write_plan()
    window = planned(material).window
    oboe = stems_of(material)[1]
    (samples,) = kept(material, oboe.key)
    for at_s in (3.0, 6.0, 9.0):
        given = seconds(small.played["Oboe"], at_s, at_s + 1.5)
        heard = seconds(samples, at_s - window.from_s, at_s + 1.5 - window.from_s)
        gain = float(given @ heard / (given @ given))
        assert 20 * np.log10(gain) == pytest.approx(0.0, abs=0.2)
        assert np.sqrt(np.mean((heard - gain * given) ** 2)) < 0.02 * np.sqrt(np.mean(given**2))
    assert len(oboe.step_ratios) == 2
    assert all(ratio <= 1.0 for ratio in oboe.step_ratios)


def test_a_shift_moves_the_stem(small: Small) -> None:
    material = small.write_plan(Flute="shift_ms = 12.5")
    window = planned(material).window
    (samples,) = kept(material, stems_of(material)[0].key)
    heard = seconds(samples, 4.0 - window.from_s, 6.0 - window.from_s)
    assert lag_s(heard, seconds(small.played["Flute"], 4.0, 6.0)) == pytest.approx(0.0125, abs=1e-5)


def test_stems_are_made_once(small: Small, rendered: list[int]) -> None:
    for file in (small.folder / "work" / "stems").iterdir():
        file.unlink()
    first = stems_of(small.write_plan())
    assert sorted(rendered) == [1, 3]
    again = stems_of(small.write_plan('[sound]\nroom = "church"', Flute="gain_db = 3.0"))
    assert [stem.key for stem in again] == [stem.key for stem in first]
    assert [stem.measure for stem in again] == [stem.measure for stem in first]
    assert sorted(rendered) == [1, 3]


def test_only_the_stem_that_changed_is_made_anew(small: Small, rendered: list[int]) -> None:
    stems_of(small.write_plan(Oboe='passages = ["take 2, 5 to 9"]'))
    assert rendered == [3]


@pytest.mark.parametrize("damage", ["deleted", "cut short", "another file"])
def test_a_damaged_stem_is_made_again(damage: str, small: Small, rendered: list[int]) -> None:
    material = small.write_plan()
    flute = stems_of(material)[0]
    before = kept(material, flute.key)
    path = material.store.folder / "stems" / f"{flute.key}.npy"
    if damage == "deleted":
        path.unlink()
    elif damage == "cut short":
        path.write_bytes(path.read_bytes()[:5000])
    else:
        path.write_bytes(b"something else")
    stems_of(small.write_plan())
    assert rendered == [1]
    assert np.array_equal(kept(material, flute.key), before)


def test_a_clip_that_was_replaced_gives_another_stem(small: Small, rendered: list[int]) -> None:
    keys = [stem.key for stem in stems_of(small.write_plan())]
    path = small.folder / "flute.wav"
    samples, _ = soundfile.read(path, dtype="float32")
    soundfile.write(path, 0.5 * samples, RATE, subtype="FLOAT")
    again = [stem.key for stem in stems_of(small.write_plan())]
    assert again[0] != keys[0]
    assert again[1] == keys[1]
    assert rendered == [1]


def test_cleaning_is_asked_for_and_withdrawn_without_reading_clips(
    small: Small, rendered: list[int]
) -> None:
    plain = stems_of(small.write_plan())
    assert rendered == [], "they are kept"
    material = small.write_plan(Flute='clean = ["high-pass 300 Hz"]')
    cut = stems_of(material)
    assert cut[0].raw_key == plain[0].key != cut[0].key
    assert [step for step, _ in cut[0].cleaning] == ["high-pass"]
    assert (cut[1].key, cut[1].cleaning) == (plain[1].key, ())
    assert cut[0].measure != plain[0].measure
    back = stems_of(small.write_plan())
    assert [(stem.key, stem.cleaning) for stem in back] == [(s.key, s.cleaning) for s in plain]
    assert rendered == []


def test_a_high_pass_takes_out_what_lies_below(small: Small) -> None:
    """A rumble of 30 Hz; the plan's cleaning holds for parts that name none of their own."""
    path = small.folder / "flute.wav"
    samples, _ = soundfile.read(path, dtype="float32")
    rumble = 0.1 * np.sin(2 * np.pi * 30 * np.arange(samples.size) / RATE)
    soundfile.write(path, samples + rumble, RATE, subtype="FLOAT")
    for top, flute, cleaned in (
        ('[sound]\nclean = ["high-pass 120 Hz"]', "", True),
        ('[sound]\nclean = ["high-pass 120 Hz"]', "clean = []", False),
    ):
        material = small.write_plan(top, Flute=flute)
        stem = stems_of(material)[0]
        (samples,) = kept(material, stem.key)
        at_s = np.arange(samples.size) / RATE
        low = 2 * abs(np.mean(samples * np.exp(-2j * np.pi * 30 * at_s)))
        assert bool(stem.cleaning) == cleaned
        assert low < 0.005 if cleaned else low > 0.08


def test_steps_are_done_in_their_order_whatever_the_plan_says(small: Small) -> None:
    one = stems_of(small.write_plan(Flute='clean = ["noise", "high-pass 90 Hz"]'))[0]
    other = stems_of(small.write_plan(Flute='clean = ["high-pass 90 Hz", "noise"]'))[0]
    assert [step for step, _ in one.cleaning] == ["high-pass", "noise"]
    assert one.key == other.key


def test_rests_become_quieter_and_notes_stay(tmp_path: Path, rng: np.random.Generator) -> None:
    """The player rests from 4 to 8 s, in a room with noise."""
    small = make_small(tmp_path / "round", [FLUTE], rng)
    path = small.folder / "flute.wav"
    samples, _ = soundfile.read(path, dtype="float32")
    clip_s = np.arange(samples.size) / RATE - 3.217
    samples[(clip_s > 4.0) & (clip_s < 8.0)] = 0.0
    samples += rng.normal(0, 0.002, samples.size).astype(np.float32)
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    material = small.write_plan(Flute='clean = ["rests"]')
    (stem,) = stems_of(material)
    window = planned(material).window
    raw, quiet = (kept(material, key)[0] for key in (stem.raw_key, stem.key))
    rest = slice(round((5.5 - window.from_s) * RATE), round((7.0 - window.from_s) * RATE))
    lower_db = 20 * np.log10(np.std(raw[rest]) / np.std(quiet[rest]))
    assert lower_db > 3.0
    # All clips come in and go out together: their noise begins and ends with no step.
    for edge in (raw[:240], raw[-240:]):
        assert np.std(edge) < 0.1 * np.std(raw[rest])
    for from_s, to_s in ((1.0, 4.0), (8.0, 10.0)):
        play = slice(round((from_s - window.from_s) * RATE), round((to_s - window.from_s) * RATE))
        assert np.abs(raw[play] - quiet[play]).max() < 1e-3


def test_parts_that_share_a_clip_share_a_stem(tmp_path: Path, rng: np.random.Generator) -> None:
    clip = Planned("both.wav", Placement(-1.0, 0.0))
    small = make_small(tmp_path / "round", [Player("Violin", [clip]), Player("Viola", [clip])], rng)
    (stem,) = stems_of(small.write_plan())
    assert stem.name == "Violin + Viola"


def test_a_file_that_cannot_be_read_any_more_is_one_problem(small: Small) -> None:
    """It was listened to, and lost its end before its stem was made."""
    material = small.write_plan()
    plan = planned(material)
    (small.folder / "flute.wav").write_bytes(b"RIFF")
    shutil.rmtree(small.folder / "work" / "stems")
    stems, problems = make_stems(material, plan.parts, plan.window)
    assert [stem.name for stem in stems] == ["Oboe"]
    assert len(problems) == 1
    assert "flute.wav" in str(problems[0])


def test_a_silent_clip_is_a_silent_stem(small: Small) -> None:
    soundfile.write(small.folder / "flute.wav", np.zeros(16 * RATE, np.float32), RATE)
    flute = stems_of(small.write_plan(Flute='clean = ["rests", "noise", "hum", "automatic gain"]'))[
        0
    ]
    assert flute.measure.loudness_lufs is None
    assert len(flute.cleaning) == 4
