"""Finding a font file that has the letters of a name.

The project's own serif comes first, then the sans-serif that matplotlib brings along, then whatever
fonts the system has: a name in Japanese is drawn in a Japanese font if there is one.
"""

from __future__ import annotations

import functools
import importlib.resources
import importlib.util
import os
from collections.abc import Iterator
from pathlib import Path

from syncvid.errors import MissingExtraError

# Where systems keep fonts: Linux, macOS, Windows.
_SYSTEM_FOLDERS = (
    "/usr/share/fonts",
    "/usr/local/share/fonts",
    "~/.local/share/fonts",
    "~/.fonts",
    "/System/Library/Fonts",
    "/Library/Fonts",
    "~/Library/Fonts",
    "%WINDIR%/Fonts",
)
_ENDINGS = (".ttf", ".otf", ".ttc", ".otc")

# Invisible characters: joiners and variation selectors need no glyph of their own.
_INVISIBLE = {0x200B, 0x200C, 0x200D, 0x2060, *range(0xFE00, 0xFE10)}


def find_font(text: str) -> tuple[Path, str]:
    """Find the first font that has all letters of a text.

    Parameters
    ----------
    text : str
        What is to be written.

    Returns
    -------
    (Path, str)
        The font file, and the letters that no font has, which will be missing or shown as boxes;
        empty as a rule.  Then the font is the one that has most of the letters.

    Raises
    ------
    MissingExtraError
        Not a single font on this computer.
    """
    needed = {ord(letter) for letter in text if not letter.isspace()} - _INVISIBLE
    best: tuple[int, Path] | None = None
    for path in _all_fonts():
        missing = len(needed - _letters(path))
        if missing == 0:
            return path, ""
        if (best is None or missing < best[0]) and _letters(path):
            best = (missing, path)
    if best is None:
        raise MissingExtraError(
            "There is no font on this computer to write names with.",
            fix="Install syncvid again, it brings one, or hide the names in the layout.",
        )
    lacking = needed - _letters(best[1])
    return best[1], "".join(letter for letter in dict.fromkeys(text) if ord(letter) in lacking)


def _all_fonts() -> Iterator[Path]:
    """Yield font files, best first; the system's only when nothing before will do."""
    yield from _own_fonts()
    yield from _system_fonts()


def _own_fonts() -> Iterator[Path]:
    """Yield the fonts that come with the package and its neighbours."""
    serif = Path(str(importlib.resources.files("syncvid"))) / "fonts" / "EBGaramond-Regular.ttf"
    if serif.is_file():
        yield serif
    neighbour = importlib.util.find_spec("matplotlib")
    if neighbour is not None and neighbour.origin:
        sans = Path(neighbour.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
        if sans.is_file():
            yield sans


@functools.cache
def _system_fonts() -> tuple[Path, ...]:
    """List the system's font files, in a fixed order."""
    found: list[Path] = []
    for folder in _SYSTEM_FOLDERS:
        root = Path(os.path.expandvars(folder)).expanduser()
        if root.is_dir():
            found += (path for path in root.rglob("*") if path.suffix.lower() in _ENDINGS)
    return tuple(sorted(found))


@functools.cache
def _letters(path: Path) -> frozenset[int]:
    """Return the code points that a font draws as outlines; empty if it cannot be used."""
    # Imported here: the processes that render never look for fonts.
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path, lazy=True, fontNumber=0) as font:
            if not {"glyf", "CFF ", "CFF2"} & set(font.keys()):
                return frozenset()
            return frozenset(font.getBestCmap() or ())
    except (TTLibError, OSError, KeyError, ValueError):
        return frozenset()
