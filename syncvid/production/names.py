"""Guessing part, player and take from file names, in any order and without asking the language.

A name is cut into words and numbers.  Counters of cameras, dates, copy marks and filler words go;
a number that a take word introduces is the take; a known instrument or voice is the part; a number
directly behind it is the take too, unless the name states a take of its own or different players
hold the numbers (then it is the desk: Violin 1, Violin 2).  What is left is the player.  Where no
part is known, what is left names the part.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

from syncvid.production.instruments import LONGEST_NAME, plain, score_position

# Words that introduce the number of a take, in the languages of common practice.
_TAKE_WORDS = set("take tk t prise toma versuch ripresa try opname nr no".split())

# Words that say nothing about who plays what.
_FILLERS = set(
    "img vid mov mvi dsc dscn dscf pxl video film clip movie recording rec aufnahme enregistrement"
    " grabacion registrazione audio sound voice-memo memo final finale ok good best new neu edit"
    " edited export copy kopie copie copia the my meine mein mi de la le von of for by from"
    " and und et track spur stem mono stereo hd uhd version ver v home phone handy".split()
)

# What a part is called whose file has nothing that could be printed in its name.
_NAMELESS = "Clip"

_ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4}

# A camera's own counter or a date: four digits or more.
_LONG_NUMBER = 4


@dataclass(frozen=True, slots=True)
class Guess:
    """What a file name seems to say.

    Attributes
    ----------
    part : str
        The part, as it would be printed in a score.
    player : str
        May be empty.
    take : int
        From 1; 0 where the name states none.
    order : float
        Place in the score, from the top.
    known : bool
        Whether the part is a known instrument or voice.
    """

    part: str
    player: str
    take: int
    order: float
    known: bool = False


@dataclass(slots=True)
class _Reading:
    """A name on its way to a guess."""

    words: list[str]
    take: int = 0
    desk: int = 0
    part: tuple[str, ...] = ()
    loose_number: int = 0


def guess_names(files: Sequence[str]) -> list[Guess]:
    """Guess part, player and take of every file of a production.

    Parameters
    ----------
    files : sequence of str
        Paths or names.

    Returns
    -------
    list of Guess
        In the order of `files`; every take has a number, and no two files share part, player
        and take.

    Examples
    --------
    >>> [(g.part, g.player, g.take) for g in guess_names(["flute 2 take3.mov"])]
    [('Flute 2', '', 3)]
    >>> [(g.part, g.player, g.take) for g in guess_names(["Anna_Viola_T2 (1).mp4"])]
    [('Viola', 'Anna', 2)]
    >>> [(g.part, g.player, g.take) for g in guess_names(["IMG_4417.mov"])]
    [('IMG 4417', '', 1)]
    """
    readings = [_read(PurePath(file).stem) for file in files]
    _settle_numbers(readings)
    guesses = [_conclude(reading, file) for reading, file in zip(readings, files, strict=True)]
    return _number_takes(guesses)


def _read(stem: str) -> _Reading:
    """Cut a name into words and take out what is understood."""
    text = re.sub(r"\(\d{1,2}\)\s*$", "", stem)
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    words = re.findall(r"[^\W\d_]+|\d+", text)
    reading = _Reading(words)
    _take_number(reading)
    reading.words = [
        word
        for word in reading.words
        if plain(word) not in _FILLERS and not (word.isdecimal() and len(word) >= _LONG_NUMBER)
    ]
    _find_part(reading)
    return reading


def _take_number(reading: _Reading) -> None:
    """Take out a take word and its number, in either order: take 3, T2, 2. Versuch."""
    words = reading.words
    for at, word in enumerate(words):
        if plain(word) not in _TAKE_WORDS:
            continue
        for number_at in (at + 1, at - 1):
            if 0 <= number_at < len(words) and words[number_at].isdecimal():
                if len(words[number_at]) >= _LONG_NUMBER:
                    continue
                reading.take = int(words[number_at])
                for used in sorted((at, number_at), reverse=True):
                    del words[used]
                return


def _find_part(reading: _Reading) -> None:
    """Take out the instrument or voice, and the number behind it."""
    words = reading.words
    for length in range(LONGEST_NAME, 0, -1):
        for at in range(len(words) - length + 1):
            name = tuple(words[at : at + length])
            if score_position(name) is None:
                continue
            reading.part = name
            del words[at : at + length]
            if at < len(words):
                _read_number(reading, at)
            break
        if reading.part:
            break
    numbers = [word for word in words if word.isdecimal()]
    if reading.part and numbers:
        reading.loose_number = int(numbers[0])
        reading.words = [word for word in words if not word.isdecimal()]


def _read_number(reading: _Reading, at: int) -> None:
    """Read what stands directly behind the part as its number: Violin II, flute 2."""
    word = reading.words[at]
    number = int(word) if word.isdecimal() else _ROMAN.get(word.casefold(), 0)
    if number and (word.isdecimal() or word.isupper()):
        reading.desk = number
        del reading.words[at]


def _settle_numbers(readings: list[_Reading]) -> None:
    """Decide whether the number behind a part is the desk or the take."""
    for reading in readings:
        if not reading.part or reading.take or not reading.desk:
            continue
        if reading.loose_number:
            reading.take = reading.loose_number
        elif not _desks_have_players(reading, readings):
            reading.take, reading.desk = reading.desk, 0
    for reading in readings:
        if reading.part and not reading.take:
            reading.take = reading.loose_number


def _desks_have_players(reading: _Reading, readings: list[_Reading]) -> bool:
    """Tell whether the numbers behind this part name desks: each has other players."""
    same = [
        r for r in readings if r.part and score_position(r.part) == score_position(reading.part)
    ]
    players: dict[int, set[str]] = {}
    for other in same:
        players.setdefault(other.desk, set()).add(" ".join(map(plain, other.words)))
    here = players.get(reading.desk, set())
    others = [names for desk, names in players.items() if desk not in (0, reading.desk)]
    return bool(others) and "" not in here and all(not (here & names) for names in others)


def _conclude(reading: _Reading, file: str) -> Guess:
    """Put a reading into the words of a score."""
    rest = " ".join(_capital(word) for word in reading.words)
    if reading.part:
        part = " ".join(_capital(word) if not at else word for at, word in enumerate(reading.part))
        position = score_position(reading.part) or 0
        if reading.desk:
            part += f" {reading.desk}"
        return Guess(part, rest, reading.take, position + reading.desk / 100, known=True)
    bare = re.sub(r"[\s_]+", " ", PurePath(file).stem).strip() or _NAMELESS
    has_letters = any(not word.isdecimal() for word in reading.words)
    return Guess(rest if has_letters else bare, "", reading.take, float(10**6))


def _capital(word: str) -> str:
    """Write a word with a capital, leaving names such as McKay alone."""
    return word[:1].upper() + (word[1:].lower() if word.isupper() and len(word) > 2 else word[1:])


def _number_takes(guesses: list[Guess]) -> list[Guess]:
    """Give every take a number of its own within its part and player."""
    used: dict[tuple[str, str], set[int]] = {}
    result: list[Guess | None] = [None] * len(guesses)
    stated = [at for at, guess in enumerate(guesses) if guess.take]
    silent = [at for at, guess in enumerate(guesses) if not guess.take]
    for at in (*stated, *silent):
        guess = guesses[at]
        numbers = used.setdefault((plain(guess.part), plain(guess.player)), set())
        take = guess.take or 1
        while take in numbers:
            take += 1
        numbers.add(take)
        result[at] = replace(guess, take=take)
    return [guess for guess in result if guess is not None]
