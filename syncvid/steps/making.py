"""Making the videos that are not there yet: several from one decoding, or one that must fit."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from syncvid.media.labels import Chapter, Labels
from syncvid.media.probe import probe
from syncvid.media.sound import SoundFile
from syncvid.mix import PlainSum, safe_gain
from syncvid.picture import Composition
from syncvid.production.fitting import Trial, fit
from syncvid.production.outputs import OutputKind, size_of
from syncvid.progress import SILENT, Progress
from syncvid.segments import (
    SEGMENT_FOLDER,
    EncodeSettings,
    Output,
    RenderSummary,
    Tiles,
    render_videos,
)
from syncvid.sources import SoundSource
from syncvid.steps.composing import Scenario
from syncvid.steps.made import Shown, is_there, note_output, output_key, shown_in
from syncvid.steps.own_mix import mixed_sound
from syncvid.steps.stems import pieces_of

SAMPLE_RATE = 48_000
"""Rate of the sound in the video, Hz."""


@dataclass(frozen=True, slots=True)
class Video:
    """One of the videos to be made."""

    kind: OutputKind
    out: Path
    composition: Composition
    settings: EncodeSettings
    key: str


class Seen(NamedTuple):
    """What one of the videos really shows, what is to be said of it, and how it was made."""

    composition: Composition
    notes: tuple[str, ...]
    summary: RenderSummary | None = None


def video_sound(scenario: Scenario, progress: Progress = SILENT) -> SoundSource:
    """Return the sound of the video: the mix, or the plain sum of what is heard of the parts."""
    if scenario.material.mix is not None:
        return SoundFile(scenario.material.mix.path)
    if scenario.own.mix is not None:
        return mixed_sound(scenario.own.mix)
    pieces = [piece for part in scenario.own.parts for piece in pieces_of(part)]
    total = PlainSum(pieces, scenario.players.duration_s)
    total.gain = safe_gain(total, sample_rate=SAMPLE_RATE, progress=progress)
    return total


class Maker:
    """Makes the videos that are not there yet."""

    def __init__(self, scenario: Scenario, tiles: Tiles, executor: Executor | None) -> None:
        self._scenario, self._tiles, self._executor = scenario, tiles, executor
        self._material = scenario.material
        self._known_sound: SoundSource | None = None

    def make(self, videos: Sequence[Video], progress: Progress) -> dict[Path, Seen]:
        """Make what is missing; return what each of those made shows."""
        made: dict[Path, Seen] = {}
        missing = [video for video in videos if not self._is_there(video)]
        plain = [video for video in missing if video.kind.limit_mb is None]
        if plain:
            outputs = [self._output(v.composition, v.out, v.settings) for v in plain]
            summaries = self._render(outputs, progress.part(len(plain) / len(missing)))
            for video, summary in zip(plain, summaries, strict=True):
                made[video.out] = Seen(summary.composition, summary.notes, summary)
                self._note(video, made[video.out])
        for video in missing:
            if video.kind.limit_mb is not None:
                made[video.out] = self._fit(video, progress.part(1.0 / len(missing)))
                self._note(video, made[video.out])
        return made

    def _is_there(self, video: Video) -> bool:
        """Tell whether a video need not be made again."""
        from_originals = not self._tiles.use_kept
        return is_there(self._material, video.out, video.key, from_originals=from_originals)

    def _fit(self, video: Video, progress: Progress) -> Seen:
        """Make a video that must not be larger than its kind allows."""
        assert video.kind.limit_mb is not None
        summaries: dict[Trial, RenderSummary] = {}

        def attempt(trial: Trial, path: Path) -> None:
            settings = replace(video.settings, crf=trial.crf, sound_kbps=trial.sound_kbps)
            output = self._output(self._scenario.at(trial.size), path, settings)
            # Nobody knows how many tries there will be: each takes half of what is left.
            part = progress.part(0.5 ** (len(summaries) + 1))
            (summaries[trial],) = self._render([output], part)

        fitted = fit(
            attempt,
            video.out,
            limit_mb=video.kind.limit_mb,
            size=video.composition.size,
            duration_s=video.composition.picture_count / float(video.composition.frame_rate),
        )
        width, height = fitted.trial.size
        said = (
            f"{video.out.name} has {fitted.bytes / 1e6:.1f} MB of at most "
            f"{video.kind.limit_mb:g}: {width}x{height} pixels, after "
            f"{fitted.tries} {'try' if fitted.tries == 1 else 'tries'}."
        )
        summary = summaries[fitted.trial]
        return Seen(summary.composition, (said, *summary.notes), summary)

    def _render(self, outputs: Sequence[Output], progress: Progress) -> list[RenderSummary]:
        """Render videos, each clip decoded once for all of them."""
        return list(
            render_videos(
                outputs,
                self._sound(),
                work=self._material.store.folder / SEGMENT_FOLDER,
                tiles=self._tiles,
                executor=self._executor,
                progress=progress,
            )
        )

    def _sound(self) -> SoundSource:
        """Return the sound of all videos."""
        if self._known_sound is None:
            self._known_sound = video_sound(self._scenario)
        return self._known_sound

    def _output(self, composition: Composition, out: Path, settings: EncodeSettings) -> Output:
        """Return what the engine is to make."""
        rate = SAMPLE_RATE
        mix = self._material.mix
        if settings.sound == "lossless" and mix is not None:
            # What is kept for good is not resampled.
            sound = probe(mix.path).sound
            rate = sound.sample_rate if sound is not None else rate
        return Output(composition, out, settings, _labels(self._scenario, composition), rate)

    def _note(self, video: Video, seen: Seen) -> None:
        """Remember a video."""
        look_of = replace(self._scenario.look_of, size=video.composition.size)
        dropped = [drop.file for drop in seen.summary.dropped] if seen.summary else []
        note_output(
            self._material,
            video.out,
            video.key,
            look_of,
            video.settings,
            video.kind.limit_mb,
            Shown(seen.notes, seen.composition.size, tuple(dropped)),
            from_originals=not self._tiles.use_kept,
        )


def as_made(scenario: Scenario, video: Video) -> Seen:
    """Return what a video shows that was there already."""
    shown = shown_in(scenario.material, video.out)
    composition = scenario.at(shown.size) if shown.size else video.composition
    composition = composition.without(lambda piece: piece.file in shown.dropped)
    return Seen(composition, shown.notes)


def video_of(
    scenario: Scenario, kind: OutputKind, out: Path, settings: EncodeSettings | None
) -> Video:
    """Lay out one of the videos."""
    composition = scenario.at(size_of(kind, scenario.size))
    settings = settings or EncodeSettings(
        preset=kind.preset, crf=kind.crf, sound=kind.sound, sound_kbps=kind.sound_kbps
    )
    key = output_key(scenario, composition, settings, kind.limit_mb)
    return Video(kind, out, composition, settings, key)


def _labels(scenario: Scenario, composition: Composition) -> Labels:
    """Return title and chapters of a video."""
    at_s = -composition.from_s
    end_s = composition.picture_count / float(composition.frame_rate)
    starts = [(max(0.0, section.from_s + at_s), section.name) for section in scenario.sections]
    # A section that began before an excerpt does is its first chapter.
    kept = [
        Chapter(start_s, name)
        for index, (start_s, name) in enumerate(starts)
        if start_s < end_s and (index + 1 == len(starts) or starts[index + 1][0] > start_s)
    ]
    return Labels(title=scenario.material.title, chapters=tuple(kept))
