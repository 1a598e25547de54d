"""Editing ``production.toml`` when the user asks for it; comments and layout survive."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import tomlkit
from tomlkit.items import AoT, Table

from syncvid.errors import ProductionError
from syncvid.production.files import system_errors, write_whole
from syncvid.production.instruments import plain
from syncvid.production.names import Guess, guess_names
from syncvid.production.pick import TakeName, pick_take
from syncvid.production.pins import Pin
from syncvid.production.plan import PLAN_FORMAT, Plan
from syncvid.production.results import Stretch
from syncvid.production.toml import check_toml, read_toml

_PIN_KEYS = ("offset_s", "drift_ppm", "not_in_piece")

# What is said of a take's file, and does not hold for another one.
_OF_THE_FILE = (*_PIN_KEYS, "from_s", "to_s", "picture_shift_ms", "sound")

_HEAD = """\
# A production of syncvid.  This file is yours: change what you like, comments are kept.
# Paths are seen from this folder.  What the machine finds lies in `work`, never here.
"""

_PARTS_NOTE = """\
# The parts in score order, the top one first; each is one tile.  What names were guessed from the
# files you correct here.  `use = true` under a take shows that take whatever sync prefers.
"""


@dataclass(frozen=True, slots=True)
class NewTake:
    """A clip to be written into the plan: its path as written, and what its name says."""

    file: str
    guess: Guess


def new_plan(
    title: str,
    takes: Sequence[NewTake],
    *,
    mix: str = "",
    guide: str = "",
    parts: Sequence[str] = (),
) -> str:
    """Write the text of a new ``production.toml``.

    Parameters
    ----------
    title : str
        Title of the piece.
    takes : sequence of NewTake
        The clips.
    mix, guide : str
        Paths as written; empty for none.
    parts : sequence of str
        Names of all parts in the order of a score, also of those without a clip yet.

    Returns
    -------
    str
        TOML text.
    """
    document = tomlkit.document()
    for line in _HEAD.splitlines():
        document.add(tomlkit.comment(line.lstrip("# ")))
    document.add(tomlkit.nl())
    document["format"] = PLAN_FORMAT
    document["title"] = title
    for name, file, note in (
        ("mix", mix, "the finished mix; without one the clips' own sound is used"),
        ("guide", guide, "the track that everybody heard while recording"),
    ):
        document[name] = tomlkit.string(file)
        document[name].comment(note)
    picture = tomlkit.table()
    picture.update({"layout": "grid", "size": "1920x1080", "frame_rate": "30"})
    document["picture"] = picture
    document.add(tomlkit.nl())
    for line in _PARTS_NOTE.splitlines():
        document.add(tomlkit.comment(line.lstrip("# ")))
    if parts:
        document["parts"] = tomlkit.aot()
    for name in parts:
        part = tomlkit.table()
        part.update({"name": name, "player": ""})
        document["parts"].append(part)
    _insert(document, takes)
    return _spaced(tomlkit.dumps(document))


class PlanEditor:
    """A ``production.toml`` open for editing.

    Parameters
    ----------
    path : Path
        The file; it must be a valid plan.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.plan, text = read_toml(path, Plan)
        self._document = tomlkit.parse(text)

    def add(self, takes: Sequence[NewTake]) -> None:
        """Add clips: to the part that they name if it is there, otherwise in score order."""
        _insert(self._document, takes)

    def set_reference(self, name: str, file: str) -> None:
        """Name the mix or the guide."""
        self._document[name] = tomlkit.string(file)

    def set_part(self, name: str, **values: float | bool | Sequence[str]) -> None:
        """Write what is said of a part's sound, as ``gain_db`` or ``passages``.

        Raises
        ------
        ProductionError
            There is no such part.
        """
        part = next((part for part in self._document["parts"] if part["name"] == name), None)
        if part is None:
            raise ProductionError(f"There is no part {name!r}.", where=str(self.path))
        # Keys of a part stand above its takes.
        takes = part.pop("takes", None)
        for key, value in values.items():
            part[key] = value if isinstance(value, float | bool) else list(value)
        if takes is not None:
            part["takes"] = takes

    def replace(self, old: str, new: str) -> tuple[str, ...]:
        """Put another file in the place of a take; return the keys that held for the old one.

        They are taken out: a place, a stretch or a recorder says nothing about another file.
        """
        take = self._take(old)
        take["file"] = new
        take.pop("withdrawn", None)
        gone = tuple(key for key in _OF_THE_FILE if key in take)
        for key in gone:
            take.pop(key)
        return gone

    def withdraw(self, file: str) -> None:
        """Mark a take as taken back by its player."""
        take = self._take(file)
        take.pop("withdrawn", None)
        _put(take, "withdrawn", True)

    @property
    def names(self) -> tuple[TakeName, ...]:
        """What the takes are called, in the order of the file."""
        return tuple(
            TakeName(part.name, part.player, take.take, take.file)
            for part in self.plan.parts
            for take in part.takes
        )

    def pin(self, at: int, pin: Pin | None) -> None:
        """Settle the place of a take, by its index among `names`; None leaves it to sync again."""
        take = self._takes()[at]
        for key in _PIN_KEYS:
            take.pop(key, None)
        if pin is None:
            return
        if pin.offset_s is None:
            _put(take, "not_in_piece", True)
        else:
            _put(take, "offset_s", round(float(pin.offset_s), 6))
        if pin.drift_ppm is not None:
            _put(take, "drift_ppm", round(float(pin.drift_ppm), 3))

    def split(self, at: int, takes: Sequence[tuple[int, Stretch]]) -> None:
        """Turn a take, by its index among `names`, into several in the same file.

        Parameters
        ----------
        at : int
            The take; it becomes the first of `takes`.
        takes : sequence of (int, Stretch)
            The numbers of the takes and the stretches of the file that hold them.
        """
        take = self._takes()[at]
        rows, place = next(
            (rows, place)
            for part in self._document["parts"]
            for rows in [part.get("takes", [])]
            for place, row in enumerate(rows)
            if row is take
        )
        _put_stretch(take, takes[0][1])
        behind = _lift_notes(take)
        for step, (number, stretch) in enumerate(takes[1:], 1):
            new = tomlkit.table() if isinstance(rows, AoT) else tomlkit.inline_table()
            new["take"], new["file"] = number, str(take["file"])
            _put_stretch(new, stretch)
            rows.insert(place + step, new)
        self._takes()[at + len(takes) - 1].value.body.extend(behind)

    def save(self) -> None:
        """Write the plan, whole or not at all.

        Raises
        ------
        ProductionError
            What was changed would make it wrong; the file stays as it was.
        MediaError
            The folder cannot be written.
        """
        text = _spaced(tomlkit.dumps(self._document))
        self.plan = check_toml(text, Plan, where=str(self.path))
        with system_errors(self.path):
            unchanged = self.path.read_text(encoding="utf-8") == text
        if not unchanged:
            write_whole(self.path, text)

    def _takes(self) -> list[Any]:
        """Return the tables of all takes, in the order of the file."""
        parts = self._document.get("parts", [])
        return [take for part in parts for take in part.get("takes", [])]

    def _take(self, name: str) -> Any:
        """Find a take by its file, or by part and take."""
        return self._takes()[pick_take(name, self.names, where=str(self.path))]


def _put_stretch(take: Any, stretch: Stretch) -> None:
    """Write which part of its file holds a take."""
    for key, value in (("from_s", stretch.from_s), ("to_s", stretch.to_s)):
        if value is not None:
            _put(take, key, value)


def _put(take: Any, key: str, value: float | bool) -> None:
    """Write a key below the other keys of a take, above the empty lines and notes behind it."""
    behind = _lift_notes(take)
    take[key] = value
    take.value.body.extend(behind)


def _lift_notes(take: Any) -> list[Any]:
    """Take out, and return, the empty lines and notes that stand behind a take's last key."""
    body: list[Any] = take.value.body
    behind: list[Any] = []
    while body and body[-1][0] is None:
        behind.insert(0, body.pop())
    return behind


def _insert(document: Any, takes: Sequence[NewTake]) -> None:
    """Put takes into the parts, in score order among those that were guessed."""
    if takes and not document.get("parts"):
        # An empty list, `parts = []`, is a value of one line that can hold no tables.
        document.pop("parts", None)
        document["parts"] = tomlkit.aot()
    for new in sorted(takes, key=lambda t: (t.guess.order, plain(t.guess.part), t.guess.take)):
        part = _part_for(document["parts"], new.guess)
        take = tomlkit.table()
        take["take"] = _free_number(part, new.guess.take)
        take["file"] = new.file
        if "takes" not in part:
            part["takes"] = tomlkit.aot()
        part["takes"].append(take)


def _part_for(parts: AoT, guess: Guess) -> Table:
    """Return the part that a guess names, made new where it is not there yet."""
    for part in parts:
        same_part = plain(part["name"]) == plain(guess.part)
        if same_part and plain(part.get("player", "")) == plain(guess.player):
            return cast(Table, part)
        if same_part and not part.get("player") and not part.get("takes"):
            # The score has the part; now it is known who plays it.
            part["player"] = guess.player
            return cast(Table, part)
    made = tomlkit.table()
    made["name"] = guess.part
    made["player"] = guess.player
    at = next((i for i, part in enumerate(parts) if _order(part) > guess.order), len(parts))
    parts.insert(at, made)
    return parts[at]


def _order(part: Table) -> float:
    """Return where an existing part stands in the score; unknown ones stand below all others."""
    return guess_names([str(part["name"])])[0].order


def _spaced(text: str) -> str:
    """Give every part an empty line above it, unless a comment belongs to it."""
    return re.sub(r"^((?!#)[^\n]+)\n(?=\[\[parts\]\])", r"\1\n\n", text, flags=re.MULTILINE)


def _free_number(part: Table, wanted: int) -> int:
    """Return the wanted number of a take, or the next one that is free."""
    used = {int(take.get("take", 1)) for take in part.get("takes", [])}
    while wanted in used:
        wanted += 1
    return wanted
