"""Clips whose sound runs at a wrong speed: recognised, told, and placed where that makes sense.

Only asked where a clip fits nowhere as it is.  A sound that was taken at 44.1 kHz and labelled
48 kHz, or at half or double the rate, must be converted.  One that follows 29.97 where 30 pictures
a second are meant (0.1 %) is placed as it is, with a drift of 1000 ppm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import signal
from syncvid.production.results import Finding
from syncvid.sync import ballot, reasons
from syncvid.sync.hearing import ANALYSIS_RATE, hear, hear_coarse
from syncvid.sync.lines import score_lines
from syncvid.sync.verdict import CERTAIN, judge_waveform
from syncvid.sync.waveform import Target, find_evidence
from syncvid.timeline import PPM, Span, to_samples

# As much of a clip tells its speed, in seconds; a speed is looked for in its loudest stretch.
EXCERPT_S = 60.0

# How sure it is that a clip runs at a wrong rate that fits at another.
TOLD_CONFIDENCE = 0.9


@dataclass(frozen=True, slots=True)
class Speed:
    """A speed at which a clip may have to be played.

    Attributes
    ----------
    up, down : int
        The clip must be made longer by `up` / `down`.
    reason : str
        What to tell the user.
    placed : bool
        Whether the clip is placed as it is, with a drift.
    """

    up: int
    down: int
    reason: str
    placed: bool = False


SPEEDS = (
    Speed(1001, 1000, reasons.PICTURES_FAST, placed=True),
    Speed(1000, 1001, reasons.PICTURES_SLOW, placed=True),
    Speed(160, 147, reasons.TOO_FAST),
    Speed(147, 160, reasons.TOO_SLOW),
    Speed(2, 1, reasons.TWICE_TOO_FAST),
    Speed(1, 2, reasons.TWICE_TOO_SLOW),
)


def at_another_speed(samples: Audio, mix: Target, against: str) -> Finding | None:
    """Look whether a clip fits when it is played slower or faster.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    mix : Target
        What it is laid against.
    against : str
        What to call that.

    Returns
    -------
    Finding or None
        With a placement for 29.97 against 30; without one, verdict ``none``, where the file must be
        converted.
    """
    excerpt = _loudest(samples)
    for speed in SPEEDS:
        if _fits(_played(excerpt, speed), mix):
            if not speed.placed:
                return Finding("none", TOLD_CONFIDENCE, speed.reason, against=against)
            finding = _placed(samples, speed, mix, against)
            if finding is not None:
                return finding
    return None


def _loudest(samples: Audio) -> Audio:
    """Return the stretch of a sound that holds the most energy."""
    length = to_samples(EXCERPT_S, ANALYSIS_RATE)
    if len(samples) <= length:
        return samples
    steps = to_samples(1.0, ANALYSIS_RATE)
    heaped = np.concatenate(([0.0], np.cumsum(np.square(samples, dtype=np.float64))))[::steps]
    span = length // steps
    first = int(np.argmax(heaped[span:] - heaped[:-span])) * steps
    return samples[first : first + length]


def _played(samples: Audio, speed: Speed) -> Audio:
    """Return a sound at another speed."""
    return np.asarray(signal.resample_poly(samples, speed.up, speed.down), np.float32)


def _fits(samples: Audio, mix: Target) -> bool:
    """Return whether a sound is clearly in the mix."""
    coarse = hear_coarse(samples)
    if ballot.decide(ballot.hold_ballot(coarse, mix.searchable)) is not None:
        return True
    return float(score_lines(coarse, mix.searchable).scores.max(initial=0.0)) >= CERTAIN


def _placed(samples: Audio, speed: Speed, mix: Target, against: str) -> Finding | None:
    """Place a clip at another speed, and say where that puts it as it is."""
    evidence = find_evidence(hear(_played(samples, speed), name="clip"), mix)
    finding = judge_waveform(evidence, against)
    if finding is None:
        return None
    longer = speed.up / speed.down

    def drift_ppm(own_ppm: float) -> float:
        return ((1.0 + own_ppm * PPM) * longer - 1.0) / PPM

    return replace(
        finding,
        reason=f"{speed.reason} {finding.reason}",
        drift_ppm=drift_ppm(finding.drift_ppm or 0.0),
        spans=tuple(
            Span(
                span.clip_from_s / longer,
                span.clip_to_s / longer,
                span.offset_s,
                None if span.drift_ppm is None else drift_ppm(span.drift_ppm),
            )
            for span in finding.spans
        ),
        votes=tuple(replace(vote, clip_s=vote.clip_s / longer) for vote in finding.votes),
    )
