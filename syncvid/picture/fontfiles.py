"""The font files of this computer, and what each can draw."""

from __future__ import annotations

import functools
import importlib.resources
import importlib.util
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from syncvid.picture.typeset import Face

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
    "%LOCALAPPDATA%/Microsoft/Windows/Fonts",
)
_ENDINGS = (".ttf", ".otf", ".ttc", ".otc")

# Files that claim all letters and draw boxes, or nothing, for them.
_EMPTY = re.compile(r"lastresort|adobeblank|notdef|keycaps", re.IGNORECASE)

# In a file's name: what makes a face the wrong one for a name beside upright book letters.
_UNFIT = re.compile(
    r"bold|black|heavy|thin|light|medium|italic|oblique|cond|narrow|mono|display|extra|demi"
    r"|unifont|rashi|looped|kufi|nastaliq",
    re.IGNORECASE,
)
_FIT = re.compile(r"serif|mincho|ming|song|myeongjo|naskh|times|garamond", re.IGNORECASE)

# The family's own height of capitals, in em: EB Garamond 1.003, table OS/2.
_CAPITALS_EM = 0.65

# A face is never drawn more than this much smaller or larger than it was made.
_SCALES = (0.82, 1.12)

_REGULAR_WEIGHT = 400


@dataclass(frozen=True, slots=True)
class KnownFace:
    """A face and what it can draw.

    Attributes
    ----------
    face : Face
        How to open it.
    letters : frozenset of int
        The code points that it draws as outlines.
    family : str
        The family's name, which in collections of East Asian faces tells the region.
    """

    face: Face
    letters: frozenset[int]
    family: str


def own_files(*, italic: bool = False) -> Iterator[Path]:
    """Yield the fonts that come with the package and its neighbours, best first."""
    folder = Path(str(importlib.resources.files("syncvid"))) / "fonts"
    for style in ("Italic", "Regular") if italic else ("Regular",):
        serif = folder / f"EBGaramond-{style}.ttf"
        if serif.is_file():
            yield serif
    neighbour = importlib.util.find_spec("matplotlib")
    if neighbour is not None and neighbour.origin:
        sans = Path(neighbour.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
        if sans.is_file():
            yield sans


@functools.cache
def system_files() -> tuple[Path, ...]:
    """List the system's font files: book faces first, those with a heavy or slanted cut last."""
    found: set[Path] = set()
    for folder in _SYSTEM_FOLDERS:
        root = Path(os.path.expandvars(folder)).expanduser()
        if root.is_dir():
            found |= {path for path in root.rglob("*") if path.suffix.lower() in _ENDINGS}
    fit = (path for path in found if not _EMPTY.search(path.name))
    return tuple(sorted(fit, key=_unfitness))


def _unfitness(path: Path) -> tuple[int, int, str]:
    """Rank a file by its name."""
    return len(_UNFIT.findall(path.stem)), not _FIT.search(path.stem), str(path)


@functools.cache
def faces_in(path: Path) -> tuple[KnownFace, ...]:
    """Return the faces of a file that can be used, in its order; none if it cannot be read."""
    # Imported here: the processes that render never look for fonts.
    from fontTools.ttLib import TTFont, TTLibError

    found: list[KnownFace] = []
    for index in range(_face_count(path)):
        try:
            with path.open("rb") as file, TTFont(file, lazy=True, fontNumber=index) as font:
                face = _known(path, index, font)
        except (TTLibError, OSError, KeyError, ValueError, AssertionError, AttributeError):
            face = None
        if face is not None:
            found.append(face)
    return tuple(found)


def _face_count(path: Path) -> int:
    """Return how many faces a file holds (OpenType 1.9, "Font Collections": TTC header)."""
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError:
        return 0
    return int.from_bytes(head[8:12], "big") if head[:4] == b"ttcf" else 1


def _known(path: Path, index: int, font: Any) -> KnownFace | None:
    """Return what a face can draw; None if it is made of pictures, not of outlines."""
    tables = set(font.keys())
    if not {"glyf", "CFF ", "CFF2"} & tables:
        return None
    cmap = font.getBestCmap() or {}
    letters = frozenset(cmap)
    if tables & {"COLR", "SVG ", "CBDT", "sbix"}:
        # Colours lie in tables that are not drawn here; without them some glyphs are empty.
        if "glyf" not in tables:
            return None
        glyphs = font["glyf"]
        letters = frozenset(c for c, name in cmap.items() if glyphs[name].numberOfContours)
    name = font["name"]
    family = name.getBestFullName() or path.stem if "name" in tables else path.stem
    face = Face(str(path), index, _axes(font), _scale(font), f"{path.name}:{path.stat().st_size}")
    return KnownFace(face, letters, str(family))


def _axes(font: Any) -> tuple[float, ...]:
    """Return a variable font's axes at regular weight; empty for an ordinary font."""
    if "fvar" not in font:
        return ()
    return tuple(
        float(min(max(_REGULAR_WEIGHT, axis.minValue), axis.maxValue))
        if axis.axisTag == "wght"
        else float(axis.defaultValue)
        for axis in font["fvar"].axes
    )


def _scale(font: Any) -> float:
    """Return by how much to draw a face larger, for its capitals to be as high as our own's."""
    height = getattr(font["OS/2"], "sCapHeight", 0) if "OS/2" in font else 0
    if not height and "glyf" in font and ord("H") in (font.getBestCmap() or ()):
        height = font["glyf"][font.getBestCmap()[ord("H")]].yMax
    capitals = height / font["head"].unitsPerEm
    if not 0.4 < capitals < 1.0:
        return 1.0
    low, high = _SCALES
    return float(round(min(max(_CAPITALS_EM / capitals, low), high), 3))
