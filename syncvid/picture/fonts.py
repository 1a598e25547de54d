"""Choosing fonts: for each run of letters the first face that has them, and words if none has.

The project's own serif comes first, then the sans-serif that matplotlib brings along, then whatever
fonts the system has: a name in Japanese is drawn in a Japanese font if there is one. All letters
of one script in a text are set in one face, so that no word changes its looks in the middle.

This is done once, before anything is drawn; what is chosen is plain data (`Typeset`).
"""

from __future__ import annotations

import functools
import locale
import unicodedata
from collections.abc import Iterator, Sequence

from syncvid.errors import MissingExtraError
from syncvid.picture.fontfiles import KnownFace, faces_in, own_files, system_files
from syncvid.picture.setting import shaping_advice
from syncvid.picture.typeset import ELLIPSIS, INVISIBLE, Face, Run, Typeset, clusters

# Scripts that take their face from the letters around them (Unicode Standard Annex 24).
_SHARED = ("Zyyy", "Zinh", "Zzzz")

# East Asian scripts are set in one face, that of their region.
_EAST_ASIAN = ("Hani", "Hira", "Kana", "Hang", "Bopo")

# What a file's name holds if it is likely to have a script's letters: tried first, because to look
# into every file of a system with some hundred fonts takes seconds.  Other scripts: their name.
_LIKELY = {
    "Hani": tuple(
        "cjk gothic mincho hiragino meiryo pingfang songti heiti msyh simsun msjh mingliu malgun"
        " batang nanum notosansjp notosanskr notosanssc notosanstc sourcehan wqy"
        " droidsansfallback".split()
    ),
    "Arab": ("arab", "naskh", "geeza", "amiri", "tahoma", "arial", "times"),
    "Hebr": ("hebrew", "david", "frank", "arial", "times", "tahoma"),
    "Deva": ("deva", "nirmala", "kohinoor", "mangal", "lohit"),
    "Thai": ("thai", "thonburi", "leelaw", "tahoma", "garuda", "norasi"),
}

# What a collection's face is called, region by region.
_REGION_NAMES = {
    "JP": ("jp", "gothic", "mincho", "hiragino", "meiryo"),
    "KR": ("kr", "kor", "malgun", "batang", "nanum"),
    "SC": ("sc", "simsun", "yahei", "gb"),
    "TC": ("tc", "hk", "mingliu", "jhenghei"),
}

# Free fonts that can be installed where a script has none; Debian's packages carry the same fonts.
_WHAT_TO_INSTALL = {
    "Hani": "Noto Serif CJK (Debian, Ubuntu: fonts-noto-cjk)",
    "Zyyy": "Noto Emoji, the one without colours, or Symbola (Debian, Ubuntu: fonts-symbola)",
}
_OTHERWISE_INSTALL = "the free Noto font for that script (Debian, Ubuntu: fonts-noto-core)"


def choose_type(
    texts: Sequence[str], *, italic: bool = False
) -> tuple[tuple[Typeset, ...], tuple[str, ...]]:
    """Choose faces for all names and words of a picture.

    Parameters
    ----------
    texts : sequence of str
        Names, title, credits, captions: all at once, because kana anywhere tells that the East
        Asian letters everywhere are Japanese.
    italic : bool
        Whether to set in italics what the project's own italic has.

    Returns
    -------
    (tuple of Typeset, tuple of str)
        One for each text, in that order; and what the user should know, in sentences: letters that
        no font has (an ellipsis stands for them; signs and emoji are left out).

    Raises
    ------
    MissingExtraError
        Not a single font on this computer.
    """
    chooser = _Chooser(_region(texts), italic)
    done = tuple(chooser.choose(tidied(text)) for text in texts)
    return done, chooser.warnings()


def tidied(text: str) -> str:
    """Return a text composed (NFC), with single spaces and without control characters."""
    kept = "".join(
        letter if unicodedata.category(letter) not in ("Cc", "Cf") or ord(letter) in INVISIBLE
        else " " if letter.isspace() else ""
        for letter in unicodedata.normalize("NFC", text)
    )  # fmt: skip
    return " ".join(kept.split())


class _Chooser:
    """Chooses faces for one text after the other and remembers what was lacking."""

    def __init__(self, region: str, italic: bool) -> None:
        self._region, self._italic = region, italic
        plain = self._first({ord(ELLIPSIS)}, "Zyyy") or next(self._faces("Zyyy"), None)
        if plain is None:
            raise _no_font()
        self._plain = plain
        self._lacking: dict[str, dict[str, set[str]]] = {}
        self._advice: list[str] = []

    def choose(self, text: str) -> Typeset:
        """Return a text with its faces."""
        parts = clusters(text)
        scripts = _scripts(parts)
        chosen = self._by_script(parts, scripts)
        runs: list[Run] = []
        before = self._plain
        for part, script in zip(parts, scripts, strict=True):
            known = self._face_for(part, script, chosen[script], before)
            if known is None:
                self._note(text, part, script)
                if not any(letter.isalnum() for letter in part) or _ends_with_ellipsis(runs):
                    continue
                part, known = ELLIPSIS, self._plain
            if part == " " and (not runs or runs[-1].text.endswith(" ")):
                continue  # something between two spaces was left out
            _join(runs, part, known.face)
            before = known
        done = Typeset(tuple(runs), self._plain.face)
        advice = shaping_advice(done.text)
        self._advice += [advice] if advice else []
        return done.cut(0, len(done.text))

    def warnings(self) -> tuple[str, ...]:
        """Tell of letters that are lacking, script by script, and of texts not set well."""
        lacking = (
            f"No font on this computer has {''.join(sorted(_all(letters)))} ({_called(script)}), "
            f"in {_quoted(letters)}: {_stand_in(letters)}. "
            f"Install {_WHAT_TO_INSTALL.get(script, _OTHERWISE_INSTALL)}."
            for script, letters in self._lacking.items()
        )
        return (*lacking, *dict.fromkeys(self._advice))

    def _by_script(self, parts: list[str], scripts: list[str]) -> dict[str, KnownFace | None]:
        """Return the face that has all letters of a script in a text; none for shared signs."""
        needed: dict[str, set[int]] = {}
        for part, script in zip(parts, scripts, strict=True):
            needed.setdefault(script, set()).update(_needed(part))
        return {
            script: None if script in _SHARED else self._first(letters, script)
            for script, letters in needed.items()
        }

    def _face_for(
        self, part: str, script: str, chosen: KnownFace | None, before: KnownFace
    ) -> KnownFace | None:
        """Return the face for one letter: its script's, for shared signs a face near by."""
        if chosen is not None:
            return chosen
        needed = _needed(part)
        near = (before, self._plain) if part.isspace() else (self._plain, before)
        close = (known for known in near if script in _SHARED and needed <= known.letters)
        return next(close, None) or self._first(needed, script)

    def _first(self, needed: set[int], script: str) -> KnownFace | None:
        """Return the first face that has all of some letters."""
        return next((known for known in self._faces(script) if needed <= known.letters), None)

    def _faces(self, script: str) -> Iterator[KnownFace]:
        """Yield all faces, best first."""
        hints = _LIKELY.get(script, () if script in _SHARED else (_called(script).lower(),))
        return _all_faces(hints, self._region, italic=self._italic)

    def _note(self, text: str, part: str, script: str) -> None:
        """Remember a letter that no font has."""
        self._lacking.setdefault(script, {}).setdefault(text, set()).add(part[0])


def _all_faces(hints: tuple[str, ...], region: str, *, italic: bool = False) -> Iterator[KnownFace]:
    """Yield faces, best first; the system's only when nothing before will do."""
    for path in own_files(italic=italic):
        yield from faces_in(path)
    files = system_files()
    likely = [path for path in files if any(h in path.name.lower() for h in hints)]
    for path in (*likely, *(path for path in files if path not in likely)):
        yield from sorted(faces_in(path), key=lambda known: _strangeness(known, region))


def _strangeness(known: KnownFace, region: str) -> tuple[bool, bool]:
    """Rank a collection's faces: those of the region first, those for code last."""
    name = known.family.lower()
    named = any(word in name.split() for word in _REGION_NAMES.get(region, ()))
    return "mono" in name, not named


def _region(texts: Sequence[str]) -> str:
    """Return whose East Asian letters these are: by their script, else by the user's language."""
    letters = "".join(texts)
    for first, last, region in (("぀", "ヿ", "JP"), ("가", "힣", "KR"), ("㄀", "ㄯ", "TC")):
        if any(first <= letter <= last for letter in letters):
            return region
    language = (locale.getlocale()[0] or "").replace("-", "_")
    for start, region in (("ja", "JP"), ("ko", "KR"), ("zh_TW", "TC"), ("zh_HK", "TC")):
        if language.startswith(start):
            return region
    return "SC"


def _scripts(parts: Sequence[str]) -> list[str]:
    """Return the script of each letter; East Asian ones count as one."""
    # Imported here: the processes that render never look for fonts.
    from fontTools.unicodedata import script

    found = [script(part[0]) for part in parts]
    return ["Hani" if kind in _EAST_ASIAN else kind for kind in found]


@functools.cache
def _called(script: str) -> str:
    """Return a script's name in plain words."""
    from fontTools.unicodedata import script_name

    plain = {"Hani": "Chinese, Japanese or Korean", "Zyyy": "signs and emoji"}
    return plain.get(script) or str(script_name(script, "signs")).replace("_", " ")


def _needed(part: str) -> set[int]:
    """Return the code points of a letter that need a glyph."""
    return {ord(letter) for letter in part if not letter.isspace()} - INVISIBLE


def _join(runs: list[Run], part: str, face: Face) -> None:
    """Add a letter to the last run, or begin another."""
    if runs and runs[-1].face == face:
        runs[-1] = Run(runs[-1].text + part, face)
    else:
        runs.append(Run(part, face))


def _ends_with_ellipsis(runs: list[Run]) -> bool:
    """Tell whether the last letter was one that stands for lacking ones."""
    return bool(runs) and runs[-1].text.endswith(ELLIPSIS)


def _all(letters: dict[str, set[str]]) -> set[str]:
    """Return the letters of all texts."""
    return set().union(*letters.values())


def _quoted(letters: dict[str, set[str]]) -> str:
    """Name the texts, the first few of them."""
    names = [repr(text) for text in letters]
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _stand_in(letters: dict[str, set[str]]) -> str:
    """Say what is to be seen in their place."""
    if any(letter.isalnum() for letter in _all(letters)):
        return "an ellipsis stands in their place"
    return "they are left out (fonts of coloured pictures cannot be used)"


def _no_font() -> MissingExtraError:
    """Return the error of a computer without fonts."""
    return MissingExtraError(
        "There is no font on this computer to write names with.",
        fix="Install syncvid again, it brings one, or hide the names in the layout.",
    )
