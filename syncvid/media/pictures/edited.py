"""A film whose edit list has several cuts: what is due is looked up before it is decoded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

from syncvid.media.pictures.film import Film
from syncvid.media.probe import MediaInfo, VideoInfo

# How far before its end a stretch is held: no picture that begins there belongs to it.
_BEFORE_END_S = 1e-5


class EditedFilm:
    """Pictures on the clock of the presentation, out of a `Film` on the clock of the track.

    Between two stretches, where nothing is presented, the last picture is held.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed.
    video : VideoInfo
        Its pictures, with `edits`.
    fast : bool
        Decode with small errors, for a preview.
    key_only : bool
        Decode key pictures only.
    check : callable
        Called once for each decoded picture; may raise to stop.
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
        self._zero_s, self._edits = float(media.zero), video.edits
        self._film = Film(
            replace(media, zero=Fraction(0)),
            replace(video, first_s=0.0),
            fast=fast,
            key_only=key_only,
            check=check,
        )
        self._edit = self._edits[0]
        self.ran_out = False

    @property
    def shown_pts(self) -> int:
        """When the picture last advanced to appears, in ticks of the track."""
        return self._film.shown_pts

    @property
    def shown_s(self) -> float:
        """When it appears, in clip seconds."""
        into_s = max(0.0, self._film.shown_s - float(self._edit.media_s))
        return float(self._edit.from_s) + into_s - self._zero_s

    @property
    def damages(self) -> int:
        """Damaged places passed over."""
        return self._film.damages

    @property
    def span_s(self) -> tuple[float, float]:
        """Empty: a picture may be due in several stretches."""
        return self.shown_s, self.shown_s

    def advance(self, clip_s: float) -> int:
        """Decode up to the picture that is due at a clip time; return its timestamp in ticks."""
        at_s = clip_s + self._zero_s
        begun = [edit for edit in self._edits if edit.from_s <= at_s]
        self._edit = begun[-1] if begun else self._edits[0]
        media_s = float(self._edit.media_s) + at_s - float(self._edit.from_s)
        last_s = float(self._edit.media_to_s) - _BEFORE_END_S
        ticks = self._film.advance(min(max(media_s, float(self._edit.media_s)), last_s))
        self.ran_out = self._film.ran_out or at_s >= self._edits[-1].to_s
        return ticks

    def picture(self) -> Any:
        """Return the picture last advanced to, decoded again if it was let go."""
        return self._film.picture()

    def let_go(self) -> None:
        """Let go of the picture that is shown."""
        self._film.let_go()

    def close(self) -> None:
        """Let go of the file."""
        self._film.close()
