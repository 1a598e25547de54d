"""The kinds of video that can be made of a production, and how their files are called.

A kind is data: its size, how picture and sound are compressed, and how large the file may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from syncvid.errors import ProductionError

SoundCoding = Literal["aac", "lossless"]

DEFAULT_SIZE = (1920, 1080)
"""Width and height of a video where neither the user nor the production names one."""

# What messages usually carry.  A megabyte is 10^6 bytes here: the smaller of its two meanings, so
# that the file passes under either.
_MESSAGE_MB = 16.0


@dataclass(frozen=True, slots=True)
class OutputKind:
    """One kind of video.

    Attributes
    ----------
    name : str
        What the user calls it; a word of lower-case letters.
    about : str
        What it is for, in a few words.
    size : (int, int) or None
        Width and height in pixels, even; None: as the production says.
    most_short_px : int or None
        The shorter side is made this small if it is larger; the shape stays.
    preset : str
        Speed of the encoder.
    crf : int
        Quality of the picture: 18 is hard to tell from the original, 28 is coarse.
    sound : {"aac", "lossless"}
        How the sound is kept.
    sound_kbps : int
        Bit rate of the sound, if it is AAC.
    limit_mb : float or None
        Most that the file may have, in 10^6 bytes; None: no limit.
    """

    name: str
    about: str
    size: tuple[int, int] | None = None
    most_short_px: int | None = None
    preset: str = "veryfast"
    crf: int = 20
    sound: SoundCoding = "aac"
    sound_kbps: int = 256
    limit_mb: float | None = None


# Archive at crf 14, measured on two seconds of nine tiles with camera noise at 1080p30 (processor
# time per picture, Mbit/s, PSNR of luma): veryfast 42 ms, 15.0, 45.1 dB; faster 65 ms, 13.6,
# 45.3 dB; fast 95 ms, 14.6, 45.3 dB; medium 120 ms, 15.4, 45.0 dB; slow 231 ms, 16.6, 45.1 dB.
# Nothing slower than `faster` gives a smaller or a better file.  Share: 25 ms, 1.6, 43.6 dB.
_ARCHIVE_PRESET, _ARCHIVE_CRF = "faster", 14

KINDS = (
    OutputKind("share", "plays everywhere"),
    OutputKind(
        "message",
        "small enough to be sent",
        most_short_px=720,
        sound_kbps=128,
        limit_mb=_MESSAGE_MB,
    ),
    OutputKind("vertical", "9:16, for a phone held upright", size=(1080, 1920)),
    OutputKind("square", "1:1", size=(1080, 1080)),
    OutputKind("upright", "4:5, a little taller than wide", size=(1080, 1350)),
    OutputKind(
        "archive",
        "to keep: no loss that can be seen or heard",
        preset=_ARCHIVE_PRESET,
        crf=_ARCHIVE_CRF,
        sound="lossless",
    ),
)
"""All kinds, the usual one first."""


def find_kind(name: str) -> OutputKind:
    """Return the kind of a given name.

    Raises
    ------
    ProductionError
        There is none.

    Examples
    --------
    >>> find_kind("vertical").size
    (1080, 1920)
    """
    for kind in KINDS:
        if kind.name == name:
            return kind
    raise ProductionError(
        f"There is no kind of video {name!r}.",
        fix=f"Choose among {', '.join(kind.name for kind in KINDS)}.",
    )


def size_of(kind: OutputKind, asked: tuple[int, int] = DEFAULT_SIZE) -> tuple[int, int]:
    """Return a kind's width and height where the production asks for a size.

    Parameters
    ----------
    kind : OutputKind
        What is to be made.
    asked : (int, int)
        The production's size in pixels, even.

    Returns
    -------
    (int, int)
        Even.

    Examples
    --------
    >>> size_of(find_kind("share")), size_of(find_kind("message"))
    ((1920, 1080), (1280, 720))
    >>> size_of(find_kind("message"), (640, 480))
    (640, 480)
    """
    width, height = kind.size or asked
    return fit_short_side((width, height), kind.most_short_px or min(width, height))


def fit_short_side(size: tuple[int, int], most_px: int) -> tuple[int, int]:
    """Shrink a size until its shorter side is small enough; it keeps its shape and stays even.

    Examples
    --------
    >>> fit_short_side((1920, 1080), 480), fit_short_side((1080, 1350), 2000)
    ((854, 480), (1080, 1350))
    """
    short = min(size)
    if short <= most_px:
        return size
    width, height = (max(2, 2 * round(side * most_px / short / 2)) for side in size)
    return width, height


def name_files(out: Path, kinds: Sequence[OutputKind]) -> dict[str, Path]:
    """Name the files of several kinds after the one name that the user gave.

    A single kind gets exactly that name.  Of several, `share` keeps it, so that a script finds the
    file that it asked for, and each other kind adds its word: a file says what it is, and a kind
    that is made again later, beside others, comes to lie in its own place.  The word stands at
    the end, so that the files of a piece stay together in a folder.

    Parameters
    ----------
    out : Path
        The name that was given, with its ending.
    kinds : sequence of OutputKind
        What is to be made.

    Returns
    -------
    dict of str to Path
        For each kind's name, its file.

    Raises
    ------
    ProductionError
        A kind is named twice.

    Examples
    --------
    >>> files = name_files(Path("round.mp4"), [find_kind("share"), find_kind("square")])
    >>> [path.name for path in files.values()]
    ['round.mp4', 'round square.mp4']
    """
    names = [kind.name for kind in kinds]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise ProductionError(f"The kind {twice!r} is asked for twice.", fix="Name it once.")
    if len(names) == 1:
        return {names[0]: out}
    return {
        name: out if name == KINDS[0].name else out.with_name(f"{out.stem} {name}{out.suffix}")
        for name in names
    }
