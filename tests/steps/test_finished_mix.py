"""A production's finished mix: read, judged once, told only where something is uncommon."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio
from syncvid.production.files import identity
from syncvid.production.material import Material, SourceFile
from syncvid.production.store import Store
from syncvid.steps import finished_mix
from syncvid.steps.finished_mix import finished_mix_remarks, finished_of

RATE = 44_100


def noise(rng: np.random.Generator, amplitude: float, length_s: float = 4.0) -> Audio:
    """Two sides of noise that swells and dies away, shape (2, samples)."""
    length = round(length_s * RATE)
    return (amplitude * np.hanning(length) * rng.uniform(-1, 1, (2, length))).astype(np.float32)


def material(folder: Path, samples: Audio, subtype: str = "PCM_16") -> Material:
    path = folder / "mix.wav"
    soundfile.write(path, samples.T, RATE, subtype=subtype)
    source = SourceFile("mix.wav", path, identity(path))
    return Material("Abendlied", (), (), source, None, Store(folder / "work"))


def test_a_good_mix_gives_no_remark(tmp_path: Path, rng: np.random.Generator) -> None:
    assert finished_mix_remarks(material(tmp_path, noise(rng, 0.35))) == ()


def test_a_production_without_a_mix_gives_none(tmp_path: Path) -> None:
    bare = Material("Abendlied", (), (), None, None, Store(tmp_path / "work"))
    assert finished_mix_remarks(bare) == ()
    assert not (tmp_path / "work").exists()


def test_what_is_uncommon_is_told(tmp_path: Path, rng: np.random.Generator) -> None:
    samples = noise(rng, 0.5)
    at_s = np.arange(samples.shape[1]) / RATE
    samples[0] = np.clip(1.6 * np.hanning(at_s.size) * np.sin(2 * np.pi * 220 * at_s), -1, 1)
    samples[1] = 0
    clipped, peak, loud, side = finished_mix_remarks(material(tmp_path, samples))
    # 1.6 sin²(pi t / 4) reaches 1 after 1.16 s, up to a period of 220 Hz later.
    assert clipped.startswith("The mix is clipped at 0:01.2: ")
    assert "above -1 dBTP" in peak
    assert "very loud" in loud
    assert side == "Only the left side of the mix sounds: the right is silent."


def test_it_is_judged_once(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    loud = material(tmp_path, np.clip(noise(rng, 0.5)[:1] * 5, -1, 1))
    assert loud.mix is not None
    first = finished_of(loud.mix, loud.store)
    told = finished_mix_remarks(loud)
    assert told
    monkeypatch.delattr(finished_mix, "read_sound")
    assert finished_of(loud.mix, loud.store) == first
    assert finished_mix_remarks(loud) == told


def test_silence_is_kept_too(tmp_path: Path) -> None:
    silent = material(tmp_path, np.zeros((2, RATE), np.float32))
    for _ in range(2):
        assert finished_mix_remarks(silent) == ("The mix is silent.",)


def test_a_mix_that_cannot_be_read_is_left_to_others(tmp_path: Path) -> None:
    path = tmp_path / "mix.wav"
    path.write_bytes(b"no sound at all")
    source = SourceFile("mix.wav", path, identity(path))
    broken = Material("Abendlied", (), (), source, None, Store(tmp_path / "work"))
    assert finished_mix_remarks(broken) == ()


def test_a_mix_with_values_that_are_none(tmp_path: Path, rng: np.random.Generator) -> None:
    samples = noise(rng, 0.5)
    samples[1, 1000] = np.nan
    assert finished_mix_remarks(material(tmp_path, samples, "FLOAT")) == (
        "The mix cannot be judged. The mix holds values that are not finite.",
    )
