"""Kinds, excerpts, stills and words of a video: judged by planted numbers, the mix, and ffprobe.

Every picture of the films says its own number; clips are pinned, so that nothing is searched.
"""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile
from PIL import Image

from syncvid.cli import main
from syncvid.errors import ProductionError, SyncvidError
from syncvid.production.material import Material, open_production
from syncvid.production.moments import parse_moment
from syncvid.production.outputs import OutputKind, find_kind
from syncvid.production.results import Finding
from syncvid.progress import SILENT
from syncvid.segments import EncodeSettings
from syncvid.steps import Look, RenderOutcome, preview_still, production_status, render
from syncvid.steps.composing import plan_video
from syncvid.steps.findings import find_places_of
from syncvid.steps.outside import outside_the_piece, still_outside
from syncvid.sync.places import Placed
from tests.media.video_files import ffprobe

from .films import lag_samples, lumas_of, make_films, numbers_of, samples_of, write_plan

QUICK = EncodeSettings(preset="ultrafast", crf=18)
SHARE, SQUARE = find_kind("share"), replace(find_kind("square"), size=(216, 216))

TITLE_S, MUSIC_S, CREDITS_S = 1.0, 6.0, 2.0
LENGTH_S = TITLE_S + MUSIC_S + CREDITS_S

PICTURE = 'title_s = 1.0\ncredits = ["Everybody: everything"]\ncredits_s = 2.0\n'

WORDS = """
[[captions]]
from = 1.0
to = 2.5
text = "Gently"
show = true

[[captions]]
from = "bar 3"
to = "end of bar 3"
text = "Faster"

[[sections]]
name = "First"
from = 0

[[sections]]
name = "Second"
from = "bar 3"
"""

# Bars of three beats at 120 a minute, from half a second on, no beat on a picture's edge.
BEATS = [
    {"bar": 1 + beat // 3, "beat": 1 + beat % 3, "guide_s": 0.51 + 0.5 * beat} for beat in range(11)
]
BAR_3_S = 3.51


def unsure(clips: Sequence[Any], **_: object) -> Placed:
    """Stand in for the search: every place is pinned; guide and mix begin together."""
    finding = Finding("check", 0.4, "It was not searched.", 0.0, 0.0, "mix")
    return Placed("mix", tuple(finding for _ in clips), guide_offset_s=0.0)


@pytest.fixture(scope="module", autouse=True)
def no_search() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("syncvid.steps.syncing.find_places", unsure)
        yield


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("films")
    make_films(folder)
    shutil.copy(folder / "mix.wav", folder / "guide.wav")
    beats = {"format": "syncvid.beats/1", "beats": BEATS}
    (folder / "guide.beats.json").write_text(json.dumps(beats))
    return folder


def planned(folder: Path, *, picture: str = PICTURE, rest: str = WORDS, more: str = "") -> Material:
    """Write the plan and open it."""
    return write_plan(folder, top=f'guide = "guide.wav"{more}', picture=picture, rest=rest)


@pytest.fixture
def folder(films: Path, tmp_path: Path) -> Path:
    shutil.copytree(films, tmp_path / "round")
    return tmp_path / "round"


@pytest.fixture(scope="module")
def whole(films: Path, tmp_path_factory: pytest.TempPathFactory) -> RenderOutcome:
    """Make two kinds with everything around the music, and a still; nothing may change them."""
    folder = tmp_path_factory.mktemp("whole") / "round"
    shutil.copytree(films, folder)
    return make(planned(folder), kinds=[SHARE, SQUARE], poster="bar 3", report=True)


def make(
    material: Material,
    *,
    kinds: Sequence[OutputKind] = (SHARE,),
    excerpt: tuple[str | None, str | None] = (None, None),
    poster: str | None = None,
    report: bool = False,
    size: tuple[int, int] | None = None,
    **more: Any,
) -> RenderOutcome:
    """Render quickly."""
    assert material.folder is not None
    begins, ends = (parse_moment(text) if text else None for text in excerpt)
    return render(
        material,
        material.folder / "out.mp4",
        look_of=Look(size=size, begins=begins, ends=ends),
        kinds=kinds,
        poster=parse_moment(poster) if poster else None,
        report=material.folder / "out.json" if report else None,
        **{"settings": QUICK, **more},
    )


def music(outcome: RenderOutcome) -> np.ndarray:
    """Return the left channel of the mix."""
    samples, _ = soundfile.read(outcome.out.parent / "mix.wav", dtype="float32")
    return np.asarray(samples[:, 0])


@pytest.mark.slow
def test_several_kinds_come_from_one_call(whole: RenderOutcome) -> None:
    names = {path.name for path in whole.files}
    assert names == {
        "out.mp4", "out square.mp4", "out.vtt", "out square.vtt", "out.jpg",
    }  # fmt: skip
    sizes = []
    for name in ("out.mp4", "out square.mp4"):
        with av.open(str(whole.out.with_name(name))) as video:
            stream = video.streams.video[0]
            sizes.append((stream.width, stream.height))
            assert sum(1 for _ in video.decode(video=0)) == LENGTH_S * 30
    assert sizes == [(384, 216), (216, 216)]


@pytest.mark.slow
def test_the_music_begins_behind_the_title_to_the_sample(whole: RenderOutcome) -> None:
    told = json.loads((whole.out.parent / "out.json").read_text())
    assert told["reference_at_s"] == TITLE_S
    assert told["size"] == [384, 216]
    assert whole.summary is not None
    shown = numbers_of(whole.out, whole.summary.composition, scene=1)
    for k in (20, 90, 170):
        assert shown[30 + k] == [k, k + 15, k + 30]
    heard = samples_of(whole.out)[0]
    assert np.abs(heard[:47_000]).max() < 1e-3
    assert lag_samples(heard[48_000 : 7 * 48_000], music(whole)) == 0
    assert np.abs(heard[round(7.1 * 48_000) :]).max(initial=0.0) < 1e-3
    assert abs(heard.size - LENGTH_S * 48_000) <= 1024


@pytest.mark.slow
def test_chapters_and_captions_are_moved_by_the_title(whole: RenderOutcome) -> None:
    chapters = ffprobe(whole.out, "-show_chapters")["chapters"]
    told = [(chapter["tags"]["title"], float(chapter["start_time"])) for chapter in chapters]
    assert told == [("Round", 0.0), ("First", TITLE_S), ("Second", TITLE_S + BAR_3_S)]
    vtt = whole.out.with_suffix(".vtt").read_text(encoding="utf-8")
    assert "00:00:02.000 --> 00:00:03.500\nGently" in vtt.replace("--> 00:00:03.500 ", "")
    assert "00:00:04.510 --> 00:00:06.010\nFaster" in vtt


@pytest.mark.slow
def test_the_still_is_the_videos_own_picture(whole: RenderOutcome) -> None:
    with av.open(str(whole.out.with_suffix(".jpg"))) as still:
        (picture,) = still.decode(video=0)
        luma = picture.reformat(format="gray").to_ndarray().astype(float) * 219 / 255 + 16
    lumas = lumas_of(whole.out)
    at = int((TITLE_S + BAR_3_S) * 30)
    away = [float(np.abs(luma - lumas[k].astype(float)).mean()) for k in range(at - 2, at + 3)]
    assert int(np.argmin(away)) == 2
    assert away[2] < 2.0


@pytest.mark.slow
def test_nothing_is_made_twice_and_a_caption_costs_its_own_segments(folder: Path) -> None:
    first = make(planned(folder), kinds=[SHARE, SQUARE], report=True)
    assert not first.skipped
    again = make(open_production(folder), kinds=[SHARE, SQUARE], report=True)
    assert again.skipped
    assert again.files == first.files
    changed = planned(folder, rest=WORDS.replace("Gently", "Boldly"))
    last = make(changed, kinds=[SHARE, SQUARE], report=True)
    assert last.summary is not None
    # From 0.75 s of the music, where it fades in, to 2.75 s: in segments of two seconds.
    assert last.summary.segments - last.summary.reused == 2
    assert "Boldly" in last.out.with_suffix(".vtt").read_text()


@pytest.mark.slow
def test_what_was_there_is_reported_as_it_is(folder: Path) -> None:
    material = planned(folder)
    make(material)
    # The second kind is missing: report and still are of the first all the same.
    both = make(material, kinds=[SHARE, SQUARE], poster="3", report=True)
    assert json.loads((folder / "out.json").read_text())["size"] == [384, 216]
    with av.open(str(folder / "out.jpg")) as still:
        assert (still.streams.video[0].width, still.streams.video[0].height) == (384, 216)
    assert not both.skipped


@pytest.mark.slow
@pytest.mark.parametrize(
    ("excerpt", "pictures"),
    [
        (("1.5", "3.0"), (45, 90)),
        (("bar 3", "end of bar 3"), (105, 150)),
        # An excerpt has no title and no credits, wherever it lies.
        ((None, "bar 3"), (0, 105)),
        (("bar 3", None), (105, 180)),
    ],
)
def test_an_excerpt_is_a_part_of_the_whole(
    folder: Path, excerpt: tuple[str | None, str | None], pictures: tuple[int, int],
    whole: RenderOutcome,
) -> None:  # fmt: skip
    part = make(planned(folder), excerpt=excerpt, report=True)
    reference_at_s = json.loads((folder / "out.json").read_text())["reference_at_s"]
    shown = lumas_of(part.out)
    first = -round(reference_at_s * 30)
    assert (first, first + len(shown)) == pictures
    # The whole comes out of its title during the first third of a second.
    skip = 10 if pictures[0] == 0 else 0
    lumas = lumas_of(whole.out)[30 + pictures[0] : 30 + pictures[1]]
    for ours, theirs in zip(shown[skip:], lumas[skip:], strict=True):
        assert float(np.abs(ours.astype(float) - theirs).mean()) < 2.0
    heard = samples_of(part.out)[0]
    begin, end = (picture * 1600 for picture in pictures)
    assert abs(heard.size - (end - begin)) <= 1024
    assert lag_samples(heard, music(whole)[begin:end]) == 0


def test_where_the_guide_begins_can_be_settled(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(clips: Sequence[Any], **_: object) -> Placed:
        return replace(unsure(clips), guide_offset_s=None)

    monkeypatch.setattr("syncvid.steps.syncing.find_places", lost)
    with pytest.raises(ProductionError, match="Bar 3 cannot be found") as told:
        make(planned(folder))
    assert "guide_offset_s" in told.value.fix
    # Nobody should learn of it only then.
    lost_guide, _ = find_places_of(planned(folder), None, SILENT)
    assert any("guide_offset_s" in remark for remark in lost_guide.remarks)
    material = planned(folder, more="\nguide_offset_s = -0.51")
    outcome, facts = find_places_of(material, None, SILENT)
    assert not any("guide_offset_s" in remark for remark in outcome.remarks)
    scenario = plan_video(material, outcome.result, facts, Look())
    assert scenario.captions[1].from_s == pytest.approx(BAR_3_S - 0.51)


@pytest.mark.slow
def test_status_knows_kinds_and_excerpts(folder: Path) -> None:
    material = planned(folder)
    make(material, kinds=[SHARE, SQUARE])
    part = folder / "part.mp4"
    look_of = Look(begins=parse_moment("bar 3"), ends=parse_moment("5"))
    render(material, part, look_of=look_of, settings=QUICK)
    names = ["out.mp4", "out square.mp4", "part.mp4"]
    state = {path.name: current for path, current in production_status(material).outputs}
    assert state == dict.fromkeys(names, True)
    changed = planned(folder, rest=WORDS.replace("Gently", "Boldly"))
    state = {path.name: current for path, current in production_status(changed).outputs}
    assert state == dict.fromkeys(names, False)
    moved = planned(folder, more="\nguide_offset_s = 0.1")
    state = {path.name: current for path, current in production_status(moved).outputs}
    assert state == dict.fromkeys(names, False), "chapters and captions lie elsewhere"
    beats = {"format": "syncvid.beats/1", "beats": BEATS[:6]}
    (folder / "guide.beats.json").write_text(json.dumps(beats))
    gone = planned(folder, rest="")
    state = {path.name: current for path, current in production_status(gone).outputs}
    assert state == dict.fromkeys(names, False), "bar 3 is gone, and status says no more"


@pytest.mark.slow
def test_status_names_the_command_for_each_video_that_is_out_of_date(folder: Path) -> None:
    material = planned(folder)
    make(material, kinds=[SHARE, SQUARE])
    part = folder / "the part.mp4"
    look_of = Look(begins=parse_moment("bar 3"), ends=parse_moment("5.25"))
    render(material, part, look_of=look_of, settings=replace(QUICK, sound="lossless"))
    assert "up to date" in production_status(material).next_step
    told = production_status(planned(folder, rest=WORDS.replace("Gently", "Boldly"))).next_step
    assert told.startswith("Make 3 videos again: ")
    commands = [shlex.split(c) for c in told.removeprefix("Make 3 videos again: ").split(" && ")]
    begun = ["syncvid", "render", str(folder), "-o"]
    assert commands == [
        [*begun, str(folder / "out.mp4")],
        [*begun, str(folder / "out square.mp4"), "--size", "216x216"],
        [*begun, str(part), "--from", "bar 3", "--to", "5.25", "--for", "archive"],
    ]


def test_status_tells_a_layout_that_is_missing_or_wrong(folder: Path) -> None:
    find_places_of(planned(folder), None, SILENT)
    assert production_status(planned(folder)).problems == ()
    for text in (None, "arrangement = 7\n", "arrangement = "):
        if text:
            (folder / "mine.toml").write_text(text)
        state = production_status(planned(folder, picture='layout = "mine"\n'))
        (problem,) = state.problems
        assert "mine" in str(problem)
        assert state.next_step == "Mend what is told above."


def test_status_tells_which_stills_are_shown(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("photo.jpg", "bell.png", "harp.png"):
        Image.effect_noise((640, 480), 40).save(folder / name)
    take = '[[parts.takes]]\ntake = {}\nfile = "{}"\n'
    rest = take.format(2, "photo.jpg") + '[[parts]]\nname = "Bell"\n' + take.format(1, "bell.png")
    rest += '[[parts]]\nname = "Harp"\nstill = "harp.png"\n'
    find_places_of(planned(folder, rest=rest), None, SILENT)
    with pytest.raises(SystemExit):
        main(["status", str(folder)])
    rows = capsys.readouterr().out.splitlines()
    # The film of Part 2 is shown, not the photo beside it.
    assert "  Part 2: take 1 [sure, pinned], take 2 [a still, not shown]" in rows
    assert "  Bell: take 1 [a still, shown]" in rows
    assert "  Harp: no clip, shown as a still: harp.png" in rows


@pytest.mark.slow
def test_from_the_originals_means_every_picture(folder: Path) -> None:
    material = planned(folder)
    make(material)
    # Smaller tiles of what is kept: no recording is opened.
    small = {"look_of": Look(size=(192, 108)), "settings": QUICK}
    out = folder / "small.mp4"
    assert not render(material, out, **small).skipped
    assert render(material, out, **small).skipped
    again = render(material, out, from_originals=True, **small)
    assert again.summary is not None, "it may have shown kept tiles"
    assert render(material, out, from_originals=True, **small).skipped
    assert render(material, out, **small).skipped


@pytest.mark.slow
@pytest.mark.parametrize("limit_mb", [0.1, 0.15])
def test_a_message_meets_its_limit_and_is_reported_as_it_came_out(
    folder: Path, limit_mb: float
) -> None:
    # The one ends smaller than was asked for, the other larger than it was tried first.
    material = planned(folder, picture="")
    how: dict[str, Any] = {
        "kinds": [replace(find_kind("message"), limit_mb=limit_mb)],
        "report": True,
        "size": (640, 360),
        "settings": None,
    }
    outcome = make(material, **how)
    assert outcome.out.stat().st_size <= limit_mb * 1e6
    assert any(f"of at most {limit_mb:g}" in remark for remark in outcome.remarks)
    with av.open(str(outcome.out)) as video:
        size = [video.streams.video[0].width, video.streams.video[0].height]
    assert json.loads((folder / "out.json").read_text())["size"] == size
    again = make(material, **how)
    assert again.skipped
    assert again.remarks == outcome.remarks
    assert json.loads((folder / "out.json").read_text())["size"] == size
    assert production_status(material).outputs == ((outcome.out.absolute(), True),)
    assert not list(folder.glob(".*")), "no try is left"


@pytest.mark.slow
def test_what_lies_beside_a_video_replaces_only_our_own(folder: Path) -> None:
    material = planned(folder)
    for name in ("out.vtt", "out.jpg"):
        (folder / name).write_bytes(b"a photo, or words of the user's own")
        with pytest.raises(ProductionError, match="not made with syncvid"):
            make(material, poster="1")
        assert (folder / name).read_bytes().startswith(b"a photo")
        (folder / name).unlink()
    assert not (folder / "out.mp4").exists()
    for _ in range(2):
        made = make(material, excerpt=("1", "1.5"), poster="1")
        assert {"out.vtt", "out.jpg"} <= {path.name for path in made.files}
    with av.open(str(folder / "out.jpg")) as still:
        (picture,) = still.decode(video=0)
        assert picture.width > 0


def test_what_cannot_be_is_told_before_anything_is_made(folder: Path) -> None:
    material = planned(folder)
    for wrong in ({"excerpt": ("bar 9", None)}, {"poster": "bar 9"}):
        with pytest.raises(ProductionError, match="There is no bar 9"):
            make(material, **wrong)
    shutil.copy(folder / "film0.mp4", folder / "out.jpg")
    pictured = PICTURE + 'background = "out.jpg"\n'
    with pytest.raises(ProductionError, match="overwrite"):
        make(planned(folder, picture=pictured), poster="1")
    assert not (folder / "out.mp4").exists()
    assert not (folder / "work" / "segments").exists()


ASTRAY = """
[[captions]]
from = 7
to = 9
text = "Too late"

[[captions]]
from = 5
to = 9
text = "Too long"

[[captions]]
from = 5
to = 6.2
text = "To the end"

[[sections]]
name = "Encore"
from = "1:00"
"""


def astray(material: Material, **look: str) -> list[str]:
    """Return what is said of moments outside of the music."""
    outcome, facts = find_places_of(material, None, SILENT)
    look_of = Look(**{key: parse_moment(text) for key, text in look.items()})  # type: ignore[arg-type]
    return outside_the_piece(plan_video(material, outcome.result, facts, look_of))


def test_moments_outside_of_the_music_are_told(folder: Path) -> None:
    assert astray(planned(folder), begins="1", ends="6.2") == []
    long, late, encore = astray(planned(folder, rest=ASTRAY))
    assert "'Too late' (7.0 to 9.0 s) lies after the end of the music (6.0 s)" in late
    assert "'Too long' would last to 9.0 s, but the music ends at 6.0 s" in long
    assert "'Encore' would begin at 60.0 s, after the end of the music" in encore
    material = planned(folder)
    early, beyond = astray(material, begins="-2", ends="0:30")
    assert "begin at -2 s, before the music" in early
    assert "end at 30 s, but the music ends at 6.0 s: it goes to the end" in beyond
    with pytest.raises(ProductionError, match="There is no music from 8 to 9 s"):
        make(material, excerpt=("8", "9"))


STILL = '[[parts]]\nname = "Harp"\nstill = "photo.jpg"\n'


@pytest.mark.parametrize(
    ("picture", "rest", "key"),
    [
        ('background = "photo.jpg"\n', "", "`background` under [picture]"),
        ("", STILL, "`still` of Harp"),
    ],
)
@pytest.mark.parametrize("data", ["none", "empty", "half"])
def test_an_image_that_cannot_be_read_is_told_with_its_key(
    folder: Path, picture: str, rest: str, key: str, data: str
) -> None:
    if data != "none":
        Image.effect_noise((640, 480), 40).save(folder / "photo.jpg")
        whole = (folder / "photo.jpg").read_bytes()
        (folder / "photo.jpg").write_bytes(whole[: len(whole) // 2] if data == "half" else b"")
    with pytest.raises(SyncvidError) as told:
        make(planned(folder, picture=picture, rest=rest))
    assert key in str(told.value)
    assert "photo.jpg" in str(told.value)
    assert "production.toml" in str(told.value)
    assert not (folder / "work" / "segments").exists()


def test_a_scene_that_is_never_seen_is_told(folder: Path) -> None:
    layout = 'arrangement = "grid"\n[[scenes]]\nfrom = 99\narrangement = "lead"\n'
    (folder / "mine.toml").write_text(layout)
    (told,) = astray(planned(folder, picture='layout = "mine"\n'))
    assert "Scene 1 of layout mine would begin at 99 s" in told
    assert "never seen" in told


def test_a_still_from_outside_of_the_video_is_told(folder: Path) -> None:
    # The video is that of a title before and credits behind the music: they may be asked for.
    outcome, facts = find_places_of(planned(folder), None, SILENT)
    composition = plan_video(planned(folder), outcome.result, facts, Look()).at((384, 216))
    for inside in ("-0.9", "0", "7.9"):
        assert still_outside(parse_moment(inside), float(inside), composition) == []
    (late,) = still_outside(parse_moment("99"), 99.0, composition)
    assert "at 99 s, after the video ends (8.0 s): it shows the last picture" in late
    (early,) = still_outside(parse_moment("-5"), -5.0, composition)
    assert "before the video begins (-1.0 s): it shows the first picture" in early
    still = preview_still(planned(folder), parse_moment("99"), look_of=Look())
    assert late in still.remarks


@pytest.mark.slow
def test_a_previewed_still_is_at_full_size_and_from_the_moment(
    folder: Path, whole: RenderOutcome
) -> None:
    path, _ = preview_still(planned(folder), parse_moment("2.0"), look_of=Look())
    with av.open(str(path)) as still:
        (picture,) = still.decode(video=0)
        luma = picture.reformat(format="gray").to_ndarray().astype(float) * 219 / 255 + 16
    assert float(np.abs(luma - lumas_of(whole.out)[90].astype(float)).mean()) < 2.0
