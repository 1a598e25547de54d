"""What the video shows: which recording in which rectangle at which moment, names and cards.

The picture is a pure function of the output time; nothing here opens a recording.
"""

from syncvid.picture.composing import compose
from syncvid.picture.composition import Composition, Layer, Shown, Stage
from syncvid.picture.pieces import DEFAULT_FOCUS, LABEL_SEPARATOR, Piece, Rect, Voice
from syncvid.picture.record import REPORT_FORMAT, describe, report

__all__ = [
    "DEFAULT_FOCUS",
    "LABEL_SEPARATOR",
    "REPORT_FORMAT",
    "Composition",
    "Layer",
    "Piece",
    "Rect",
    "Shown",
    "Stage",
    "Voice",
    "compose",
    "describe",
    "report",
]
