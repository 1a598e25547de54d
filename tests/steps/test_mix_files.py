"""Where a mix is written, what it never overwrites, and what happens when files go or move."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.errors import MediaError, ProductionError
from syncvid.production.material import open_production
from syncvid.production.moments import Moment
from syncvid.production.stem_files import StemFiles
from syncvid.steps import MixOutcome, MixWishes, make_mix, preview_mix, production_status

RATE = 48_000

# Without one a production is called by its folder.
TITLE = 'title = "Round"\n'

_PART = """
[[parts]]
name = "{name}"
{more}
[[parts.takes]]
file = "{file}"
offset_s = 0.0
drift_ppm = 0.0
"""


def notes(rng: np.random.Generator, base_hz: float) -> np.ndarray:
    """Return six seconds of plucked notes, mono."""
    at_s = np.arange(6 * RATE) / RATE
    sound = np.zeros(at_s.size)
    for begin_s in np.arange(0.5, 4.5, 0.4):
        since = at_s - begin_s
        tone = np.sin(2 * np.pi * base_hz * 2 ** (rng.integers(12) / 12) * since)
        sound += 0.2 * tone * np.exp(-4 * np.maximum(since, 0)) * np.clip(since / 0.01, 0, 1)
    return sound


def write_plan(folder: Path, head: str = "", more: str = "", second: str = "b.wav") -> None:
    text = head + _PART.format(name="Viola", file="a.wav", more=more)
    (folder / "production.toml").write_text(text + _PART.format(name="Oboe", file=second, more=""))


@pytest.fixture
def folder(tmp_path: Path, rng: np.random.Generator) -> Path:
    folder = tmp_path / "round"
    folder.mkdir()
    for name, base_hz in (("a", 220.0), ("b", 330.0)):
        soundfile.write(folder / f"{name}.wav", notes(rng, base_hz), RATE)
    write_plan(folder, TITLE)
    return folder


def mix(folder: Path, out: Path | None = None, **wishes: str) -> MixOutcome:
    return make_mix(open_production(folder), out, wishes=MixWishes(**wishes))  # type: ignore[arg-type]


def test_a_file_of_the_user_stays_also_where_it_is_named(folder: Path) -> None:
    (folder / "mix").mkdir()
    theirs = folder / "mix" / "mix.wav"
    theirs.write_bytes(b"their own mix")
    for named in ((), (theirs,)):
        with pytest.raises(ProductionError, match="would be overwritten"):
            mix(folder, *named)
    assert theirs.read_bytes() == b"their own mix"


def test_a_file_that_was_put_where_the_mix_once_was_stays(folder: Path) -> None:
    mix(folder)
    theirs = folder / "mix" / "mix.flac"
    theirs.write_bytes(b"their own mix")
    with pytest.raises(ProductionError, match="would be overwritten"):
        mix(folder)
    assert theirs.read_bytes() == b"their own mix"


def test_a_mix_is_known_as_ours_without_the_work_folder(folder: Path) -> None:
    mix(folder)
    shutil.rmtree(folder / "work")
    assert not mix(folder).skipped


def test_figures_and_statement_that_are_gone_are_written_again(folder: Path) -> None:
    mix(folder)
    told = [folder / "mix" / name for name in ("mix.json", "mix.txt")]
    before = [path.read_text() for path in told]
    for path in told:
        path.unlink()
    assert mix(folder).skipped
    assert [path.read_text() for path in told] == before


def test_a_copy_of_a_production_has_a_mix_of_its_own(folder: Path, tmp_path: Path) -> None:
    made = mix(folder).made
    before = (folder / "mix" / "mix.wav").read_bytes()
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    kept = make_mix(open_production(copy))
    assert kept.skipped
    assert kept.made.files[0] == str(copy / "mix" / "mix.wav") != made.files[0]
    write_plan(copy, TITLE, more="gain_db = 6.0")
    assert make_mix(open_production(copy)).made.files[0] == str(copy / "mix" / "mix.wav")
    assert (folder / "mix" / "mix.wav").read_bytes() == before


def test_a_mix_goes_where_it_can_if_its_folder_is_gone(folder: Path, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    mix(folder, stick / "round.wav")
    shutil.rmtree(stick)
    made = make_mix(open_production(folder)).made
    assert made.files[0] == str(folder / "mix" / "mix.wav")


def test_the_room_that_is_asked_for_may_be_a_file(
    folder: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    fall = np.exp(-np.arange(RATE) / 5000)
    soundfile.write(folder / "church.wav", 0.3 * rng.standard_normal(RATE) * fall, RATE)
    monkeypatch.chdir(folder)
    room = mix(folder, room="church.wav").made.room
    assert room is not None
    # 60 dB: 13.8 halves of the time in which the power falls to 1/e (arithmetic).
    assert room.decay_s == pytest.approx(np.log(1e6) / 2 * 5000 / RATE, abs=0.05)
    monkeypatch.chdir(folder.parent)
    assert make_mix(open_production(folder)).skipped
    with pytest.raises(MediaError, match="no such file"):
        mix(folder, room="nowhere.wav")
    with pytest.raises(ProductionError, match="overwrite one of the files"):
        mix(folder, folder / "church.wav", room=str(folder / "church.wav"))


def test_a_full_disk_ends_the_mix_and_leaves_no_part_out(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep, kept = StemFiles.keep, []

    def full(self: StemFiles, key: str, samples: np.ndarray) -> None:
        if kept:
            raise MediaError("The disk is full.")
        kept.append(key)
        keep(self, key, samples)

    monkeypatch.setattr(StemFiles, "keep", full)
    with pytest.raises(MediaError, match="full"):
        mix(folder)
    assert not (folder / "mix" / "mix.wav").exists()


def test_stems_of_parts_that_are_gone_are_deleted(folder: Path) -> None:
    material = open_production(folder)
    make_mix(material, wishes=MixWishes(stems=True))
    stems = folder / "mix" / "mix stems"
    assert sorted(path.name for path in stems.iterdir()) == ["01 Viola.wav", "02 Oboe.wav"]
    plan = folder / "production.toml"
    plan.write_text(plan.read_text().replace("Oboe", "Flute"))
    make_mix(open_production(folder))
    assert sorted(path.name for path in stems.iterdir()) == ["01 Viola.wav", "02 Flute.wav"]


def test_a_clip_that_two_parts_share_is_told(folder: Path) -> None:
    write_plan(folder, second="a.wav", more="muted = true\ngain_db = 3.0")
    soundfile.write(folder / "c.wav", notes(np.random.default_rng(5), 110.0), RATE)
    plan = folder / "production.toml"
    plan.write_text(plan.read_text() + _PART.format(name="Cello", file="c.wav", more=""))
    remarks = mix(folder).made.remarks
    assert "Viola and Oboe share one clip: gain_db, muted of Viola count for both." in remarks
    write_plan(folder, second="a.wav", more="shift_ms = 30.0")
    assert any(told.startswith("a.wav sounds twice") for told in mix(folder).made.remarks)


def test_where_a_take_does_not_last_the_usual_one_is_heard(
    folder: Path, rng: np.random.Generator
) -> None:
    """The passage is 1 to 4 s; take 2 lies at 2 s and lasts for 1.5 s."""
    soundfile.write(folder / "a2.wav", notes(rng, 220.0)[RATE : RATE + RATE * 3 // 2], RATE)
    second = '[[parts.takes]]\ntake = 2\nfile = "a2.wav"\noffset_s = 2.0\ndrift_ppm = 0.0\n'
    write_plan(folder, more='passages = ["take 2, 1 to 4"]')
    plan = folder / "production.toml"
    first, oboe = plan.read_text().split('\n[[parts]]\nname = "Oboe"')
    plan.write_text(f'{first}\n{second}\n[[parts]]\nname = "Oboe"{oboe}')
    made = mix(folder).made
    viola = made.stems[0]
    assert [passage.take for passage in viola.passages] == [1, 2, 1]
    begin, end = viola.splices
    # A splice lies within 0.35 s of its mark.
    assert 1.74 < begin.at_s < 2.46
    assert 3.04 < end.at_s < 3.76
    assert viola.passages[0].to_s == begin.at_s
    assert viola.passages[2].from_s == end.at_s
    assert any("does not last over all of" in told for told in made.remarks)


def test_the_state_of_a_production_tells_of_the_mix_that_was_made(folder: Path) -> None:
    assert production_status(open_production(folder)).mix_is_current is None
    mix(folder)
    assert production_status(open_production(folder)).mix_is_current is True
    plan = folder / "production.toml"
    plan.write_text(plan.read_text().replace("[[parts]]", "[sound]\npan = 0.0\n\n[[parts]]", 1))
    assert production_status(open_production(folder)).mix_is_current is False


def test_a_part_of_a_very_long_name_has_its_stem(folder: Path) -> None:
    plan = folder / "production.toml"
    plan.write_text(plan.read_text().replace("Viola", "Viöla" * 60))
    made = make_mix(open_production(folder), wishes=MixWishes(stems=True)).made
    assert all(Path(stem.file).is_file() for stem in made.stems)


def test_an_excerpt_is_as_loud_as_the_mix_will_be_with_the_plan_as_it_is_now(folder: Path) -> None:
    """By the mean square of the same seconds before and after the mix is made again."""

    def level_db() -> float:
        excerpt = preview_mix(open_production(folder), Moment(1.0), Moment(4.0))
        samples, _ = soundfile.read(excerpt.files[0][1])
        return float(10 * np.log10(np.mean(samples**2)))

    mix(folder)
    write_plan(folder, TITLE, more="gain_db = 20.0")
    before_db = level_db()
    make_mix(open_production(folder))
    assert before_db == pytest.approx(level_db(), abs=1.0)
