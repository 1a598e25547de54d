"""Whole mixes of small productions, judged by what was planted and by FFmpeg's meter."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.media.check_sound import measure_file
from syncvid.production.material import Material, open_production
from syncvid.production.mix_json import read_mix_json
from syncvid.production.mix_made import MadeMix
from syncvid.steps import MixWishes, make_mix
from syncvid.steps.mixing import MixOutcome, wishes_of
from syncvid.timeline import Placement

from .conftest import RATE
from .mixes import MUSIC_S, Planned, Player, Small, copy_of, lag_s, make_small, seconds

PLAYERS = (
    Player("Flute", [Planned("flute.wav", Placement(-3.217, 30.0))]),
    Player(
        "Oboe",
        [
            Planned("oboe 1.wav", Placement(-1.75, -45.0)),
            Planned("oboe 2.wav", Placement(-0.3, 500.0), 0.7),
        ],
        'passages = ["take 2, 5 to 8"]',
    ),
    Player("Cello", [Planned("cello.wav", Placement(-2.5, 0.0), 0.3)]),
)

STEMS = MixWishes(stems=True)

# EBU R 128 s4 and AES TD1008 allow 0.5 LU either way; meters agree to 0.1 LU (EBU Tech 3341).
NEAR_LU = 0.1


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Make a production and mix it, stems and all."""
    folder = tmp_path_factory.mktemp("mixing") / "round"
    small = make_small(folder, PLAYERS, np.random.default_rng(20260314))
    make_mix(small.write_plan(), wishes=STEMS)
    return small


@pytest.fixture
def small(once: Small, tmp_path: Path) -> Small:
    """Return a production that was never mixed, but whose stems are kept."""
    small = copy_of(once, tmp_path / "round")
    shutil.rmtree(small.folder / "mix")
    (small.folder / "work" / "results" / "mix.json").unlink()
    return small


def read(path: str | Path) -> Audio:
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == RATE
    heard: Audio = samples.T
    return heard


def made_of(small: Small) -> MadeMix:
    return read_mix_json((small.folder / "mix" / "mix.json").read_text(encoding="utf-8"))


def mixed(material: Material, **wishes: str) -> MixOutcome:
    return make_mix(material, wishes=MixWishes(**wishes))  # type: ignore[arg-type]


def test_all_files_are_there_and_say_the_same(once: Small) -> None:
    folder = once.folder / "mix"
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["mix stems", "mix.flac", "mix.json", "mix.txt", "mix.wav"]
    assert np.array_equal(read(folder / "mix.wav"), read(folder / "mix.flac"))
    for name in ("mix.wav", "mix.flac"):
        info = soundfile.info(folder / name)
        assert (info.subtype, info.channels, info.samplerate) == ("PCM_24", 2, 48_000)
    made = made_of(once)
    assert [stem.name for stem in made.stems] == ["Flute", "Oboe", "Cello"]
    assert made.to_s - made.from_s == pytest.approx(read(folder / "mix.wav").shape[1] / RATE)
    words = (folder / "mix.txt").read_text(encoding="utf-8")
    for told in ("Flute", "oboe 2.wav", "-14.0 LUFS", "small hall"):
        assert told in words


def test_stems_lie_where_they_were_played_to_a_tenth_of_a_millisecond(once: Small) -> None:
    """On both sides of the splices, and in the first and last second of the music."""
    made = made_of(once)
    for stem in made.stems:
        samples = read(stem.file)[0]
        for at_s in (0.3, 6.0, 10.5):
            heard = seconds(samples, at_s - made.from_s, at_s + 1.0 - made.from_s)
            given = seconds(once.played[stem.name], at_s, at_s + 1.0)
            assert abs(lag_s(heard, given)) < 1e-4


@pytest.mark.slow
def test_the_mix_itself_lies_there_too(small: Small) -> None:
    """Dry, in the middle, without matched tones the mix is a sum of what was played."""
    top = '[sound]\nroom_amount = "none"\npan = 0\nmatch = 0\nloudness = "natural"'
    made = make_mix(small.write_plan(top)).made
    samples = read(made.files[0])
    gains = {s.name: s.starting_db + s.wish_db for s in made.stems}
    # The cello's clip is soft by a known gain.
    clip = {"Flute": 1.0, "Oboe": 1.0, "Cello": 0.3}
    given = sum(
        10 ** (gains[name] / 20) * clip[name] * played for name, played in small.played.items()
    )
    for from_s, to_s in ((0.3, 1.3), (6.0, 7.0), (10.0, 11.0)):
        heard = seconds(samples, from_s - made.from_s, to_s - made.from_s)
        alike = seconds(np.asarray(given), from_s, to_s)
        # Each side has dither of its own, of one step of 24 bits each way.
        assert np.abs(heard[0] - heard[1]).max() <= 3 * 2**-23
        assert abs(lag_s(heard[0], alike)) < 1e-4
        gain = float(alike @ heard[0] / (alike @ alike))
        error = np.sqrt(np.mean((heard[0] - gain * alike) ** 2) / np.mean((gain * alike) ** 2))
        assert 20 * np.log10(error) < -30.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("use", "lufs", "dbtp"), [("share", -14.0, -1.0), ("broadcast", -23.0, -1.0)]
)
def test_loudness_is_what_was_asked_for_by_ffmpegs_meter(
    use: str, lufs: float, dbtp: float, small: Small
) -> None:
    made = mixed(small.write_plan(), loudness=use).made
    figures = measure_file(Path(made.files[0]))
    assert figures.loudness_lufs == pytest.approx(lufs, abs=NEAR_LU)
    assert figures.true_peak_dbtp <= dbtp + 0.05
    assert made.master.second_lufs == pytest.approx(figures.loudness_lufs, abs=1e-3)
    assert made.master.programme.integrated_lufs == pytest.approx(
        figures.loudness_lufs, abs=NEAR_LU
    )
    # FFmpeg's and ours look between the samples by different filters.
    assert made.master.programme.true_peak_dbtp == pytest.approx(figures.true_peak_dbtp, abs=0.1)


def test_silence_before_and_after_is_as_long_as_was_asked_for(small: Small) -> None:
    """Nothing at all before the music; the tail fades into nothing."""
    made = make_mix(small.write_plan("[sound]\nhead_s = 0.7\ntail_s = 2.0")).made
    samples = read(made.files[0])
    heard = np.flatnonzero(np.abs(samples).max(axis=0) > 1e-5)
    # The dry clips are silent before the first note, so that is where the music begins.
    first_s = min(
        np.flatnonzero(np.abs(played) > 1e-4)[0] / RATE for played in small.played.values()
    )
    assert heard[0] / RATE == pytest.approx(0.7, abs=0.001)
    assert made.music_from_s == pytest.approx(first_s, abs=0.001)
    assert made.from_s == pytest.approx(first_s - 0.7, abs=0.001)
    length_s = samples.shape[1] / RATE
    assert length_s == pytest.approx(made.to_s - made.from_s, abs=1e-4)
    assert made.music_to_s == pytest.approx(made.to_s - 2.0, abs=0.001)
    # The last sound fades within a quarter of a second, from 80 dB under the music.
    assert heard[-1] / RATE <= length_s - 1.75 + 0.001
    assert not seconds(samples, length_s - 1.74, length_s).any()
    rest = seconds(samples, length_s - 2.0, length_s - 1.75)
    assert np.mean(rest**2) < 1e-7 * np.mean(samples**2)
    assert made.music_to_s > MUSIC_S - 1.5


def test_the_same_again_is_skipped_and_writes_nothing(small: Small) -> None:
    first = make_mix(small.write_plan())
    before = {path: path.stat().st_mtime_ns for path in (small.folder / "mix").iterdir()}
    again = make_mix(small.write_plan())
    assert (first.skipped, again.skipped) == (False, True)
    # What was kept went through JSON, which rounds to microseconds and thousandths of a decibel.
    assert again.made.files == first.made.files
    assert [stem.name for stem in again.made.stems] == [stem.name for stem in first.made.stems]
    assert {path: path.stat().st_mtime_ns for path in (small.folder / "mix").iterdir()} == before


def test_another_gain_makes_another_mix_and_no_new_stems(small: Small) -> None:
    before = make_mix(small.write_plan()).made
    stems = small.folder / "work" / "stems"
    known = {path: path.stat().st_mtime_ns for path in stems.iterdir()}
    after = make_mix(small.write_plan(Cello="gain_db = 4.0"))
    assert not after.skipped
    assert after.made.stems[2].wish_db == 4.0
    assert after.made.stems[2].starting_db == pytest.approx(before.stems[2].starting_db, abs=0.01)
    assert {path: path.stat().st_mtime_ns for path in stems.iterdir()} == known


@pytest.mark.slow
def test_wishes_are_remembered_until_others_are_said(small: Small) -> None:
    material = small.write_plan()
    assert wishes_of(material) is None
    mixed(material, room="church", amount="some", loudness="stream")
    again = make_mix(small.write_plan())
    assert again.skipped
    assert again.made.room is not None
    assert (again.made.room.name, again.made.room.amount) == ("church", "some")
    other = make_mix(small.write_plan(), wishes=MixWishes())
    assert other.made.room is not None
    assert (other.skipped, other.made.room.name) == (False, "small hall")


def test_a_foreign_file_is_never_written_over(small: Small) -> None:
    out = small.folder / "song.wav"
    for name in ("song.wav", "song.flac", "song.txt", "song.json"):
        foreign = small.folder / name
        foreign.write_bytes(b"somebody's own")
        with pytest.raises(ProductionError, match="not made with syncvid"):
            make_mix(small.write_plan(), out)
        assert foreign.read_bytes() == b"somebody's own"
        foreign.unlink()
    assert make_mix(small.write_plan(), out).made.files[0] == str(out)


@pytest.mark.parametrize("out", ["flute.wav", "cello.flac", "work/mix.wav", "link.wav"])
def test_out_over_a_source_is_refused(out: str, small: Small) -> None:
    """Of the two endings the other one may hit a clip as well; a link is the clip itself."""
    (small.folder / "link.wav").symlink_to(small.folder / "flute.wav")
    with pytest.raises(ProductionError, match="one of the files that are worked on"):
        make_mix(small.write_plan(), small.folder / out)
    assert soundfile.info(small.folder / "flute.wav").duration > MUSIC_S


@pytest.mark.parametrize("name", ["song.mp3", "song", "song.WAVE"])
def test_another_ending_is_refused(name: str, small: Small) -> None:
    with pytest.raises(ProductionError, match=r"\.wav and \.flac") as caught:
        make_mix(small.write_plan(), small.folder / name)
    assert "Write song.wav" in str(caught.value)


def test_a_muted_part_is_told_and_not_heard(small: Small) -> None:
    top = '[sound]\nroom_amount = "none"\nmatch = 0'
    made = make_mix(small.write_plan(top, Flute="muted = true", Oboe="muted = true")).made
    assert [stem.muted for stem in made.stems] == [True, True, False]
    heard = read(made.files[0]).sum(axis=0)
    cello = seconds(small.played["Cello"], 1.0, 10.0)
    part = seconds(heard, 1.0 - made.from_s, 10.0 - made.from_s)
    gain = float(cello @ part / (cello @ cello))
    # Where the limiter lowers a peak the rest is less than a clip that is heard would be.
    assert np.sqrt(np.mean((part - gain * cello) ** 2)) < 0.1 * np.sqrt(np.mean(part**2))


def test_all_muted_is_refused(small: Small) -> None:
    mute = dict.fromkeys(("Flute", "Oboe", "Cello"), "muted = true")
    with pytest.raises(ProductionError, match="silent or muted"):
        make_mix(small.write_plan(**mute))


@pytest.mark.slow
def test_the_melody_stands_out(small: Small) -> None:
    plain = make_mix(small.write_plan()).made.stems
    told = make_mix(small.write_plan('[sound]\nmelody = ["Cello"]')).made.stems
    apart = [a.starting_db - b.starting_db for a, b in zip(told, plain, strict=True)]
    assert apart[2] - apart[0] == pytest.approx(3.0, abs=1.5)
    assert apart[2] > max(apart[:2])


@pytest.mark.slow
def test_unknown_names_are_refused_with_the_one_that_was_meant(small: Small) -> None:
    with pytest.raises(ProductionError, match=r"no such part \(did you mean 'Flute'\?\)"):
        make_mix(small.write_plan('[sound]\nmelody = ["Flut"]'))
    with pytest.raises(ProductionError, match=r"no room 'churhc' \(did you mean 'church'\?\)"):
        make_mix(small.write_plan('[sound]\nroom = "churhc"'))
    with pytest.raises(ProductionError, match="no room 'bathtub'"):
        mixed(small.write_plan(), room="bathtub")


@pytest.mark.slow
def test_a_room_of_ones_own_is_used(small: Small) -> None:
    """An impulse response of noise that decays by 60 dB in a second."""
    rng = np.random.default_rng(2)
    tail = rng.normal(0, 1, (RATE, 2)) * 10 ** (-3 * np.arange(RATE)[:, None] / RATE)
    soundfile.write(small.folder / "hall.wav", 0.3 * tail, RATE, subtype="FLOAT")
    made = make_mix(small.write_plan('[sound]\nroom = "hall.wav"\nroom_amount = "a lot"')).made
    assert made.room is not None
    assert made.room.name == "hall.wav"
    assert made.room.decay_s == pytest.approx(1.0, abs=0.1)
    # Another room under the same name makes another mix.
    soundfile.write(small.folder / "hall.wav", 0.2 * tail**3, RATE, subtype="FLOAT")
    assert not make_mix(open_production(small.folder)).skipped


def test_a_room_file_that_is_silent_is_refused(small: Small) -> None:
    soundfile.write(small.folder / "hall.wav", np.zeros((RATE, 2)), RATE)
    with pytest.raises(ProductionError) as caught:
        make_mix(small.write_plan('[sound]\nroom = "hall.wav"'))
    assert "hall.wav" in str(caught.value)


def test_without_any_place_there_is_nothing_to_mix(tmp_path: Path) -> None:
    folder = tmp_path / "round"
    folder.mkdir()
    soundfile.write(folder / "a.wav", np.zeros(3 * RATE), RATE)
    text = '[[parts]]\nname = "Flute"\n[[parts.takes]]\nfile = "a.wav"\nnot_in_piece = true\n'
    (folder / "production.toml").write_text(text)
    with pytest.raises(ProductionError, match="nothing to mix"):
        make_mix(open_production(folder))
    assert not list(folder.glob("mix/*"))


def test_pan_follows_the_plan(small: Small) -> None:
    """Hard left by the plan, nobody else: the right is silent."""
    top = '[sound]\nroom_amount = "none"'
    mute = dict.fromkeys(("Flute", "Oboe"), "muted = true")
    made = make_mix(small.write_plan(top, **mute, Cello="pan = -1.0")).made
    samples = read(made.files[0])
    assert made.stems[2].pan == -1.0
    assert np.abs(samples[0]).max() > 0.1
    assert np.abs(samples[1]).max() < 1e-4


def test_figures_tell_what_was_used(once: Small) -> None:
    document = json.loads((once.folder / "mix" / "mix.json").read_text(encoding="utf-8"))
    oboe = document["stems"][1]
    assert [passage["take"] for passage in oboe["passages"]] == [1, 2, 1]
    assert [passage["offset_s"] for passage in oboe["passages"]] == [-1.75, -0.3, -1.75]
    assert [passage["drift_ppm"] for passage in oboe["passages"]] == [-45.0, 500.0, -45.0]
    # The second take was planted softer by 0.7: 3.1 dB.
    gains_db = [passage["gain_db"] for passage in oboe["passages"]]
    assert gains_db == [0.0, pytest.approx(-20 * np.log10(0.7), abs=0.2), 0.0]
    assert [splice["marked_s"] for splice in oboe["splices"]] == [5.0, 8.0]
    assert all(splice["step_ratio"] <= 1.0 for splice in oboe["splices"])


@pytest.mark.slow
def test_stems_of_an_earlier_plan_are_deleted(small: Small) -> None:
    make_mix(small.write_plan(Flute='clean = ["high-pass 90 Hz"]'))
    stems = small.folder / "work" / "stems"
    assert len(list(stems.iterdir())) == 4
    make_mix(small.write_plan())
    assert len(list(stems.iterdir())) == 3


@pytest.mark.slow
def test_a_foreign_stem_is_refused(small: Small) -> None:
    foreign = small.folder / "mix" / "mix stems" / "01 Flute.wav"
    foreign.parent.mkdir(parents=True)
    soundfile.write(foreign, np.zeros(100), RATE)
    whole = foreign.read_bytes()
    with pytest.raises(ProductionError, match="not made with syncvid"):
        make_mix(small.write_plan(), wishes=STEMS)
    assert foreign.read_bytes() == whole
    make_mix(small.write_plan(), wishes=MixWishes())
