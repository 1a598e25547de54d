"""The parts that people play and sing, in score order, by their names in several languages.

The order is that of the printed score (common practice): woodwind, brass, percussion, plucked and
keyboard instruments, voices, strings.  A name is matched without accents and case; a plural ``s``
is forgiven.
"""

from __future__ import annotations

import unicodedata

# One row a part, from the top of the score; the first name is the one that is shown unless the file
# itself says otherwise.
_ROWS = """
piccolo ottavino flautino pikkolo
flute floete flote flauta flauto querflote querfloete fluit flojt traverso
recorder blockflote blockfloete blokfluit
oboe hautbois oboi hobo
english-horn cor-anglais englischhorn corno-inglese
clarinet clarinette klarinette clarinetto clarinete klarinet klarnet
bass-clarinet bassklarinette
saxophone sax saxophon saxofon saxofono
bassoon fagott fagotto basson fagot
horn waldhorn corno cor hoorn french-horn
trumpet trompete tromba trompette trompeta trompet
cornet kornett
flugelhorn flugelhorn fliscorno
trombone posaune
euphonium baritonhorn
tuba bombardon
timpani pauken timbales timpany
drums schlagzeug drum-kit batteria bateria batterie
percussion perkussion schlagwerk
glockenspiel
xylophone xylophon
vibraphone vibraphon
marimba marimbaphon
harp harfe arpa harpe
guitar gitarre guitare guitarra chitarra gitaar
ukulele
mandolin mandoline mandolina
lute laute liuto
piano klavier pianoforte
harpsichord cembalo clavecin clavicembalo
organ orgel orgue organo
accordion akkordeon accordeon fisarmonica acordeon
soprano sopran
mezzo mezzosoprano
alto alt contralto
tenor tenore
baritone bariton baritono
basso
voice voix vox gesang stimme voce voz zang singer
choir chor coro choeur koor
violin geige violine violino violon viool fiddle
viola bratsche altviool
cello violoncello violoncelle violonchelo
double-bass kontrabass contrabass contrabasso contrebasse contrabajo
bass
""".split("\n")


def plain(word: str) -> str:
    """Return a word without accents and case.

    Examples
    --------
    >>> plain("Flöte")
    'flote'
    """
    letters = unicodedata.normalize("NFKD", word.casefold())
    return "".join(letter for letter in letters if not unicodedata.combining(letter))


_ORDER = {tuple(name.split("-")): row for row, names in enumerate(_ROWS) for name in names.split()}

LONGEST_NAME = max(len(name) for name in _ORDER)
"""Words in the longest name of the table."""


def score_position(words: tuple[str, ...]) -> int | None:
    """Return where in the score a part stands, from the top; None for what is no known part.

    Examples
    --------
    >>> score_position(("Flutes",)) < score_position(("Bratsche",))
    True
    >>> score_position(("Anna",)) is None
    True
    """
    key = tuple(plain(word) for word in words)
    if key in _ORDER:
        return _ORDER[key]
    if key and key[-1].endswith("s"):
        return _ORDER.get((*key[:-1], key[-1][:-1]))
    return None
