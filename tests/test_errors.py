"""The error tree, its messages, and its way through processes and codecs."""

from __future__ import annotations

import errno
import pickle
from pathlib import Path

import av
import pytest
import soundfile

from syncvid import errors
from syncvid.errors import (
    Cancelled,
    MediaError,
    MediaNotFoundError,
    ProductionBusyError,
    ProductionError,
    RenderError,
    SyncvidError,
    system_error,
)
from syncvid.media.errors import media_errors

OURS = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, SyncvidError)
]


@pytest.mark.parametrize("kind", OURS)
def test_a_message_says_what_where_and_what_to_do(kind: type[SyncvidError]) -> None:
    error = kind("It broke.", where="a.mov", fix="Mend it.")
    assert str(error) == "It broke. (a.mov) Mend it."
    assert error.args == ("It broke. (a.mov) Mend it.",)


@pytest.mark.parametrize("kind", OURS)
def test_errors_come_back_whole_from_another_process(kind: type[SyncvidError]) -> None:
    error = pickle.loads(pickle.dumps(kind("It broke.", where="a.mov", fix="Mend it.")))
    assert type(error) is kind
    assert (error.what, error.where, error.fix) == ("It broke.", "a.mov", "Mend it.")


def test_exit_codes_differ_by_class() -> None:
    assert ProductionError("x").exit_code == 2
    assert MediaError("x").exit_code == MediaNotFoundError("x").exit_code == 3
    assert RenderError("x").exit_code == 5
    assert ProductionBusyError("x").exit_code == 7
    assert Cancelled.exit_code == 130
    assert not issubclass(Cancelled, SyncvidError)


def test_a_missing_file_is_also_the_builtin_error() -> None:
    with pytest.raises(FileNotFoundError), media_errors("gone.mov"):
        Path("gone.mov").read_bytes()


FOREIGN = [
    kind
    for kind in vars(av.error).values()
    if isinstance(kind, type) and issubclass(kind, av.FFmpegError)
]


@pytest.mark.parametrize("kind", FOREIGN, ids=lambda kind: kind.__name__)
def test_every_error_of_the_codecs_becomes_ours(kind: type[av.FFmpegError]) -> None:
    with pytest.raises(MediaError, match=r"a\.mov"), media_errors("a.mov"):
        raise kind(1, "no good", "a.mov")


def test_an_error_of_the_sound_library_becomes_ours() -> None:
    with pytest.raises(MediaError, match=r"a\.wav"), media_errors("a.wav"):
        raise soundfile.LibsndfileError(1, "cannot")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "The disk is full."),
        (errno.EACCES, "Access is refused."),
        (errno.EROFS, "The disk can only be read."),
        (errno.EISDIR, "This is a folder, not a file."),
        (errno.ENOENT, "There is no such file or folder."),
    ],
)
def test_what_the_system_refuses_is_put_into_words(number: int, words: str) -> None:
    error = system_error(OSError(number, "refused"), "a.mov")
    assert error.what == words
    assert error.fix
    assert error.where == "a.mov"
