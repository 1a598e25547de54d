"""A few seconds of the mix, to be compared: as it is, without the room, and as it was recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from syncvid.arrays import Audio, Sound
from syncvid.errors import ProductionError, SyncvidError
from syncvid.media.sound_file import write_sound
from syncvid.mix.bus import Strand, mix_excerpt
from syncvid.mix.fades import fade_ends
from syncvid.mix.limiter import limit
from syncvid.mix.master import TARGETS, master
from syncvid.production.captions import at_s
from syncvid.production.files import system_errors
from syncvid.production.material import Material
from syncvid.production.mix_json import read_mix_json
from syncvid.production.mix_made import MadeStem
from syncvid.production.moments import Moment
from syncvid.production.stem_files import StemFiles
from syncvid.progress import SILENT, Progress
from syncvid.signals.programme import integrated_lufs
from syncvid.steps.findings import find_places_of
from syncvid.steps.mix_plan import MixPlan, MixWishes, plan_mix
from syncvid.steps.mix_strands import room_of, strands_of
from syncvid.steps.mixing import wishes_of
from syncvid.steps.stems import SAMPLE_RATE, Stem, make_stems
from syncvid.timeline import to_samples

EXCERPT_FOLDER = "preview"

# If nobody says how long.
_USUAL_S = 10.0

# An excerpt begins and ends in the middle of the music.
_FADE_S = 0.02


@dataclass(frozen=True, slots=True)
class MixExcerpt:
    """What `preview_mix` made.

    Attributes
    ----------
    files : tuple of (what, Path)
        Sounds of equal loudness.
    from_s, to_s : float
        Which reference seconds.
    problems : tuple of SyncvidError
        Clips that could not be read.
    remarks : tuple of str
        What is worth knowing.
    """

    files: tuple[tuple[str, Path], ...]
    from_s: float
    to_s: float
    problems: tuple[SyncvidError, ...] = ()
    remarks: tuple[str, ...] = ()


def preview_mix(
    material: Material,
    begins: Moment,
    ends: Moment | None = None,
    *,
    only: Sequence[str] = (),
    wishes: MixWishes | None = None,
    progress: Progress = SILENT,
) -> MixExcerpt:
    """Make an excerpt of the mix: as it is, dry, and as it was recorded, all equally loud.

    Parameters
    ----------
    material : Material
        A production.
    begins : Moment
        Where it begins.
    ends : Moment or None
        Where it ends; None: ten seconds on.
    only : sequence of str
        The parts that are heard; none: all.
    wishes : MixWishes or None
        What is asked for besides the plan; None: as when the mix was made.
    progress : Progress
        Told how far it is.

    Returns
    -------
    MixExcerpt
        Its files lie in ``preview`` in the production.

    Raises
    ------
    ProductionError
        The moment or a part cannot be found, or nothing is to be heard.
    MediaError
        The folder cannot be written.
    """
    wishes = wishes or wishes_of(material) or MixWishes()
    outcome, facts = find_places_of(material, None, progress.part(0.3))
    plan = plan_mix(material, outcome.result, facts, replace(wishes, stems=False))
    asked_s = at_s(begins, plan.bars, "the excerpt")
    # Ten seconds from where there is music; of what lies all before it nothing is left.
    near = asked_s + _USUAL_S > plan.window.from_s
    from_s = max(asked_s, plan.window.from_s) if near and ends is None else asked_s
    to_s = at_s(ends, plan.bars, "the excerpt") if ends else from_s + _USUAL_S
    stems, problems = make_stems(material, plan.parts, plan.window, progress.part(0.9))
    first, last = (to_samples(at - plan.window.from_s, SAMPLE_RATE) for at in (from_s, to_s))
    sounds, remarks = _sounds(plan, stems, first, last, only)
    # It ends with the music, and does not begin before it.
    from_s = max(from_s, plan.window.from_s)
    to_s = from_s + sounds[0][2].shape[1] / SAMPLE_RATE
    folder = (material.folder or Path()) / EXCERPT_FOLDER
    with system_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
    files = []
    for what, name, samples in sounds:
        path = folder / f"{name}.wav"
        write_sound(path, Sound(samples, SAMPLE_RATE))
        files.append((what, path))
    problems = [*outcome.problems, *problems]
    return MixExcerpt(tuple(files), from_s, to_s, tuple(problems), (*plan.remarks, *remarks))


def _sounds(
    plan: MixPlan, stems: Sequence[Stem], first: int, last: int, only: Sequence[str]
) -> tuple[list[tuple[str, str, Audio]], list[str]]:
    """Return (what, name, samples) of each sound of an excerpt, and remarks."""
    strands, made, remarks = strands_of(plan, stems)
    heard = [row for row in made if not row.muted and row.loudness_lufs is not None]
    chosen = [
        (strand, row.name)
        for strand, row in zip(strands, heard, strict=True)
        if not only or _is_named(row.name, only)
    ]
    if not chosen:
        raise ProductionError(
            f"None of the parts that are heard is called {', '.join(only) or 'anything'}.",
            fix=f"There are {', '.join(row.name for row in heard) or 'none'}.",
        )
    length = max(strand.samples.shape[1] for strand, _ in chosen)
    first, last = max(0, first), min(length, last)
    if first >= last:
        raise ProductionError(
            "The excerpt lies outside of the music.",
            fix=f"Choose a moment from {plan.window.from_s:.1f} to {plan.window.to_s:.1f} s.",
        )
    room = room_of(plan)
    whole, dry = mix_excerpt(
        [strand for strand, _ in chosen],
        room[0] if room else None,
        first=first,
        last=last,
        sample_rate=SAMPLE_RATE,
    )
    names = {name for _, name in chosen}
    before, _ = mix_excerpt(
        [_as_recorded(plan, stem) for stem in stems if stem.name in names],
        None,
        first=first,
        last=last,
        sample_rate=SAMPLE_RATE,
    )
    after = _at_the_level_of_the_mix(plan, whole, made)
    loudness = integrated_lufs(after, sample_rate=SAMPLE_RATE)
    rows = [("mixed", "mix excerpt", after)]
    if room is not None:
        rows.append(("without the room", "mix excerpt dry", _as_loud(dry, loudness)))
    rows.append(("as it was recorded", "mix excerpt before", _as_loud(before, loudness)))
    return [(what, name, _faded(samples)) for what, name, samples in rows], remarks


def _is_named(name: str, only: Sequence[str]) -> bool:
    """Tell whether a stem is among those that are asked for: by its part, or its whole name."""
    parts = {name, *name.split(" + ")}
    parts |= {part.partition(" (")[0] for part in parts}
    known = {part.casefold() for part in parts}
    return any(wanted.casefold() in known for wanted in only)


def _as_recorded(plan: MixPlan, stem: Stem) -> Strand:
    """Return a stem as it was recorded."""
    return Strand(StemFiles(plan.material.store.folder).open(stem.raw_key))


def _at_the_level_of_the_mix(plan: MixPlan, samples: Audio, stems: Sequence[MadeStem]) -> Audio:
    """Return an excerpt as loud as it is in the mix; where there is none yet, as the use asks."""
    target = TARGETS[plan.sound.loudness]
    known = plan.material.store.last("mix")
    before = read_mix_json(known["made"]) if known else None
    was, now = _power(before.stems) if before else 0.0, _power(stems)
    if before is None or target.name != before.master.target or not (was and now):
        return master(samples, sample_rate=SAMPLE_RATE, target=target).samples
    # The plan may have changed since: a louder sum would be raised less.
    gain_db = before.master.gain_db + 10 * math.log10(was / now)
    louder = samples * np.float32(10 ** (gain_db / 20))
    return limit(louder, sample_rate=SAMPLE_RATE, ceiling_dbtp=target.ceiling_dbtp).samples


def _power(stems: Sequence[MadeStem]) -> float:
    """Return the power of all that is heard, as if no two parts were alike."""
    return sum(
        10 ** ((stem.loudness_lufs + stem.starting_db + stem.wish_db) / 10)
        for stem in stems
        if not stem.muted and stem.loudness_lufs is not None
    )


def _as_loud(samples: Audio, loudness_lufs: float | None) -> Audio:
    """Return an excerpt at a loudness, so that the louder one does not seem the better one."""
    own = integrated_lufs(samples, sample_rate=SAMPLE_RATE)
    if own is None or loudness_lufs is None:
        return samples
    louder = samples * np.float32(10 ** ((loudness_lufs - own) / 20))
    return limit(louder, sample_rate=SAMPLE_RATE, ceiling_dbtp=-1.0).samples


def _faded(samples: Audio) -> Audio:
    """Return an excerpt that comes in and goes out without a click."""
    samples = np.array(samples, np.float32)
    fade_ends(samples, to_samples(_FADE_S, SAMPLE_RATE))
    return samples
