"""Reading TOML strictly: every mistake is told with its line and its key, all of them at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from syncvid.errors import ProductionError
from syncvid.production.files import system_errors

Model = TypeVar("Model", bound=BaseModel)

# Pydantic's kinds of mistakes that deserve plainer words.
_WORDS = {
    "extra_forbidden": "is not a key that is known here",
    "missing": "is missing",
    "bool_type": "is neither true nor false",
    "list_type": "is no list: write it in square brackets",
    "model_type": "is a table: write its name in square brackets on a line of its own",
}


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
    with system_errors(path):
        raw = path.read_bytes()
    try:
        text = raw.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as exc:
        raise _no_toml(exc, str(path)) from exc
    return check_toml(text, model, where=str(path)), text


def check_toml(text: str, model: type[Model], *, where: str) -> Model:
    """Check TOML text against a model; `where` names its file.

    Raises
    ------
    ProductionError
        It is no TOML, or keys or values are wrong; each is named with its line.
    """
    try:
        return model.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as exc:
        raise _no_toml(exc, where) from exc
    except ValidationError as exc:
        raise ProductionError(
            _tell(exc, text), where=where, fix="Mend these lines; the README lists all keys."
        ) from exc


def _no_toml(exc: ValueError, where: str) -> ProductionError:
    """Return the error of a file that is no TOML."""
    return ProductionError(f"This is no valid TOML: {exc}.", where=where, fix="Mend that line.")


def _tell(exc: ValidationError, text: str) -> str:
    """List every mistake with its line and key."""
    rows = []
    for mistake in exc.errors():
        location = mistake["loc"]
        words = _WORDS.get(mistake["type"]) or f"is wrong: {_reason(mistake)}"
        line = line_of(text, location)
        rows.append(f"{f'line {line}: ' if line else ''}{_key(location)} {words}")
    return "; ".join(rows) + "."


def _reason(mistake: Mapping[str, Any]) -> str:
    """Return why a value is refused: our own words as they are, pydantic's in small letters."""
    if mistake["type"] == "value_error":
        return str(mistake["ctx"]["error"]).removesuffix(".")
    return str(mistake["msg"]).lower()


def _key(location: tuple[int | str, ...]) -> str:
    """Write a key as a person counts: parts 2, takes 1, file."""
    words = [f"{step + 1}" if isinstance(step, int) else repr(step) for step in location]
    return " ".join(words)


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
