"""Small productions without a finished mix, whose players' places are pinned and known."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from syncvid.arrays import Audio
from syncvid.production.material import Material, open_production
from syncvid.timeline import Placement

from .conftest import RATE, as_heard_by, melody

MUSIC_S = 12.0


@dataclass(frozen=True)
class Planned:
    """One take as it was planted: its clip, and where it lies."""

    file: str
    place: Placement
    gain: float = 1.0


@dataclass(frozen=True)
class Player:
    """A part with its takes, and further lines of the plan."""

    name: str
    takes: Sequence[Planned]
    lines: str = ""
    player: str = ""


@dataclass
class Small:
    """A production, and what its players have played, on the reference clock."""

    folder: Path
    players: Sequence[Player]
    played: dict[str, Audio] = field(default_factory=dict)

    def write_plan(self, top: str = "", **lines: str) -> Material:
        """Write the plan and open it; further lines may be given for each part."""
        text = f'title = "Round"\n{top}\n'
        for player in self.players:
            text += f'[[parts]]\nname = "{player.name}"\nplayer = "{player.player}"\n'
            text += f"{lines.get(player.name, player.lines)}\n"
            for number, take in enumerate(player.takes, 1):
                text += (
                    f'[[parts.takes]]\ntake = {number}\nfile = "{take.file}"\n'
                    f"offset_s = {take.place.offset_s}\ndrift_ppm = {take.place.drift_ppm}\n"
                )
        (self.folder / "production.toml").write_text(text, encoding="utf-8")
        return open_production(self.folder)


def make_small(
    folder: Path, players: Sequence[Player], rng: np.random.Generator, length_s: float = MUSIC_S
) -> Small:
    """Write the clips of a production: all takes of a part have played the same notes."""
    small = Small(folder, players)
    for player in players:
        small.played[player.name] = melody(rng, length_s)
        for take in player.takes:
            # One second more than the music, whatever is cut off before it.
            clip_s = (length_s + 1.0 - take.place.offset_s) / take.place.rate
            heard = as_heard_by(small.played[player.name], take.place, clip_s)
            path = folder / take.file
            path.parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(path, take.gain * heard, RATE, subtype="FLOAT")
    return small


def copy_of(small: Small, folder: Path) -> Small:
    """Return a production with all that is kept of it, for a test to change."""
    shutil.copytree(small.folder, folder)
    return Small(folder, small.players, small.played)


def lag_s(heard: Audio, given: Audio, *, fine: int = 8) -> float:
    """Return by how much one sound comes behind another, to a fraction of a sample.

    The cross-correlation is read between its samples by zeros behind its spectrum.
    """
    length = min(heard.size, given.size)
    size = 2 ** int(np.ceil(np.log2(2 * length)))
    spectra = [np.fft.rfft(np.hanning(length) * x[:length], size) for x in (heard, given)]
    cross = spectra[0] * np.conj(spectra[1])
    likeness = np.fft.irfft(np.pad(cross, (0, (fine - 1) * size // 2)), fine * size)
    at = int(np.argmax(likeness))
    return (at if at < likeness.size // 2 else at - likeness.size) / fine / RATE


def seconds(samples: Audio, from_s: float, to_s: float) -> Audio:
    """Return the stretch between two seconds of a sound at the usual rate."""
    cut: Audio = samples[..., round(from_s * RATE) : round(to_s * RATE)]
    return cut
