"""The video of a production as a clip of moviepy, for those who go on in Python."""

from __future__ import annotations

import os
import threading
import warnings
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.media.rgb import RgbConverter
from syncvid.media.sound_place import PlacedSound
from syncvid.picture import Composition
from syncvid.production.material import Material, open_production
from syncvid.progress import SILENT
from syncvid.segments import Tiles
from syncvid.segments.clips import Keeping
from syncvid.segments.cutting import pictures_per_segment
from syncvid.segments.painting import ClipFailed, Habits, Painter, open_pictures
from syncvid.segments.staff import usable_cores
from syncvid.steps.composing import Look, Scenario, plan_video
from syncvid.steps.findings import find_places_of
from syncvid.steps.making import video_sound
from syncvid.steps.rendering import check_anybody
from syncvid.timeline import parse_frame_rate, picture_at


def as_moviepy(
    production: Material | str | os.PathLike[str],
    *,
    layout: str | None = None,
    size: tuple[int, int] | None = None,
    fps: str | float | None = None,
    from_originals: bool = False,
) -> Any:
    """Return the video of a production as a clip of moviepy, painted as it is asked for.

    Parameters
    ----------
    production : Material, str or path-like
        What was opened, or a production's folder.
    layout : str or None
        Name of a layout; None: that of the production.
    size : (int, int) or None
        Width and height in pixels, even; None: those of the production.
    fps : str, float or None
        Pictures per second, 29.97 and its kin exactly; None: those of the production.
    from_originals : bool
        Whether every picture is to come from its recording, never from the tiles that an earlier
        render kept.

    Returns
    -------
    moviepy.VideoClip
        Second 0 is the beginning of the video, its title included; the picture at a second is the
        one that `syncvid.render` would have on screen then.  Its sound is that of the video,
        stereo, at 48 kHz unless another rate is asked for.  `close` it when you are done: that
        closes its copies and parts too.  Several threads may ask for pictures: each waits for its
        turn.

    Raises
    ------
    ProductionError
        The folder is no production, or the layout, size or rate is wrong.
    RenderError
        No clip has a place.
    MediaError
        The mix cannot be read.

    Warns
    -----
    UserWarning
        A clip cannot be decoded: its card is shown from then on.
    """
    # It takes a while to import, and few need it.
    from syncvid.media.moviepy_clip import PaintedClip

    material = production if isinstance(production, Material) else open_production(Path(production))
    look_of = Look(layout, size, _rate(fps))
    where = str(material.folder or material.store.folder)
    with material.store.locked(where):
        outcome, facts = find_places_of(material, None, SILENT)
        scenario = plan_video(material, outcome.result, facts, look_of)
        check_anybody(scenario, where)
        composition = scenario.at(scenario.size)
    tiles = Tiles(material.store.folder / "tiles", use_kept=not from_originals)
    pictures = Pictures(composition, tiles)
    return PaintedClip(
        pictures.at,
        frame_rate=composition.frame_rate,
        count=composition.picture_count,
        open_sound=partial(_sound_of, scenario, composition),
        let_go=pictures.close,
    )


class Pictures:
    """The pictures of a composition by the second of its video.

    Parameters
    ----------
    composition : Composition
        What the video shows.
    tiles : Tiles
        The tile cache; nothing is added to it.
    """

    def __init__(self, composition: Composition, tiles: Tiles) -> None:
        self._composition, self._tiles = composition, tiles
        self._rgb = RgbConverter()
        # Threads take turns: a clip that is closed or asked while it decodes crashes the process.
        self._turn = threading.RLock()
        self._painter: Painter | None = None
        self._ready = range(0)

    def at(self, video_s: float) -> NDArray[np.uint8]:
        """Return the picture on screen at a second, shape (height, width, 3), R, G, B.

        Before the beginning it is the first one, after the end the last one.
        """
        composition = self._composition
        picture = composition.first + picture_at(video_s, composition.frame_rate)
        with self._turn:
            return self._paint(min(max(picture, composition.first), composition.last - 1))

    def close(self) -> None:
        """Close all clips; they are opened again if another picture is asked for."""
        with self._turn:
            painter, self._painter, self._ready = self._painter, None, range(0)
            if painter is not None:
                painter.close()

    def _paint(self, picture: int) -> NDArray[np.uint8]:
        """Paint a picture; a clip that cannot be decoded is left out from then on."""
        while True:
            try:
                (canvas,) = self._painter_for(picture).paint(picture, [0])
                return self._rgb.convert(canvas.pixels)
            except ClipFailed as exc:
                self._leave_out(exc)
            except BaseException:
                # Interrupted in the middle of a picture, a decoder takes its file to be at its end.
                self.close()
                raise

    def _painter_for(self, picture: int) -> Painter:
        """Return a painter that is ready for a picture and those that follow it."""
        if self._painter is None:
            tiles = self._tiles
            keeping = Keeping(tiles.folder, tiles.use_kept, room=0)
            habits = Habits(open_pictures, usable_cores(), False, keeping)
            self._painter = Painter([self._composition], habits)
        if picture not in self._ready:
            count = pictures_per_segment(self._composition.frame_rate)
            self._ready = range(picture, min(picture + count, self._composition.last))
            self._painter.begin_segment(self._ready.start, self._ready.stop, [0])
        return self._painter

    def _leave_out(self, failed: ClipFailed) -> None:
        """Show a card in the place of a clip."""
        self.close()
        unwanted = {
            piece.file
            for voice in self._composition.voices
            for piece in voice.pieces
            if str(piece.path) == failed.path
        }
        if not unwanted:
            raise MediaError(failed.reason, where=failed.path)
        names = ", ".join(sorted(unwanted))
        warnings.warn(f"{names} is left out: {failed.reason}", stacklevel=2)
        self._composition = self._composition.without(lambda piece: str(piece.path) == failed.path)


def _sound_of(scenario: Scenario, composition: Composition) -> PlacedSound:
    """Return the sound of a video, on its clock."""
    return PlacedSound(
        video_sound(scenario),
        duration_s=composition.to_s - composition.from_s,
        at_s=max(0.0, -composition.from_s),
        from_s=max(0.0, composition.from_s),
        to_s=min(composition.to_s, composition.duration_s),
    )


def _rate(fps: str | float | None) -> Any:
    """Read a picture rate."""
    try:
        return None if fps is None else parse_frame_rate(fps)
    except SyncvidError as exc:
        raise ProductionError(f"fps: {exc.what}", fix=exc.fix) from exc
