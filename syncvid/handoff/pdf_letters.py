"""Letters for a PDF: which face has them, and what stands for those that none has.

EB Garamond comes first; then the font files that the caller names, in their order.  Only outlines
of the TrueType kind can be embedded.
"""

from __future__ import annotations

import functools
import html
import itertools
import struct
import unicodedata
import zlib
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from syncvid.handoff.pdf_turning import turned

ELLIPSIS = "…"

# Joiners and variation selectors have no glyph of their own.
_INVISIBLE = frozenset({0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, *range(0xFE00, 0xFE10)})

_MOST_FILES = 40
"""So many font files are looked into: opening one takes some hundredths of a second."""

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
    others : tuple of Path
        Font files, asked in this order for what EB Garamond lacks, the first ones of very many.
    lacking : set of str
        Letters that no face has.
    """

    others: tuple[Path, ...] = ()
    lacking: set[str] = field(default_factory=set)

    def runs(self, text: str, *, italic: bool = False) -> list[tuple[str, str]]:
        """Return text as runs, each with the name of a face that has its letters."""
        own = own_face("Italic" if italic else "Regular")
        runs: list[tuple[str, str]] = []
        for letter in turned(unicodedata.normalize("NFC", text)):
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
        if not self.lacking:
            return ()
        return (
            f"No font for the PDF of the players' sheet has {_some(self.lacking)}: letters are "
            f"replaced by {ELLIPSIS}, signs are left out. Print the HTML page instead, or install "
            "a TrueType font that has them.",
        )

    def _letter(self, letter: str, own: PdfFace) -> tuple[str, PdfFace]:
        """Return what is shown for a letter, and in which face."""
        if ord(letter) in _INVISIBLE:
            return "", own
        # Files are opened only when a letter asks for them, and then kept.
        for face in itertools.chain((own,), map(_face_in, self.others[:_MOST_FILES])):
            if face is not None and ord(letter) in face.letters:
                return letter, face
        self.lacking.add(unicodedata.normalize("NFKC", letter))
        return ELLIPSIS if letter.isalnum() else "", own


@functools.cache
def own_face(style: str) -> PdfFace:
    """Return EB Garamond, ``Regular`` or ``Italic``."""
    file = resources.files("syncvid") / "fonts" / f"EBGaramond-{style}.ttf"
    with resources.as_file(file) as path:
        return _registered(path)


@functools.cache
def _face_in(path: Path) -> PdfFace | None:
    """Return the first face of a font file; None if it cannot be embedded."""
    from reportlab.pdfbase.ttfonts import TTFError

    try:
        return _registered(path)
    # What is no font can fail in the reader in many ways.
    except (TTFError, OSError, struct.error, IndexError, KeyError, ValueError, AssertionError):
        return None


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
