"""The guide as a video: bar and beat in large type, alone or below somebody who conducts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from syncvid.arrays import Sound
from syncvid.errors import MediaError, RenderError
from syncvid.media.encode import EncodeSettings
from syncvid.picture.areas import is_upright
from syncvid.picture.beat_cards import BeatCard
from syncvid.picture.beat_drawing import INK, PAPER, SOFT, BeatDrawing, set_words
from syncvid.picture.canvas import Canvas
from syncvid.picture.composition import Composition
from syncvid.picture.overlay import even_up
from syncvid.picture.pieces import Rect
from syncvid.production.beats import GuideMap
from syncvid.production.layouts import Layout
from syncvid.production.material import Material, loose_material, refuse_sources
from syncvid.production.pins import Pin
from syncvid.production.results import SyncResult
from syncvid.progress import SILENT, Progress
from syncvid.segments.clips import Keeping
from syncvid.segments.cutting import pictures_per_segment
from syncvid.segments.painting import ClipFailed, Habits, Painter, open_pictures
from syncvid.segments.staff import usable_cores
from syncvid.steps.composing import Look, plan_video
from syncvid.steps.findings import find_places_of
from syncvid.steps.guide_film import Film, write_film
from syncvid.sync.reasons import of_clicks
from syncvid.timeline import FrameRate, parse_frame_rate

SIZE = (1280, 720)
"""Width and height of a guide video, unless another is asked for."""

# Nearly all pictures stand still: measured at 1280x720, one takes 1.4 ms at ``ultrafast`` and
# 3.7 ms at ``veryfast``; the letters' edges are clean at this quality.
_CARDS = EncodeSettings(preset="ultrafast", crf=18)

# The band below the conductor: a strip of this share of the height.  In an upright picture there is
# room for more: a height of this share of the width.
_BAND, _UPRIGHT_BAND = 0.25, 0.6

# What sync says of a clip in which only the guide is heard: of a player's a fault, of a conductor's
# what one expects.
_GUIDE_ALONE = of_clicks(sure=False, alone=True, version="", settled=False, by_notes=False)

# So much of a conductor's width is shown at least: the sides are mostly the room.  Nothing is cut
# off above and below, where hands are.
_LEAST_WIDTH = 0.7


def make_guide_video(
    guide: GuideMap,
    sound: Sound,
    path: Path,
    *,
    size: tuple[int, int] = SIZE,
    frame_rate: FrameRate | int = 30,
    claps: bool = True,
    progress: Progress = SILENT,
) -> tuple[str, ...]:
    """Make the guide as a video: bar and beat, what comes next, and the guide's sound.

    Parameters
    ----------
    guide : GuideMap
        When everything happens.
    sound : Sound
        The guide; its first sample is guide second 0.
    path : Path
        The MP4 file to write; it appears only when it is whole.
    size : (int, int)
        Width and height in pixels, even; upright is fine.
    frame_rate : Fraction or int
        Pictures per second.
    claps : bool
        Whether everybody claps the last whole bar of the count-in.
    progress : Progress
        Told how far it is.

    Returns
    -------
    tuple of str
        What is worth knowing: letters that no font has, and how the sound came out.

    Raises
    ------
    ProductionError
        The file is no MP4, or the size cannot be.
    MediaError
        The file cannot be written.
    """
    film = Film(guide, sound, path, size, parse_frame_rate(frame_rate), claps)
    film.check()
    cards = film.cards()
    words, warnings = set_words(cards)
    drawing = BeatDrawing(size, words)
    pictures = (drawing.show(card) for card in cards)
    return (*warnings, *write_film(film, pictures, _CARDS, progress))


def make_conductor_video(
    conductor: Path,
    guide_path: Path,
    guide: GuideMap,
    sound: Sound,
    path: Path,
    *,
    size: tuple[int, int] = SIZE,
    frame_rate: FrameRate | int = 30,
    offset_s: float | None = None,
    claps: bool = True,
    progress: Progress = SILENT,
) -> tuple[str, ...]:
    """Make a video of somebody who conducts to the guide, with the guide's sound, bar and beat.

    The conductor's clip is placed by its sound, as clips of players are: the guide must be heard
    in it.  A clip that was conducted freely, and is itself the only tempo that there is, holds
    nothing by which it could be placed, and a guide cannot be made from it.

    Parameters
    ----------
    conductor : Path
        The clip; nothing is cut off above and below, where hands are.
    guide_path : Path
        The guide's sound as a file, in which the clip is looked for.
    guide, sound, path, size, frame_rate, claps, progress
        As in `make_guide_video`.
    offset_s : float or None
        Guide second at which the clip begins; None: found by its sound.

    Returns
    -------
    tuple of str
        What is worth knowing: a doubtful place, letters without a font, how the sound came out.

    Raises
    ------
    MediaError
        The clip has no picture or cannot be decoded, or the file cannot be written.
    RenderError
        The clip cannot be placed; the message says why.
    ProductionError
        The file is no MP4, or would overwrite the clip or the guide; or the size cannot be.
    """
    film = Film(guide, sound, path, size, parse_frame_rate(frame_rate), claps)
    film.check()
    cards = film.cards()
    words, warnings = set_words(cards)
    drawing = BeatDrawing(_band_size(size), words)
    material, problems = loose_material([str(conductor)], guide=str(guide_path))
    if problems:
        raise problems[0]
    refuse_sources(material, path)
    if offset_s is not None:
        pinned = replace(material.recordings[0], pin=Pin(offset_s))
        material = replace(material, recordings=(pinned,))
    above = (size[0], size[1] - drawing.canvas.height)
    composition, remarks = _placed(material, above, film.frame_rate, progress.part(0.2))
    pictures = _pictures(film, composition, cards, drawing)
    said = write_film(film, pictures, EncodeSettings(), progress.part(0.8))
    return (*warnings, *remarks, *said)


def _band_size(size: tuple[int, int]) -> tuple[int, int]:
    """Return the size of the band with bar and beat."""
    width, height = size
    return width, even_up(_UPRIGHT_BAND * width if is_upright(size) else _BAND * height)


def _placed(
    material: Material, size: tuple[int, int], frame_rate: FrameRate, progress: Progress
) -> tuple[Composition, tuple[str, ...]]:
    """Find the conductor's place, and lay the clip out in a picture of its own."""
    outcome, facts = find_places_of(material, None, progress)
    remarks = _judged(outcome.result, material)
    look_of = Look("full", size, frame_rate)
    scenario = plan_video(material, outcome.result, facts, look_of)
    scenario = replace(scenario, layout=_plain(scenario.layout))
    if all(entry.facts.shape is None for entry in scenario.players.shown):
        raise MediaError(
            "The conductor's clip has no picture.",
            where=material.recordings[0].source.file,
            fix="Name another file.",
        )
    return scenario.at(size), remarks


def _judged(result: SyncResult, material: Material) -> tuple[str, ...]:
    """Refuse a clip without a place; tell of one whose place is in doubt."""
    file = material.recordings[0].source.file
    clip = result.of(file)
    if clip is None or clip.finding.placement is None:
        reason = clip.finding.reason if clip is not None else "It could not be read."
        raise RenderError(
            f"The conductor's video has no place in the guide: {reason}",
            where=file,
            fix="The guide must be heard in it: play it aloud while you conduct. If you know the "
            "guide second at which the clip begins, give it as `offset`. A video that was "
            "conducted without the guide cannot be laid under it.",
        )
    if clip.finding.verdict == "sure":
        return ()
    if clip.finding.reason == _GUIDE_ALONE and not clip.finding.rivals:
        return (
            f"{file}: placed by the guide that is heard in it; please look whether the hands fall "
            "on the beats.",
        )
    return (
        f"{file}: please check with your own ears that it begins at guide second "
        f"{clip.finding.placement.offset_s:.3f}: {clip.finding.reason}",
    )


def _plain(layout: Layout) -> Layout:
    """Return a layout on paper, without names, that shows the whole height of a picture."""
    return replace(
        layout,
        canvas=replace(layout.canvas, background=PAPER),
        tile=replace(layout.tile, background=PAPER, least_width=_LEAST_WIDTH, least_height=1.0),
        card=replace(layout.card, background=PAPER, ink=INK, player=SOFT),
        caption=replace(layout.caption, show=False),
    )


def _pictures(
    film: Film, composition: Composition, cards: Sequence[BeatCard], drawing: BeatDrawing
) -> Iterator[Canvas]:
    """Yield the conductor with the band below; where the clip is over there is paper."""
    canvas = Canvas(*film.size)
    above = Rect(0, 0, *composition.size)
    below = Rect(0, above.height, film.size[0], drawing.canvas.height)
    painter = Painter([composition], Habits(open_pictures, usable_cores(), False, Keeping()))
    shown: Canvas | None = None
    step = pictures_per_segment(film.frame_rate)
    try:
        for number, card in enumerate(cards):
            picture = composition.first + number
            if picture < composition.last:
                if number % step == 0:
                    painter.begin_segment(picture, min(picture + step, composition.last), [0])
                (shown,) = painter.paint(picture, [0])
            if shown is not None:
                canvas.put(above, shown.planes)
            canvas.put(below, drawing.show(card).planes)
            yield canvas
    except ClipFailed as exc:
        raise MediaError(
            f"The conductor's video cannot be decoded: {exc.reason}", where=exc.path
        ) from exc
    finally:
        painter.close()
