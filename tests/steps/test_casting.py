"""Who is shown when: takes that follow each other, stretches, shifts, separate recorders."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.results import ClipSync, Finding, Levels, Stretch, SyncResult, Verdict
from syncvid.production.store import Store
from syncvid.steps.casting import Cast, cast
from syncvid.steps.findings import with_parts
from syncvid.steps.hearing import _HEARING, Facts
from syncvid.steps.parts import leads_of, part_activities, with_entrances
from syncvid.timeline import Span

MIX_S = 60.0
LEVELS = Levels(-6.0, -20.0, -60.0, 0.0, False)


def facts(length_s: float, *, picture: bool = True) -> Facts:
    shape = (160, 90) if picture else None
    return Facts(length_s, shape, 0.0, length_s if picture else 0.0, 0, LEVELS, None)


def source(file: str) -> SourceFile:
    return SourceFile(file, Path(file), file)


def take(number: int, file: str, **others: object) -> Recording:
    return Recording(source(file), "Viola", "Anna", number, **others)  # type: ignore[arg-type]


def placed(
    recording: Recording,
    offset_s: float,
    *,
    verdict: Verdict = "sure",
    spans: tuple[Span, ...] = (),
) -> ClipSync:
    finding = Finding(verdict, 0.9, "", offset_s, 0.0, "mix", spans)
    stretch = recording.stretch
    return ClipSync(recording.source.file, "Viola", recording.take, finding, stretch=stretch)


def cast_of(
    recordings: list[Recording],
    clips: list[ClipSync],
    known: dict[str, Facts],
    *,
    reference: str = "mix",
    store: Store | None = None,
    take_dissolve_s: float = 0.0,
) -> Cast:
    store = store or Store(Path("nowhere"))
    material = Material("x", tuple(recordings), (("Viola", "Anna"),), None, None, store)
    result = SyncResult(
        reference,  # type: ignore[arg-type]
        tuple(clips),
        reference_duration_s=MIX_S,
    )
    return cast(material, result, known, take_dissolve_s=take_dissolve_s)


def shown(cast: Cast) -> list[tuple[str, float, float]]:
    return [(p.file, round(p.from_s, 6), round(p.to_s, 6)) for p in cast.voices[0].pieces]


def test_a_take_that_the_phone_split_is_shown_whole() -> None:
    first, second = take(2, "a.mov"), take(2, "b.mov")
    told = cast_of(
        [first, second],
        [placed(second, 30.5), placed(first, -2.0)],
        {"a.mov": facts(32.4), "b.mov": facts(40.0)},
    )
    assert shown(told) == [("a.mov", -2.0, 30.4), ("b.mov", 30.5, 70.5)]
    assert [entry.recording.source.file for entry in told.shown] == ["a.mov", "b.mov"]
    assert told.rejected == ()


def test_halves_that_were_recorded_apart_are_cut_where_neither_plays() -> None:
    """What is heard ends at 28 s and goes on at 32 s: the cut lies in the middle, at 30 s."""
    first, second = take(1, "a.mov"), take(2, "b.mov")
    clips = [
        placed(first, -5.0, spans=(Span(5.0, 33.0, -5.0),)),
        placed(second, 20.0, spans=(Span(12.0, 40.0, 20.0),)),
    ]
    told = cast_of([first, second], clips, {"a.mov": facts(60.0), "b.mov": facts(45.0)})
    assert shown(told) == [("a.mov", -5.0, 30.0), ("b.mov", 30.0, 65.0)]


def test_a_phrase_from_another_take_is_shown_in_its_place() -> None:
    """The mix has seconds 20 to 30 from the second take, and moves a phrase of the first one."""
    first, second = take(1, "a.mov"), take(2, "b.mov")
    moved = (Span(5.0, 25.0, -5.0), Span(35.0, 45.0, -5.0), Span(45.0, 50.0, -4.8))
    clips = [
        placed(first, -5.0, spans=(*moved, Span(50.2, 65.0, -5.0))),
        placed(second, -8.0, spans=(Span(28.0, 38.0, -8.0),)),
    ]
    told = cast_of(
        [first, second],
        clips,
        {"a.mov": facts(70.0), "b.mov": facts(70.0)},
        take_dissolve_s=0.25,
    )
    assert shown(told) == [
        ("a.mov", -5.0, 20.0),
        ("b.mov", 20.0, 30.0),
        ("a.mov", 30.0, 40.1),
        ("a.mov", 40.1, 45.2),
        ("a.mov", 45.2, 65.0),
    ]
    pieces = told.voices[0].pieces
    assert [piece.placement.offset_s for piece in pieces] == [-5.0, -8.0, -5.0, -4.8, -5.0]
    assert [piece.dissolve_s for piece in pieces] == [0.0, 0.25, 0.25, 0.25, 0.25]
    assert told.rejected == ()


def test_a_late_picture_follows_the_spans_too() -> None:
    late = take(1, "a.mov", picture_shift_ms=120.0)
    spans = (Span(5.0, 25.0, -5.0), Span(25.0, 65.0, -4.5))
    told = cast_of([late], [placed(late, -5.0, spans=spans)], {"a.mov": facts(70.0)})
    assert [piece.placement.offset_s for piece in told.voices[0].pieces] == [-5.12, -4.62]


def loose_cast(recordings: list[Recording], clips: list[ClipSync], known: dict[str, Facts]) -> Cast:
    material = Material("x", tuple(recordings), (), None, None, Store(Path("nowhere")))
    return cast(material, SyncResult("mix", tuple(clips), reference_duration_s=MIX_S), known)


def test_a_sound_alone_is_a_card() -> None:
    recording = take(1, "a.wav")
    told = loose_cast([recording], [placed(recording, 1.5)], {"a.wav": facts(50, picture=False)})
    assert [(voice.label, voice.pieces) for voice in told.voices] == [("Viola · Anna", ())]
    assert told.left_out == ()


def test_a_film_without_sound_is_shown_where_it_was_put() -> None:
    recording = take(1, "a.mov")
    silent = Facts(50.0, (160, 90), 0.5, 50.0, 0, None, None)
    told = loose_cast([recording], [placed(recording, 1.5)], {"a.mov": silent})
    assert shown(told) == [("a.mov", 2.0, 51.5)]


STILL = Facts(0.0, (160, 90), 0.0, 0.0, 0, None, None)


@pytest.mark.parametrize("known", ["placed", "no place", "not in the file"])
def test_a_still_image_is_shown_for_the_whole_piece(known: str) -> None:
    recording = take(1, "a.jpg")
    clip = placed(recording, 7.0, verdict="sure" if known == "placed" else "none")
    told = loose_cast([recording], [] if known[0:3] == "not" else [clip], {"a.jpg": STILL})
    (piece,) = told.voices[0].pieces
    assert piece.still
    assert piece.from_s < 0.0
    assert piece.to_s > MIX_S
    assert told.left_out == ()
    assert [entry.recording.source.file for entry in told.stills] == ["a.jpg"]


def test_a_still_gives_way_to_a_film_of_its_part_but_not_to_one_without_a_place() -> None:
    image, film = take(1, "a.jpg"), take(2, "b.mov")
    known = {"a.jpg": STILL, "b.mov": facts(70.0)}
    told = cast_of([image, film], [placed(image, 0.0), placed(film, -5.0)], known)
    assert [piece.file for piece in told.voices[0].pieces] == ["b.mov"]
    told = cast_of([image, film], [placed(image, 0.0), placed(film, 0.0, verdict="none")], known)
    assert [piece.file for piece in told.voices[0].pieces] == ["a.jpg"]
    assert [entry.recording.source.file for entry in told.left_out] == ["b.mov"]


def test_a_still_neither_enters_nor_leads(tmp_path: Path) -> None:
    image = take(1, "a.jpg")
    told = loose_cast([image], [], {"a.jpg": STILL})
    assert with_entrances(told, Store(tmp_path)).voices[0].enters_s is None
    assert leads_of(told, Store(tmp_path)) == ()


def test_the_cut_between_takes_lies_where_neither_plays(tmp_path: Path) -> None:
    """Both takes play but for 30.1 to 30.4 s of the mix; sync puts the splice at 30 s."""
    rate = 16_000
    store = Store(tmp_path / "work")
    for file, offset_s in (("a.mov", -5.0), ("b.mov", -8.0)):
        clock = np.arange(70 * rate) / rate
        sound = 0.2 * np.sin(2 * np.pi * 440 * clock) * ((clock > 5) & (clock < 66))
        sound[(clock + offset_s > 30.1) & (clock + offset_s < 30.4)] = 0.0
        store.save_samples(file, sound.astype(np.float32))
        store.save(f"clip-{file}", _HEARING, asdict(facts(70.0)))
    first, second = take(1, "a.mov"), take(2, "b.mov")
    clips = [
        placed(first, -5.0, spans=(Span(5.0, 35.0, -5.0),)),
        placed(second, -8.0, spans=(Span(38.0, 65.0, -8.0),)),
    ]
    known = {"a.mov": facts(70.0), "b.mov": facts(70.0)}
    told = cast_of([first, second], clips, known, store=store)
    assert 30.1 <= told.voices[0].pieces[1].from_s <= 30.4
    assert with_entrances(told, store).voices[0].enters_s == pytest.approx(0.0, abs=0.06)
    (activity,) = part_activities(told, store)
    assert activity.rests(0.5)[-1][0] == pytest.approx(58.0, abs=0.1), "the second take, on the mix"
    assert [lead.voice for lead in leads_of(told, store)] == [0]


def test_takes_of_the_same_music_stay_one_choice() -> None:
    first, second = take(1, "a.mov"), take(2, "b.mov")
    clips = [placed(first, -5.0), placed(second, -8.0, verdict="check")]
    told = cast_of([first, second], clips, {"a.mov": facts(70.0), "b.mov": facts(70.0)})
    assert [piece[0] for piece in shown(told)] == ["a.mov"]
    assert [entry.recording.source.file for entry in told.rejected] == ["b.mov"]


def test_a_take_beside_the_music_is_no_filling() -> None:
    first, second = take(1, "a.mov"), take(2, "b.mov")
    clips = [placed(first, 0.0), placed(second, -90.0)]
    told = cast_of([first, second], clips, {"a.mov": facts(58.0), "b.mov": facts(80.0)})
    assert [piece[0] for piece in shown(told)] == ["a.mov"]


def test_a_stretch_of_a_file_shows_that_stretch_alone() -> None:
    first = take(1, "a.mov", stretch=Stretch(0.0, 66.0))
    second = take(2, "a.mov", stretch=Stretch(66.0, 130.0), use=True)
    clips = [placed(first, -1.0), placed(second, -67.0)]
    told = cast_of([first, second], clips, {"a.mov": facts(140.0)})
    assert shown(told) == [("a.mov", -1.0, 63.0)]
    assert told.shown[0].recording is second
    alone = cast_of([second], [clips[1]], {"a.mov": facts(140.0)}, reference="clips")
    assert alone.duration_s == 63.0, "the video ends with the take, not with the file"


@pytest.mark.parametrize("drift_ppm", [0.0, 80_000.0])
def test_a_late_picture_is_shown_earlier(drift_ppm: float) -> None:
    """A clap that sounds at clip second 10 and is seen at 10.12 is shown when it sounds."""
    late = take(1, "a.mov", picture_shift_ms=120.0)
    clip = ClipSync("a.mov", "Viola", 1, Finding("sure", 1.0, "", -3.0, drift_ppm, "mix"))
    told = cast_of([late], [clip], {"a.mov": facts(70.0)})
    piece, sound = told.voices[0].pieces[0], told.shown[0].sync.finding.placement
    assert sound is not None
    assert piece.placement.to_clip(sound.to_reference(10.0)) == pytest.approx(10.12)


def test_the_recorders_sound_stands_for_the_clips_own(tmp_path: Path) -> None:
    rate = 48_000
    for name, value in (("phone", 0.5), ("zoom", 0.25)):
        soundfile.write(tmp_path / f"{name}.wav", np.full(20 * rate, value, np.float32), rate)
    phone, zoom = (str(tmp_path / f"{name}.wav") for name in ("phone", "zoom"))
    recording = take(1, phone, sound=source(zoom))
    clips = [
        placed(recording, 2.0),
        ClipSync(zoom, "Viola", 1, Finding("sure", 1.0, "", 5.0, 0.0, "mix"), sound_of=phone),
    ]
    known = {phone: facts(20.0), zoom: facts(20.0, picture=False)}
    entry = cast_of([recording], clips, known).shown[0]
    assert entry.sound is not None
    assert entry.sound.take.placement.offset_s == 5.0
    assert entry.sound.source.file == zoom
    lost = Finding("none", 0.8, "")
    clips[1] = ClipSync(zoom, "Viola", 1, lost, sound_of=phone)
    entry = cast_of([recording], clips, known).shown[0]
    assert entry.sound is not None, "without a place for it the clip's own sound is used"
    assert entry.sound.take.placement.offset_s == 2.0


@pytest.mark.parametrize("named", [True, False])
def test_only_a_sync_file_that_names_parts_lets_loose_clips_share_a_tile(named: bool) -> None:
    takes = [take(1, "viola 1.mov"), take(2, "viola 2.mov")]
    material = Material("x", tuple(takes), (), None, None, Store(Path("nowhere")))
    part = "Viola" if named else ""
    clips = [ClipSync(t.source.file, part, t.take, Finding("sure", 1.0, "")) for t in takes]
    found = with_parts(material, SyncResult("mix", tuple(clips))).parts
    assert found == ((("Viola", ""),) if named else ())


def test_of_several_stills_of_a_part_the_others_are_told() -> None:
    images = [take(1, "a.jpg"), take(2, "b.jpg")]
    told = cast_of(images, [], {"a.jpg": STILL, "b.jpg": STILL})
    assert [entry.recording.source.file for entry in told.rejected] == ["b.jpg"]
