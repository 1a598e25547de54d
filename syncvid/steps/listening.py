"""Short sounds for the ear: the clip at the left, the reference at the right, at each place.

They are written for every clip that is not sure and for each of its rivals, and taken away again
when they no longer hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath

from syncvid.arrays import Audio
from syncvid.listen import Playing, both_ears, find_passage, find_playing
from syncvid.media.flac import encode_flac
from syncvid.production.files import fingerprint, system_errors, write_whole
from syncvid.production.material import Material
from syncvid.production.results import ClipSync, Stretch, SyncResult
from syncvid.production.store import Store
from syncvid.steps.hearing import Heard, hear
from syncvid.steps.jobs import cut_out
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Placement, clock_text

LISTEN_FOLDER = "listen"

# Raised when the sounds are made in another way, so that old ones are made anew.
_LISTENING = "listening/1"

# With more rivals than these an ear gets tired; they are the strongest ones.
_MOST_RIVALS = 5

_RECORD = "listening"

# What some file system forbids in a name, and how long a name may become.
_FORBIDDEN = re.compile(r'[\\/:*?"<>|\x00-\x1f\x7f]+')
_LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class ListeningSound:
    """A short sound by which an ear can decide.

    Attributes
    ----------
    file, stretch : str, Stretch
        The clip, as `SyncResult.of` finds it.
    rival : int
        0 for the proposed place, otherwise the number of the rival.
    offset_s : float
        The place.
    from_s : float
        Reference time at which the sound begins.
    path : Path
        The FLAC file.
    """

    file: str
    stretch: Stretch
    rival: int
    offset_s: float
    from_s: float
    path: Path


def write_listening(
    material: Material,
    result: SyncResult,
    heard: Sequence[Heard],
    *,
    folder: Path | None = None,
) -> tuple[ListeningSound, ...]:
    """Write the listening sounds of all clips that are not sure, and remove those of old.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    result : SyncResult
        Their places.
    heard : sequence of Heard
        Their sounds.
    folder : Path or None
        Where to write; None for ``listen`` in the work folder.

    Returns
    -------
    tuple of ListeningSound
        What lies there now.

    Raises
    ------
    MediaError
        The folder cannot be written.
    """
    folder = folder or material.store.folder / LISTEN_FOLDER
    known = dict(material.store.last(_RECORD) or {})
    old = {name: key for name, key in known.items() if Path(name).parent == folder.absolute()}
    ears = _Ears(material, heard)
    sounds: list[ListeningSound] = []
    new: dict[str, str] = {}
    for clip in result.clips:
        if clip.finding.verdict == "sure" or clip.finding.pinned:
            continue
        for rival, place in _places(clip):
            path = _free_path(folder, _name(clip, rival, place), new)
            compared = ears.compare(clip, rival, place)
            if compared is None:
                continue
            sounds.append(
                ListeningSound(
                    clip.file, clip.stretch, rival, place.offset_s, compared.passage[0], path
                )
            )
            name = str(path.absolute())
            new[name] = compared.key
            if old.get(name) != compared.key or not path.is_file():
                write_whole(path, compared.flac())
    with system_errors(folder):
        for name in old.keys() - new.keys():
            Path(name).unlink(missing_ok=True)
    kept = {name: key for name, key in known.items() if name not in old}
    if known != kept | new:
        material.store.save(_RECORD, "", kept | new)
    return tuple(sounds)


def forget_listening(store: Store) -> None:
    """Delete every listening sound that was written, wherever it lies."""
    with system_errors(store.folder):
        for name in store.last(_RECORD) or {}:
            Path(name).unlink(missing_ok=True)
    store.forget(_RECORD)


@dataclass(frozen=True, slots=True)
class _Side:
    """One of two sounds that are compared."""

    identity: str
    samples: Audio
    playing: Playing


@dataclass(frozen=True, slots=True)
class _Compared:
    """A clip beside its reference at a place."""

    clip: _Side
    reference: _Side
    place: Placement
    passage: tuple[float, float]

    @property
    def key(self) -> str:
        """What the sound is made from."""
        place = (round(self.place.offset_s, 6), round(self.place.drift_ppm, 3))
        sides = (self.clip.identity, self.reference.identity)
        return fingerprint(_LISTENING, sides, place, self.passage)

    def flac(self) -> bytes:
        """Return the sound as a file."""
        sides = self.clip.samples, self.reference.samples
        ears = both_ears(*sides, self.place, self.passage, sample_rate=ANALYSIS_RATE)
        return encode_flac(ears, ANALYSIS_RATE)


class _Ears:
    """Lays clips beside their reference; a sound is measured once as long as its turn lasts."""

    def __init__(self, material: Material, heard: Sequence[Heard]) -> None:
        self._material = material
        self._heard = {item.source.file: item for item in heard}
        self._sides: dict[str, _Side | None] = {}

    def compare(self, clip: ClipSync, rival: int, place: Placement) -> _Compared | None:
        """Return a clip beside its reference at a place, or None where nothing can be heard."""
        side, reference = self._clip(clip.file, clip.stretch), self._reference(clip)
        if side is None or reference is None:
            return None
        votes = clip.finding.votes if rival == 0 else ()
        passage = find_passage(side.playing, reference.playing, place, votes=votes)
        return _Compared(side, reference, place, passage) if passage else None

    def _reference(self, clip: ClipSync) -> _Side | None:
        """Return the sound that a clip was laid against."""
        source = self._material.mix or self._material.guide
        if source is None:
            against = clip.finding.against
            return self._clip(against, Stretch()) if against != clip.file else None
        if "" not in self._sides:
            self._sides[""] = _side(hear(source, self._material.store), Stretch())
        return self._sides[""]

    def _clip(self, file: str, stretch: Stretch) -> _Side | None:
        """Return the sound of a clip."""
        key = f"{file}{stretch.text}"
        if key not in self._sides:
            # The reference, the clip and what it was laid against: more would only fill memory.
            for old in [old for old in self._sides if old][:-1]:
                del self._sides[old]
            item = self._heard.get(file)
            self._sides[key] = _side(item, stretch) if item else None
        return self._sides[key]


def _side(heard: Heard, stretch: Stretch) -> _Side | None:
    """Measure a sound; None where there is none."""
    if not heard.has_sound:
        return None
    samples = cut_out(heard.samples, stretch)
    playing = find_playing(samples, sample_rate=ANALYSIS_RATE)
    return _Side(f"{heard.source.identity}{stretch.text}", samples, playing)


def _places(clip: ClipSync) -> Iterator[tuple[int, Placement]]:
    """Yield the places of a clip that an ear should compare, with the numbers of the rivals."""
    finding = clip.finding
    if finding.placement is not None:
        yield 0, finding.placement
    for number, rival in enumerate(finding.rivals[:_MOST_RIVALS], 1):
        yield number, Placement(rival.offset_s, finding.drift_ppm or 0.0)


def _name(clip: ClipSync, rival: int, place: Placement) -> str:
    """Return what to call a listening sound: whose, where, and which place it is."""
    name = clip.name if clip.part else PurePath(clip.file).stem
    name = _FORBIDDEN.sub(" ", name).strip(" .")[:_LONGEST_NAME] or "clip"
    at = clock_text(abs(place.offset_s)).replace(":", "-")
    sign = "minus " if place.offset_s < 0 else ""
    return f"{name} - at {sign}{at} - {f'rival {rival}' if rival else 'proposed'}"


def _free_path(folder: Path, name: str, taken: dict[str, str]) -> Path:
    """Return a path that no other clip's sound has taken."""
    count = 1
    while True:
        path = folder / f"{name}{f' ({count})' if count > 1 else ''}.flac"
        if str(path.absolute()) not in taken:
            return path
        count += 1
