"""Words in a guide: bar numbers or names of sections, said before the beat that they announce."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.production.beats import GuideMap
from syncvid.signals.loudness import k_energy
from syncvid.timeline import to_samples

# A word ends so long before its beat that the click stands alone; words keep as far apart
# (project choices).
_BEFORE_S = 0.08

# Below this a word is silent.
_SILENT = 1e-9


class Speaker(Protocol):
    """Something that can say a text."""

    def say(self, text: str, sample_rate: int) -> Audio:
        """Return the text spoken, mono, shape (samples,), without silence around it."""


def lay_words(
    out: Audio,
    guide: GuideMap,
    speaker: Speaker,
    *,
    spoken: str,
    gain: float,
    sample_rate: int,
) -> None:
    """Add spoken words to a sound.

    A word for which there is no time since the one before, or since the guide's beginning, is left
    out: in quick bars every second or third number is said.

    Parameters
    ----------
    out : ndarray, shape (samples,), float32
        Changed in place.
    guide : GuideMap
        Its bars and marks.
    speaker : Speaker
        Says them.
    spoken : {"bars", "sections"}
        What is said.
    gain : float
        Root of the K-weighted mean power of a word.
    sample_rate : int
        In Hz.
    """
    words: dict[str, Audio] = {}
    gap = to_samples(_BEFORE_S, sample_rate)
    free = (
        0
        if guide.signature is None or not guide.beats
        else to_samples(guide.beats[0].guide_s, sample_rate)
    )
    for text, at_s in _announced(guide, spoken):
        if text not in words:
            words[text] = _levelled(speaker.say(text, sample_rate), gain, sample_rate)
        word = words[text]
        end = to_samples(at_s, sample_rate) - gap
        begin = end - word.size
        if free <= begin and end <= out.size and word.size:
            out[begin:end] += word
            free = end + gap


def _announced(guide: GuideMap, spoken: str) -> Iterator[tuple[str, float]]:
    """Yield what is said, and the time of the beat that it announces."""
    if spoken == "bars":
        for beat in guide.beats:
            if beat.beat == 1 and not beat.is_count_in:
                yield str(beat.bar), beat.guide_s
    elif spoken == "sections":
        for mark in guide.marks:
            if mark.kind == "section" and mark.name.strip():
                yield mark.name.strip(), mark.guide_s
    else:
        raise ProductionError(f"{spoken!r} cannot be spoken.", fix="Write bars, sections or none.")


def _levelled(word: Audio, gain: float, sample_rate: int) -> Audio:
    """Return a word at the level that all words have."""
    power = k_energy(word, sample_rate) / max(1, word.size)
    return word * np.float32(gain / np.sqrt(power) if power > _SILENT else 0.0)
