"""The beat map of a guide: every beat, click and mark with its time, and how it is kept as JSON.

Bars are numbered as in the parts: the first bar of the music is 1, the count-in ends in bar 0.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from syncvid.errors import ProductionError
from syncvid.timeline import Beat, BeatMap

BEATS_FORMAT = "syncvid.beats/1"

# Moments that differ by less are the same: times are kept to a nanosecond.
_SAME_S = 1e-6


@dataclass(frozen=True, slots=True)
class GuideBeat:
    """A beat of the guide.

    Attributes
    ----------
    bar, beat : int
        As printed; a bar that is repeated comes again.
    guide_s : float
        When it is, in guide seconds.
    length_s : float
        Until the next beat, what it is held included.
    quarters : float
        Tempo at the beat, in quarters per minute.
    section : int
        Number of the section, from 0; -1 in the count-in.
    beats_in_bar : int
        How many beats the bar's metre has.
    held_s : float
        How much of `length_s` was put in by a hold, in which it sounds on.
    breath_s : float
        How much of `length_s` was put in as silence before the next beat.
    """

    bar: int
    beat: int
    guide_s: float
    length_s: float
    quarters: float
    section: int
    beats_in_bar: int
    held_s: float = 0.0
    breath_s: float = 0.0

    @property
    def is_count_in(self) -> bool:
        """Whether it is counted before the music."""
        return self.section < 0


@dataclass(frozen=True, slots=True)
class GuideClick:
    """A click of the guide.

    Attributes
    ----------
    guide_s : float
    strength : int
        0 the one of a bar, 1 the first beat of a group, 2 a beat, 3 between beats.
    """

    guide_s: float
    strength: int


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place: a section's beginning (`kind` section), an entry's cue (`kind` cue).

    A cue's `guide_s` is a bar before the entry; its name is the part's, its bar the entry's.
    """

    name: str
    bar: int
    guide_s: float
    kind: str = "section"


@dataclass(frozen=True, slots=True)
class Signature:
    """The sound by which a guide is known.

    Attributes
    ----------
    guide_s : float
        When its first sample sounds.
    guide : int
        Which guide it is: 0 to 65535, chosen when it is first made.
    version : int
        From 1.
    """

    guide_s: float
    guide: int
    version: int


@dataclass(frozen=True, slots=True)
class GuideMap:
    """All that is known of a guide's time.

    Attributes
    ----------
    title : str
    version : int
        From 1; a changed plan gets the next one.
    fingerprint : str
        Of the plan; the same plan has the same.
    duration_s, music_from_s, music_to_s : float
        Length of the sound; where the music begins (after the count-in) and ends.
    beats : tuple of GuideBeat
    clicks : tuple of GuideClick
    marks : tuple of Mark
    signature : Signature or None
    practice : float
        1 for the guide itself; 0.8 for a practice version at four fifths of its tempo.
    files : dict
        Names of the files that were made beside the map, each with the version it is of.
    """

    title: str
    version: int
    fingerprint: str
    duration_s: float
    music_from_s: float
    music_to_s: float
    beats: tuple[GuideBeat, ...]
    clicks: tuple[GuideClick, ...]
    marks: tuple[Mark, ...] = ()
    signature: Signature | None = None
    practice: float = 1.0
    files: dict[str, int] = field(default_factory=dict)

    @property
    def beat_map(self) -> BeatMap:
        """Bars and beats alone."""
        return BeatMap(tuple(Beat(b.bar, b.beat, b.guide_s) for b in self.beats))


def clapped_beats(guide: GuideMap) -> tuple[GuideBeat, ...]:
    """Return the beats at which everybody claps: those of the last whole bar of the count-in.

    A bar that an upbeat completes is not whole: hands that clap in it could not play in time.

    Parameters
    ----------
    guide : GuideMap

    Returns
    -------
    tuple of GuideBeat
        Empty where no whole bar is counted.
    """
    bars: list[list[GuideBeat]] = []
    for beat in guide.beats:
        if not beat.is_count_in:
            break
        before = bars[-1][-1] if bars else None
        if before is not None and before.bar == beat.bar and before.beat < beat.beat:
            bars[-1].append(beat)
        else:
            bars.append([beat])
    for bar in reversed(bars):
        end_s = bar[-1].guide_s + bar[-1].length_s
        if len(bar) >= bar[0].beats_in_bar and end_s <= guide.music_from_s + _SAME_S:
            return tuple(bar)
    return ()


def practice_number(guide: int, speed: float) -> int:
    """Return the number by which a version for practice is known: a recording to it is no other.

    Parameters
    ----------
    guide : int
        The guide's own number.
    speed : float
        Share of its tempo.

    Returns
    -------
    int
        0 to 65535.
    """
    return zlib.crc32(f"{guide} {speed:.6f}".encode()) & 0xFFFF


def practice_speed(guide: int, heard: int) -> float | None:
    """Return the share of the tempo, in whole percents, of a guide's version for practice.

    Parameters
    ----------
    guide : int
        The guide's own number.
    heard : int
        The number that was heard.

    Returns
    -------
    float or None
        None: it is none of them.
    """
    percents = (percent for percent in range(25, 151) if percent != 100)
    return next((p / 100 for p in percents if practice_number(guide, p / 100) == heard), None)


def write_map(guide: GuideMap) -> str:
    """Write a guide's map as ``syncvid.beats/1``, a beat on a line."""
    head = {
        "format": BEATS_FORMAT,
        **{
            key: value
            for key, value in asdict(guide).items()
            if key not in ("beats", "clicks", "marks")
        },
    }
    lists = {
        "beats": [_rounded(asdict(beat)) for beat in guide.beats],
        "clicks": [_rounded(asdict(click)) for click in guide.clicks],
        "marks": [_rounded(asdict(mark)) for mark in guide.marks],
    }
    rows = [f'"{key}": {json.dumps(value, ensure_ascii=False)}' for key, value in head.items()]
    for key, items in lists.items():
        lines = ",\n".join("  " + json.dumps(item, ensure_ascii=False) for item in items)
        rows.append(f'"{key}": [\n{lines}\n ]' if items else f'"{key}": []')
    return "{" + ",\n ".join(rows) + "}\n"


def read_map(text: str, *, where: str = "") -> GuideMap:
    """Read ``syncvid.beats/1``; all but bar, beat and time of each beat may be missing.

    Raises
    ------
    ProductionError
        The text is no beat map.
    """
    try:
        document = json.loads(text)
        if document["format"] != BEATS_FORMAT:
            raise ValueError(f"its format is {document['format']!r}")
        return _map_of(document)
    except (ValueError, KeyError, TypeError, AttributeError) as exc:
        raise ProductionError(
            f"This is no {BEATS_FORMAT} file: {exc}.", where=where, fix="Write the guide anew."
        ) from exc


def _map_of(document: Mapping[str, Any]) -> GuideMap:
    """Return the map that a JSON document describes."""
    rows = document["beats"]
    times_s = [float(row["guide_s"]) for row in rows]
    beats = tuple(
        GuideBeat(
            bar=int(row["bar"]),
            beat=int(row["beat"]),
            guide_s=at_s,
            length_s=float(row.get("length_s", later_s - at_s)),
            quarters=float(row.get("quarters", 0.0)),
            section=int(row.get("section", 0)),
            beats_in_bar=int(row.get("beats_in_bar", 0)),
            held_s=float(row.get("held_s", 0.0)),
            breath_s=float(row.get("breath_s", 0.0)),
        )
        for row, at_s, later_s in zip(rows, times_s, [*times_s[1:], *times_s[-1:]], strict=True)
    )
    end_s = times_s[-1] + (times_s[-1] - times_s[-2]) if len(times_s) > 1 else 0.0
    # Bars of the count-in have numbers up to 0.
    first_s = next((beat.guide_s for beat in beats if beat.bar >= 1), 0.0)
    signature = document.get("signature")
    return GuideMap(
        title=str(document.get("title", "")),
        version=int(document.get("version", 1)),
        fingerprint=str(document.get("fingerprint", "")),
        duration_s=float(document.get("duration_s", end_s)),
        music_from_s=float(document.get("music_from_s", first_s)),
        music_to_s=float(document.get("music_to_s", end_s)),
        beats=beats,
        clicks=tuple(
            GuideClick(float(row["guide_s"]), int(row["strength"]))
            for row in document.get("clicks", ())
        ),
        marks=tuple(
            Mark(str(row["name"]), int(row["bar"]), float(row["guide_s"]), str(row["kind"]))
            for row in document.get("marks", ())
        ),
        signature=None if signature is None else Signature(**signature),
        practice=float(document.get("practice", 1.0)),
        files={str(name): int(version) for name, version in document.get("files", {}).items()},
    )


def _rounded(row: dict[str, Any]) -> dict[str, Any]:
    """Round times to a nanosecond: what is read back is what was meant, and stays readable."""
    return {
        key: round(value, 9) if isinstance(value, float) else value for key, value in row.items()
    }
