"""Beats of music in one tempo, for tests that need bars on a clock."""

from __future__ import annotations

from syncvid.timeline import Beat, BeatMap


def steady_beats(
    *, bars: int, beats_in_bar: int, tempo_bpm: float, count_in_bars: int = 2, start_s: float = 0.0
) -> BeatMap:
    """Count beats; `start_s` is the first one's time, the count-in ends in bar 0."""
    beats = (
        Beat(
            bar=bar - count_in_bars + 1,
            beat=beat + 1,
            guide_s=start_s + (bar * beats_in_bar + beat) * 60.0 / tempo_bpm,
        )
        for bar in range(count_in_bars + bars)
        for beat in range(beats_in_bar)
    )
    return BeatMap(tuple(beats))
