"""Making a guide: from a plan or a score to the track, its beat map, the sheet and all versions."""

from __future__ import annotations

import itertools
import secrets
from dataclasses import dataclass, field, replace
from pathlib import Path

from syncvid.arrays import Sound
from syncvid.errors import ProductionError
from syncvid.guide.midi_out import write_midi
from syncvid.guide.sound import render_guide
from syncvid.guide.timing import Timing, time_plan
from syncvid.handoff.guide_summary import guide_summary
from syncvid.handoff.plan_picture import plan_picture
from syncvid.media.sound_file import write_sound
from syncvid.production.beats import GuideMap, Signature, read_map, write_map
from syncvid.production.files import (
    fingerprint,
    system_errors,
    write_whole,
    written_path,
)
from syncvid.production.guide_file import Changes, write_plan
from syncvid.production.guide_plan import GuidePlan
from syncvid.production.played import order_text, played_numbers
from syncvid.progress import SILENT, Progress
from syncvid.steps.guide_files import GuideFiles
from syncvid.steps.guide_source import PLAN_NAME, GuideSource, read_source
from syncvid.steps.practice import Practice, PracticeVersions
from syncvid.steps.production_guide import players_of, set_guide
from syncvid.steps.sheets import write_sheets
from syncvid.steps.speech import NO_ENGINE, EngineSpeaker, find_speaker

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
    conductor_offset_s : float or None
        Where on the guide that video begins, in seconds; None: its sound tells.
    """

    out: Path | None = None
    changes: Changes = field(default_factory=Changes)
    also: tuple[str, ...] = ()
    practice: Practice = field(default_factory=Practice)
    video: bool = False
    conductor: Path | None = None
    conductor_offset_s: float | None = None


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
    files = GuideFiles(wishes.out or _usual_place(read), wishes.also)
    if read.is_score:
        score = written_path(read.path, files.plan.parent)
        read = replace(read, plan=replace(read.plan, score=score))
        _check_plan(read, files.plan)
    return _Maker(read, files, wishes, progress).make()


class _Maker:
    """Makes one guide, its files one after the other."""

    def __init__(
        self, read: GuideSource, files: GuideFiles, wishes: GuideWishes, progress: Progress
    ) -> None:
        self._read, self._files, self._wishes, self._progress = read, files, wishes, progress
        self._made: list[tuple[str, Path]] = []
        # The reader of a score tells by itself which bars are never played.
        self._remarks = [*read.remarks, *(() if read.is_score else _bar_remarks(read.plan))]
        if not read.is_score and _changes_time(wishes.changes):
            self._remarks.append(
                f"What is said beside the plan holds for this guide only: write it into "
                f"{read.path.name}, or the next guide has other times again."
            )

    def make(self) -> GuideOutcome:
        """Make everything that is asked for."""
        read, files = self._read, self._files
        before = _map_before(files.beats)
        timing = _numbered(read.plan, before)
        # Before anything is written: what cannot be played ends the work.
        versions = PracticeVersions(read, timing, self._wishes.practice)
        self._progress.advance(0, 10, "making the sound")
        sound = render_guide(timing, read.plan, read.score, speaker=self._speaker())
        ours = self._claim(before, timing.map, versions)
        self._write_tracks(sound)
        self._write_words(timing)
        self._write_videos(timing.map, sound)
        practised = versions.make(files, self._progress.part(0.3))
        self._made += [(version.label, files.version(version.label)) for version in practised.made]
        self._remarks += practised.remarks
        there = ours | {path.name: timing.map.version for _, path in self._made}
        self._remarks += write_sheets(
            read, replace(timing.map, files=there), files, practised.made, players_of(read)
        )
        self._made += [("players' sheet", path) for path in files.sheets]
        self._write_map(timing.map, ours)
        if read.folder is not None:
            self._remarks += set_guide(read.folder, files.out)
        return GuideOutcome(
            timing.map,
            tuple(self._made),
            guide_summary(
                timing.map,
                read.plan,
                order=_order(read),
                practice=[version.label for version in practised.made],
            ),
            tuple(self._remarks),
            before is not None and before.version != timing.map.version,
        )

    def _claim(
        self, before: GuideMap | None, guide: GuideMap, versions: PracticeVersions
    ) -> dict[str, int]:
        """Note down which files will be ours, before any is there: after a crash they still are.

        Until all are made the map of the guide before stays: what was not written whole is no
        version.
        """
        files, wishes = self._files, self._wishes
        planned = [*files.tracks, files.midi, files.picture, *files.sheets]
        planned += [files.video] if wishes.video else []
        planned += [files.conducted] if wishes.conductor else []
        planned += [files.version(version.label) for version in versions.versions]
        ours = dict(before.files) if before else {}
        files.check(planned, ours)
        known = {path.name: ours.get(path.name, 0) for path in planned}
        write_whole(files.beats, write_map(replace(before or guide, files=ours | known)))
        return ours

    def _write_map(self, guide: GuideMap, ours: dict[str, int]) -> None:
        """Write the beat map, and tell which files are still those of an older version."""
        folder = self._files.out.parent
        made = {path.name: guide.version for _, path in self._made}
        kept = {
            name: v for name, v in ours.items() if name not in made and (folder / name).exists()
        }
        self._write("beat map", self._files.beats, write_map(replace(guide, files=kept | made)))
        old = [name for name, version in kept.items() if version != guide.version]
        if old:
            self._remarks.append(
                f"Of an older version, which nobody should record to any more: {', '.join(old)}. "
                "Delete them, or make them again with the same options."
            )

    def _write_tracks(self, sound: Sound) -> None:
        """Write the guide track, and copies of it."""
        progress = self._progress.part(0.2)
        for done, path in enumerate(self._files.tracks):
            progress.advance(done, len(self._files.tracks), "writing the sound")
            write_sound(path, sound)
            self._made.append(("guide", path))

    def _speaker(self) -> EngineSpeaker | None:
        """Return who says words, if the plan wants any."""
        if self._read.plan.sound.spoken == "none":
            return None
        speaker = find_speaker(self._read.plan.sheet.language)
        if speaker is None:
            self._remarks.append(NO_ENGINE)
        return speaker

    def _write_words(self, timing: Timing) -> None:
        """Write the plan, the beat map as MIDI, and the picture of the tempo."""
        files = self._files
        if self._read.is_score:
            text = write_plan(self._read.plan, remarks=self._read.remarks)
            self._write("plan", files.plan, text)
        midi = write_midi(timing.map, self._read.plan)
        self._write("tempo and bars as MIDI", files.midi, midi)
        self._write("picture of the tempo", files.picture, plan_picture(timing.map))

    def _write_videos(self, guide: GuideMap, sound: Sound) -> None:
        """Write the guide as a video, and the conductor's."""
        files, conductor = self._files, self._wishes.conductor
        if not (self._wishes.video or conductor):
            return
        # Only here: all that renders takes longer to load than a guide to make.
        from syncvid.steps.guide_video import make_conductor_video, make_guide_video

        if self._wishes.video:
            self._remarks += make_guide_video(
                guide,
                sound,
                files.video,
                claps=self._read.plan.sheet.claps,
                progress=self._progress.part(0.2),
            )
            self._made.append(("video", files.video))
        if conductor is not None:
            self._remarks += make_conductor_video(
                conductor,
                files.out,
                guide,
                sound,
                files.conducted,
                offset_s=self._wishes.conductor_offset_s,
                progress=self._progress.part(0.2),
            )
            self._made.append(("conducted video", files.conducted))

    def _write(self, what: str, path: Path, content: str | bytes) -> None:
        """Write a small file."""
        write_whole(path, content)
        self._made.append((what, path))


def guide_is_current(folder: Path) -> bool | None:
    """Tell whether the guide of a production is the one that its plan asks for.

    Returns
    -------
    bool or None
        None where there is no plan; False where no guide was made from it yet, or where it has
        other times.

    Raises
    ------
    ProductionError
        Mistakes in the plan.
    """
    if not (folder / PLAN_NAME).is_file():
        return None
    read = read_source(folder, Changes())
    made = _map_before(GuideFiles(_usual_place(read)).beats)
    return made is not None and made.fingerprint == _fingerprint(time_plan(read.plan).map)


def _usual_place(read: GuideSource) -> Path:
    """Return where a guide goes that nobody named."""
    if read.is_score:
        return read.path.with_name(f"{read.path.stem} guide.wav")
    # The plan that was written from a score lies beside its guide.
    name = read.path.stem.removesuffix(".plan")
    return read.path.with_name(f"{name}.wav")


def _order(read: GuideSource) -> str:
    """Return the order of the bars, for a person to confirm, where it is not plain."""
    numbers = played_numbers(read.plan.bars)
    repeated = len(set(numbers)) < len(numbers)
    return order_text(numbers) if repeated or read.is_score else ""


def _changes_time(changes: Changes) -> bool:
    """Tell whether something is said beside the plan that moves beats."""
    return changes.tempo is not None or changes.count_in is not None


def _bar_remarks(plan: GuidePlan) -> list[str]:
    """Tell where bars are left out: it may be meant, or a slip."""
    numbers = sorted({0, *(bar.number for bar in plan.bars)})
    gaps = [(a + 1, b - 1) for a, b in itertools.pairwise(numbers) if b - a > 1]
    names = [f"{first}" if first == last else f"{first}-{last}" for first, last in gaps]
    return [f"Never played: bars {', '.join(names)}."] if names else []


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


def _map_before(path: Path) -> GuideMap | None:
    """Return the beat map of the guide that lies there already."""
    if not path.is_file():
        return None
    with system_errors(path):
        text = path.read_text(encoding="utf-8", errors="replace")
    try:
        return read_map(text, where=str(path))
    except ProductionError as exc:
        raise ProductionError(
            exc.what,
            where=str(path),
            fix="Move it away with the guide beside it, or give the new guide another name.",
        ) from exc


def _numbered(plan: GuidePlan, before: GuideMap | None) -> Timing:
    """Time a plan under its number and version: another one if any time has changed."""
    timing = time_plan(plan)
    marked = _fingerprint(timing.map)
    version = 1
    number = secrets.randbelow(_GUIDES)
    if before is not None:
        version = before.version + (before.fingerprint != marked)
        if before.signature is not None and version <= _LAST_VERSION:
            number = before.signature.guide
    if version > _LAST_VERSION:
        # Under its new number: the signature has no room for further versions under the old one.
        version = 1
    signature = timing.map.signature
    signed = None if signature is None else Signature(signature.guide_s, number, version)
    named = replace(timing.map, version=version, fingerprint=marked, signature=signed)
    return replace(timing, map=named)


def _fingerprint(guide: GuideMap) -> str:
    """Return what is the same for guides to which the same recordings fit."""
    beats = [(b.bar, b.beat, round(b.guide_s, _TIME_DIGITS)) for b in guide.beats]
    return fingerprint(beats, guide.signature is not None)
