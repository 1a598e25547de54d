"""Decoding the right picture of a film: the one whose display interval contains a clip time.

Pictures are placed by their own timestamps, never by index or rate: phones record at a variable
rate, and a file may start before the moment at which its presentation does.  A picture is on screen
from its timestamp to the next one's, so one picture more than is shown is always decoded.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from fractions import Fraction
from typing import Any

import av

from syncvid.errors import MediaError
from syncvid.media.pictures.interlace import deinterlaced
from syncvid.media.probe import MediaInfo, VideoInfo, open_media

# Reading on is cheaper than a seek, which may fall back by a whole group of pictures, for jumps
# shorter than this.  Phones write a key picture about every second.
_JUMP_S = 1.5

# How much too early to seek, tried in turn: MPEG-TS lands after the moment that was asked for
# (measured: 0.5 s late).
_EARLIER_S = (0.0, 1.0, 4.0, 16.0)

# An interlaced picture is made whole with the help of the one before it: the same picture must come
# out whether it was sought or read on to.  Longer than a picture of any interlaced system.
_FIELDS_LEAD_S = 0.1

# What arithmetic in floating point may lack at the edge between two pictures.
_EDGE_S = 1e-6

# After damage the picture is held until the next key picture, but no longer than this.
_LONGEST_HOLD_S = 2.0


class Film:
    """The pictures of one film, decoded, asked for in the order of time.

    Going back, or far ahead, seeks.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed; with pictures.
    fast : bool
        Decode with small errors, for a preview (no deblocking).
    key_only : bool
        Decode key pictures only.
    check : callable
        Called once for each decoded picture; may raise to stop.

    Attributes
    ----------
    shown_pts, shown_s : int, float
        When the picture last advanced to appears: in ticks of the file, and in clip seconds.
    damages : int
        Damaged places passed over.
    ran_out : bool
        Whether that picture is the file's last.
    """

    def __init__(
        self,
        media: MediaInfo,
        video: VideoInfo,
        *,
        fast: bool,
        key_only: bool = False,
        check: Callable[[], None],
    ) -> None:
        self.media, self._info = media, video
        self._fast, self._key_only, self._check = fast, key_only, check
        self._closing = ExitStack()
        self._container: Any = None
        self._pictures: Iterator[Any] = iter(())
        self._shown: Any = None
        self._next: Any = None
        self.shown_pts, self.shown_s = 0, 0.0
        self._damaged_from_s: float | None = None
        self._at_head, self._fresh = False, True
        self.damages = 0
        self.ran_out = False
        self._open()

    def advance(self, clip_s: float) -> int:
        """Decode up to the picture that is due at a clip time, and return its timestamp in ticks.

        Raises
        ------
        MediaError
            Not one picture can be decoded.
        """
        due_s = clip_s + _EDGE_S
        if not self._reachable(due_s):
            self._seek(due_s)
        self._walk(due_s)
        self.ran_out = self._next is None
        return self.shown_pts

    @property
    def span_s(self) -> tuple[float, float]:
        """Clip seconds in which the picture last advanced to is due; see `PictureFile.span_s`."""
        begin_s = -math.inf if self._at_head else self.shown_s
        return begin_s, math.inf if self._next is None else self._start_s(self._next)

    def picture(self) -> Any:
        """Return the picture last advanced to, decoded again if it was let go."""
        if self._shown is None:
            shown_s, damages = self.shown_s, self.damages
            self._seek(shown_s)
            self._walk(shown_s)
            self.damages = damages
        return self._shown

    def let_go(self) -> None:
        """Let go of the picture that is shown: it is large."""
        self._shown = None

    def close(self) -> None:
        """Let go of the file and of what was decoded."""
        self._shown = self._next = None
        self._pictures = iter(())
        self._closing.close()
        self._container = None

    def _open(self) -> None:
        """Open the file, or open it again at its head."""
        self.close()
        self._container = self._closing.enter_context(
            open_media(
                self.media.path,
                exact_edits=self.media.exact_edits,
                own_edits=self.media.own_edits,
            )
        )
        self._stream = self._container.streams[self._info.index]
        context = self._stream.codec_context
        context.thread_type, context.thread_count = "NONE", 1
        # Not `err_detect=explode`: it refuses sound pictures too, after a seek into an open group.
        if self._fast:
            context.options = {"skip_loop_filter": "all"}
        if self._key_only:
            context.skip_frame = "NONKEY"
        self._pictures, self._fresh = deinterlaced(self._decode()), True

    def _start_s(self, picture: Any) -> float:
        """Return the clip time at which a picture appears."""
        # As Fraction has it, to the last bit; this is asked five times for each picture.
        base, zero = picture.time_base, self.media.zero
        ticks = picture.pts * base.numerator * zero.denominator - zero.numerator * base.denominator
        return float(ticks / (base.denominator * zero.denominator))

    def _reachable(self, due_s: float) -> bool:
        """Tell whether to read on: the moment is not behind us, and not far ahead."""
        if self._fresh:
            return False
        if due_s < self.shown_s:
            # Nothing lies before the very first picture: it is shown for any earlier time.
            return self._at_head
        return self._next is None or due_s < self._start_s(self._next) + _JUMP_S

    def _seek(self, due_s: float) -> None:
        """Go to a moment so that the picture due there can be decoded."""
        lead_s = _FIELDS_LEAD_S if self._info.is_interlaced else 0.0
        for earlier_s in _EARLIER_S:
            from_s = due_s - earlier_s - lead_s
            if from_s <= self._info.first_s:
                break
            target = Fraction(from_s) + self.media.zero
            self._restart(round(target / Fraction(self._stream.time_base)))
            if self._shown is not None and self.shown_s <= due_s:
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
        self._shown = self._next = None
        self._damaged_from_s = None
        if ticks is not None:
            try:
                self._container.seek(ticks, stream=self._stream, backward=True)
            except av.FFmpegError:
                return  # the file cannot be sought in: it is read from its head
            self._pictures = deinterlaced(self._decode())
        first = next(self._pictures, None)
        if first is not None:
            self._show(first)
            self._next = next(self._pictures, None)

    def _show(self, picture: Any) -> None:
        """Make a decoded picture the one that is shown."""
        self._shown = picture
        self.shown_pts, self.shown_s = int(picture.pts), self._start_s(picture)

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
