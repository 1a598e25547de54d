"""What a program that listens and looks at the demo should find."""

from __future__ import annotations

from . import scenes
from .files import picture_ticks
from .plan import (
    CLIPS,
    GUIDE_OFFSET_S,
    LEAD_IN_S,
    MIX_HEAD_S,
    MIX_S,
    SPLICE_MUSIC_S,
    VIOLA_MOVED_S,
    Clip,
)

FORMAT = "syncvid.demo_truth/1"


def offset_in_mix(clip: Clip) -> float:
    """Return where clip second 0 lies on the mix clock, edits of the mix included."""
    return clip.offset_s + (VIOLA_MOVED_S if clip.part == "Viola" else 0.0)


def _clip_second(clip: Clip, mix_s: float) -> float:
    """Turn mix seconds into clip seconds."""
    return (mix_s - offset_in_mix(clip)) / (1.0 + clip.drift_ppm * 1e-6)


def overlap(clip: Clip) -> tuple[float, float]:
    """Return the clip seconds that lie inside the mix."""
    return max(0.0, _clip_second(clip, 0.0)), min(clip.seconds, _clip_second(clip, MIX_S))


def spans(clip: Clip) -> list[dict[str, float]]:
    """Return where in the clip its sound is really in the mix."""
    start_s, stop_s = overlap(clip)
    # Before the first beat nobody plays.
    start_s = max(start_s, _clip_second(clip, MIX_HEAD_S))
    splice_s = _clip_second(clip, SPLICE_MUSIC_S + MIX_HEAD_S - LEAD_IN_S)
    if clip.part == "Flute":
        start_s, stop_s = (start_s, splice_s) if clip.take == 1 else (splice_s, stop_s)
    return [
        {
            "clip_from_s": round(start_s, 6),
            "clip_to_s": round(stop_s, 6),
            "offset_s": round(offset_in_mix(clip), 6),
        }
    ]


def _entry(clip: Clip) -> dict[str, object]:
    """Return the truth of one clip."""
    scene = scenes.Scene(clip)
    width, height = clip.camera.upright_size
    start_s, stop_s = overlap(clip)
    placed = clip.belongs
    return {
        "file": clip.file,
        "part": clip.part if placed else None,
        "player": clip.player,
        "take": clip.take,
        "belongs": placed,
        "offset_s": round(offset_in_mix(clip), 6) if placed else None,
        "drift_ppm": clip.drift_ppm if placed else None,
        "overlap_from_s": round(start_s, 6) if placed else None,
        "overlap_to_s": round(stop_s, 6) if placed else None,
        "spans": spans(clip) if placed else [],
        "guide_offset_s": round(clip.offset_s - GUIDE_OFFSET_S, 6) if placed else None,
        "width": width,
        "height": height,
        "rotation": clip.camera.turn,
        "pictures": len(picture_ticks(clip)),
        "counter": scene.panel.fractions(*scene.design),
        "how": clip.how,
    }


def truth() -> dict[str, object]:
    """Return the whole truth, ready for JSON."""
    return {
        "format": FORMAT,
        "mix": "mix.flac",
        "guide": "guide.flac",
        "mix_duration_s": MIX_S,
        "guide_offset_s": round(GUIDE_OFFSET_S, 6),
        "clips": [_entry(clip) for clip in CLIPS],
    }
