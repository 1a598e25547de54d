"""Small MusicXML files for tests, written from a few words."""

from __future__ import annotations

from collections.abc import Sequence

from syncvid.guide.score import read_score
from syncvid.production.guide_plan import Score

HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><!DOCTYPE score-partwise PUBLIC '
    '"-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">'
)
MID = "<direction><direction-type>{}</direction-type>{}</direction>"


def note(pitch: str = "C4", duration: int = 1, extra: str = "", *, before: str = "") -> str:
    """Return a note; pitch as C4, F#3 or Bb2; R is a rest, X has no pitch."""
    if pitch == "R":
        sound = "<rest/>"
    elif pitch == "X":
        sound = "<unpitched/>"
    else:
        alter = pitch.count("#") - pitch[1:].count("b")
        sound = f"<pitch><step>{pitch[0]}</step><alter>{alter}</alter><octave>{pitch[-1]}</octave>"
        sound += "</pitch>"
    return f"<note>{before}{sound}<duration>{duration}</duration>{extra}</note>"


def attributes(time: str = "", divisions: int = 1, extra: str = "") -> str:
    """Return attributes; time as 3/4."""
    text = f"<divisions>{divisions}</divisions>"
    if time:
        over, under = time.split("/")
        text += f"<time><beats>{over}</beats><beat-type>{under}</beat-type></time>"
    return f"<attributes>{text}{extra}</attributes>"


def barline(location: str, inner: str, attrs: str = "") -> str:
    return f'<barline location="{location}" {attrs}>{inner}</barline>'


def repeat(direction: str, attrs: str = "") -> str:
    where = "left" if direction == "forward" else "right"
    return barline(where, f'<repeat direction="{direction}" {attrs}/>')


def ending(number: str, kind: str, inner: str = "") -> str:
    where = "left" if kind == "start" else "right"
    return barline(where, f'<ending number="{number}" type="{kind}"/>{inner}')


def sound(attrs: str) -> str:
    return f"<sound {attrs}/>"


def words(text: str, inner: str = "") -> str:
    return MID.format(f"<words>{text}</words>", inner)


def metronome(unit: str, per_minute: object, dots: int = 0, inner: str = "") -> str:
    mark = f"<beat-unit>{unit}</beat-unit>{'<beat-unit-dot/>' * dots}"
    return MID.format(f"<metronome>{mark}<per-minute>{per_minute}</per-minute></metronome>", inner)


def measure(content: str, number: object = 1, attrs: str = "") -> str:
    return f'<measure number="{number}" {attrs}>{content}</measure>'


def partwise(*parts: Sequence[str], names: Sequence[str] = (), extra: str = "") -> str:
    """Return a score; each part is given as its measures."""
    listed = [*names, *(f"P{n}" for n in range(len(names) + 1, len(parts) + 1))]
    keys = [f"k{n}" for n in range(len(parts))]
    heads = "".join(
        f'<score-part id="{key}"><part-name>{name}</part-name></score-part>'
        for key, name in zip(keys, listed, strict=True)
    )
    bodies = "".join(
        f'<part id="{key}">{"".join(measures)}</part>'
        for key, measures in zip(keys, parts, strict=True)
    )
    return (
        f'{HEAD}<score-partwise version="4.0">{extra}<part-list>{heads}</part-list>{bodies}'
        "</score-partwise>"
    )


def numbered(*bars: str | tuple[str, str]) -> list[str]:
    """Return measures of a whole note each, numbered from 1.

    Each is given as what comes behind the note, or as what comes before and behind it.
    """
    out = []
    for number, bar in enumerate(bars, start=1):
        before, behind = ("", bar) if isinstance(bar, str) else bar
        head = attributes("4/4") if number == 1 else ""
        out.append(measure(head + before + note("C4", 4) + behind, number))
    return out


def read(text: str, *, name: str = "lied.musicxml") -> Score:
    return read_score(text.encode(), name=name)
