"""Tells of clips that are the same recording under two names."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from syncvid.production.material import Material
from syncvid.steps.hearing import Heard
from syncvid.sync.twins import find_twins

# Raised when twins are found in another way.
_TWINS = "twins/1"


def twin_remarks(material: Material, heard: Sequence[Heard], inputs: str) -> list[str]:
    """Say which clips are the same recording.

    Parameters
    ----------
    material : Material
        The clips.
    heard : sequence of Heard
        Their sounds, one for each file.
    inputs : str
        Fingerprint of the clips; with the same one nothing is compared again.

    Returns
    -------
    list of str
        One sentence for each pair.
    """
    told = material.store.load("twins", f"{_TWINS} {inputs}")
    if told is None:
        told = _pairs(heard)
        material.store.save("twins", f"{_TWINS} {inputs}", told)
    files: dict[str, list[str]] = {}
    for recording in material.recordings:
        for source in (recording.source, recording.sound):
            if source is not None and source.file not in files.setdefault(source.identity, []):
                files[source.identity].append(source.file)
    pairs = [(one, other) for same in files.values() for one, other in itertools.pairwise(same)]
    pairs += [
        (files[one][0], files[other][0]) for one, other in told if one in files and other in files
    ]
    # A recorder's file that was cut from the clip's own sound is meant to be the same.
    together = {
        frozenset((recording.source.file, recording.sound.file))
        for recording in material.recordings
        if recording.sound is not None
    }
    pairs = [pair for pair in pairs if frozenset(pair) not in together]
    return [
        f"{one} and {other} are the same recording: one of them is there twice, or was sent by "
        f"mistake. Withdraw it, or put the right one in its place."
        for one, other in pairs
    ]


def _pairs(heard: Sequence[Heard]) -> list[list[str]]:
    """Return the identities of the files that hold the same recording, pair by pair."""
    sounds = {item.source.identity: item for item in heard if item.has_sound}
    names = list(sounds)
    return [[names[one], names[other]] for one, other in find_twins(list(sounds.values()))]
