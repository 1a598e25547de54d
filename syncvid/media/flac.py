"""Small sound files without loss."""

from __future__ import annotations

import io

import soundfile

from syncvid.arrays import Audio
from syncvid.media.errors import media_errors


def encode_flac(samples: Audio, sample_rate: int) -> bytes:
    """Return sound as a FLAC file of 16 bits.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        The sound; what lies above full scale is cut off.
    sample_rate : int
        In Hz.

    Returns
    -------
    bytes
        The whole file.
    """
    file = io.BytesIO()
    with media_errors("a sound file", doing="write"):
        soundfile.write(file, samples.T, sample_rate, format="FLAC", subtype="PCM_16")
    return file.getvalue()
