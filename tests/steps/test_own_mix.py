"""A video with the mix that was made of its clips: its sound, its length, and takes in turn.

Every picture of the films says its own number; clips are pinned, so that nothing is searched.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.mix import PlainSum
from syncvid.production.material import Material, open_production
from syncvid.progress import SILENT
from syncvid.segments import EncodeSettings
from syncvid.steps import MixWishes, RenderOutcome, make_mix, production_status, render
from syncvid.steps.composing import AS_PLANNED, Scenario, plan_video
from syncvid.steps.findings import find_places_of
from syncvid.steps.own_mix import MovedSound
from syncvid.steps.stems import pieces_of
from tests.coded_pictures import write_film
from tests.media.video_files import ffprobe

from .conftest import RATE, melody
from .films import lag_samples, numbers_of, samples_of

QUICK = EncodeSettings(preset="ultrafast", crf=18)
PICTURES_EACH_S = 30

# Reference seconds at which each film's picture 0 is seen; the last is of a sound alone.
PLACES_S = {"one.mp4": 0.0, "two.mp4": -0.5, "other.mp4": -1.01, "cello.wav": -0.25}
MUSIC_S = 6.0

_PLAN = """title = "Round"
{top}
[sound]
head_s = 0.5
tail_s = 0.5
{sound}
[picture]
size = "384x216"
frame_rate = "30"
equal_heads = 0.0
{picture}
[[parts]]
name = "Flute"
{flute}
[[parts.takes]]
take = 1
file = "one.mp4"
use = true
offset_s = 0.0
drift_ppm = 0.0
[[parts.takes]]
take = 2
file = "two.mp4"
offset_s = -0.5
drift_ppm = 0.0
[[parts]]
name = "Oboe"
[[parts.takes]]
file = "other.mp4"
offset_s = -1.01
drift_ppm = 0.0
[[parts]]
name = "Cello"
[[parts.takes]]
file = "cello.wav"
offset_s = {cello_s}
drift_ppm = 0.0
"""


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the films, whose sound is a quiet noise, and the sound that is heard over them."""
    folder = tmp_path_factory.mktemp("films")
    for name, place_s in PLACES_S.items():
        if name.endswith(".wav"):
            continue
        count = round((MUSIC_S + 1.5 - place_s) * PICTURES_EACH_S)
        times_s = [n / PICTURES_EACH_S for n in range(count)]
        write_film(folder / name, times_s, key_interval=25, sound_from_s=0.0)
    played = np.zeros(round((MUSIC_S + 1.0) * RATE), np.float32)
    tune = melody(np.random.default_rng(4), MUSIC_S)
    at = round(0.25 * RATE)
    played[at : at + tune.size] = 3.0 * tune
    soundfile.write(folder / "cello.wav", played, RATE, subtype="FLOAT")
    return folder


@pytest.fixture
def folder(clips: Path, tmp_path: Path) -> Path:
    for path in clips.iterdir():
        (tmp_path / path.name).symlink_to(path)
    return tmp_path


def plan(
    folder: Path,
    *,
    top: str = "",
    sound: str = "",
    picture: str = "",
    flute: str = "",
    cello_s: float = -0.25,
) -> Material:
    text = _PLAN.format(top=top, sound=sound, picture=picture, flute=flute, cello_s=cello_s)
    (folder / "production.toml").write_text(text, encoding="utf-8")
    return open_production(folder)


def rendered(material: Material, folder: Path) -> RenderOutcome:
    return render(material, folder / "round.mp4", settings=QUICK, report=folder / "round.json")


def reference_at_s(folder: Path) -> float:
    return float(json.loads((folder / "round.json").read_text())["reference_at_s"])


def mix_of(folder: Path) -> np.ndarray:
    samples, rate = soundfile.read(folder / "mix" / "mix.wav", dtype="float32")
    assert rate == RATE
    return np.asarray(samples).T


def lateness_s(folder: Path, mix_from_s: float) -> float:
    """Return by how much the video's sound comes behind where the mix says that it is."""
    heard, given = samples_of(folder / "round.mp4"), mix_of(folder)
    # A second of the video's own time; the same second of the reference; the same of the mix.
    video_s = reference_at_s(folder) + 2.0
    mix_s = 2.0 - mix_from_s
    one = heard[0, round(video_s * RATE) :][: 3 * RATE]
    other = given[0, round(mix_s * RATE) :][: 3 * RATE]
    fraction_s = round(video_s * RATE) / RATE - video_s - (round(mix_s * RATE) / RATE - mix_s)
    return lag_samples(one, other) / RATE + fraction_s


@pytest.mark.slow
def test_the_video_carries_the_mix_in_its_place(folder: Path) -> None:
    """As long as the mix, with its sound at the moment at which the report says it is."""
    made = make_mix(plan(folder)).made
    outcome = rendered(open_production(folder), folder)
    info = ffprobe(folder / "round.mp4", "-show_format")
    length_s = made.to_s - made.from_s
    # Pictures last a thirtieth of a second, and a whole number of them covers the mix.
    assert float(info["format"]["duration"]) == pytest.approx(length_s, abs=2 / 30)
    assert abs(lateness_s(folder, made.from_s)) < 0.0005
    assert abs(reference_at_s(folder) + made.from_s) <= 1 / 30
    assert outcome.summary is not None
    numbers = numbers_of(folder / "round.mp4", outcome.summary.composition)
    first = round(reference_at_s(folder) * 30)
    for picture in (first + 60, first + 120):
        at_s = picture / 30 - reference_at_s(folder)
        flute, oboe = numbers[picture][:2]
        assert abs(flute / 30 - (at_s - PLACES_S["one.mp4"])) <= 0.5 / 30 + 1e-6
        assert abs(oboe / 30 - (at_s - PLACES_S["other.mp4"])) <= 0.5 / 30 + 1e-6


@pytest.mark.slow
def test_a_title_before_the_music_moves_sound_and_picture_together(folder: Path) -> None:
    made = make_mix(plan(folder, picture="title_s = 1.0")).made
    rendered(open_production(folder), folder)
    assert reference_at_s(folder) == pytest.approx(1.0 - made.from_s, abs=1 / 30)
    assert abs(lateness_s(folder, made.from_s)) < 0.0005


@pytest.mark.slow
def test_the_picture_follows_a_passage(folder: Path) -> None:
    """From the splice on the tile shows the second take, and then the first one again."""
    made = make_mix(plan(folder, flute='passages = ["take 2, 2 to 4"]')).made
    outcome = rendered(open_production(folder), folder)
    assert outcome.summary is not None
    splices_s = [splice.at_s for splice in made.stems[0].splices]
    assert len(splices_s) == 2
    for picture, row in enumerate(numbers_of(folder / "round.mp4", outcome.summary.composition)):
        at_s = picture / 30 - reference_at_s(folder)
        near = min(abs(at_s - splice_s) for splice_s in splices_s)
        # A cut lies at the splice, within a picture, or dissolves around it.
        if near < 0.3 or not 0.5 < at_s < MUSIC_S:
            continue
        inside = splices_s[0] < at_s < splices_s[1]
        place_s = PLACES_S["two.mp4" if inside else "one.mp4"]
        assert abs(row[0] / 30 - (at_s - place_s)) <= 0.5 / 30 + 1e-6, at_s


@pytest.mark.slow
def test_render_makes_the_mix_anew_where_the_plan_has_changed(folder: Path) -> None:
    first = make_mix(plan(folder)).made
    rendered(open_production(folder), folder)
    assert rendered(open_production(folder), folder).skipped
    material = plan(folder, sound='room = "church"\nroom_amount = "a lot"')
    assert not rendered(material, folder).skipped
    again = make_mix(open_production(folder))
    assert again.skipped
    assert again.made.room is not None
    assert again.made.room.name == "church"
    assert abs(lateness_s(folder, again.made.from_s)) < 0.0005
    assert first.room != again.made.room


@pytest.mark.slow
def test_a_video_without_a_mix_follows_what_is_heard(folder: Path) -> None:
    """Where there was no mix it is the plain sum; another place of a sound makes another video."""
    assert not rendered(plan(folder), folder).skipped
    assert rendered(plan(folder), folder).skipped
    assert not rendered(plan(folder, cello_s=-0.15), folder).skipped
    assert not list(folder.glob("mix/*"))
    make_mix(open_production(folder))
    assert not rendered(open_production(folder), folder).skipped


@pytest.mark.slow
def test_a_finished_mix_wins_and_what_has_no_effect_is_told(folder: Path) -> None:
    make_mix(plan(folder))
    noise = np.random.default_rng(9).normal(0, 0.1, (round(MUSIC_S * RATE), 2))
    soundfile.write(folder / "finished.wav", noise, RATE, subtype="FLOAT")
    material = plan(folder, top='mix = "finished.wav"', flute="muted = true\nshift_ms = 20")
    outcome = rendered(material, folder)
    assert any("matter only to `syncvid mix`" in remark for remark in outcome.remarks)
    heard = samples_of(folder / "round.mp4")
    one = heard[0, round((reference_at_s(folder) + 2.0) * RATE) :][: 2 * RATE]
    assert abs(lag_samples(one, noise[2 * RATE : 4 * RATE, 0])) <= RATE // 60


def test_status_knows_whether_the_video_is_as_the_plan_says(folder: Path) -> None:
    scenario = _scenario(plan(folder))
    assert scenario.own.mix is None
    make_mix(plan(folder))
    assert _scenario(open_production(folder)).own.mix is not None
    changed = _scenario(plan(folder, sound='loudness = "broadcast"'))
    assert changed.own.mix is None, "the mix that there is is another one"
    assert production_status(open_production(folder)) is not None


def _scenario(material: Material) -> Scenario:
    outcome, facts = find_places_of(material, None, SILENT)
    return plan_video(material, outcome.result, facts, AS_PLANNED)


def test_the_plain_sum_holds_the_splices(folder: Path) -> None:
    """Without a mix the takes change in the sound too: without a gap, and without a click."""
    scenario = _scenario(plan(folder, flute='passages = ["take 2, 2 to 4"]'))
    (flute,) = [part for part in scenario.own.parts if part.part == "Flute"]
    assert len(flute.splices) == 2
    sound = PlainSum(pieces_of(flute), MUSIC_S).read(1.0, 5.0, RATE)
    levels = [np.std(sound[0, at : at + 4800]) for at in range(0, sound.shape[1], 4800)]
    assert min(levels) > 0.7 * max(levels), "both takes are noise of one level"


def test_a_file_on_another_clock(tmp_path: Path, rng: np.random.Generator) -> None:
    """Its first sample sounds at -0.7; before and after it there is silence."""
    samples = rng.uniform(-0.5, 0.5, 2 * RATE).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    moved = MovedSound(tmp_path / "a.wav", -0.7)
    assert moved.duration_s == pytest.approx(1.3)
    heard = moved.read(-1.0, 1.5, RATE)
    assert heard.shape[1] == round(2.5 * RATE)
    first = round(0.3 * RATE)
    assert not heard[:, :first].any()
    assert np.array_equal(heard[0, first : first + samples.size], samples)
    assert not heard[:, first + samples.size :].any()


def test_wishes_of_the_command_hold_for_the_video_too(folder: Path) -> None:
    made = make_mix(plan(folder), wishes=MixWishes(room="church")).made
    scenario = _scenario(open_production(folder))
    assert scenario.own.mix is not None
    assert scenario.own.mix.files == made.files
    assert scenario.players.starts_s == pytest.approx(made.from_s, abs=1e-6)
    assert scenario.players.duration_s == pytest.approx(made.to_s, abs=1e-6)
