"""Letters for a PDF: which face has them, and what stands for those that none has.

EB Garamond comes first; then the font files that the caller names, in their order.  Only outlines
of the TrueType kind can be embedded.  Right-to-left scripts are not set: their letters would have
to be joined and turned round, which a browser does for the HTML page.
"""

from __future__ import annotations

import functools
import html
import unicodedata
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

ELLIPSIS = "…"

# Bidirectional classes of letters that run from right to left (Unicode Standard Annex 9, table 4).
_RIGHT_TO_LEFT = ("R", "AL")

# Joiners and variation selectors have no glyph of their own.
_INVISIBLE = frozenset({0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, *range(0xFE00, 0xFE10)})

_TOLD = 12
"""So many letters are named in a remark."""


@dataclass(frozen=True, slots=True)
class PdfFace:
    """A face that is registered with the writer of PDFs.

    Attributes
    ----------
    name : str
        As registered.
    letters : frozenset of int
        Code points that it draws.
    """

    name: str
    letters: frozenset[int]


@dataclass(slots=True)
class Letters:
    """Chooses faces, and remembers what was lacking.

    Attributes
    ----------
    others : tuple of PdfFace
        Asked in this order for what EB Garamond lacks.
    lacking, turned : set of str
        Letters that no face has; letters that run from right to left.
    """

    others: tuple[PdfFace, ...] = ()
    lacking: set[str] = field(default_factory=set)
    turned: set[str] = field(default_factory=set)

    def runs(self, text: str, *, italic: bool = False) -> list[tuple[str, str]]:
        """Return text as runs, each with the name of a face that has its letters."""
        own = own_face("Italic" if italic else "Regular")
        runs: list[tuple[str, str]] = []
        for letter in unicodedata.normalize("NFC", text):
            shown, face = self._letter(letter, own)
            before_name, before = runs[-1] if runs else ("", "")
            if shown == ELLIPSIS and before.endswith(ELLIPSIS):
                continue
            if face.name == before_name:
                runs[-1] = (face.name, before + shown)
            elif shown:
                runs.append((face.name, shown))
        return runs

    def markup(self, text: str, *, italic: bool = False) -> str:
        """Return text as the writer's markup."""
        return "".join(
            f'<font name="{name}">{html.escape(run, quote=True)}</font>'
            for name, run in self.runs(text, italic=italic)
        )

    def remarks(self) -> tuple[str, ...]:
        """Tell of letters that could not be set."""
        told = []
        if self.turned:
            told.append(
                f"The PDF of the players' sheet cannot set right-to-left writing "
                f"({_some(self.turned)}); {ELLIPSIS} stands in its place. "
                "The HTML page shows it right: print that one."
            )
        if self.lacking:
            told.append(
                f"No font for the PDF of the players' sheet has {_some(self.lacking)}: letters are "
                f"replaced by {ELLIPSIS}, signs are left out. Print the HTML page, or install a "
                "TrueType font that has them (Noto has most)."
            )
        return tuple(told)

    def _letter(self, letter: str, own: PdfFace) -> tuple[str, PdfFace]:
        """Return what is shown for a letter, and in which face."""
        if ord(letter) in _INVISIBLE:
            return "", own
        if unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT:
            self.turned.add(letter)
            return ELLIPSIS, own
        has = (face for face in (own, *self.others) if ord(letter) in face.letters)
        face = next(has, None)
        if face is not None:
            return letter, face
        self.lacking.add(letter)
        return ELLIPSIS if letter.isalnum() else "", own


@functools.cache
def own_face(style: str) -> PdfFace:
    """Return EB Garamond, ``Regular`` or ``Italic``."""
    file = resources.files("syncvid") / "fonts" / f"EBGaramond-{style}.ttf"
    with resources.as_file(file) as path:
        return _registered(path)


@functools.cache
def faces_of(paths: Sequence[Path]) -> tuple[PdfFace, ...]:
    """Return the faces of font files, the first of each; files that cannot be embedded are left."""
    from reportlab.pdfbase.ttfonts import TTFError

    found = []
    for path in paths:
        try:
            found.append(_registered(path))
        except (TTFError, OSError):
            continue
    return tuple(found)


def _registered(path: Path) -> PdfFace:
    """Make a font file known to the writer of PDFs."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    font: Any = TTFont(_name_of(path), str(path))
    pdfmetrics.registerFont(font)
    return PdfFace(font.fontName, frozenset(font.face.charToGlyph))


def _name_of(path: Path) -> str:
    """Return what a file's face is called: nothing in it can be taken for markup."""
    return f"face-{zlib.crc32(str(path).encode('utf-8', 'surrogatepass')):08x}"


def _some(letters: set[str]) -> str:
    """Name letters, the first few of very many."""
    more = f" and {len(letters) - _TOLD} more" if len(letters) > _TOLD else ""
    return " ".join(sorted(letters)[:_TOLD]) + more
