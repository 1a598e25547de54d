"""Excerpts of a mix: a stretch of the whole, and others to compare it with, equally loud."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.media.check_sound import measure_file
from syncvid.production.material import open_production
from syncvid.production.moments import Moment, parse_moment
from syncvid.steps import MixExcerpt, MixWishes, make_mix, preview_mix
from syncvid.timeline import Placement

from .conftest import RATE
from .mixes import Planned, Player, Small, copy_of, lag_s, make_small, seconds

PLAYERS = (
    Player("Flute", [Planned("flute.wav", Placement(-3.217, 30.0))], player="Ines"),
    Player("Cello", [Planned("cello.wav", Placement(-2.5, 0.0), 0.3)]),
)
FROM_S, TO_S = 3.0, 8.0

# Of a fade of 0.02 s at each end.
FADE_S = 0.021


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Make a production and mix it."""
    folder = tmp_path_factory.mktemp("excerpts") / "round"
    small = make_small(folder, PLAYERS, np.random.default_rng(20260314))
    make_mix(small.write_plan(), wishes=MixWishes())
    return small


def excerpt(
    small: Small, *, only: tuple[str, ...] = (), wishes: MixWishes | None = None
) -> tuple[MixExcerpt, dict[str, Audio]]:
    made = preview_mix(
        open_production(small.folder), Moment(FROM_S), Moment(TO_S), only=only, wishes=wishes
    )
    return made, {what: read(path) for what, path in made.files}


def read(path: Path | str) -> Audio:
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == RATE
    heard: Audio = samples.T
    return heard


def test_an_excerpt_is_that_stretch_of_the_mix(once: Small) -> None:
    """Nothing was limited, so dither, of one step of 24 bits, is all that differs."""
    whole = make_mix(open_production(once.folder)).made
    assert whole.master.limited_db == 0.0
    made, sounds = excerpt(once)
    assert (made.from_s, made.to_s) == (FROM_S, pytest.approx(TO_S))
    assert sounds["mixed"].shape == (2, round((TO_S - FROM_S) * RATE))
    inside = slice(round(FADE_S * RATE), -round(FADE_S * RATE))
    first = round((FROM_S - whole.from_s) * RATE)
    mix = read(whole.files[0])[:, first : first + sounds["mixed"].shape[1]]
    assert np.abs(sounds["mixed"] - mix)[:, inside].max() < 1e-4


def test_all_are_equally_loud_by_ffmpegs_meter(once: Small) -> None:
    made, _ = excerpt(once)
    assert [what for what, _ in made.files] == ["mixed", "without the room", "as it was recorded"]
    assert all(path.parent == once.folder / "preview" for _, path in made.files)
    heard = [measure_file(path) for _, path in made.files]
    assert heard[0].loudness_lufs is not None
    for figures in heard:
        # The limiter may take some tenths from the one that is recorded.
        assert figures.loudness_lufs == pytest.approx(heard[0].loudness_lufs, abs=0.3)
        assert figures.true_peak_dbtp <= -1.0 + 0.05


def test_they_begin_and_end_without_a_click(once: Small) -> None:
    _, sounds = excerpt(once)
    for samples in sounds.values():
        loudest = np.abs(samples).max()
        assert np.abs(samples[:, [0, 1, -2, -1]]).max() < 0.001 * loudest


def test_they_lie_where_they_were_played(once: Small) -> None:
    _, sounds = excerpt(once, only=("Cello",))
    given = seconds(once.played["Cello"], FROM_S, TO_S)
    for samples in sounds.values():
        # Matched tones turn phases by far less than a sample where there is much sound.
        assert abs(lag_s(samples.sum(axis=0), given)) < 1e-4


@pytest.mark.parametrize("name", ["Flute", "Flute (Ines)"])
def test_one_part_alone(name: str, once: Small) -> None:
    _, sounds = excerpt(once, only=(name,))
    heard = sounds["as it was recorded"].mean(axis=0)
    inside = slice(round(FADE_S * RATE), -round(FADE_S * RATE))
    flute, cello = (seconds(once.played[part], FROM_S, TO_S)[inside] for part in ("Flute", "Cello"))
    gain = float(flute @ heard[inside] / (flute @ flute))
    rest = heard[inside] - gain * flute
    # No cello, and all of the flute.
    assert np.std(rest) < 0.01 * np.std(heard)
    assert abs(float(cello @ rest / (cello @ cello))) < 0.01 * gain


def test_parts_together_are_everything(once: Small) -> None:
    _, both = excerpt(once, only=("Flute", "Cello"))
    _, everything = excerpt(once)
    assert np.abs(both["mixed"] - everything["mixed"]).max() < 1e-6


def test_an_unknown_or_muted_part_is_told(once: Small, tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match="called Oboe") as caught:
        excerpt(once, only=("Oboe",))
    assert "There are Flute (Ines), Cello" in str(caught.value)
    small = copy_of(once, tmp_path / "round")
    small.write_plan(Cello="muted = true")
    with pytest.raises(ProductionError, match="called Cello"):
        excerpt(small, only=("Cello",))
    _, sounds = excerpt(small)
    assert set(sounds) == {"mixed", "without the room", "as it was recorded"}


@pytest.mark.parametrize("at_s", [-60.0, 400.0])
def test_outside_of_the_music_there_is_no_excerpt(at_s: float, once: Small) -> None:
    with pytest.raises(ProductionError, match="outside of the music"):
        preview_mix(open_production(once.folder), Moment(at_s))


def test_what_reaches_beyond_the_music_is_cut(once: Small) -> None:
    made = preview_mix(open_production(once.folder), Moment(10.0), Moment(60.0))
    samples = read(made.files[0][1])
    assert 2.0 < samples.shape[1] / RATE < 4.0
    assert (made.from_s, made.to_s) == (10.0, pytest.approx(10.0 + samples.shape[1] / RATE))
    early = preview_mix(open_production(once.folder), Moment(-60.0), Moment(3.0))
    length_s = read(early.files[0][1]).shape[1] / RATE
    assert early.to_s == pytest.approx(3.0, abs=1e-4)
    assert early.to_s - early.from_s == pytest.approx(length_s)


def test_a_bar_without_bars_is_refused(once: Small) -> None:
    with pytest.raises(ProductionError, match="no guide with a beat map"):
        preview_mix(open_production(once.folder), parse_moment("bar 3"))


def test_ten_seconds_if_nobody_says_how_long(once: Small) -> None:
    made = preview_mix(open_production(once.folder), Moment(1.0))
    assert made.to_s - made.from_s == pytest.approx(10.0)


def test_without_a_room_there_are_two(once: Small) -> None:
    made, sounds = excerpt(once, wishes=MixWishes(amount="none"))
    assert [what for what, _ in made.files] == ["mixed", "as it was recorded"]
    assert len(sounds) == 2


def test_an_excerpt_changes_neither_the_mix_nor_what_is_remembered(
    once: Small, tmp_path: Path
) -> None:
    small = copy_of(once, tmp_path / "round")
    make_mix(open_production(small.folder))
    before = (small.folder / "work" / "results" / "mix.json").read_bytes()
    excerpt(small, wishes=MixWishes(room="church", loudness="broadcast"))
    assert (small.folder / "work" / "results" / "mix.json").read_bytes() == before
    assert make_mix(open_production(small.folder)).skipped


def test_an_excerpt_before_any_mix_is_as_loud_as_the_use_asks(once: Small, tmp_path: Path) -> None:
    small = copy_of(once, tmp_path / "round")
    (small.folder / "work" / "results" / "mix.json").unlink()
    made, _ = excerpt(small)
    assert measure_file(made.files[0][1]).loudness_lufs == pytest.approx(-14.0, abs=0.2)
    assert not (small.folder / "work" / "results" / "mix.json").exists()


def test_the_recorded_one_is_without_cleaning(once: Small, tmp_path: Path) -> None:
    """A rumble of 40 Hz is in the recording, and not in the mix."""
    small = copy_of(once, tmp_path / "round")
    path = small.folder / "cello.wav"
    samples = read(path)[0]
    rumble = 0.05 * np.sin(2 * np.pi * 40 * np.arange(samples.size) / RATE)
    soundfile.write(path, samples + rumble, RATE, subtype="FLOAT")
    small.write_plan('[sound]\nroom_amount = "none"', Cello='clean = ["high-pass 150 Hz"]')
    _, sounds = excerpt(small)
    at_s = np.arange(round((TO_S - FROM_S) * RATE)) / RATE
    wave = np.exp(-2j * np.pi * 40 * at_s)
    low = {
        what: 2 * abs(np.mean(sound.mean(axis=0) * wave)) / np.std(sound)
        for what, sound in sounds.items()
    }
    assert low["as it was recorded"] > 0.2
    assert low["mixed"] < 0.05
