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
from syncvid.segments.tiles import keep_only_clips

SEGMENT_FOLDER, TILE_FOLDER = "segments", "tiles"
"""Names of both caches in a work folder."""

__all__ = [
    "PREVIEW_SETTINGS",
    "RENDER_VERSION",
    "SEGMENT_FOLDER",
    "TILE_FOLDER",
    "Dropped",
    "EncodeSettings",
    "Output",
    "RenderSummary",
    "Tiles",
    "keep_only_clips",
    "paint_still",
    "render_video",
    "render_videos",
]
