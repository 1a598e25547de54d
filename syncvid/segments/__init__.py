"""The render engine: cutting the timeline into segments, rendering, caching and joining them."""

from syncvid.media.encode import PREVIEW_SETTINGS, EncodeSettings
from syncvid.segments.cutting import RENDER_VERSION
from syncvid.segments.engine import (
    Dropped,
    Output,
    RenderSummary,
    Tiles,
    render_video,
    render_videos,
)
from syncvid.segments.stills import paint_still

__all__ = [
    "PREVIEW_SETTINGS",
    "RENDER_VERSION",
    "Dropped",
    "EncodeSettings",
    "Output",
    "RenderSummary",
    "Tiles",
    "paint_still",
    "render_video",
    "render_videos",
]
