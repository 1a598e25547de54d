"""Clips that run at a wrong speed: a rate that was written into the file wrongly."""

from __future__ import annotations

import numpy as np
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.sync.hearing import hear_coarse
from syncvid.sync.lines import score_lines
from syncvid.sync.verdict import CERTAIN
from syncvid.sync.waveform import Target

# 44.1 kHz taken for 48 kHz runs too fast by 160 / 147, the other way round too slow by as much.
WRONG_RATES = ((160, 147, reasons.TOO_FAST), (147, 160, reasons.TOO_SLOW))


def at_wrong_speed(samples: Audio, mix: Target) -> Finding | None:
    """Return a finding for a clip that fits only when it is played slower or faster, or None."""
    for up, down, reason in WRONG_RATES:
        sound = signal.resample_poly(samples, up, down).astype(np.float32)
        scores = score_lines(hear_coarse(sound), mix.searchable)
        if scores.scores.max() >= CERTAIN:
            return Finding("none", reasons.NOTHING_CONFIDENCE, reason, against="mix")
    return None
