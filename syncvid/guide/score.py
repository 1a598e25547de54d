"""Reading a score, whatever it is: MusicXML, plain or compressed, or a MIDI file."""

from __future__ import annotations

from syncvid.errors import ProductionError
from syncvid.guide.musicxml import read_musicxml
from syncvid.guide.zipped import unzip_score
from syncvid.production.guide_plan import Score, Tempo

USUAL_TEMPO = Tempo(96.0)
"""Of a score that names no tempo, until somebody says one."""

NO_TEMPO_REMARK = (
    f"The score names no tempo: quarter = {USUAL_TEMPO.per_minute:g} is taken until you say one."
)
"""The remark of a score that names no tempo."""

_MARKS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")


def read_score(data: bytes, *, name: str) -> Score:
    """Read a score; what kind of file it is is told by what is in it.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name, for messages.

    Returns
    -------
    Score

    Raises
    ------
    ProductionError
        It is no score, or a broken one.
    """
    if data.startswith(b"MThd"):
        from syncvid.guide.midi_in import read_midi

        return read_midi(data, name=name)
    if data.startswith(b"PK"):
        data = unzip_score(data, name=name)
    if not data.startswith(_MARKS) and not data.lstrip().startswith(b"<"):
        raise ProductionError(
            "This is no score." if data.strip() else "The file is empty.",
            where=name,
            fix="Name a MusicXML file (.musicxml, .mxl) or a MIDI file (.mid).",
        )
    return read_musicxml(data, name=name, usual=USUAL_TEMPO, no_tempo=NO_TEMPO_REMARK)
