"""What was found, gathered into the records from which the sheet and the terminal tell it."""

from __future__ import annotations

import datetime
import os
import shlex
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from syncvid.handoff import SheetClip, SheetPage, SheetSound
from syncvid.production.beats import GuideMap, read_map
from syncvid.production.files import system_errors
from syncvid.production.material import Material
from syncvid.production.pick import TakeName, take_label
from syncvid.production.results import ClipSync, Levels, SyncResult
from syncvid.steps.hearing import Facts, hear
from syncvid.steps.listening import ListeningSound
from syncvid.steps.syncing import SyncOutcome
from syncvid.timeline import BeatMap, clock_text

DISTORTED = 0.0005
"""Share of samples in flat tops above which a recording sounds distorted (project choice)."""

# Peak below which a recording is so quiet that its noise will be heard (project choice), dBFS.
_QUIET_DBFS = -30.0


def sheet_page(
    material: Material,
    outcome: SyncOutcome,
    *,
    shown: Sequence[ClipSync],
    video: str = "",
    beside: Path | None = None,
) -> SheetPage:
    """Gather what the sheet tells.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    outcome : SyncOutcome
        What was found.
    shown : sequence of ClipSync
        The takes that the video shows.
    video : str
        Name of the video that lies beside the sheet; empty if there is none.
    beside : Path or None
        The folder of the sheet, from which links are written.

    Returns
    -------
    SheetPage
    """
    result = outcome.result
    facts = {item.source.file: item.facts for item in outcome.heard}
    reference = material.mix or material.guide
    return SheetPage(
        title=material.title,
        reference=result.reference,
        reference_duration_s=result.reference_duration_s,
        mix_overview=hear(reference, material.store).facts.overview if reference else None,
        clips=tuple(
            SheetClip(
                sync=clip,
                overview=facts[clip.file].overview,
                levels=facts[clip.file].levels,
                chosen=clip in shown,
                notes=_notes(clip, facts[clip.file]),
                sounds=_sounds(clip, outcome.listening, beside),
                settle=settle_command(material, result.clips, clip),
            )
            for clip in result.clips
        ),
        left_out=tuple((problem.where, problem.what) for problem in outcome.problems),
        bars=find_beats(material),
        guide_offset_s=guide_offset_of(material, result),
        video=video,
        made=datetime.date.today().strftime("%-d %B %Y"),
    )


def settle_command(material: Material, clips: Sequence[ClipSync], clip: ClipSync) -> str:
    """Return the command that settles a clip's place, without its options; empty for loose ones."""
    if material.folder is None or clip.sound_of or not clip.listed:
        return ""
    names = [take_name(other) for other in clips if not other.sound_of]
    label = take_label(take_name(clip), names)
    return f"syncvid place {shlex.quote(str(material.folder))} {shlex.quote(label)}"


def take_name(clip: ClipSync) -> TakeName:
    """Return what a clip is called; a recorder's file has only its file's name."""
    return TakeName("" if clip.sound_of else clip.part, clip.player, clip.take, clip.file)


def _sounds(
    clip: ClipSync, listening: Sequence[ListeningSound], beside: Path | None
) -> tuple[SheetSound, ...]:
    """Return a clip's listening sounds, with their links as seen from a folder."""
    return tuple(
        SheetSound(
            sound.rival,
            sound.from_s,
            str(sound.path),
            quote(Path(os.path.relpath(sound.path, beside)).as_posix()) if beside else "",
        )
        for sound in listening
        if (sound.file, sound.stretch) == (clip.file, clip.stretch)
    )


def _notes(clip: ClipSync, facts: Facts) -> tuple[str, ...]:
    """Say what is worth knowing of a recording besides its place."""
    notes = []
    if clip.sound_of:
        notes.append(f"It is the sound of {clip.sound_of}.")
    if not clip.listed:
        notes.append("A further take in this file: `syncvid add FOLDER --split FILE` takes it in.")
    if not clip.stretch.is_whole:
        begin_s, end_s = clip.stretch.within(facts.duration_s)
        notes.append(f"It is played from {clock_text(begin_s)} to {clock_text(end_s)} of the file.")
    if facts.missing_s:
        notes.append(f"The file breaks off: its last {facts.missing_s:.0f} s are missing.")
    if facts.rotation == 180:
        notes.append("The phone was upside down; it is shown upright.")
    if facts.shape is None and not clip.sound_of:
        notes.append("There is no picture; a card with the name is shown.")
    if facts.levels:
        notes += _sound_notes(facts.levels)
    return tuple(notes)


def _sound_notes(levels: Levels) -> list[str]:
    """Say what is wrong with a recording's sound."""
    if levels.silent:
        return ["Nothing is to be heard."]
    if levels.clipped_share > DISTORTED:
        return ["Its loudest notes are distorted."]
    if levels.peak_dbfs < _QUIET_DBFS:
        return ["It was recorded very quietly."]
    return []


def guide_offset_of(material: Material, result: SyncResult) -> float | None:
    """Return where the guide begins on the reference: as the user says, else as sync found it."""
    if result.reference == "guide":
        return 0.0
    settled = material.guide_offset_s if result.reference == "mix" else None
    return result.guide_offset_s if settled is None else settled


def find_guide_map(material: Material) -> GuideMap | None:
    """Return what is known of the guide's time, from the ``.beats.json`` file beside it."""
    if material.guide is None:
        return None
    path = material.guide.path.with_suffix(".beats.json")
    if not path.is_file():
        return None
    with system_errors(path):
        return read_map(path.read_text(encoding="utf-8"), where=str(path))


def find_beats(material: Material) -> BeatMap | None:
    """Return the beats of the guide, from the ``.beats.json`` file beside it."""
    guide = find_guide_map(material)
    return guide.beat_map if guide is not None else None
