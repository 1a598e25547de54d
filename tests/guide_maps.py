"""Maps of guides by arithmetic alone: steady bars, with what a test wants changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from syncvid.production.beats import GuideBeat, GuideClick, GuideMap, Mark


@dataclass(frozen=True)
class BarOf:
    """A bar: its number, its beats in quarters a minute each, its section, what is held (s)."""

    number: int
    tempi: Sequence[float]
    section: int = 0
    holds: Mapping[int, float] | None = None
    strong: Sequence[int] = (1,)


def map_of(
    bars: Sequence[BarOf],
    *,
    from_s: float = 1.0,
    quiet_s: float = 2.5,
    marks: Sequence[Mark] = (),
    title: str = "Orchard Round",
    version: int = 1,
    practice: float = 1.0,
) -> GuideMap:
    """Lay bars end to end; a beat is a quarter at its tempo and lasts 60 / tempo seconds."""
    beats: list[GuideBeat] = []
    clicks: list[GuideClick] = []
    at_s = from_s
    for bar in bars:
        for number, tempo in enumerate(bar.tempi, 1):
            held_s = (bar.holds or {}).get(number, 0.0)
            length_s = 60.0 / tempo + held_s
            beats.append(
                GuideBeat(
                    bar.number, number, at_s, length_s, tempo, bar.section, len(bar.tempi), held_s
                )
            )
            strength = 0 if number == 1 else 1 if number in bar.strong else 2
            clicks.append(GuideClick(at_s, strength))
            at_s += length_s
    music = [beat.guide_s for beat in beats if not beat.is_count_in]
    return GuideMap(
        title=title,
        version=version,
        fingerprint="",
        duration_s=at_s + quiet_s,
        music_from_s=music[0] if music else at_s,
        music_to_s=at_s,
        beats=tuple(beats),
        clicks=tuple(clicks),
        marks=tuple(marks),
        practice=practice,
    )


def steady(
    bars: int, *, tempo: float = 120.0, beats: int = 4, count_in: int = 2, first: int = 1
) -> list[BarOf]:
    """Return a count-in and bars of one tempo."""
    counted = [BarOf(first - back, [tempo] * beats, -1) for back in range(count_in, 0, -1)]
    return [*counted, *(BarOf(first + index, [tempo] * beats) for index in range(bars))]


def second_of(guide: GuideMap, bar: int, beat: int = 1) -> float:
    """Return when a beat is."""
    return next(b.guide_s for b in guide.beats if (b.bar, b.beat) == (bar, beat))
