"""What a mix was made of as JSON, ``syncvid.mix/1``: written for scripts, and read back.

The names are those of `syncvid.production.mix_made`.  A reader takes files that hold more than it
knows; what may be left out there may be left out here.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, fields
from numbers import Integral, Real
from typing import Any, get_args

from syncvid.errors import ProductionError
from syncvid.production import mix_made
from syncvid.production.mix_made import FadeLaw, Hiding, MadeMix

MIX_FORMAT = "syncvid.mix/1"

# Digits behind the point, by how a name ends: microseconds, and thousandths of a decibel, are far
# finer than anything that is heard.
_DIGITS = (("_s", 6), ("_db", 3), ("_lufs", 3), ("_lu", 3), ("_dbtp", 3), ("_dbfs", 3))
_DIGITS_ELSE = 4

# Levels that are minus infinity for silence, for which JSON has no number.
_PEAKS = ("true_peak_dbtp", "sample_peak_dbfs")

# Names of the two values of each entry of a list of pairs.
_PAIRS = {"cleaning": ("step", "told"), "tone_db": ("hz", "db")}


def mix_document(made: MadeMix) -> dict[str, Any]:
    """Return a mix as plain data in the form of ``syncvid.mix/1``.

    Parameters
    ----------
    made : MadeMix
        What was made.

    Returns
    -------
    dict
        Everything that is known of it, rounded; what is no finite number is None.
    """
    return {"format": MIX_FORMAT, **_document(made)}


def write_mix_json(made: MadeMix) -> str:
    """Write a mix as ``syncvid.mix/1``: JSON text, ending in a newline."""
    return json.dumps(mix_document(made), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_mix_json(text: str, *, where: str = "") -> MadeMix:
    """Read ``syncvid.mix/1``.

    Parameters
    ----------
    text : str
        The JSON text.
    where : str
        The file it comes from, for messages.

    Returns
    -------
    MadeMix

    Raises
    ------
    ProductionError
        Not JSON, another format, or an entry that cannot be understood.
    """
    fix = "Make the mix anew."
    try:
        document = json.loads(text)
    except ValueError as exc:
        raise ProductionError(f"This is no JSON: {exc}.", where=where, fix=fix) from exc
    if not isinstance(document, dict) or document.get("format") != MIX_FORMAT:
        raise ProductionError(f"This is no {MIX_FORMAT} file.", where=where, fix=fix)
    try:
        made = _read(MadeMix, document)
    except (TypeError, ValueError, OverflowError) as exc:
        raise ProductionError(f"An entry is wrong: {exc}.", where=where, fix=fix) from exc
    assert isinstance(made, MadeMix)
    return made


def _document(record: Any) -> dict[str, Any]:
    """Return a record's fields as plain data."""
    return {entry.name: _plain(getattr(record, entry.name), entry.name) for entry in fields(record)}


def _plain(value: Any, name: str) -> Any:
    """Return one value as plain data."""
    if dataclasses.is_dataclass(value):
        return _document(value)
    if isinstance(value, tuple) and name in _PAIRS:
        return [
            {key: _plain(item, f"_{key}") for key, item in zip(_PAIRS[name], pair, strict=True)}
            for pair in value
        ]
    if isinstance(value, tuple):
        return [_plain(item, name) for item in value]
    if isinstance(value, Integral):
        return value if isinstance(value, bool) else int(value)
    if isinstance(value, Real):
        digits = next((digits for end, digits in _DIGITS if name.endswith(end)), _DIGITS_ELSE)
        # A zero has no sign; numbers of numpy's kinds become plain ones.
        return round(float(value), digits) + 0.0 if math.isfinite(value) else None
    return value


def _read(kind: type[Any], document: object) -> Any:
    """Read a record from plain data."""
    if not isinstance(document, Mapping):
        raise ValueError(f"{document!r} is no {kind.__name__}")
    return kind(**{
        entry.name: _READERS[str(entry.type)](document.get(entry.name), entry.name)
        for entry in fields(kind)
        if entry.name in document or not _may_lack(entry)
    })  # fmt: skip


def _may_lack(entry: Field[Any]) -> bool:
    """Tell whether a field has a value of its own where nothing is said."""
    return entry.default is not MISSING or entry.default_factory is not MISSING


def _text(value: object, name: str) -> str:
    """Return a text."""
    if not isinstance(value, str):
        raise ValueError(f"{name} is {value!r}, no text")
    return value


def _flag(value: object, name: str) -> bool:
    """Return yes or no."""
    if not isinstance(value, bool):
        raise ValueError(f"{name} is {value!r}, neither true nor false")
    return value


def _whole(value: object, name: str) -> int:
    """Return a whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{name} is {value!r}, no whole number")
    return value


def _number(value: object, name: str) -> float:
    """Return a finite number; of a peak that is null, minus infinity."""
    if value is None and name in _PEAKS:
        return -math.inf
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{name} is {value!r}, no number")
    return float(value)


def _maybe(reader: Callable[[Any, str], Any]) -> Callable[[Any, str], Any]:
    """Return a reader that takes null as well."""
    return lambda value, name: None if value is None else reader(value, name)


def _several(reader: Callable[[Any, str], Any]) -> Callable[[Any, str], tuple[Any, ...]]:
    """Return a reader of lists."""

    def read(value: object, name: str) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise ValueError(f"{name} is {value!r}, no list")
        return tuple(reader(item, name) for item in value)

    return read


def _pair(reader: Callable[[Any, str], Any], last: Callable[[Any, str], Any]) -> Any:
    """Return a reader of the two values of an entry."""

    def read(value: object, name: str) -> tuple[Any, Any]:
        if not isinstance(value, Mapping):
            raise ValueError(f"{name} holds {value!r}")
        first_key, last_key = _PAIRS[name]
        return reader(value.get(first_key), first_key), last(value.get(last_key), last_key)

    return read


def _word(choices: Any) -> Callable[[Any, str], str]:
    """Return a reader of one of the words of a Literal type."""

    def read(value: object, name: str) -> str:
        if value not in get_args(choices):
            raise ValueError(f"{name} is {value!r}, not one of {', '.join(get_args(choices))}")
        return str(value)

    return read


def _record(kind: type[Any]) -> Callable[[Any, str], Any]:
    """Return a reader of a record."""
    return lambda value, name: _read(kind, value)


# How each type of field is read, by the words in which the records name it.
_READERS: dict[str, Callable[[Any, str], Any]] = {
    "str": _text,
    "bool": _flag,
    "int": _whole,
    "float": _number,
    "float | None": _maybe(_number),
    "FadeLaw": _word(FadeLaw),
    "Hiding": _word(Hiding),
    "Programme": _record(mix_made.Programme),
    "MadeMaster": _record(mix_made.MadeMaster),
    "MadeRoom | None": _maybe(_record(mix_made.MadeRoom)),
    "tuple[str, ...]": _several(_text),
    "tuple[tuple[str, str], ...]": _several(_pair(_text, _text)),
    "tuple[tuple[float, float], ...]": _several(_pair(_number, _number)),
    "tuple[MadeSplice, ...]": _several(_record(mix_made.MadeSplice)),
    "tuple[MadePassage, ...]": _several(_record(mix_made.MadePassage)),
    "tuple[MadeStem, ...]": _several(_record(mix_made.MadeStem)),
}
