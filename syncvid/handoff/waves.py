"""The sound of a clip as ink on the common clock: an SVG outline from its peaks.

The drawing is 1000 units wide for the whole reference and 200 high, with the line of silence at
0.  Each clip is drawn at a height of its own, since phones record at levels of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Floats
from syncvid.handoff.axis import WIDTH, Axis
from syncvid.handoff.markup import number
from syncvid.handoff.page import SheetClip
from syncvid.production.results import Overview
from syncvid.timeline import Placement, Span

HEIGHT = 92.0
"""How far the loudest ink reaches from the line of silence; the drawing ends at 100."""

# A clip whose loudest peak is below this holds noise, which is not drawn as if it were music.
_FAINT = 0.004

# Between loudness as it is measured (1) and as it is heard: quiet notes stay visible.
_BEND = 0.7

# A sliver narrower than this, in drawing units, cannot be seen.
_LEAST_X = 0.1

_NEAR_S = 1.5
"""Sound this close to a span is drawn as part of it: windows end before the music does."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a clip with one placement.

    Attributes
    ----------
    clip_from_s, clip_to_s : float
        The stretch, in clip seconds.
    placement : Placement
        Where it lies.
    heard : bool
        Whether its sound is in the reference.
    """

    clip_from_s: float
    clip_to_s: float
    placement: Placement
    heard: bool = True


def pieces_of(clip: SheetClip) -> tuple[Piece, ...]:
    """Return the stretches to draw: the whole clip, or the spans where a mix was edited."""
    placement, spans = clip.sync.finding.placement, clip.sync.finding.spans
    if placement is None:
        return ()
    if len(spans) > 1:
        return tuple(_piece_of_span(span, placement) for span in spans)
    first_s, last_s = clip.stretch_s
    if not spans:
        return (Piece(first_s, last_s, placement),)
    start_s, end_s = _widened(spans[0], first_s, last_s)
    pieces = (
        Piece(first_s, start_s, placement, heard=False),
        Piece(start_s, end_s, placement),
        Piece(end_s, last_s, placement, heard=False),
    )
    return tuple(piece for piece in pieces if piece.clip_to_s > piece.clip_from_s)


def _widened(span: Span, first_s: float, last_s: float) -> tuple[float, float]:
    """Return a span's ends, moved to those of the clip where they almost meet."""
    start_s = first_s if span.clip_from_s <= first_s + _NEAR_S else span.clip_from_s
    end_s = last_s if span.clip_to_s >= last_s - _NEAR_S else span.clip_to_s
    return start_s, min(end_s, last_s)


def _piece_of_span(span: Span, placement: Placement) -> Piece:
    """Return a span with its own offset and drift."""
    drift_ppm = placement.drift_ppm if span.drift_ppm is None else span.drift_ppm
    return Piece(span.clip_from_s, span.clip_to_s, Placement(span.offset_s, drift_ppm))


def outline(overview: Overview, piece: Piece, axis: Axis) -> str:
    """Return the outline of a piece's sound as SVG path data.

    Parameters
    ----------
    overview : Overview
        Peaks of the whole clip.
    piece : Piece
        The stretch and where it lies.
    axis : Axis
        The stretch of reference time that is drawn.

    Returns
    -------
    str
        A closed outline, cut off at both ends of the axis; empty where nothing overlaps it.
        The first point is the start of the piece, at ``1000 * reference_s / duration_s``.
    """
    start_x = max(0.0, axis.x(piece.placement.to_reference(piece.clip_from_s)))
    end_x = min(WIDTH, axis.x(piece.placement.to_reference(piece.clip_to_s)))
    if end_x - start_x < _LEAST_X or not overview.peaks or overview.step_s <= 0:
        return ""
    edges_x = np.unique(
        np.concatenate(([start_x], np.arange(np.floor(start_x) + 1.0, end_x), [end_x]))
    )
    heights = _heights(overview, piece.placement, edges_x * axis.duration_s / WIDTH)
    return _closed_path(edges_x, heights)


def _heights(
    overview: Overview, placement: Placement, edges_reference_s: Floats
) -> NDArray[np.int_]:
    """Return the ink's height between each two edges, shape (edges - 1,)."""
    peaks = np.nan_to_num(np.abs(np.asarray(overview.peaks, dtype=np.float64)), posinf=1.0)
    edges_clip_s = (edges_reference_s - placement.offset_s) / placement.rate
    entries = np.clip(edges_clip_s / overview.step_s, 0, len(peaks) - 1).astype(np.int_)
    # reduceat takes one entry where two edges fall into the same one.
    loudest = np.maximum.reduceat(peaks, entries)[:-1]
    full = max(float(np.quantile(peaks, 0.995)), _FAINT)
    return np.rint(HEIGHT * np.clip(loudest / full, 0.0, 1.0) ** _BEND).astype(np.int_)


def _closed_path(edges_x: Floats, heights: NDArray[np.int_]) -> str:
    """Return a mirrored outline through the middles of the columns, in relative steps."""
    middles = (edges_x[:-1] + edges_x[1:]) / 2
    xs = np.round(np.concatenate((edges_x[:1], middles, edges_x[-1:])), 2)
    ys = np.concatenate(([0], heights, [0]))
    steps = list(zip(np.diff(xs).tolist(), np.diff(ys).tolist(), strict=True))
    there = (_step(x, -y) for x, y in steps)
    back = (_step(-x, -y) for x, y in reversed(steps))
    return f"M{number(float(xs[0]))} 0l{_joined(there)}l{_joined(back)}z"


def _step(x: float, y: int) -> tuple[str, str]:
    """Return the two numbers of a relative step."""
    return number(x), str(y)


def _joined(steps: Iterator[tuple[str, str]]) -> str:
    """Join steps, leaving out the blanks that a minus sign makes idle."""
    return " ".join(number for step in steps for number in step).replace(" -", "-")
