"""Our notes against those of partitura, a second implementation, on the same files.

partitura 1.9 reads notes, ties, chords and voices; without repeats its note array and our played
notes must be the same.  (What it does not read, such as metronome marks, is tested elsewhere.)
"""

from __future__ import annotations

import importlib.util
import warnings
from pathlib import Path

import pytest

from syncvid.guide.score import read_score
from tests.guide.scores import attributes, measure, note, partwise

BACK = "<backup><duration>{}</duration></backup>"
TIE = '<tie type="{}"/><notations><tied type="{}"/></notations>'


def voice(number: int) -> str:
    return f"<voice>{number}</voice>"


START, STOP = voice(1) + TIE.format("start", "start"), voice(1) + TIE.format("stop", "stop")

FILES = {
    "scale": [
        measure(attributes("4/4", 2) + "".join(note(f"{s}4", 1) for s in "CDEFGABC"), 1),
        measure(note("C5", 8), 2),
    ],
    "chords and rests": [
        measure(
            attributes("3/4", 4)
            + note("C4", 4) + note("E4", 4, before="<chord/>") + note("G4", 4, before="<chord/>")
            + note("R", 4) + note("F#4", 3) + note("Bb4", 1), 1,
        ),
        measure(note("R", 12), 2),
        measure(note("A3", 12), 3),
    ],
    "two voices": [
        measure(
            attributes("4/4", 6) + note("C5", 12, voice(1)) + note("D5", 12, voice(1))
            + BACK.format(24) + note("C4", 8, voice(2)) + note("E4", 8, voice(2))
            + note("G4", 8, voice(2)), 1,
        ),
        measure(
            note("E5", 24, voice(1)) + BACK.format(24)
            + "<forward><duration>12</duration></forward>" + note("C4", 12, voice(2)), 2,
        ),
    ],
    "ties": [
        measure(attributes("2/4", 2) + note("C4", 2, voice(1)) + note("D4", 2, START), 1),
        measure(note("D4", 4, STOP.replace(voice(1), "") + START), 2),
        measure(note("D4", 1, STOP) + note("E4", 3, voice(1)), 3),
    ],
    "an upbeat and another metre": [
        measure(attributes("3/4", 1) + note("G4", 1), 0, 'implicit="yes"'),
        measure(note("C4", 3), 1),
        measure(attributes("6/8", 2) + note("D4", 3) + note("E4", 3), 2),
        measure(note("F4", 6), 3),
    ],
    "a grace note": [
        measure(
            attributes("4/4", 1)
            + "<note><grace/><pitch><step>B</step><octave>4</octave></pitch></note>"
            + note("C5", 4), 1,
        ),
    ],
}  # fmt: skip


def by_partitura(path: Path) -> list[list[tuple[int, float, float]]]:
    """Return pitch, onset and length (in quarters from the beginning) of each part's notes."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        partitura = importlib.import_module("partitura")
        score = partitura.load_musicxml(path)
        arrays = [part.note_array() for part in score.parts]
    first = min(float(array["onset_quarter"].min()) for array in arrays)
    return [
        sorted(
            (int(n["pitch"]), float(n["onset_quarter"]) - first, float(n["duration_quarter"]))
            for n in array
            # Grace notes have no length.
            if n["duration_quarter"] > 0
        )
        for array in arrays
    ]


def by_us(path: Path) -> list[list[tuple[int, float, float]]]:
    score = read_score(path.read_bytes(), name=path.name)
    return [
        sorted((int(n.midi), float(4 * n.at), float(4 * n.length)) for n in part.notes)
        for part in score.parts
    ]


def check(path: Path) -> None:
    ours, theirs = by_us(path), by_partitura(path)
    assert [len(part) for part in ours] == [len(part) for part in theirs]
    for one, other in zip(ours, theirs, strict=True):
        for a, b in zip(one, other, strict=True):
            assert a == pytest.approx(b, abs=1e-6)


@pytest.mark.parametrize("name", FILES)
def test_notes_are_those_that_partitura_reads(name: str, tmp_path: Path) -> None:
    path = tmp_path / "score.musicxml"
    path.write_text(partwise(FILES[name], FILES[name]), encoding="utf-8")
    check(path)


def test_the_example_of_partitura() -> None:
    found = importlib.util.find_spec("partitura")
    assert found is not None
    assert found.origin is not None
    check(Path(found.origin).parent / "assets" / "score_example.musicxml")
