"""The render engine: cutting the timeline into segments, rendering, caching and joining them."""

from syncvid.media.encode import PREVIEW_SETTINGS, EncodeSettings
from syncvid.segments.cutting import RENDER_VERSION
from syncvid.segments.engine import Dropped, RenderSummary, render_video

__all__ = [
    "PREVIEW_SETTINGS",
    "RENDER_VERSION",
    "Dropped",
    "EncodeSettings",
    "RenderSummary",
    "render_video",
]
