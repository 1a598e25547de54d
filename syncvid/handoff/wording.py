"""The texts of the players' sheet, language by language, and how facts are put into them.

Each language is a TOML file like `texts/en.toml`.  What a language lacks is said in English, and
told in a remark.  A text holds placeholders in braces and, between stars, what is stressed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from typing import Any, NamedTuple

from syncvid.errors import ProductionError
from syncvid.handoff.markup import clean_text

ENGLISH = "en"

# A language tag's shape (BCP 47, RFC 5646 section 2.1, without its rarer forms; from memory).
_TAG = re.compile(r"[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*")

_PLACEHOLDER = re.compile(r"\{(\w+)\}")
_OTHER = "other"
_DIRECTIONS = ("ltr", "rtl")
_TOLD = 5
"""So many keys are named in a remark."""


class Run(NamedTuple):
    """Letters of one kind.

    Attributes
    ----------
    text : str
        Not escaped, on one line.
    stress : bool
        Whether they are stressed.
    fact : bool
        Whether they are a name or number that was filled in.
    """

    text: str
    stress: bool = False
    fact: bool = False


Line = tuple[Run, ...]
"""A sentence or two, ready to be set."""


@dataclass(frozen=True, slots=True)
class Texts:
    """All texts of a language.

    Attributes
    ----------
    language : str
        Its tag, as in ``de`` or ``pt-BR``.
    words : mapping of str to str
        By key, as in ``phone.light``; of texts that a number decides, as in ``amounts.bars.2``.
    remarks : tuple of str
        What the user should know: which texts are missing or cannot be used.
    """

    language: str
    words: Mapping[str, str] = field(repr=False)
    remarks: tuple[str, ...] = ()

    @property
    def direction(self) -> str:
        """``ltr`` or ``rtl``: which way the language is written."""
        return self.words["direction"]

    def say(self, key: str, **facts: str | Sequence[str]) -> Line:
        """Return a text with its facts filled in; of several, each is a fact of its own.

        Examples
        --------
        >>> read_texts().say("send.name", pattern="Part 1.mp4")[2]
        Run(text='Part 1.mp4', stress=False, fact=True)
        """
        pieces = enumerate(self.words[key].split("*"))
        comma = self.words["page.comma"]
        return tuple(
            run for nth, piece in pieces for run in _runs(piece, nth % 2 == 1, facts, comma)
        )

    def text(self, key: str, **facts: str | Sequence[str]) -> str:
        """Return a text with its facts filled in, as plain letters."""
        return "".join(run.text for run in self.say(key, **facts))

    def counted(self, key: str, count: int) -> str:
        """Return the text for a number.

        Examples
        --------
        >>> texts = read_texts()
        >>> texts.counted("amounts.bars", 2), texts.counted("amounts.bars", 12)
        ('two bars', '12 bars')
        """
        exact = f"{key}.{count}"
        return self.text(exact if exact in self.words else f"{key}.{_OTHER}", count=str(count))

    def number(self, value: float) -> str:
        """Return a number with a tenth, if it has one."""
        return f"{value:.1f}".removesuffix(".0").replace(".", self.words["page.point"])


def read_texts(language: str = ENGLISH, *, own: str = "", where: str = "") -> Texts:
    """Return the texts of a language.

    Parameters
    ----------
    language : str
        Its tag.
    own : str
        The user's own texts in TOML, which win over those that come with syncvid.
    where : str
        Where the user's own texts were read, for messages.

    Returns
    -------
    Texts
        Complete: what is missing is said in English.

    Raises
    ------
    ProductionError
        `language` is no tag of a language, or `own` is no TOML.

    Examples
    --------
    >>> read_texts("de", own='send.heading = "Schicken"').words["send.heading"]
    'Schicken'
    """
    if not _TAG.fullmatch(language):
        raise ProductionError(
            f"{language!r} is no language.", where=where, fix="Write it as in 'en' or 'pt-BR'."
        )
    english = dict(_flat(tomllib.loads(_shipped(ENGLISH) or "")))
    shipped = {} if language == ENGLISH else dict(_flat(tomllib.loads(_shipped(language) or "")))
    written = shipped | dict(_flat(_parse(own, where)))
    if not written and language != ENGLISH:
        return Texts(ENGLISH, english, (_no_texts(language),))
    fit = {key: text for key, text in written.items() if _fits(key, text, english)}
    lacking = [] if language == ENGLISH else [key for key in english if not _is_said(key, fit)]
    remarks = (
        _remark(language, [key for key in written if key not in fit], "cannot be used", where),
        _remark(language, lacking, "are missing", where),
    )
    kept = english if language == ENGLISH else _without_counts(english, fit)
    return Texts(language, kept | fit, tuple(filter(None, remarks)))


def _runs(
    piece: str, stress: bool, facts: Mapping[str, str | Sequence[str]], comma: str
) -> Iterator[Run]:
    """Yield the runs of a piece without stars."""
    for nth, text in enumerate(_PLACEHOLDER.split(piece)):
        if nth % 2 == 0:
            yield from (Run(text, stress),) if text else ()
            continue
        fact = facts[text]
        for place, name in enumerate((fact,) if isinstance(fact, str) else fact):
            yield from (Run(comma, stress),) if place else ()
            yield Run(clean_text(name), stress, True)


def _shipped(language: str) -> str | None:
    """Return the texts that come with syncvid in a language; None where there are none."""
    file = resources.files("syncvid.handoff") / "texts" / f"{language}.toml"
    return file.read_text(encoding="utf-8") if file.is_file() else None


def _parse(own: str, where: str) -> Mapping[str, Any]:
    """Read the user's own texts."""
    try:
        return tomllib.loads(own)
    except tomllib.TOMLDecodeError as exc:
        raise ProductionError(
            f"These texts are no TOML: {exc}.", where=where, fix="Compare with the English ones."
        ) from exc


def _flat(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Yield all entries with the names of their tables before them."""
    for name, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{name}.")
        else:
            yield above + name, value


def _family(key: str) -> str:
    """Return the key of all texts among which a number decides; empty if none does."""
    above, _, last = key.rpartition(".")
    return above if last == _OTHER or last.isdecimal() else ""


def _fits(key: str, text: object, english: Mapping[str, str]) -> bool:
    """Return whether a text is one that the sheet knows, asking for no fact that it lacks."""
    model = english.get(key) or english.get(f"{_family(key)}.{_OTHER}")
    if model is None or not isinstance(text, str) or text.count("*") % 2:
        return False
    if key == "direction":
        return text in _DIRECTIONS
    return set(_PLACEHOLDER.findall(text)) <= set(_PLACEHOLDER.findall(model))


def _is_said(key: str, written: Mapping[str, str]) -> bool:
    """Return whether a language says a text; a number that it does not single out, by `other`."""
    return key in written or (bool(_family(key)) and f"{_family(key)}.{_OTHER}" in written)


def _without_counts(english: Mapping[str, str], written: Mapping[str, str]) -> dict[str, str]:
    """Return the English texts without numbers that a language does not single out."""
    return {
        key: text for key, text in english.items() if key in written or not _is_said(key, written)
    }


def _remark(language: str, keys: list[str], what: str, where: str) -> str:
    """Tell which texts a language lacks; empty if none."""
    if not keys:
        return ""
    more = f" and {len(keys) - _TOLD} more" if len(keys) > _TOLD else ""
    place = f" ({where})" if where else ""
    return (
        f"Texts of the players' sheet in {language!r} {what}: {', '.join(keys[:_TOLD])}{more}"
        f"{place}. English stands in their place."
    )


def _no_texts(language: str) -> str:
    """Tell that there are no texts in a language."""
    return (
        f"There are no texts in {language!r} for the players' sheet: it is in English. "
        f"Put yours into sheet.{language}.toml beside the plan."
    )
