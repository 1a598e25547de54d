"""Reading TOML strictly: every mistake is told with its line and its key, all of them at once."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from syncvid.errors import ProductionError
from syncvid.production.files import system_errors

Model = TypeVar("Model", bound=BaseModel)

# Pydantic's kinds of mistakes that deserve plainer words.
_WORDS = {
    "extra_forbidden": "is not a key that is known here",
    "missing": "is missing",
    "bool_type": "is neither true nor false",
    "too_long": "has too many entries",
    "list_type": "is no list: write it in square brackets",
    "model_type": "is a table: write its name in square brackets on a line of its own",
}

# So many mistakes are told; a file with more is told how many there are (project choice).
MOST_TOLD = 20


class Mistake(NamedTuple):
    """A mistake: the key or table that it concerns, and what is said of it behind its name."""

    location: tuple[int | str, ...]
    words: str


def read_toml(path: Path, model: type[Model]) -> tuple[Model, str]:
    """Read a TOML file into a model.

    Parameters
    ----------
    path : Path
        The file, UTF-8.
    model : type
        A pydantic model that forbids unknown keys.

    Returns
    -------
    (model, str)
        The checked content, and the text as it stands in the file.

    Raises
    ------
    MediaError
        The file cannot be read.
    ProductionError
        It is no TOML, or keys or values are wrong; each is named with its line.
    """
    text = read_text(path)
    return check_toml(text, model, where=str(path)), text


def read_text(path: Path) -> str:
    """Read a file of text in UTF-8.

    Raises
    ------
    MediaError
        The file cannot be read.
    ProductionError
        It is not in UTF-8.
    """
    with system_errors(path):
        raw = path.read_bytes()
    try:
        return raw.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as exc:
        raise _no_toml(exc, str(path)) from exc


def check_toml(text: str, model: type[Model], *, where: str) -> Model:
    """Check TOML text against a model; `where` names its file.

    Raises
    ------
    ProductionError
        It is no TOML, or keys or values are wrong; each is named with its line.
    """
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as exc:
        raise _no_toml(exc, where) from exc
    try:
        return model.model_validate(tables)
    except ValidationError as exc:
        found = exc.errors()
        mistakes = [_mistake(row, model) for row in found[:MOST_TOLD]]
        more = len(found) - len(mistakes)
        raise mistakes_error(mistakes, text, where=where, more=more) from exc


def mistakes_error(
    mistakes: Sequence[Mistake], text: str, *, where: str, more: int = 0
) -> ProductionError:
    """Return the error that tells the mistakes of a file, in the order of its lines.

    Parameters
    ----------
    mistakes : sequence of Mistake
        `MOST_TOLD` of them are told.
    text : str
        The file's text.
    where : str
        The file.
    more : int
        How many there are besides.
    """
    told = [(line_of(text, each.location) or 0, each) for each in mistakes[:MOST_TOLD]]
    rows = [
        f"{f'line {line}: ' if line else ''}{_key(location)} {words}"
        for line, (location, words) in sorted(told, key=lambda row: row[0])
    ]
    more += len(mistakes) - len(told)
    if more:
        rows.append(f"and {more} more")
    return ProductionError(
        "; ".join(rows) + ".", where=where, fix="Mend these lines; the README lists all keys."
    )


def _no_toml(exc: Exception, where: str) -> ProductionError:
    """Return the error of a file that is no TOML."""
    return ProductionError(f"This is no valid TOML: {exc}.", where=where, fix="Mend that line.")


def _mistake(found: Mapping[str, Any], model: type[BaseModel]) -> Mistake:
    """Put one of pydantic's findings into our words."""
    location = found["loc"]
    words = _WORDS.get(found["type"]) or f"is wrong: {_reason(found)}"
    if found["type"] == "extra_forbidden":
        words += _nearest(location, model)
    return Mistake(location, words)


def _nearest(location: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """Return a guess at what an unknown key was meant to be; empty where nothing is near."""
    table: type[BaseModel] | None = model
    for step in location[:-1]:
        if isinstance(step, str) and table is not None:
            kinds = [f.annotation for n, f in table.model_fields.items() if step in (n, f.alias)]
            table = _table_within(kinds[0]) if kinds else None
    if table is None:
        return ""
    known = [field.alias or name for name, field in table.model_fields.items()]
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _table_within(annotation: Any) -> type[BaseModel] | None:
    """Return the model in an annotation: of a table, a list of tables, or an optional one."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_table_within(inner) for inner in get_args(annotation))
    return next((table for table in found if table is not None), None)


def _reason(mistake: Mapping[str, Any]) -> str:
    """Return why a value is refused: our own words as they are, pydantic's in small letters."""
    if mistake["type"] == "value_error":
        return str(mistake["ctx"]["error"]).removesuffix(".")
    return str(mistake["msg"]).lower()


def _key(location: tuple[int | str, ...]) -> str:
    """Write a key as a person counts: parts 2, takes 1, file."""
    words = [f"{step + 1}" if isinstance(step, int) else repr(step) for step in location]
    return " ".join(words)


def quoted(text: str) -> str:
    r"""Write a text as a TOML string; JSON's escapes are TOML's, but for one more character.

    Examples
    --------
    >>> print(quoted('Trio "slow"'))
    "Trio \"slow\""
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def line_of(text: str, location: tuple[int | str, ...]) -> int | None:
    r"""Find the line in which a key stands, or the table that should hold it.

    Examples
    --------
    >>> line_of("a = 1\n[[parts]]\nname = 1\n[[parts]]\nnam = 2\n", ("parts", 1, "nam"))
    5
    """
    best: tuple[int, int] | None = None
    table: tuple[int | str, ...] = ()
    counts: dict[tuple[int | str, ...], int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*(\[\[?)\s*([^\]\[]+?)\s*\]", line)
        entry = re.match(r"\s*(\"[^\"]*\"|'[^']*'|[\w-]+)\s*(?:=|\.)", line)
        if header:
            table = _table_path(header[2].split("."), header[1] == "[[", counts)
            here = table
        elif entry:
            here = (*table, entry[1].strip("\"'"))
        else:
            continue
        if location[: len(here)] == here and (best is None or len(here) > best[0]):
            best = (len(here), number)
    return best[1] if best else None


def _table_path(
    names: list[str], is_array: bool, counts: dict[tuple[int | str, ...], int]
) -> tuple[int | str, ...]:
    """Return where a table header points, counting the entries of arrays of tables."""
    path: tuple[int | str, ...] = ()
    for depth, name in enumerate(names):
        path = (*path, name.strip().strip("\"'"))
        if is_array and depth == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path
