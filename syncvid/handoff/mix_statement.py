"""The statement about a mix: what was done, in plain text, for whoever plays in it or publishes it.

Times on this page count from the beginning of the mix file, so that they can be looked up there.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from syncvid.handoff import words
from syncvid.handoff.markup import clean_text, number
from syncvid.handoff.mix_rows import level, listed, paragraph, row, wrapped
from syncvid.handoff.mix_stems import balance, stem_rows
from syncvid.production.mix_made import Hiding, MadeMaster, MadeMix, MadeRoom
from syncvid.timeline import clock_text

# Two meters that keep to EBU Tech 3341 may each be a tenth of a loudness unit off.
_METERS_AGREE_LU = 0.2

# EBU Tech 3341 allows a meter of true peaks +0.2 and -0.4 dB, so that two may lie this far apart.
_METERS_AGREE_DB = 0.6

# Half of the last digit that is shown.
_SHOWN_DB = 0.05

_HIDDEN: dict[Hiding, tuple[str, str]] = {
    "rest": ("in a rest", "in rests"),
    "attack": ("just before an attack", "just before attacks"),
    "quiet": ("at a quiet moment", "at quiet moments"),
    "held": ("within a held note", "within held notes"),
}

CAUTIONS = (
    "Rights: has everybody who is heard agreed, and for the young their guardians? The music, its "
    "arrangement and its recording may each belong to somebody, and so may pictures that go with "
    "it. Laws differ from country to country: ask locally if unsure. This page settles nothing.",
    "Ears: turn the volume down before you listen with headphones, then slowly up. No file knows "
    "how loud it will be played.",
)
"""What is said under every statement."""


def mix_statement(made: MadeMix) -> str:
    """Tell what a mix was made of, and what it measures.

    Parameters
    ----------
    made : MadeMix
        What was made.

    Returns
    -------
    str
        Lines of at most 80 columns wherever names and paths allow, ending in a newline.
    """
    title = clean_text(made.title) or "Untitled"
    sections = (
        (f"{title}: how the mix was made", _scope(made)),
        ("The sound", _sound(made)),
        ("Balance", balance(made)),
        ("Takes", _joints(made)),
        *((clean_text(stem.name) or "?", stem_rows(stem, made)) for stem in made.stems),
        ("Room", paragraph(_room(made.room))),
        ("All together", paragraph(_master(made.master))),
        ("Remarks", _points(made.remarks)),
        ("Before you publish, and before you listen", _points(CAUTIONS)),
    )
    told = [(heading, list(lines)) for heading, lines in sections]
    pages = ("\n".join((*wrapped(heading), *lines)) for heading, lines in told if lines)
    return "\n\n".join(pages) + "\n"


def _scope(made: MadeMix) -> Iterator[str]:
    """Yield what the page is about."""
    parts = words.count(len(made.stems), "part")
    yield from paragraph(f"{words.sentence(parts)} Times count from the beginning of the mix file.")


def _sound(made: MadeMix) -> Iterator[str]:
    """Yield what the finished file is, and what it measures."""
    programme, master = made.master.programme, made.master
    yield from row("file", ", ".join(map(clean_text, made.files)))
    music = (clock_text(time_s - made.from_s) for time_s in (made.music_from_s, made.music_to_s))
    yield from row(
        "length", f"{clock_text(made.to_s - made.from_s)}, music from {' to '.join(music)}"
    )
    yield from row("silence", f"{made.head_s:.2f} s before the music, {made.tail_s:.2f} s after it")
    for name, reference in words.REFERENCES.items():
        if name == made.reference:
            yield from row("begins", words.start_text(made.from_s, reference))
    yield from row("asked for", _wish(master))
    yield from row("loudness", _loudness(master))
    yield from row("true peak", _true_peak(master))
    yield from row("sample peak", level(programme.sample_peak_dbfs, "dBFS", "none"))
    yield from row("loudness range", level(programme.range_lu, "LU", "not known"))
    if programme.short_term_lufs is not None:
        yield from row("loudest 3 s", level(programme.short_term_lufs, "LUFS"))
    if programme.momentary_lufs is not None:
        yield from row("loudest 0.4 s", level(programme.momentary_lufs, "LUFS"))
    yield from row("samples", f"24 bits, {number(made.sample_rate / 1000)} kHz")


def _wish(master: MadeMaster) -> str:
    """Say which loudness was asked for."""
    loudness = "as loud as goes without limiting"
    if master.target_lufs is not None:
        loudness = level(master.target_lufs, "LUFS")
    return f"{clean_text(master.target)}: {loudness}, at most {level(master.ceiling_dbtp, 'dBTP')}"


def _loudness(master: MadeMaster) -> str:
    """Say how loud the file is, by both meters."""
    first, second = master.programme.integrated_lufs, master.second_lufs
    told = level(first, "LUFS", "none: it is silent")
    if first is None or second is None:
        return told
    told += f"; a second meter reads {level(second)}"
    return told + (": they differ" if abs(first - second) > _METERS_AGREE_LU else "")


def _true_peak(master: MadeMaster) -> str:
    """Say how high the file peaks, by both meters."""
    first, second = master.programme.true_peak_dbtp, master.second_dbtp
    told = level(first, "dBTP", "none")
    if second is not None and math.isfinite(second) and math.isfinite(first):
        told += f"; a second meter reads {level(second)}"
        told += ": they differ" if abs(first - second) > _METERS_AGREE_DB else ""
    above = first > master.ceiling_dbtp + _SHOWN_DB
    return told + ("; this is above what was asked for" if above else "")


def _joints(made: MadeMix) -> Iterator[str]:
    """Yield how many joints there are, and where they are hidden."""
    splices = [splice for stem in made.stems for splice in stem.splices]
    if not splices:
        yield from paragraph("No part is joined from pieces." if made.stems else "")
        return
    hidden = Counter(splice.hidden_in for splice in splices)
    joined = sum(bool(stem.splices) for stem in made.stems)
    told = f"{words.count(joined, 'part is', 'parts are')} joined from pieces, at "
    told += f"{words.count(len(splices), 'place')}{_places(hidden)}."
    if hidden["held"]:
        told += " A joint within a held note may be heard: please listen there."
    yield from paragraph(told[0].upper() + told[1:])


def _places(hidden: Counter[Hiding]) -> str:
    """Say where joints are hidden, so many in each kind of place."""
    if len(hidden) == 1:
        ((kind, amount),) = hidden.items()
        return f", {_HIDDEN[kind][0]}" if amount == 1 else f", all {_HIDDEN[kind][1]}"
    kinds = (words.count(hidden[kind], *names) for kind, names in _HIDDEN.items() if hidden[kind])
    return f": {listed(list(kinds))}"


def _room(room: MadeRoom | None) -> str:
    """Say in which room the parts stand."""
    if room is None:
        return "None was added: the parts stand as they were recorded."
    return (
        f"One for all parts, {clean_text(room.amount)}: {clean_text(room.name)}. It dies away by "
        f"60 dB in {room.decay_s:.2f} s, lies {room.under_db:.1f} dB under the dry sound, comes "
        f"{number(round(room.predelay_ms, 1))} ms after it, and is cut below "
        f"{number(round(room.low_cut_hz))} Hz."
    )


def _master(master: MadeMaster) -> str:
    """Say what was done to all parts together."""
    told = "The whole was kept as loud as it was."
    if abs(master.gain_db) >= _SHOWN_DB:
        word = "louder" if master.gain_db > 0 else "softer"
        told = f"The whole was made {abs(master.gain_db):.1f} dB {word}."
    if master.limited_db < _SHOWN_DB:
        return f"{told} Nothing was limited."
    return (
        f"{told} Its loudest moments were limited: by {master.limited_db:.1f} dB at most, and "
        f"{_share(master.limited_share)} of the time by more than 0.1 dB."
    )


def _share(share: float) -> str:
    """Write a share of the time."""
    percent = 100 * share
    return f"{percent:.1f} %" if percent >= _SHOWN_DB or not percent else "less than 0.1 %"


def _points(sentences: tuple[str, ...]) -> Iterator[str]:
    """Yield sentences, each a point of its own."""
    for text in sentences:
        yield from paragraph(clean_text(text), first="- ", then="  ")
