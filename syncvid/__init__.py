"""Split-screen ensemble videos from recordings made at home.

The Python interface: the steps, and the types that go into them and come out.  Names are loaded
when they are first used, so that importing the package costs nothing.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "Cancelled": "syncvid.errors",
    "ClipSync": "syncvid.production.results",
    "Finding": "syncvid.production.results",
    "Look": "syncvid.steps",
    "Material": "syncvid.production.material",
    "MediaError": "syncvid.errors",
    "Placement": "syncvid.timeline",
    "ProductionError": "syncvid.errors",
    "Progress": "syncvid.progress",
    "Span": "syncvid.timeline",
    "SyncResult": "syncvid.production.results",
    "SyncvidError": "syncvid.errors",
    "add_clips": "syncvid.steps",
    "as_moviepy": "syncvid.steps.moviepy_clip",
    "loose_material": "syncvid.production.material",
    "make_preview": "syncvid.steps",
    "new_production": "syncvid.steps",
    "open_production": "syncvid.production.material",
    "production_status": "syncvid.steps",
    "render": "syncvid.steps",
    "replace_clip": "syncvid.steps",
    "run_demo": "syncvid.steps",
    "sync_clips": "syncvid.steps",
    "withdraw_clips": "syncvid.steps",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name of the interface when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'syncvid' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the interface."""
    return [*__all__, "__version__"]
