"""Versions of a guide for practice: slower, clicks or drone alone, with the others' parts."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from syncvid.arrays import Sound
from syncvid.errors import ProductionError
from syncvid.guide.sound import render_guide
from syncvid.guide.timing import Timing, at_speed, time_plan
from syncvid.media.sound_file import write_sound
from syncvid.production.guide_plan import GuidePlan, Score
from syncvid.progress import Progress
from syncvid.steps.guide_files import GuideFiles
from syncvid.steps.guide_source import GuideSource

if TYPE_CHECKING:
    from syncvid.steps.played_parts import PlayedParts

ONLY = ("clicks", "drone")
PLAY = ("others", "own", "all")

# Slower or faster than this nobody practises (project choice).
_LEAST_SPEED, _MOST_SPEED = 0.25, 1.5


@dataclass(frozen=True, slots=True)
class Practice:
    """Which versions are asked for.

    Attributes
    ----------
    speeds : tuple of float
        Shares of the tempo, 1 left out.
    only : tuple of str
        ``clicks``, ``drone``.
    play : tuple of str
        ``others``: for each part, all the others play; ``own``: for each part, it plays alone;
        ``all``: everybody plays.
    """

    speeds: tuple[float, ...] = ()
    only: tuple[str, ...] = ()
    play: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Version:
    """One version.

    Attributes
    ----------
    label : str
        What it is, in words that go into its file's name.
    speed : float
    only : str or None
    parts : tuple of str
        Who plays along.
    """

    label: str
    speed: float = 1.0
    only: str | None = None
    parts: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Versions:
    """Which were made, and what to tell."""

    made: tuple[Version, ...] = ()
    remarks: tuple[str, ...] = ()


def list_versions(practice: Practice, parts: Sequence[str]) -> list[Version]:
    """Return all versions that are asked for.

    Parameters
    ----------
    practice : Practice
    parts : sequence of str
        Who can be heard.

    Raises
    ------
    ProductionError
        A speed or a word that makes no sense; others are asked for, and there are none.
    """
    check_practice(practice)
    if practice.play and not parts:
        raise ProductionError(
            "Nobody is there who could play along: there is no score, and no clip has its place.",
            fix="Name the `score` in the plan, or sync the production first.",
        )
    versions = []
    for speed in (1.0, *dict.fromkeys(practice.speeds)):
        pace = "" if speed == 1.0 else f" at {speed * 100:g} percent"
        if pace:
            versions.append(Version(pace.strip(), speed))
        versions += [Version(f"{word} only{pace}", speed, word) for word in practice.only]
        for word in practice.play:
            versions += [
                Version(label + pace, speed, parts=names) for label, names in _played(word, parts)
            ]
    return versions


class PracticeVersions:
    """The versions of a guide that are asked for.

    Parameters
    ----------
    read : GuideSource
        Plan and score.
    timing : Timing
        Of the guide itself.
    practice : Practice
        What is asked for.

    Attributes
    ----------
    versions : list of Version

    Raises
    ------
    ProductionError
        See `list_versions`.
    """

    def __init__(self, read: GuideSource, timing: Timing, practice: Practice) -> None:
        check_practice(practice)
        self._read, self._timing = read, timing
        self._heard: PlayedParts | None = None
        if practice.play:
            # Only here: finding recordings takes longer to load than a guide to make.
            from syncvid.steps.played_parts import played_parts

            self._heard = played_parts(read, timing.map)
        self.versions = list_versions(practice, self._heard.names if self._heard else ())

    def make(self, files: GuideFiles, progress: Progress) -> Versions:
        """Make them.

        Raises
        ------
        MediaError
            A file cannot be written.
        """
        made: list[Version] = []
        for done, version in enumerate(self.versions):
            progress.advance(done, len(self.versions), version.label)
            sound = _sound(self._read, self._timing, version, self._heard)
            if sound is not None:
                write_sound(files.version(version.label), sound)
                made.append(version)
        remarks = list(self._heard.remarks) if self._heard else []
        if len(made) < len(self.versions):
            remarks.append(
                "Recordings sound at their own tempo only: no slower version with them was made."
            )
        return Versions(tuple(made), tuple(remarks))


def _sound(
    read: GuideSource, timing: Timing, version: Version, heard: PlayedParts | None
) -> Sound | None:
    """Return the sound of one version; None where recordings would have to be slowed down."""
    plan = read.plan
    if version.parts and heard is not None and heard.is_recorded:
        if version.speed != 1.0:
            return None
        return heard.with_guide(render_guide(timing, plan, read.score), version.parts)
    if version.parts:
        plan = replace(plan, sound=replace(plan.sound, melody=version.parts))
    score = read.score
    if version.speed != 1.0:
        timing, plan, score = _slowed(timing, plan, score, version.speed)
    return render_guide(timing, plan, score, only=version.only)


def _slowed(
    timing: Timing, plan: GuidePlan, score: Score | None, speed: float
) -> tuple[Timing, GuidePlan, Score | None]:
    """Return everything at another speed, under a number of its own.

    A recording to it must not be taken for one to the guide.
    """
    plan = at_speed(plan, speed)
    signature = timing.map.signature
    number = signature.guide if signature else 0
    own = zlib.crc32(f"{number} {speed:.6f}".encode()) & 0xFFFF
    slow = time_plan(plan, guide=own, version=timing.map.version)
    slow = replace(slow, map=replace(slow.map, practice=speed))
    return slow, plan, None if score is None else replace(score, plan=plan)


def _played(word: str, parts: Sequence[str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield label and players of the versions in which parts are played."""
    if word == "all":
        yield "all parts", tuple(parts)
    for part in parts if word != "all" else ():
        if word == "own":
            yield f"{part} alone", (part,)
        elif others := tuple(other for other in parts if other != part):
            yield f"without {part}", others


def check_practice(practice: Practice) -> None:
    """Refuse speeds and words that make no sense, with a `ProductionError`."""
    for speed in practice.speeds:
        if not _LEAST_SPEED <= speed <= _MOST_SPEED:
            raise ProductionError(
                f"A version at {speed * 100:g} percent of the tempo makes no sense.",
                fix=f"Choose {_LEAST_SPEED * 100:g} to {_MOST_SPEED * 100:g}.",
            )
    for words, known in ((practice.only, ONLY), (practice.play, PLAY)):
        for word in words:
            if word not in known:
                raise ProductionError(
                    f"{word!r} is no version for practice.",
                    fix=f"Choose one of {', '.join(known)}.",
                )
