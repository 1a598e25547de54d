"""The pictures of a file, for tiles: the right one at a time, cropped, scaled, in one colour space.

What leaves this module is small, upright and in one colour space: yuv420p planes of the tile's
size, BT.709, limited range.  Only what is small already, and of other colours, passes through RGB.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from syncvid.arrays import Planes
from syncvid.errors import MediaError
from syncvid.media.errors import media_errors
from syncvid.media.pictures.crop import Crop
from syncvid.media.pictures.edited import EditedFilm
from syncvid.media.pictures.film import Film
from syncvid.media.pictures.scaling import Scaler
from syncvid.media.probe import MediaInfo
from syncvid.media.stills import read_still


class PictureFile:
    """The pictures of one file, asked for in the order of time; a `syncvid.sources.TileSource`.

    Going back, or far ahead, seeks.  Between two calls one decoded picture is held, the next one,
    beside the scaled ones that are shown.  A still image is one picture without end.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed.
    fast : bool
        Decode and scale with small errors, for a preview (no deblocking).
    key_only : bool
        Decode key pictures only: what is shown may be seconds older than what is due.
    check : callable
        Called once for each decoded picture; may raise to stop.

    Attributes
    ----------
    damages : int
        Damaged places passed over so far.
    ran_out : bool
        Whether the file holds no picture after the one last advanced to.

    Raises
    ------
    MediaError
        The file has no pictures, or cannot be opened.
    """

    def __init__(
        self,
        media: MediaInfo,
        *,
        fast: bool = False,
        key_only: bool = False,
        check: Callable[[], None] = lambda: None,
    ) -> None:
        self.media = media
        if media.video is None:
            raise MediaError("The file has no moving picture.", where=str(media.path))
        self._scaler = Scaler(media.video, fast=fast)
        self._source: Film | EditedFilm | _Still
        if media.is_still:
            self._source = _Still(media.path)
        else:
            film = EditedFilm if media.video.edits else Film
            self._source = film(media, media.video, fast=fast, key_only=key_only, check=check)
        self._small: dict[Crop, Planes] = {}
        self._small_pts: int | None = None
        self.damages = 0
        self.ran_out = False

    def planes_at(self, clip_s: float, width: int, height: int) -> Planes:
        """Return the picture that is due at a clip time, cropped around its middle for one tile.

        Before the first picture that one is returned, after the last one that one.

        Parameters
        ----------
        clip_s : float
            Clip time in seconds.
        width, height : int
            Size of the tile in output pixels, even.

        Returns
        -------
        Planes
            Read-only views, valid until another picture is due.

        Raises
        ------
        MediaError
            Not one picture can be decoded.
        """
        self.advance(clip_s)
        return self.planes_for([Crop(width, height)])[0]

    def advance(self, clip_s: float) -> int:
        """Decode up to the picture that is due at a clip time, and return its timestamp in ticks.

        Raises
        ------
        MediaError
            Not one picture can be decoded.
        """
        with media_errors(self.media.path):
            ticks = self._source.advance(clip_s)
        self.damages, self.ran_out = self._source.damages, self._source.ran_out
        return ticks

    def planes_for(self, crops: Sequence[Crop]) -> list[Planes]:
        """Return the picture last advanced to, for several tiles at once.

        What is asked for together is made from one decoded picture, which is then let go: another
        call may repeat what an earlier one asked for at no cost, but for anything else the
        picture is decoded again.

        Parameters
        ----------
        crops : sequence of Crop
            What each tile wants.

        Returns
        -------
        list of Planes
            One per crop; read-only views, valid until `advance` comes to another picture.

        Raises
        ------
        MediaError
            The picture cannot be decoded again.
        """
        if self._small_pts != self._source.shown_pts:
            self._small, self._small_pts = {}, self._source.shown_pts
        missing = [crop for crop in dict.fromkeys(crops) if crop not in self._small]
        if missing:
            with media_errors(self.media.path):
                picture = self._source.picture()
                for crop in missing:
                    self._small[crop] = self._scaler.planes(picture, crop)
            # What was decoded takes ten times the room of what is shown of it.
            self._source.let_go()
        return [self._small[crop] for crop in crops]

    @property
    def span_s(self) -> tuple[float, float]:
        """Clip seconds in which the picture last advanced to is due.

        The first picture of a file is due at any time before it, the last one at any time after.
        Empty where it is not known.
        """
        return self._source.span_s

    @property
    def shown_until_s(self) -> float:
        """Clip time at which the last picture of the file begins, once it `ran_out`."""
        return self._source.shown_s

    def close(self) -> None:
        """Let go of the file and of all pictures."""
        self._source.close()
        self._small, self._small_pts = {}, None


class _Still:
    """A still image in the place of a `Film`: one picture, which never runs out."""

    shown_pts, shown_s, damages, ran_out = 0, 0.0, 0, False
    span_s = (-math.inf, math.inf)

    def __init__(self, path: Path) -> None:
        self._path = path
        self._shown: Any = None

    def advance(self, clip_s: float) -> int:
        """Return 0: at any time it is the same picture."""
        return self.shown_pts

    def picture(self) -> Any:
        """Return the image, read again if it was let go."""
        if self._shown is None:
            self._shown = read_still(self._path)
        return self._shown

    def let_go(self) -> None:
        """Let go of the image."""
        self._shown = None

    def close(self) -> None:
        """Let go of the image."""
        self._shown = None
