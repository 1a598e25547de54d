"""Clips that need not be searched: silence, and a few seconds of anything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.timeline import to_samples

# Peaks below -80 dBFS, three steps of 16 bits, are no sound.
SILENT_PEAK = 10 ** (-80 / 20)


@dataclass(frozen=True, slots=True)
class SyncSettings:
    """What a user may change about the search.

    Attributes
    ----------
    shortest_s : float
        Clips shorter than this are not placed, in seconds.
    """

    shortest_s: float = 3.0


USUAL = SyncSettings()
"""What is used unless the user says otherwise."""


def unusable(samples: Audio, settings: SyncSettings) -> Finding | None:
    """Return a finding for a clip that need not be searched, or None."""
    if np.abs(samples).max(initial=0.0) < SILENT_PEAK:
        return Finding("none", 1.0, reasons.SILENT)
    if len(samples) < to_samples(settings.shortest_s, ANALYSIS_RATE):
        return Finding("none", 1.0, reasons.TOO_SHORT)
    return None


def silent_reference(samples: Audio, name: str) -> Finding | None:
    """Return a finding for all clips if there is nothing to lay them against, or None."""
    if np.abs(samples).max(initial=0.0) < SILENT_PEAK:
        return Finding("none", 1.0, reasons.NO_REFERENCE.format(reference=name))
    return None
