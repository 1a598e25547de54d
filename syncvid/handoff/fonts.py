"""The sheet's type, carried inside the page.

EB Garamond comes in two files for each style: Western European letters, and everything else that
the family has (Central European, Vietnamese, Greek, Cyrillic).  A page that needs none of the
latter does without them; other scripts are left to the reader's own fonts.
"""

from __future__ import annotations

import base64
from importlib import resources

STYLES = {"regular": "normal", "italic": "italic"}

_MORE = (
    (0x0100, 0x0130),
    (0x0132, 0x0151),
    (0x0154, 0x024F),
    (0x0259, 0x0259),
    (0x0300, 0x03FF),
    (0x0400, 0x04B1),
    (0x1E80, 0x1EF9),
    (0x2116, 0x2116),
)


def font_faces(text: str) -> str:
    """Return the style rules that carry the fonts which a text needs.

    Parameters
    ----------
    text : str
        All that is to be set.

    Returns
    -------
    str
        ``@font-face`` rules with the fonts inside.
    """
    needs_more = any(low <= ord(char) <= high for char in set(text) for low, high in _MORE)
    files = ["latin", "more"] if needs_more else ["latin"]
    return "".join(_font_face(style, file) for style in STYLES for file in files)


def _font_face(style: str, file: str) -> str:
    """Return the rule for one font file."""
    source = resources.files("syncvid") / "fonts" / f"{style}-{file}.woff2"
    data = base64.b64encode(source.read_bytes()).decode("ascii")
    ranges = ",".join(f"U+{low:X}-{high:X}" for low, high in _MORE)
    only = f"unicode-range:{ranges};" if file == "more" else ""
    return (
        f"@font-face{{font-family:'EB Garamond';font-style:{STYLES[style]};font-weight:400;"
        f"{only}src:url(data:font/woff2;base64,{data}) format('woff2')}}\n"
    )
