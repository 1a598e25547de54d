"""The mix that was made of the clips' own sound, as the picture needs it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from syncvid.arrays import Audio
from syncvid.media.sound import SoundFile
from syncvid.production.files import fingerprint, identity
from syncvid.production.material import Material
from syncvid.production.mix_made import MadeMix
from syncvid.production.results import SyncResult
from syncvid.sources import SoundSource
from syncvid.steps.heard_parts import HeardPart, heard_parts
from syncvid.steps.hearing import Facts
from syncvid.steps.mix_plan import plan_mix
from syncvid.steps.mixing import kept_mix, wishes_of
from syncvid.timeline import Bars


@dataclass(frozen=True, slots=True)
class OwnSound:
    """What is heard in a video that has no finished mix.

    Attributes
    ----------
    parts : tuple of HeardPart
        What is heard of the parts.
    mix : MadeMix or None
        The mix that was made of it, if it was made and is as the plan says now.
    key : str
        What the sound is known by.
    remarks : tuple of str
        What is worth knowing.
    """

    parts: tuple[HeardPart, ...] = ()
    mix: MadeMix | None = None
    key: str = ""
    remarks: tuple[str, ...] = ()


_OUTDATED = (
    "The mix that was made is no longer as the plan and the places of the clips say, so the plain "
    "sum of the clips is heard. Make it anew with `syncvid mix`."
)

NO_OWN_SOUND = OwnSound()
"""Where a finished mix is heard."""


class MovedSound:
    """A file's sound on another clock; a `syncvid.sources.SoundSource`.

    Parameters
    ----------
    path : Path
        The file.
    from_s : float
        When its first sample sounds.
    """

    def __init__(self, path: Path, from_s: float) -> None:
        self._file, self._from_s = SoundFile(path), from_s

    @property
    def duration_s(self) -> float:
        """When its last sample sounds."""
        return self._from_s + self._file.duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return what is heard between two seconds, shape (channels, samples)."""
        return self._file.read(from_s - self._from_s, to_s - self._from_s, sample_rate)


def mixed_sound(mix: MadeMix) -> SoundSource:
    """Return a mix's sound on the reference."""
    return MovedSound(Path(mix.files[0]), mix.from_s)


def own_sound(
    material: Material, result: SyncResult, facts: dict[str, Facts], bars: Bars | None
) -> OwnSound:
    """Find out what is heard of the clips' own sound; nothing where a finished mix is.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.
    bars : Bars or None
        Where the bars lie on the reference.

    Raises
    ------
    ProductionError
        A passage of the plan cannot be found.
    """
    if material.mix is not None:
        return OwnSound(remarks=tuple(_without_effect(material)))
    wishes = wishes_of(material)
    if wishes is None:
        parts, remarks = heard_parts(material, result, facts, bars)
        return OwnSound(tuple(parts), None, _key_of(parts), tuple(remarks))
    plan = plan_mix(material, result, facts, wishes)
    mix = kept_mix(plan)
    key = identity(mix.files[0]) if mix is not None else plan.key()
    told = plan.remarks if mix is not None else (*plan.remarks, _OUTDATED)
    return OwnSound(plan.parts, mix, key, told)


def _key_of(parts: Sequence[HeardPart]) -> str:
    """Return what the plain sum of the parts is known by."""
    heard = [
        (sound.source.identity, sound.take.stretch_s, repr(passage.line), passage.from_s,
         passage.to_s, passage.gain_db)
        for part in parts
        for passage in part.passages
        if (sound := passage.entry.sound) is not None
    ]  # fmt: skip
    return fingerprint(heard, [repr(splice) for part in parts for splice in part.splices])


def _without_effect(material: Material) -> list[str]:
    """Name what the plan says of parts and a finished mix cannot follow."""
    named = [
        part
        for (part, _), sound in material.part_sounds.items()
        if sound.passages or sound.shift_ms or sound.muted
    ]
    if not named:
        return []
    return [
        "The finished mix is used as it is, and the picture follows it: passages, shifts and mutes "
        f"of {', '.join(named)} matter only to `syncvid mix`."
    ]
