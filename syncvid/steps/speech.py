"""Words for a guide from a speech engine of the system, where one is installed."""

from __future__ import annotations

import logging
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import MediaError
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound

logger = logging.getLogger(__name__)

# Programs that read a text from standard input and write a WAV file, the better one first.
_ENGINES = ("espeak-ng", "espeak")

# A word takes a few hundredths of a second; an engine that needs longer hangs.
_MOST_S = 20.0

# What is softer than this share of a word's peak, before and after it, is cut off.
_SILENT = 0.02

NO_ENGINE = (
    "Nothing is spoken: no speech engine is installed (espeak-ng would do). The guide is the same "
    "without."
)
"""What to tell where a plan wants words and `find_speaker` returns None."""


@dataclass(frozen=True, slots=True)
class EngineSpeaker:
    """Says words by a program of the system; a `syncvid.guide.spoken.Speaker`.

    Attributes
    ----------
    program : str
        Its path.
    language : str
        Of the voice, as ``en``.
    """

    program: str
    language: str = "en"

    def say(self, text: str, sample_rate: int) -> Audio:
        """Return the text spoken, mono, shape (samples,), without silence around it.

        Raises
        ------
        MediaError
            The program fails, hangs, or writes no sound.
        """
        with tempfile.TemporaryDirectory(prefix="syncvid-") as folder:
            path = Path(folder) / "word.wav"
            self._run(text, path)
            word = read_sound(probe(path), sample_rate=sample_rate, mono=True).samples[0]
        loud = np.flatnonzero(np.abs(word) > _SILENT * np.abs(word).max(initial=0.0))
        first, last = (loud[0], loud[-1] + 1) if loud.size else (0, 0)
        return np.asarray(word[first:last], np.float32)

    def _run(self, text: str, path: Path) -> None:
        """Have the program write a word; the text goes in by standard input, never as an option."""
        command = [self.program, "-v", self.language, "-w", str(path), "--stdin"]
        logger.debug("speech: %s", command)
        try:
            done = subprocess.run(
                command, input=text.encode(), capture_output=True, timeout=_MOST_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as exc:
            raise self._failed(text, str(exc)) from exc
        if done.returncode or not path.is_file():
            raise self._failed(text, done.stderr.decode(errors="replace").strip()[-200:])

    def _failed(self, text: str, words: str) -> MediaError:
        """Return the error for a word that could not be said."""
        return MediaError(
            f"The speech engine could not say {text!r}: {words or 'it wrote no sound'}.",
            where=self.program,
            fix='Write spoken = "none" in the plan, or repair the engine.',
        )


def find_speaker(language: str = "en") -> EngineSpeaker | None:
    """Return a speaker by the first speech engine that is installed; None where there is none."""
    for name in _ENGINES:
        program = shutil.which(name)
        if program is not None:
            return EngineSpeaker(program, language)
    return None
