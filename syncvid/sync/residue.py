"""What is left of a mix once the clips that have a place are taken out of it.

A quiet part is masked by louder ones.  Those that were placed are known sounds: they are laid on
the mix's clock span by span and taken away, and the quiet part is searched in what is left.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import signal
from syncvid.production.results import Finding
from syncvid.signals.cancel import cancel
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.spread import Clip
from syncvid.timeline import Placement, Span, to_samples

# Only the clips that stand out most are taken out: they mask most, and each costs memory.
MOST_CLIPS = 8

# Clips are read between samples from a version this much finer, by straight lines: below 2 kHz the
# error is under -45 dB, at 7 kHz -23 dB.
FINER = 4

# Seconds that are laid at a time, and seconds read around them: it keeps memory small.
PIECE_S = 20.0
AROUND_S = 0.05


def take_out(mix: Audio, placed: Iterable[tuple[Clip, Finding]]) -> Audio:
    """Return a mix without the clips that stand out most in it.

    Parameters
    ----------
    mix : ndarray, shape (samples,), float32
        The mix at `ANALYSIS_RATE`.
    placed : iterable of (Clip, Finding)
        Clips with their places; what no span covers stays.

    Returns
    -------
    ndarray, shape (samples,), float32
    """
    loudest = sorted(placed, key=lambda pair: -_loudness(pair[1]))[:MOST_CLIPS]
    known = [on_reference(clip.samples, finding, len(mix)) for clip, finding in loudest]
    return cancel(mix, known, sample_rate=ANALYSIS_RATE)


def _loudness(finding: Finding) -> float:
    """Return how much a clip stands out in the mix, by the strength of its windows."""
    return float(np.mean([vote.strength for vote in finding.votes if vote.agrees] or [0.0]))


def on_reference(samples: Audio, finding: Finding, length: int) -> Audio:
    """Return a clip's sound on the reference's clock, silent outside of its spans.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        The clip at `ANALYSIS_RATE`.
    finding : Finding
        Its place and spans.
    length : int
        Samples of the reference.

    Returns
    -------
    ndarray, shape (length,), float32
    """
    out = np.zeros(length, np.float32)
    for span in finding.spans:
        drift_ppm = finding.drift_ppm if span.drift_ppm is None else span.drift_ppm
        _lay(samples, span, Placement(span.offset_s, drift_ppm or 0.0), out)
    return out


def _lay(samples: Audio, span: Span, line: Placement, out: Audio) -> None:
    """Write one span of a clip to where it lies on the reference."""
    first = max(0, to_samples(line.to_reference(span.clip_from_s), ANALYSIS_RATE))
    last = min(len(out), to_samples(line.to_reference(span.clip_to_s), ANALYSIS_RATE))
    piece = to_samples(PIECE_S, ANALYSIS_RATE)
    around = to_samples(AROUND_S, ANALYSIS_RATE)
    for start in range(first, last, piece):
        stop = min(start + piece, last)
        at = line.to_clip(0.0) * ANALYSIS_RATE + np.arange(start, stop) / line.rate
        lowest = max(0, int(at[0]) - around)
        cut = samples[lowest : max(0, int(at[-1]) + around)]
        if len(cut):
            fine = signal.resample_poly(cut, FINER, 1)
            out[start:stop] = np.interp((at - lowest) * FINER, np.arange(len(fine)), fine, 0, 0)
