"""The border at which foreign exceptions become ours."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

import av
import soundfile

from syncvid.errors import MediaError, system_error

_BROKEN_FIX = (
    "If it should be a recording, have it sent again: it may have been cut off on the way."
)


@contextmanager
def media_errors(path: str | os.PathLike[str], *, doing: str = "read") -> Iterator[None]:
    """Turn what av, soundfile and the system raise into `MediaError`, with the path added.

    Parameters
    ----------
    path : str or path-like
        The file at hand.
    doing : {"read", "write"}
        What was being tried, for the message.

    Raises
    ------
    MediaNotFoundError
        There is no such file.
    MediaError
        Anything else.
    """
    try:
        yield
    except MediaError:
        raise
    except (OSError, av.FFmpegError, soundfile.SoundFileError) as exc:
        raise _media_error(exc, str(path), doing) from exc


def _media_error(exc: Exception, path: str, doing: str) -> MediaError:
    """Find the words for one foreign exception."""
    if isinstance(exc, OSError) and exc.errno:
        return system_error(exc, path)
    if doing == "write":
        return MediaError(f"The file could not be written: {_words(exc)}.", where=path)
    if os.path.isfile(path) and os.path.getsize(path) == 0:
        return MediaError("The file is empty.", where=path, fix=_BROKEN_FIX)
    return MediaError(
        f"No sound or picture can be read from this file: {_words(exc)}.",
        where=path,
        fix=_BROKEN_FIX,
    )


def _words(exc: Exception) -> str:
    """Return an exception's own words without number, path and full stop; the log line is best."""
    log = getattr(exc, "log", None)
    text = log[2] if log else (getattr(exc, "strerror", None) or str(exc))
    return str(text).strip().rstrip(".").lower()
