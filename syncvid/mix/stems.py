"""Stems: what is heard of a part, joined from its takes, on the reference clock, drift taken out.

A stem is worked out at its own samples: each of them is read between the clip's samples at the very
moment that belongs to it, so that the last minute lies as well as the first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from syncvid.arrays import Audio
from syncvid.mix.fades import fade_curves, rise
from syncvid.production.mix_made import FadeLaw
from syncvid.progress import SILENT, Progress
from syncvid.signals.resampling import MARGIN, read_between
from syncvid.sources import SoundSource
from syncvid.timeline import Placement, to_samples

# Where a clip itself begins or ends it fades over so long: a recording starts with no attack.
_EDGE_S = 0.010

# Clips are read in stretches of so long: memory does not grow with their length.
_BLOCK_S = 20.0

# Channels that differ by less are one: 16 bits cannot tell them apart.
_ALIKE = 2.0**-16


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a stem that is read from one clip.

    Attributes
    ----------
    source : SoundSource
        The clip's sound.
    placement : Placement
        Its place on the reference.
    from_s, to_s : float
        Reference seconds; of a splice the middle of its fade.
    clip_from_s, clip_to_s : float
        Clip seconds outside of which the clip is silent.
    gain : float
        Factor on its samples.
    fade_in_s, fade_out_s : float
        Lengths of the cross-fades at its ends; 0: it comes in, or goes out, within 10 ms there.
    law_in, law_out : {"equal power", "linear"}
        Of these fades.
    """

    source: SoundSource
    placement: Placement
    from_s: float = -math.inf
    to_s: float = math.inf
    clip_from_s: float = 0.0
    clip_to_s: float = math.inf
    gain: float = 1.0
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    law_in: FadeLaw = "equal power"
    law_out: FadeLaw = "equal power"

    @property
    def heard(self) -> tuple[float, float]:
        """Between which reference seconds it is heard, fades included."""
        end_s = min(self.clip_to_s, self.source.duration_s)
        begin_s = self.placement.to_reference(max(0.0, self.clip_from_s))
        return (
            max(self.from_s - self.fade_in_s / 2, begin_s),
            min(self.to_s + self.fade_out_s / 2, self.placement.to_reference(end_s)),
        )


def render_stem(
    pieces: Sequence[Piece],
    *,
    from_s: float,
    to_s: float,
    sample_rate: int,
    progress: Progress = SILENT,
) -> Audio:
    """Work out a stem.

    Parameters
    ----------
    pieces : sequence of Piece
        In the order of time; neighbours share the fade between them.
    from_s, to_s : float
        Which reference seconds; its first sample lies at the sample nearest to `from_s`.
    sample_rate : int
        In Hz; clips of other rates are converted.
    progress : Progress
        Told how far it is.

    Returns
    -------
    ndarray, shape (1 or 2, samples), float32
        One channel where all channels of all clips are alike.
    """
    first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
    out = np.zeros((2, max(0, last - first)), np.float32)
    alike = True
    for piece in eased(pieces):
        part = progress.part(1.0 / len(pieces))
        alike = lay_piece(out, piece, first, sample_rate=sample_rate, progress=part) and alike
    return out[:1] if alike else out


def eased(pieces: Sequence[Piece]) -> list[Piece]:
    """Return pieces that come in and go out where no other one takes over.

    Parameters
    ----------
    pieces : sequence of Piece
        Of one stem.

    Returns
    -------
    list of Piece
        One that simply begins, or ends, has a short fade within its own time.
    """
    begins, ends = {piece.from_s for piece in pieces}, {piece.to_s for piece in pieces}
    out = []
    for piece in pieces:
        if not piece.fade_in_s and math.isfinite(piece.from_s) and piece.from_s not in ends:
            later_s = piece.from_s + _EDGE_S / 2
            piece = replace(piece, from_s=later_s, fade_in_s=_EDGE_S, law_in="linear")
        if not piece.fade_out_s and math.isfinite(piece.to_s) and piece.to_s not in begins:
            earlier_s = piece.to_s - _EDGE_S / 2
            piece = replace(piece, to_s=earlier_s, fade_out_s=_EDGE_S, law_out="linear")
        out.append(piece)
    return out


def lay_piece(
    out: Audio, piece: Piece, first: int, *, sample_rate: int, progress: Progress = SILENT
) -> bool:
    """Add a piece to a stem, in place.

    Parameters
    ----------
    out : ndarray, shape (2, samples), float32
        The stem.
    piece : Piece
        What to add.
    first : int
        The reference sample at which the stem begins.
    sample_rate : int
        In Hz.
    progress : Progress
        Told how far it is.

    Returns
    -------
    bool
        Whether the piece's channels are alike.
    """
    begin_s, end_s = piece.heard
    begin = max(first, _sample_from(begin_s, sample_rate))
    end = min(first + out.shape[1], _sample_from(end_s, sample_rate))
    block, alike = to_samples(_BLOCK_S, sample_rate), True
    for at in range(begin, end, block):
        progress.advance(at - begin, end - begin, "laying the takes")
        stop = min(at + block, end)
        samples = _read(piece, at, stop - at, sample_rate)
        samples *= _gains(piece, at, stop - at, sample_rate)
        if samples.shape[0] == 2 and alike:
            alike = bool(np.abs(samples[0] - samples[1]).max(initial=0.0) < _ALIKE)
        out[:, at - first : stop - first] += samples
    return alike


def _sample_from(time_s: float, sample_rate: int) -> int:
    """Return the first sample at or after a time; a millionth of one is forgiven."""
    return math.ceil(time_s * sample_rate - 1e-6)


def _read(piece: Piece, at: int, count: int, sample_rate: int) -> Audio:
    """Return a piece's samples from one of the reference on."""
    step = 1.0 / piece.placement.rate
    start = (at - piece.placement.offset_s * sample_rate) * step
    first = math.floor(start) - MARGIN
    last = math.ceil(start + count * step) + MARGIN + 1
    heard = piece.source.read(first / sample_rate, last / sample_rate, sample_rate)
    if step == 1.0 and start == round(start):
        return heard[:, MARGIN : MARGIN + count].copy()
    return read_between(heard, start=start - first, step=step, count=count)


def _gains(piece: Piece, at: int, count: int, sample_rate: int) -> Audio:
    """Return a piece's gain at every sample: its own, its fades, and those of its clip's ends."""
    gains = np.full(count, piece.gain, np.float32)
    begin_s, end_s = piece.heard
    edge = to_samples(_EDGE_S, sample_rate)
    if piece.fade_in_s > 0.0 and math.isfinite(piece.from_s):
        _shape(gains, piece.from_s, piece.fade_in_s, piece.law_in, at, sample_rate, rising=True)
    if begin_s > piece.from_s - piece.fade_in_s / 2 + 1.0 / sample_rate:
        _multiply(gains, _sample_from(begin_s, sample_rate) - at, rise(edge))
    if piece.fade_out_s > 0.0 and math.isfinite(piece.to_s):
        _shape(gains, piece.to_s, piece.fade_out_s, piece.law_out, at, sample_rate, rising=False)
    if end_s < piece.to_s + piece.fade_out_s / 2 - 1.0 / sample_rate:
        _multiply(gains, _sample_from(end_s, sample_rate) - edge - at, rise(edge)[::-1])
    return gains


def _shape(
    gains: Audio,
    middle_s: float,
    fade_s: float,
    law: FadeLaw,
    at: int,
    sample_rate: int,
    *,
    rising: bool,
) -> None:
    """Lay one side of a cross-fade over gains."""
    length = max(1, to_samples(fade_s, sample_rate))
    first = to_samples(middle_s, sample_rate) - length // 2 - at
    falling_curve, rising_curve = fade_curves(length, law)
    _multiply(gains, first, rising_curve if rising else falling_curve)
    if rising:
        gains[: max(0, first)] = 0.0
    else:
        gains[max(0, first + length) :] = 0.0


def _multiply(gains: Audio, first: int, curve: Audio) -> None:
    """Multiply gains by a curve that begins at a sample, as far as they overlap."""
    begin, end = max(0, first), min(gains.size, first + curve.size)
    if end > begin:
        gains[begin:end] *= curve[begin - first : end - first]
