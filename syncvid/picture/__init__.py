"""What the video shows: which recording in which rectangle at which moment, names and cards.

The picture is a pure function of the output time; nothing here opens a recording.
"""

from syncvid.picture.composition import Composition, Shown, compose
from syncvid.picture.pieces import DEFAULT_FOCUS, LABEL_SEPARATOR, Piece, Rect, Voice

__all__ = [
    "DEFAULT_FOCUS",
    "LABEL_SEPARATOR",
    "Composition",
    "Piece",
    "Rect",
    "Shown",
    "Voice",
    "compose",
]
