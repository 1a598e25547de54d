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

# Raised when what is measured changes, so that old records are made again.
_PLAYING = "playing/1"

# Levels are kept to this many digits behind the point: nobody hears a hundredth of a decibel.
_DIGITS = 2


@lru_cache(maxsize=256)
def _measured(source: SourceFile, folder: Path) -> Activity:
    """Return what is kept of a file, or measure it; a quarter of a megabyte for four minutes."""
    store, name = Store(folder), f"playing-{source.identity}"
    record = store.load(name, _PLAYING)
    if record is not None:
        return Activity(
            record["from_s"],
            record["hop_s"],
            np.asarray(record["levels_db"], np.float64),
            np.asarray(record["playing"], bool),
            np.asarray(record["attacks"], bool),
            record["quiet_db"],
        )
    heard = hear(source, store)
    samples = heard.samples if heard.has_sound else np.zeros(0, np.float32)
    activity = measure_activity(samples, sample_rate=ANALYSIS_RATE)
    store.save(
        name,
        _PLAYING,
        {
            "from_s": activity.from_s,
            "hop_s": activity.hop_s,
            "levels_db": activity.levels_db.round(_DIGITS).tolist(),
            "playing": activity.playing.astype(int).tolist(),
            "attacks": activity.attacks.astype(int).tolist(),
            "quiet_db": activity.quiet_db,
        },
    )
    return activity


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
