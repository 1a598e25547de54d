"""Making a guide: from a plan or a score to the track, its beat map, the sheet and all versions."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from syncvid.arrays import Sound
from syncvid.errors import ProductionError
from syncvid.guide.midi_out import write_midi
from syncvid.guide.sound import render_guide
from syncvid.guide.timing import Timing, time_plan
from syncvid.handoff.guide_summary import guide_summary
from syncvid.handoff.plan_picture import plan_picture
from syncvid.media.sound_file import write_sound
from syncvid.production.beats import GuideMap, read_map, write_map
from syncvid.production.files import (
    check_target,
    fingerprint,
    system_errors,
    write_whole,
)
from syncvid.production.guide_file import write_plan
from syncvid.production.guide_plan import GuidePlan
from syncvid.progress import SILENT, Progress
from syncvid.steps.guide_source import SOUND_ENDINGS, Changes, GuideSource, read_source
from syncvid.steps.guide_video import make_conductor_video, make_guide_video
from syncvid.steps.practice import Practice, practice_versions
from syncvid.steps.production_guide import players_of, set_guide
from syncvid.steps.sheets import write_sheets

# Numbers that the signature can carry.
_GUIDES, _LAST_VERSION = 1 << 16, 255

# Times are the same guide where they agree to this (project choice): a tenth of a millisecond.
_TIME_DIGITS = 4


@dataclass(frozen=True, slots=True)
class GuideWishes:
    """What is asked for.

    Attributes
    ----------
    out : Path or None
        The guide track; None: beside the plan or score, as WAV.
    changes : Changes
        What is said beside the plan.
    also : tuple of str
        Endings of further copies, such as ``m4a``.
    practice : Practice
        Versions for practice.
    video : bool
        Whether the guide is made as a video too.
    conductor : Path or None
        A video that conducts it, to be laid under the click.
    """

    out: Path | None = None
    changes: Changes = field(default_factory=Changes)
    also: tuple[str, ...] = ()
    practice: Practice = field(default_factory=Practice)
    video: bool = False
    conductor: Path | None = None


@dataclass(frozen=True, slots=True)
class GuideOutcome:
    """What was made.

    Attributes
    ----------
    map : GuideMap
        Beats, clicks and marks.
    files : tuple of (str, Path)
        What each file is, and where; the track first.
    summary : str
        The guide in words.
    remarks : tuple of str
        What else is worth knowing.
    is_new_version : bool
        Whether recordings to the version before do not fit any more.
    """

    map: GuideMap
    files: tuple[tuple[str, Path], ...]
    summary: str
    remarks: tuple[str, ...] = ()
    is_new_version: bool = False


def make_guide(
    source: Path, wishes: GuideWishes | None = None, *, progress: Progress = SILENT
) -> GuideOutcome:
    """Make a guide from a plan, a score, or the plan in a production's folder.

    Parameters
    ----------
    source : Path
        A plan (``.toml``), a score (MusicXML or MIDI), or a folder that holds ``guide.toml``.
    wishes : GuideWishes
        What is asked for besides.
    progress : Progress

    Returns
    -------
    GuideOutcome

    Raises
    ------
    ProductionError
        Mistakes in the plan or score; a file that is not ours would be overwritten.
    MediaError
        A file cannot be read or written.
    """
    wishes = wishes or GuideWishes()
    read = read_source(source, wishes.changes)
    out = wishes.out or _usual_place(read)
    _check(read, out, wishes)
    maker = _Maker(read, out, wishes, progress)
    return maker.make()


class _Maker:
    """Makes one guide, its files one after the other."""

    def __init__(
        self, read: GuideSource, out: Path, wishes: GuideWishes, progress: Progress
    ) -> None:
        self._read, self._out, self._wishes, self._progress = read, out, wishes, progress
        self._files: list[tuple[str, Path]] = []
        self._remarks = list(read.remarks)

    def make(self) -> GuideOutcome:
        """Make everything that is asked for."""
        before = _map_before(self._out)
        timing = _numbered(self._read.plan, before)
        sound = self._write_track(timing)
        self._write_words(timing)
        # After the sound: a guide that was not written whole is no version.
        self._write("beat map", beats_path(self._out), write_map(timing.map))
        self._write_videos(timing.map, sound)
        versions = practice_versions(
            self._read, timing, self._out, self._wishes.practice, progress=self._progress
        )
        self._files += versions.files
        self._remarks += versions.remarks
        sheets = write_sheets(
            self._read, timing.map, self._out, versions.files, players_of(self._read)
        )
        self._files += sheets.files
        self._remarks += sheets.remarks
        if self._read.folder is not None:
            self._remarks += set_guide(self._read.folder, self._out)
        is_new = before is not None and before.version != timing.map.version
        return GuideOutcome(
            timing.map,
            tuple(self._files),
            guide_summary(timing.map, self._read.plan, order=self._read.order),
            tuple(self._remarks),
            is_new,
        )

    def _write_track(self, timing: Timing) -> Sound:
        """Write the guide track, and copies of it."""
        self._progress.advance(0, 4, "making the sound")
        sound = render_guide(timing, self._read.plan, self._read.score)
        for path in (self._out, *_copies(self._out, self._wishes.also)):
            write_sound(path, sound)
            self._files.append(("guide", path))
        return sound

    def _write_words(self, timing: Timing) -> None:
        """Write the plan, the beat map as MIDI, and the picture of the tempo."""
        self._progress.advance(1, 4, "writing the beat map")
        if self._read.is_score:
            text = write_plan(self._read.plan, remarks=self._read.remarks)
            self._write("plan", plan_path(self._out), text)
        midi = write_midi(timing.map, self._read.plan)
        self._write("tempo and bars as MIDI", self._out.with_suffix(".beats.mid"), midi)
        picture = plan_picture(timing.map)
        self._write("picture of the tempo", self._out.with_suffix(".tempo.svg"), picture)

    def _write_videos(self, guide: GuideMap, sound: Sound) -> None:
        """Write the guide as a video, and the conductor's."""
        if self._wishes.video:
            path = _named(self._out, "video", ".mp4")
            make_guide_video(guide, sound, path, progress=self._progress)
            self._files.append(("video", path))
        if self._wishes.conductor is not None:
            path = _named(self._out, "conducted", ".mp4")
            make_conductor_video(
                self._wishes.conductor, self._out, guide, sound, path, progress=self._progress
            )
            self._files.append(("conducted video", path))

    def _write(self, what: str, path: Path, content: str | bytes) -> None:
        """Write a small file."""
        write_whole(path, content)
        self._files.append((what, path))


def beats_path(out: Path) -> Path:
    """Return where the beat map of a guide track lies."""
    return out.with_suffix(".beats.json")


def plan_path(out: Path) -> Path:
    """Return where the plan lies that is written from a score."""
    return out.with_suffix(".plan.toml")


def _named(out: Path, word: str, ending: str | None = None) -> Path:
    """Return the path of a version of a guide track."""
    return out.with_name(f"{out.stem} {word}{ending or out.suffix}")


def _copies(out: Path, endings: Sequence[str]) -> list[Path]:
    """Return where copies in other formats go."""
    paths = [out.with_suffix(f".{ending.lstrip('.').lower()}") for ending in endings]
    return [path for path in dict.fromkeys(paths) if path != out]


def _usual_place(read: GuideSource) -> Path:
    """Return where a guide goes that nobody named."""
    if read.is_score:
        return read.path.with_name(f"{read.path.stem} guide.wav")
    return read.path.with_suffix(".wav")


def _check(read: GuideSource, out: Path, wishes: GuideWishes) -> None:
    """Refuse at the door what could not be written at the end, or would hit what is not ours."""
    for path in (out, *_copies(out, wishes.also)):
        if path.suffix.lower() not in SOUND_ENDINGS:
            raise ProductionError(
                f"A guide cannot be written as {path.suffix or 'a file without an ending'!r}.",
                where=str(path),
                fix=f"Choose one of {', '.join(SOUND_ENDINGS)}.",
            )
        check_target(path)
        if path.exists() and not beats_path(out).exists():
            raise ProductionError(
                "This file would be overwritten, and it is no guide that syncvid made.",
                where=str(path),
                fix="Move it away, or give the guide another name.",
            )
    if read.is_score:
        _check_plan(read, plan_path(out))


def _check_plan(read: GuideSource, path: Path) -> None:
    """Refuse to write over a plan that somebody may have edited."""
    if not path.exists():
        return
    with system_errors(path):
        there = path.read_text(encoding="utf-8", errors="replace")
    if there != write_plan(read.plan, remarks=read.remarks):
        raise ProductionError(
            "There is a plan already that was written from this score, and perhaps edited.",
            where=str(path),
            fix="Make the guide from that plan, or move it away to begin anew from the score.",
        )


def _map_before(out: Path) -> GuideMap | None:
    """Return the beat map of the guide that lies there already."""
    path = beats_path(out)
    if not path.is_file():
        return None
    with system_errors(path):
        return read_map(path.read_text(encoding="utf-8"), where=str(path))


def _numbered(plan: GuidePlan, before: GuideMap | None) -> Timing:
    """Time a plan under its number and version: another one if any time has changed."""
    make = partial(time_plan, plan)
    marked = _fingerprint(make().map)
    if before is None or (before.version >= _LAST_VERSION and before.fingerprint != marked):
        return make(guide=secrets.randbelow(_GUIDES), version=1, fingerprint=marked)
    number = before.signature.guide if before.signature else secrets.randbelow(_GUIDES)
    version = before.version + (before.fingerprint != marked)
    return make(guide=number, version=version, fingerprint=marked)


def _fingerprint(guide: GuideMap) -> str:
    """Return what is the same for guides to which the same recordings fit."""
    beats = [(b.bar, b.beat, round(b.guide_s, _TIME_DIGITS)) for b in guide.beats]
    return fingerprint(beats, guide.signature is not None)
