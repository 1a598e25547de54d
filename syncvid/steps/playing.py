"""What the parts do over time, asked only where it matters: kept sounds in, activities out."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np

from syncvid.arrays import Floats
from syncvid.errors import MediaError
from syncvid.listen.activity import Activity, measure_activity
from syncvid.production.material import SourceFile
from syncvid.production.store import Store
from syncvid.steps.hearing import hear
from syncvid.sync import ANALYSIS_RATE


@lru_cache(maxsize=256)
def _measured(source: SourceFile, folder: Path) -> Activity:
    """Measure a file that is kept, or can be opened; a quarter of a megabyte for four minutes."""
    heard = hear(source, Store(folder))
    samples = heard.samples if heard.has_sound else np.zeros(0, np.float32)
    return measure_activity(samples, sample_rate=ANALYSIS_RATE)


def activity_of(source: SourceFile, store: Store) -> Activity | None:
    """Return what a file does over time, on its own clock; None where it cannot be read."""
    try:
        return _measured(source, store.folder)
    except MediaError:
        return None


def loudness_of(source: SourceFile, store: Store, clip_s: Floats) -> Floats:
    """Return a file's levels in dB at moments of its clip; all alike where it cannot be read."""
    activity = activity_of(source, store)
    return activity.loudness_at(clip_s) if activity else np.zeros(clip_s.shape)
