"""Right-to-left writing for a PDF, whose writer sets letters one after the other as they are.

Letters of the Arabic script get the forms that they have within a word (The Unicode Standard,
chapter 9, "Cursive Joining"; the forms are those of its presentation blocks), and stretches of
right-to-left letters are put into the order in which they stand on paper: a plain case of Unicode
Standard Annex 9, for names within text that runs from left to right.
"""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Iterator

_RIGHT_TO_LEFT = ("R", "AL")
_DIGITS = ("EN", "AN")
_NUMBERS = (*_DIGITS, "ES", "ET", "CS")

# Arabic Presentation Forms-A and -B, as far as they hold forms of single letters and lam-alef.
_FORMS = (*range(0xFB50, 0xFBB2), *range(0xFE80, 0xFEFD))

_LAM = "\u0644"
_KINDS = {
    (False, False): "isolated",
    (True, False): "final",
    (False, True): "initial",
    (True, True): "medial",
}
_BLANK, _FIRM_BLANK = " ", "\u00a0"
_BRACKETS = {")": "(", "]": "[", "}": "{"}
_MIRRORED = str.maketrans("()[]{}<>«»", ")(][}{><»«")


def turned(text: str) -> str:
    r"""Return text with right-to-left stretches as they stand on paper, from left to right.

    Examples
    --------
    >>> turned("Song: \u05d0\u05d1 12!") == "Song: 12\u00a0\u05d1\u05d0!"
    True
    """
    kinds = [unicodedata.bidirectional(letter) for letter in text]
    done, at = "", 0
    while at < len(text):
        if kinds[at] not in _RIGHT_TO_LEFT:
            done += text[at]
            at += 1
            continue
        stop = _end(text, kinds, at)
        done += _stretch(text[at:stop])
        at = stop
    return done


def _end(text: str, kinds: list[str], start: int) -> int:
    """Return where a stretch ends: at its last letter or number before one from left to right."""
    stop = start
    for at in range(start, len(kinds)):
        if kinds[at] == "L":
            break
        if kinds[at] in (*_RIGHT_TO_LEFT, *_DIGITS, "NSM"):
            stop = at + 1
    # Brackets belong to what they enclose (Annex 9, rule N0).
    closes = _BRACKETS.get(text[stop : stop + 1], "")
    return stop + 1 if closes and closes in text[start:stop] else stop


def _stretch(text: str) -> str:
    """Return a stretch in the order of paper; blanks do not break, or its lines would change."""
    clusters = list(_clusters(_joined(text.translate(_MIRRORED))))
    return "".join(reversed(clusters)).replace(_BLANK, _FIRM_BLANK)


def _clusters(text: str) -> Iterator[str]:
    """Yield what keeps its order: a letter with the marks on it, the digits of a number."""
    cluster, before = "", ""
    for letter in text:
        kind = unicodedata.bidirectional(letter)
        goes_on = kind == "NSM" or (kind in _NUMBERS and before in _DIGITS)
        if cluster and not goes_on:
            yield cluster
            cluster = ""
        cluster += letter
        before = kind if kind != "NSM" else before
    if cluster:
        yield cluster


def _joined(text: str) -> str:
    """Return text whose Arabic letters have the forms that they have within words."""
    forms = _forms()
    units = list(_units(text))
    shown = dict(enumerate(units))
    # Vowel signs do not part letters.
    bases = [nth for nth, unit in enumerate(units) if not unicodedata.combining(unit[0])]
    for place, nth in enumerate(bases):
        own = forms.get(units[nth], {})
        before = forms.get(units[bases[place - 1]], {}) if place else {}
        after = forms.get(units[bases[place + 1]], {}) if place + 1 < len(bases) else {}
        back = "final" in own and "initial" in before
        on = "initial" in own and "final" in after
        shown[nth] = own.get(_KINDS[back, on], units[nth])
    return "".join(shown.values())


def _units(text: str) -> Iterator[str]:
    """Yield letters; lam and alef, which are written as one, together."""
    at = 0
    while at < len(text):
        length = 2 if text[at] == _LAM and text[at : at + 2] in _forms() else 1
        yield text[at : at + length]
        at += length


@functools.cache
def _forms() -> dict[str, dict[str, str]]:
    """Return the forms of each letter, by their names in the Unicode Character Database."""
    forms: dict[str, dict[str, str]] = {}
    for code in _FORMS:
        kind, *letters = unicodedata.decomposition(chr(code)).split()
        base = "".join(chr(int(letter, 16)) for letter in letters)
        forms.setdefault(base, {})[kind.strip("<>")] = chr(code)
    return forms
