"""The numbers of a guide as symbols of an error-correcting code.

Twenty-four bits, 16 of the guide and 8 of its version, are six symbols of four bits.  A code of
Reed and Solomon over the field of 16 elements makes them fourteen: two codewords differ in at least
nine symbols, so that four wrong ones are mended, and hardly any stranger is a codeword.  Any six
symbols determine the rest; reading takes the six that are heard best, tries their next readings as
well, and keeps the codeword that has most in all fourteen.

References
----------
I. S. Reed and G. Solomon, Polynomial codes over certain finite fields (1960): the code.
M. Fossorier and S. Lin, Soft-decision decoding of linear block codes based on ordered statistics
(1995): reading from the most reliable symbols.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Floats

Symbols = NDArray[np.int64]

SYMBOLS = 14
DATA_SYMBOLS = 6
ALPHABET = 16

# Numbers that fit: 16 bits of guide, 8 bits of version.
MOST_GUIDE = 0xFFFF
MOST_VERSION = 0xFF

# x^4 + x + 1, a primitive polynomial of the field.
_POLYNOMIAL = 0b10011

# Added to every codeword, so that guide 0 is no row of equal symbols (digits of pi in base 16,
# from memory).
_SCRAMBLE = np.array([3, 2, 4, 3, 15, 6, 10, 8, 8, 8, 5, 10, 3, 0])

# Symbols whose second readings are tried at once, of the six that are heard best.
_TRIED_TOGETHER = 2


class Codeword(NamedTuple):
    """A codeword that was read.

    Attributes
    ----------
    guide, version : int
    symbols : ndarray, shape (SYMBOLS,), int64
    score : float
        Sum of what was read at its symbols.
    """

    guide: int
    version: int
    symbols: Symbols
    score: float


def encode(guide: int, version: int) -> Symbols:
    """Return the symbols of a guide's numbers, shape (SYMBOLS,), each from 0 to 15."""
    bits = guide << 8 | version
    data = np.array([bits >> shift & 0xF for shift in range(20, -1, -4)])
    return np.asarray(_codewords(data[None], tuple(range(DATA_SYMBOLS)))[0] ^ _SCRAMBLE)


def decode(scores: Floats) -> Codeword:
    """Return the codeword that fits best.

    Parameters
    ----------
    scores : ndarray, shape (SYMBOLS, ALPHABET), float64
        How much speaks for each symbol at each place.

    Returns
    -------
    Codeword
    """
    ranked = np.sort(scores, axis=1)
    places = tuple(np.argsort(ranked[:, -2] - ranked[:, -1])[:DATA_SYMBOLS].tolist())
    likely = np.argsort(-scores, axis=1)[list(places)]
    known = np.array([_reading(likely, others) for others in _changes()])
    words = _codewords(np.asarray(known ^ _SCRAMBLE[list(places)]), places)
    sums = scores[np.arange(SYMBOLS), words ^ _SCRAMBLE].sum(axis=1)
    best = words[int(np.argmax(sums))]
    bits = 0
    for symbol in best[:DATA_SYMBOLS].tolist():
        bits = bits << 4 | symbol
    return Codeword(bits >> 8, bits & 0xFF, best ^ _SCRAMBLE, float(sums.max()))


@cache
def _changes() -> tuple[tuple[tuple[int, int], ...], ...]:
    """Return which of the six symbols are read as their second or third likeliest instead."""
    single = [(place, rank) for place in range(DATA_SYMBOLS) for rank in (1, 2)]
    return tuple(
        change
        for count in range(_TRIED_TOGETHER + 1)
        for change in combinations(single, count)
        if len({place for place, _ in change}) == count
    )


def _reading(likely: Symbols, change: tuple[tuple[int, int], ...]) -> Symbols:
    """Return the likeliest symbols but for some changes."""
    read = likely[:, 0].copy()
    for place, rank in change:
        read[place] = likely[place, rank]
    return read


def _codewords(known: Symbols, places: tuple[int, ...]) -> Symbols:
    """Return the codewords that have given symbols at six places, shape (words, SYMBOLS)."""
    product = _tables()[known[:, :, None], _spread(places)[None]]
    return np.asarray(np.bitwise_xor.reduce(product, axis=1))


@cache
def _spread(places: tuple[int, ...]) -> Symbols:
    """Return how much each of six places adds to each symbol, by Lagrange's formula."""
    powers, logs = _powers(), {int(value): at for at, value in enumerate(_powers())}

    def divided(top: int, bottom: int) -> int:
        return int(powers[(logs[top] - logs[bottom]) % 15]) if top else 0

    times = _tables()
    rows = np.ones((DATA_SYMBOLS, SYMBOLS), np.int64)
    for row, place in enumerate(places):
        for other in places:
            if other != place:
                below = int(powers[place] ^ powers[other])
                factors = [divided(int(powers[at] ^ powers[other]), below) for at in range(SYMBOLS)]
                rows[row] = times[rows[row], factors]
    return rows


@cache
def _powers() -> Symbols:
    """Return the 15 powers of the field's generator: where the polynomial is evaluated."""
    powers = [1]
    for _ in range(14):
        doubled = powers[-1] << 1
        powers.append(doubled ^ _POLYNOMIAL if doubled & 0x10 else doubled)
    return np.array(powers)


@cache
def _tables() -> Symbols:
    """Return the products of all elements of the field, shape (16, 16)."""
    powers = _powers()
    products = np.zeros((ALPHABET, ALPHABET), np.int64)
    for one in range(15):
        for other in range(15):
            products[powers[one], powers[other]] = powers[(one + other) % 15]
    return products
