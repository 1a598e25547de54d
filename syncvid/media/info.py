"""What is known of a file, and opening it as it must be read."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
from av.container import InputContainer

from syncvid.errors import MediaError
from syncvid.media.edits import Edit
from syncvid.media.errors import media_errors
from syncvid.media.orientation import Orientation

# Options of FFmpeg's reader; `syncvid.media.probe` tells what for.
EXACT_EDITS = {"advanced_editlist": "0"}
NO_EDITS = {"ignore_editlist": "1"}


@dataclass(frozen=True, slots=True)
class VideoInfo:
    """The picture stream of a file.

    Attributes
    ----------
    index : int
        The stream's index in the container.
    width, height : int
        Size as shown: upright, with square pixels.
    coded_width, coded_height : int
        Size as stored.
    rotation : int
        Counter-clockwise degrees that turn a stored picture upright: 0, 90, 180 or 270.
    mirrored : bool
        Whether left and right of the stored picture are changed over before it is turned.
    aspect : Fraction
        How wide a stored pixel is when it is 1 high.
    is_interlaced : bool
        Whether the first picture holds two fields.
    edits : tuple of Edit
        What is shown when, in a file with several cuts; otherwise empty.
    first_s, end_s : float
        Clip seconds in which there are pictures.
    rate : Fraction
        Mean pictures per second as the file states it; for information only.
    is_hdr : bool
        Whether the transfer characteristic is HLG or PQ.
    """

    index: int
    width: int
    height: int
    coded_width: int
    coded_height: int
    rotation: int
    first_s: float
    end_s: float
    rate: Fraction
    is_hdr: bool
    mirrored: bool = False
    aspect: Fraction = Fraction(1)
    is_interlaced: bool = False
    edits: tuple[Edit, ...] = ()

    @property
    def orientation(self) -> Orientation:
        """How to set a stored picture upright."""
        return Orientation(self.rotation // 90, self.mirrored)


@dataclass(frozen=True, slots=True)
class SoundInfo:
    """The sound stream of a file.

    Attributes
    ----------
    index : int
        The stream's index in the container.
    sample_rate, channels : int
        As stored; Hz, count.
    first_s, end_s : float
        Clip seconds in which there is sound.
    edits : tuple of Edit
        What is heard when, in a file with several cuts; otherwise empty.
    """

    index: int
    sample_rate: int
    channels: int
    first_s: float
    end_s: float
    edits: tuple[Edit, ...] = ()


@dataclass(frozen=True, slots=True)
class MediaInfo:
    """A file on its presentation clock.

    Attributes
    ----------
    path : Path
        Absolute.
    zero : Fraction
        Container time of clip time 0, in seconds.
    duration_s : float
        From clip time 0 to the end of the longest stream.
    video, sound : VideoInfo or None, SoundInfo or None
        The streams that are used.
    exact_edits : bool
        Whether the file is to be opened with `EXACT_EDITS`.
    missing_s : float
        How much shorter the file is than it says: one that was cut off on its way; otherwise 0.
    is_still : bool
        Whether it is a photo or a drawing: one picture without end, whose times are all 0.
    own_edits : bool
        Whether the file is to be opened with `NO_EDITS`: its streams have `edits`.
    """

    path: Path
    zero: Fraction
    duration_s: float
    video: VideoInfo | None
    sound: SoundInfo | None
    exact_edits: bool = False
    missing_s: float = 0.0
    is_still: bool = False
    own_edits: bool = False


@contextmanager
def open_media(
    path: str | os.PathLike[str], *, exact_edits: bool = False, own_edits: bool = False
) -> Iterator[InputContainer]:
    """Open a file for reading; the path is made absolute, so that no name reads as a protocol.

    Raises
    ------
    MediaError
        The file cannot be opened or read.
    """
    with media_errors(path):
        name = os.path.abspath(path)
        if os.path.isdir(name):
            raise IsADirectoryError(21, "Is a directory", name)
        if os.path.exists(name) and not os.path.isfile(name):
            raise MediaError("This is no ordinary file.", where=str(path), fix="Name a recording.")
        options = NO_EDITS if own_edits else EXACT_EDITS if exact_edits else {}
        with av.open(name, options=options) as container:
            yield container
