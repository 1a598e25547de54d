"""Finding where each clip belongs: offset, drift, verdict and the evidence for it."""

from __future__ import annotations

from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.places import Listened, Placed, find_places
from syncvid.sync.spread import Clip
from syncvid.sync.usable import SyncSettings

__all__ = ["ANALYSIS_RATE", "Clip", "Listened", "Placed", "SyncSettings", "find_places"]
