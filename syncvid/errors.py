"""The error tree: every failure that syncvid reports says what, where and what to do.

::

    SyncvidError(Exception)               what, where, fix                   exit 1
    |- ProductionError (ValueError)       the plan or a layout is wrong      exit 2
    |- MediaError (OSError)               cannot read, decode or write       exit 3
    |  `- MediaNotFoundError (FileNotFoundError)                             exit 3
    |- SignalError (ValueError)           arrays of the wrong shape or rate  exit 4
    |- RenderError                        encoding or joining failed         exit 5
    |- MissingExtraError (ImportError)    an optional package is absent      exit 6
    `- ProductionBusyError                another command is at work         exit 7
    Cancelled(Exception)                  the user stopped it, no failure    exit 130

Doubt is not an error: an unsure answer is a result with a verdict and reasons.
"""

from __future__ import annotations

import errno
import os
from typing import ClassVar

# What goes wrong by errno, and what to do.  Errnos that have no row keep the system's own words.
_SYSTEM = {
    errno.EISDIR: ("This is a folder, not a file.", "Name the files in it."),
    errno.ENOTDIR: ("A file is in the way of a folder.", "Choose another folder."),
    errno.EACCES: ("Access is refused.", "Check the permissions of the file and its folder."),
    errno.EPERM: ("Access is refused.", "Check the permissions of the file and its folder."),
    errno.EROFS: ("The disk can only be read.", "Choose another folder to write to."),
    errno.ENOSPC: ("The disk is full.", "Make room, then run the same command again."),
    errno.EDQUOT: (
        "Your share of the disk is full.",
        "Make room, then run the same command again.",
    ),
    errno.ENAMETOOLONG: ("The name is too long for this disk.", "Choose a shorter one."),
}


class SyncvidError(Exception):
    """Base of all errors that syncvid raises on purpose.

    Parameters
    ----------
    what : str
        What happened, in one sentence.
    where : str
        The file, part, take or time that it concerns; may be empty.
    fix : str
        What the user can do about it; may be empty.

    Examples
    --------
    >>> str(SyncvidError("No sound.", where="clips/alto 2.mp4", fix="Export it with sound."))
    'No sound. (clips/alto 2.mp4) Export it with sound.'
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        self.what, self.where, self.fix = what, where, fix
        super().__init__(" ".join(filter(None, (what, f"({where})" if where else "", fix))))

    def __reduce__(self) -> tuple[object, ...]:
        """Survive the way back from a worker process, keyword arguments included."""
        return (_rebuild, (type(self), self.what, self.where, self.fix))


def _rebuild(kind: type[SyncvidError], what: str, where: str, fix: str) -> SyncvidError:
    """Make an error again in another process."""
    return kind(what, where=where, fix=fix)


class ProductionError(SyncvidError, ValueError):
    """The production's plan, or a layout file, is wrong."""

    exit_code = 2


class MediaError(SyncvidError, OSError):
    """A media file cannot be read, decoded or written."""

    exit_code = 3


class MediaNotFoundError(MediaError, FileNotFoundError):
    """A media file is not where it was said to be."""


def system_error(exc: OSError, where: str | os.PathLike[str]) -> MediaError:
    """Put what the operating system refused into our words.

    Parameters
    ----------
    exc : OSError
        As raised.
    where : str or path-like
        The file or folder that it concerns.

    Returns
    -------
    MediaError
        To be raised from `exc`.
    """
    if isinstance(exc, FileNotFoundError):
        return MediaNotFoundError(
            "There is no such file or folder.", where=str(where), fix="Check the path."
        )
    words = f"The system refused: {(exc.strerror or str(exc)).lower()}."
    what, fix = _SYSTEM.get(exc.errno or 0, (words, ""))
    return MediaError(what, where=str(where), fix=fix)


class SignalError(SyncvidError, ValueError):
    """An array has the wrong shape, rate or content."""

    exit_code = 4


class RenderError(SyncvidError):
    """Composing, encoding or joining the video failed."""

    exit_code = 5


class MissingExtraError(SyncvidError, ImportError):
    """An optional package is not installed."""

    exit_code = 6


class ProductionBusyError(SyncvidError):
    """Another command is at work on the same production."""

    exit_code = 7


class Cancelled(Exception):  # noqa: N818 - stopping on request is no error
    """The user asked to stop."""

    exit_code: ClassVar[int] = 130
