"""The written music: "Orchard Round" and the stray piece that does not belong.

Time is in beats (quarter notes) from the first beat of bar 1. The round is our own: three phrases
that fit one another, entering in turn over a ground of four bars.

=========  =====  =======================================================================
bars       name   what happens
=========  =====  =======================================================================
1 to 4     A      flute: first phrase; the clarinet answers; the cello plays the ground
5 to 8     B      violin: first phrase; flute: second phrase; viola and marimba enter
9 to 12    C      clarinet: first; violin: second; flute: third phrase; everybody plays
13 to 14   D      viola alone over the marimba, in E minor; the cello rests
15 to 18   C      bars 9 to 12 again, note for note
19 to 20   E      close
=========  =====  =======================================================================
"""

from __future__ import annotations

from dataclasses import dataclass

TEMPO_BPM = 96.0
BEATS_PER_BAR = 4
BARS = 20
BEAT_S = 60.0 / TEMPO_BPM

STRAY_TEMPO_BPM = 132.0
STRAY_BEAT_S = 60.0 / STRAY_TEMPO_BPM

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

GROUND = "G3:2 F#3:2  E3:2 D3:2  C3:2 B2:2  A2:2 D3:2"
WALKING_GROUND = "G3 B3 F#3 A3  E3 G3 D3 F#3  C3 G3 B2:2  A2 E3 D3 D2"
FIRST = "B4:1.5 C5:.5 D5 A4  B4 G4:.5 A4:.5 B4 F#4  G4:1.5 A4:.5 B4 D5  C5 B4:.5 A4:.5 A4:1.5 r:.5"
SECOND = (
    "G5 D5 F#5 D5:.5 E5:.5  G5 E5:.5 F#5:.5 F#5 D5  E5 G5 G5:1.5 D5:.5  E5:1.5 D5:.5 D5 F#5:.5 r:.5"
)
THIRD = (
    "G5:.5 A5:.5 B5:.5 D6:.5 A5:.5 D5:.5 A5:.5 F#5:.5  B5:.5 G5:.5 B5:.5 G5:.5 B5:.5 A5:.5 F#5 "
    "E5:.5 G5:.5 C6:.5 G5:.5 B5:.5 G5:.5 D5:.5 G5:.5  C6:.5 B5:.5 A5:.5 E5:.5 F#5:.5 A5:.5 D6"
)
INNER = "B3:2 A3:2  E4:1.5 B3:.5 D4:2  G4 C4 D4 B3  E4 C4 D4 C4:.5 r:.5"

# Close positions for the marimba, two chords to a bar, in the order of the ground.
_TRIADS = (
    ("G4", "B4", "D5"),
    ("F#4", "A4", "D5"),
    ("E4", "G4", "B4"),
    ("D4", "F#4", "B4"),
    ("E4", "G4", "C5"),
    ("D4", "G4", "B4"),
    ("C4", "E4", "A4"),
    ("D4", "F#4", "A4"),
)
_BRIDGE_TRIADS = (("E4", "G4", "B4"), ("C4", "E4", "G4"), ("A3", "C4", "E4"), ("D4", "F#4", "A4"))

STRAY_TUNE = (
    "r:2 E5 A5:2 G5 A5 B5 C6 B5:1.5 A5:.5 G5 E5:3 D5 E5 G5 A5:1.5 G5:.5 E5 D5 E5 C5 A4:2 r "
    "C5:.5 D5:.5 E5 A5 G5:2 E5 C6:2 A5 B5 G5 E5 F5:1.5 E5:.5 D5 E5:2 D5 C5 B4 G#4 A4:3"
)


@dataclass(frozen=True, slots=True)
class Note:
    """One written note.

    Attributes
    ----------
    beat : float
        Where it starts, in beats from the start of the piece.
    beats : float
        Its written length.
    midi : int
        Pitch, 60 = middle C.
    level : float
        Written loudness, 0 to 1.
    """

    beat: float
    beats: float
    midi: int
    level: float


def pitch(name: str) -> int:
    """Return the MIDI number of a name such as ``F#4``."""
    sharp = 1 if "#" in name else 0
    return 12 * (int(name[-1]) + 1) + _STEPS[name[0]] + sharp


def phrase(text: str, *, bar: int, level: float, to_level: float | None = None) -> list[Note]:
    """Read a phrase: ``C5:1.5`` is a note of a beat and a half, ``r`` a rest.

    ``to_level`` makes a crescendo or diminuendo from ``level`` over the phrase.
    """
    tokens = [
        (name, float(beats or 1)) for name, _, beats in (t.partition(":") for t in text.split())
    ]
    total = sum(beats for _, beats in tokens)
    end_level = level if to_level is None else to_level
    at, notes = 0.0, []
    for name, beats in tokens:
        if name != "r":
            here = level + (end_level - level) * at / total
            notes.append(Note((bar - 1) * BEATS_PER_BAR + at, beats, pitch(name), here))
        at += beats
    return notes


def _arpeggio(triads: tuple[tuple[str, ...], ...], pattern: tuple[int | None, ...]) -> str:
    """Spell each triad in eighths by a pattern of chord steps, ``None`` for a rest."""
    return " ".join(
        f"{'r' if step is None else triad[step]}:.5" for triad in triads for step in pattern
    )


_OFFBEATS = _arpeggio(_TRIADS, (None, 1, 2, None))
_WAVES = _arpeggio(_TRIADS, (0, 1, 2, 1))
_BRIDGE_WAVES = _arpeggio(_BRIDGE_TRIADS, (0, 1, 2, 1))
_ROLL = "G4:.25 D5:.25 " * 4 + "G4:2"


def orchard_round() -> dict[str, list[Note]]:
    """Return the notes of every part of the round, in score order."""
    full = {
        "Flute": [(THIRD, 0.74)],
        "Clarinet": [(FIRST, 0.78)],
        "Violin": [(SECOND, 0.74)],
        "Viola": [(INNER, 0.62)],
        "Cello": [(WALKING_GROUND, 0.70)],
        "Marimba": [(_WAVES, 0.60)],
    }
    parts = {
        "Flute": phrase(FIRST, bar=1, level=0.52, to_level=0.66)
        + phrase(SECOND, bar=5, level=0.60, to_level=0.72)
        + phrase("r:3 D5:.5 F#5:.5", bar=14, level=0.6)
        + phrase("G5 G5 A5 F#5 G5:4", bar=19, level=0.78, to_level=0.42),
        "Clarinet": phrase("E4:1.5 F#4:.5 G4:2  E4:2 F#4:1.5 r:.5", bar=3, level=0.5)
        + phrase("r:2 A4 C5", bar=14, level=0.55, to_level=0.7)
        + phrase("G4 B4 C5 A4 G4:4", bar=19, level=0.74, to_level=0.38),
        "Violin": phrase(FIRST, bar=5, level=0.60, to_level=0.72)
        + phrase("r:2 F#4 A4", bar=14, level=0.5, to_level=0.68)
        + phrase("E5 D5 E5 C5 B4:4", bar=19, level=0.76, to_level=0.36),
        "Viola": phrase(INNER, bar=5, level=0.55, to_level=0.62)
        + phrase("B3 E4 G4:1.5 F#4:.5  E4:1.5 C4:.5 D4:1.5 r:.5", bar=13, level=0.66, to_level=0.7)
        + phrase("C4 D4 C4 D4 D4:4", bar=19, level=0.66, to_level=0.38),
        "Cello": phrase(GROUND, bar=1, level=0.52, to_level=0.58)
        + phrase(GROUND, bar=5, level=0.60, to_level=0.66)
        + phrase("A2:2 D3:2", bar=14, level=0.55, to_level=0.64)
        + phrase("C3 B2 A2 D3 G2:4", bar=19, level=0.72, to_level=0.4),
        "Marimba": phrase(_OFFBEATS, bar=5, level=0.46, to_level=0.56)
        + phrase(_BRIDGE_WAVES, bar=13, level=0.50, to_level=0.62)
        + phrase("C5:.5 G4:.5 B4:.5 G4:.5 A4:.5 E4:.5 F#4:.5 A4:.5 " + _ROLL, bar=19, level=0.6),
    }
    for part, blocks in full.items():
        for text, level in blocks:
            # Bars 15 to 18 repeat 9 to 12: an honest rival for whoever looks for the right place.
            parts[part] += phrase(text, bar=9, level=level) + phrase(text, bar=15, level=level)
    return {part: sorted(notes, key=lambda note: note.beat) for part, notes in parts.items()}


def stray_piece() -> list[Note]:
    """Return a waltz in A minor that has nothing to do with the round."""
    return phrase(STRAY_TUNE, bar=1, level=0.65)
