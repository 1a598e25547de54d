"""Reading the right picture: the one whose display interval contains a clip time, for one tile.

Pictures are placed by their own timestamps, never by index or rate: phones record at a variable
rate, and a file may start before the moment at which its presentation does.  A picture is on screen
from its timestamp to the next one's, so one picture more than is shown is always decoded.

What leaves this module is small, upright and in one colour space: yuv420p planes of the tile's
size, BT.709, limited range.  Nothing passes through RGB.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np
from av.video.reformatter import Interpolation, VideoReformatter

from syncvid.arrays import Plane, Planes
from syncvid.errors import MediaError
from syncvid.media.errors import media_errors
from syncvid.media.probe import MediaInfo, VideoInfo, open_media

Focus = tuple[float, float]
"""The point of an upright picture, as shares of width and height, that cropping keeps."""

CENTRE: Focus = (0.5, 0.5)

# Reading on is cheaper than a seek, which may fall back by a whole group of pictures, for jumps
# shorter than this.  Phones write a key picture about every second.
_JUMP_S = 1.5

# How much too early to seek, tried in turn: MPEG-TS lands after the moment that was asked for
# (measured: 0.5 s late).
_EARLIER_S = (0.0, 1.0, 4.0, 16.0)

# What arithmetic in floating point may lack at the edge between two pictures.
_EDGE_S = 1e-6

# Untagged recordings: BT.709 from this height on, BT.601 below (the convention of players).
_HD_HEIGHT = 720

# ITU-T H.273 code points.
_MATRIX_UNKNOWN = 2
_BT709 = 1
_BT2020_PRIMARIES = 9
_HDR_TRANSFERS = (16, 18)
_TRANSFER_UNKNOWN = (0, 2)

# After damage the picture is held until the next key picture, but no longer than this.
_LONGEST_HOLD_S = 2.0


@dataclass(frozen=True, slots=True)
class Cut:
    """How to fill a tile: scale the upright picture to a size, then cut the tile out of it.

    Attributes
    ----------
    width, height : int
        Size to scale to, in output pixels, even.
    left, top : int
        Where the tile's corner lies in it, even.
    """

    width: int
    height: int
    left: int
    top: int


def cut_to_fill(shape: tuple[int, int], width: int, height: int, focus: Focus = CENTRE) -> Cut:
    """Scale a picture so that it just covers a tile, and crop what stands over.

    Parameters
    ----------
    shape : (int, int)
        Upright width and height of the picture with square pixels; only their ratio matters.
    width, height : int
        Size of the tile, even.
    focus : (float, float)
        The point that keeps its place: at (0.5, 0.3) less is lost above than below.

    Returns
    -------
    Cut

    Examples
    --------
    >>> cut_to_fill((1920, 1080), 640, 360)
    Cut(width=640, height=360, left=0, top=0)
    >>> cut_to_fill((1080, 1920), 360, 360, (0.5, 0.0))
    Cut(width=360, height=640, left=0, top=0)
    """
    scale = max(width / shape[0], height / shape[1])
    wide = max(width, 2 * round(shape[0] * scale / 2))
    high = max(height, 2 * round(shape[1] * scale / 2))
    return Cut(
        wide,
        high,
        2 * int((wide - width) * min(max(focus[0], 0.0), 1.0) / 2),
        2 * int((high - height) * min(max(focus[1], 0.0), 1.0) / 2),
    )


class PictureFile:
    """The pictures of one file, asked for in the order of time; a `syncvid.sources.TileSource`.

    Going back, or far ahead, seeks.  Between two calls one decoded picture is held, the next one,
    beside the scaled one that is shown.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed.
    focus : (float, float)
        The point to keep when a tile's shape crops the picture.
    fast : bool
        Decode and scale with small errors, for a preview (no deblocking).
    key_only : bool
        Decode key pictures only: what is shown may be seconds older than what is due.
    check : callable
        Called once for each decoded picture; may raise to stop.

    Raises
    ------
    MediaError
        The file has no pictures, or cannot be opened.
    """

    def __init__(
        self,
        media: MediaInfo,
        *,
        focus: Focus = CENTRE,
        fast: bool = False,
        key_only: bool = False,
        check: Callable[[], None] = lambda: None,
    ) -> None:
        self.media = media
        self._info = _video_info(media)
        self._focus, self._fast, self._check = focus, fast, check
        self._key_only = key_only
        self._closing = ExitStack()
        self._container: Any = None
        self._pictures: Iterator[Any] = iter(())
        self._shown: Any = None
        self._small: Any = None
        self._small_cut: Cut | None = None
        self._next: Any = None
        self._shown_pts, self._shown_s = 0, 0.0
        self._damaged_from_s: float | None = None
        self._at_head, self._fresh = False, True
        self._reformatter = VideoReformatter()
        self.damages = 0
        self.ran_out = False
        self._open()

    def planes_at(self, clip_s: float, width: int, height: int) -> Planes:
        """Return the picture that is due at a clip time, cropped and scaled to a tile's size.

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
            Read-only views, valid until the next call.

        Raises
        ------
        MediaError
            Not one picture can be decoded.
        """
        self.advance(clip_s)
        return self.planes(width, height)

    def advance(self, clip_s: float) -> int:
        """Decode up to the picture that is due at a clip time, and return its timestamp in ticks.

        Raises
        ------
        MediaError
            Not one picture can be decoded.
        """
        due_s = clip_s + _EDGE_S
        with media_errors(self.media.path):
            if not self._reachable(due_s):
                self._seek(due_s)
            self._walk(due_s)
        self.ran_out = self._next is None
        return self._shown_pts

    def planes(self, width: int, height: int) -> Planes:
        """Return the picture last advanced to, cropped and scaled to a tile's size."""
        cut = cut_to_fill((self._info.width, self._info.height), width, height, self._focus)
        if self._small is None or self._small_cut != cut:
            with media_errors(self.media.path):
                if self._shown is None:
                    shown_s = self._shown_s
                    self._seek(shown_s)
                    self._walk(shown_s)
                self._small, self._small_cut = self._scaled(cut), cut
            # What was decoded takes ten times the room of what is shown of it.
            self._shown = None
        turns = self._info.rotation // 90
        luma, u, v = (np.rot90(_plane(plane), turns) for plane in self._small.planes)
        rows = slice(cut.top // 2, (cut.top + height) // 2)
        columns = slice(cut.left // 2, (cut.left + width) // 2)
        whole = luma[cut.top : cut.top + height, cut.left : cut.left + width]
        return whole, u[rows, columns], v[rows, columns]

    @property
    def shown_until_s(self) -> float:
        """Clip time at which the last picture of the file begins, once it `ran_out`."""
        return self._shown_s

    def close(self) -> None:
        """Let go of the file and of all pictures."""
        self._shown = self._small = self._next = None
        self._pictures = iter(())
        self._closing.close()
        self._container = None

    def _scaled(self, cut: Cut) -> Any:
        """Scale and convert the picture that is shown, as stored: not turned, not cut."""
        picture, turned = self._shown, self._info.rotation % 180 != 0
        width, height = (cut.height, cut.width) if turned else (cut.width, cut.height)
        scaling = Interpolation.BICUBIC
        if self._fast:
            scaling = Interpolation.FAST_BILINEAR  # measured, 1080p to 640x360: 0.2 ms
        elif width * height < picture.width * picture.height:
            scaling = Interpolation.AREA  # 0.7 ms
        return self._reformatter.reformat(
            picture,
            width=width,
            height=height,
            format="yuv420p",
            interpolation=scaling,
            threads=1,
            **_to_bt709(picture),
        )

    def _open(self) -> None:
        """Open the file, or open it again at its head."""
        self.close()
        self._container = self._closing.enter_context(
            open_media(self.media.path, exact_edits=self.media.exact_edits)
        )
        self._stream = self._container.streams[self._info.index]
        context = self._stream.codec_context
        context.thread_type, context.thread_count = "NONE", 1
        # Not `err_detect=explode`: it refuses sound pictures too, after a seek into an open group.
        if self._fast:
            context.options = {"skip_loop_filter": "all"}
        if self._key_only:
            context.skip_frame = "NONKEY"
        self._pictures, self._fresh = self._decode(), True

    def _start_s(self, picture: Any) -> float:
        """Return the clip time at which a picture appears."""
        return float(picture.pts * Fraction(picture.time_base) - self.media.zero)

    def _reachable(self, due_s: float) -> bool:
        """Tell whether to read on: the moment is not behind us, and not far ahead."""
        if self._fresh:
            return False
        if due_s < self._shown_s:
            # Nothing lies before the very first picture: it is shown for any earlier time.
            return self._at_head
        return self._next is None or due_s < self._start_s(self._next) + _JUMP_S

    def _seek(self, due_s: float) -> None:
        """Go to a moment so that the picture due there can be decoded."""
        for earlier_s in _EARLIER_S:
            if due_s - earlier_s <= self._info.first_s:
                break
            target = Fraction(due_s - earlier_s) + self.media.zero
            self._restart(round(target / Fraction(self._stream.time_base)))
            if self._shown is not None and self._shown_s <= due_s:
                return
        if not self._fresh:
            self._open()
        self._restart(None)
        if self._shown is None:
            raise MediaError(
                "Not one picture of this file can be decoded.",
                where=str(self.media.path),
                fix="Have it sent again: it may have been damaged on the way.",
            )

    def _walk(self, due_s: float) -> None:
        """Decode on until the picture that is due at a moment is shown."""
        while self._next is not None and self._start_s(self._next) <= due_s:
            self._at_head = False
            self._show(self._next)
            self._next = next(self._pictures, None)

    def _restart(self, ticks: int | None) -> None:
        """Decode two pictures from a seek target, or from the head of the file."""
        self._at_head, self._fresh = ticks is None, False
        self._shown = self._small = self._next = None
        self._damaged_from_s = None
        if ticks is not None:
            try:
                self._container.seek(ticks, stream=self._stream, backward=True)
            except av.FFmpegError:
                return  # the file cannot be sought in: it is read from its head
            self._pictures = self._decode()
        first = next(self._pictures, None)
        if first is not None:
            self._show(first)
            self._next = next(self._pictures, None)

    def _show(self, picture: Any) -> None:
        """Make a decoded picture the one that is shown."""
        self._shown, self._small = picture, None
        self._shown_pts, self._shown_s = int(picture.pts), self._start_s(picture)

    def _decode(self) -> Iterator[Any]:
        """Yield sound pictures in the order of presentation; damage is passed over and counted."""
        latest: int | None = None
        for picture in self._decode_all():
            self._check()
            if picture.pts is None or (latest is not None and picture.pts <= latest):
                continue
            if not self._is_sound(picture):
                continue
            latest = picture.pts
            yield picture

    def _decode_all(self) -> Iterator[Any]:
        """Yield whatever the decoder gives."""
        packets, first_key = self._container.demux(self._stream), None
        while True:
            try:
                packet = next(packets, None)
            except (av.error.InvalidDataError, av.error.EOFError):
                return
            if packet is None:
                return
            if first_key is None and packet.is_keyframe:
                first_key = packet.pts
            try:
                pictures = deque(packet.decode())
            except av.FFmpegError:
                # After a seek, pictures that precede the key picture lack what they refer to.
                if None not in (first_key, packet.pts) and packet.pts >= first_key:
                    self._note_damage(packet)
                continue
            yield from pictures

    def _note_damage(self, packet: Any) -> None:
        """Count a packet that cannot be decoded and distrust what follows it."""
        self.damages += 1
        if self._damaged_from_s is None:
            self._damaged_from_s = float(packet.pts * Fraction(packet.time_base) - self.media.zero)

    def _is_sound(self, picture: Any) -> bool:
        """Tell whether a picture may be shown: not marked broken, not built upon damage."""
        if self._damaged_from_s is not None:
            held_s = self._start_s(picture) - self._damaged_from_s
            if picture.key_frame or not 0 <= held_s < _LONGEST_HOLD_S:
                self._damaged_from_s = None if held_s >= 0 else self._damaged_from_s
            else:
                return False
        return not picture.is_corrupt


def _video_info(media: MediaInfo) -> VideoInfo:
    """Return the picture stream's description, or say that there is none."""
    if media.video is None:
        raise MediaError("The file has no moving picture.", where=str(media.path))
    return media.video


def _plane(plane: Any) -> Plane:
    """Return a plane of a decoded picture without its padding; a view."""
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: plane.height, : plane.width]


def _to_bt709(picture: Any) -> dict[str, int]:
    """Return what the scaler must be told to arrive at BT.709, limited range."""
    arguments = {"dst_colorspace": 1, "dst_color_range": 1}
    if int(picture.colorspace) == _MATRIX_UNKNOWN:
        arguments["src_colorspace"] = 1 if min(picture.width, picture.height) >= _HD_HEIGHT else 5
    if (
        int(picture.color_trc) in _HDR_TRANSFERS
        or int(picture.color_primaries) == _BT2020_PRIMARIES
    ):
        arguments |= {"dst_color_trc": _BT709, "dst_color_primaries": _BT709}
    return arguments
