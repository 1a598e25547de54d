"""Sound written to files of their own: without loss for computers, small for phones.

What is read back lies where it was.  WAV and FLAC come back whole; MP3 and M4A say in their head
how many samples their encoder put before the sound, and readers drop them (FFmpeg's do, and
`media.sound`).  An M4A may come back with some milliseconds of silence after its end.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import soundfile

from syncvid.arrays import Integers, Sound
from syncvid.errors import MediaError
from syncvid.media.errors import media_errors

# How each ending is written: format and kind of samples, or container, codec and bits per second.
# One or two channels are clear of audible loss at these rates (common practice).
_LOSSLESS = {".wav": ("WAV", "PCM_24"), ".flac": ("FLAC", "PCM_24")}
_LOSSY = {
    ".mp3": ("mp3", "libmp3lame", 160_000),
    ".m4a": ("ipod", "aac", 160_000),
}

ENDINGS = (*_LOSSLESS, *_LOSSY)
"""What `write_sound` can write."""

# Rates that an MP3 may have (ISO/IEC 11172-3 and 13818-3), and that soundfile takes for FLAC.
_MP3_RATES = (16_000, 22_050, 24_000, 32_000, 44_100, 48_000)

# A sample of 24 bits.
_WAV_BYTES = 3

# Stands in the head of what is written, so that it is known as ours.
_COMMENT = "Made with syncvid"

# Given to the encoder in pieces of so many samples.
_PIECE = 240_000


def write_sound(path: Path, sound: Sound) -> None:
    """Write a sound as a file of the kind that its ending says.

    Parameters
    ----------
    path : Path
        Ends with .wav or .flac (24 bits), .mp3 or .m4a; appears only when it is whole.
    sound : Sound
        One or two channels; what lies above full scale is cut off where there is no loss.

    Raises
    ------
    MediaError
        Another ending, a rate or number of channels that the kind has not, or the file cannot be
        written; what was there before is still there.
    """
    ending = path.suffix.lower()
    _check(path, ending, sound)
    part = path.with_name(f".{path.name}.part")
    try:
        with media_errors(path, doing="write"):
            # The system says why a file cannot be opened; the libraries do not.
            part.touch()
            if ending in _LOSSLESS:
                kind, samples = _LOSSLESS[ending]
                with _refusals(part):
                    soundfile.write(
                        part, sound.samples.T, sound.sample_rate, format=kind, subtype=samples
                    )
            else:
                _encode(part, sound, *_LOSSY[ending])
            os.replace(part, path)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_integers(path: Path, samples: Integers, *, sample_rate: int, title: str = "") -> None:
    """Write a sound that was brought to 24 bits already, bit by bit as it is.

    Parameters
    ----------
    path : Path
        Ends with .wav or .flac; appears only when it is whole.
    samples : ndarray, shape (channels, samples), int32
        The 24 bits are the upper ones of each number.
    sample_rate : int
        In Hz.
    title : str
        Stands in the file's head, without control characters: heads end their texts with one.

    Raises
    ------
    MediaError
        Another ending, or the file cannot be written; what was there before is still there.
    """
    ending = path.suffix.lower()
    if ending not in _LOSSLESS:
        raise MediaError(
            f"24 bits cannot be kept as {ending or 'a file without an ending'}.",
            where=str(path),
            fix=f"Let it end with {' or '.join(_LOSSLESS)}.",
        )
    _check_room(path, ending, samples.size)
    kind, subtype = _LOSSLESS[ending]
    title = "".join(c for c in title if c.isprintable())
    part = path.with_name(f".{path.name}.part")
    try:
        with media_errors(path, doing="write"):
            # The system says why a file cannot be opened; the library does not.
            part.touch()
            with (
                _refusals(part),
                soundfile.SoundFile(
                    part, "w", sample_rate, samples.shape[0], format=kind, subtype=subtype
                ) as file,
            ):
                file.comment = _COMMENT
                if title:
                    file.title = title
                for first in range(0, samples.shape[1], _PIECE):
                    file.write(np.ascontiguousarray(samples[:, first : first + _PIECE].T))
            os.replace(part, path)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _check(path: Path, ending: str, sound: Sound) -> None:
    """Refuse at the door what the kind of file cannot hold."""
    if ending not in ENDINGS:
        raise MediaError(
            f"A sound cannot be written as {ending or 'a file without an ending'}.",
            where=str(path),
            fix=f"Let it end with {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}.",
        )
    if sound.samples.shape[0] not in (1, 2):
        raise MediaError(
            f"A sound of {sound.samples.shape[0]} channels cannot be written.",
            where=str(path),
            fix="Mix it down to one or two.",
        )
    if ending == ".mp3" and sound.sample_rate not in _MP3_RATES:
        raise MediaError(
            f"An MP3 file cannot have {sound.sample_rate} Hz.",
            where=str(path),
            fix="Write .wav or .flac, or a sound of 48000 Hz.",
        )
    _check_room(path, ending, sound.samples.size)


def _check_room(path: Path, ending: str, count: int) -> None:
    """Refuse what has no room on the disk: the library that writes would not say why it failed."""
    if ending != ".wav":
        return
    with media_errors(path, doing="write"):
        free = shutil.disk_usage(path.parent).free
    needed = count * _WAV_BYTES
    if needed > free:
        raise MediaError(
            f"The disk has no room for it: {needed / 1e6:.0f} MB are needed, {free / 1e6:.0f} are "
            "free.",
            where=str(path),
            fix="Make room, or write .m4a or .flac.",
        )


@contextlib.contextmanager
def _refusals(part: Path) -> Iterator[None]:
    """Where the library fails, let the system say why: a full disk refuses another piece too."""
    try:
        yield
    except soundfile.SoundFileError:
        with part.open("ab") as file:
            file.write(bytes(_PIECE))
        raise


def _encode(path: Path, sound: Sound, container: str, codec: str, bits: int) -> None:
    """Write a sound with loss."""
    layout = "mono" if sound.samples.shape[0] == 1 else "stereo"
    # The quick search for quantisers halves the time and comes nearer to the wave (measured).
    coding = {"aac_coder": "fast"} if codec == "aac" else {}
    options = {"movflags": "+faststart"} if container == "ipod" else {}
    with av.open(str(path), "w", format=container, options=options) as file:
        stream: Any = file.add_stream(codec, rate=sound.sample_rate, layout=layout, options=coding)
        stream.codec_context.bit_rate = bits
        stream.codec_context.format = "fltp"
        for first in range(0, sound.samples.shape[1], _PIECE):
            values = np.ascontiguousarray(sound.samples[:, first : first + _PIECE])
            piece = av.AudioFrame.from_ndarray(values, format="fltp", layout=layout)
            piece.sample_rate = sound.sample_rate
            piece.time_base = Fraction(1, sound.sample_rate)
            piece.pts = first
            file.mux(stream.encode(piece))
        file.mux(stream.encode(None))
