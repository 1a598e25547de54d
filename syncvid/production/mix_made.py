"""What a mix was made of, and what it measures: plain frozen records.

Seconds are reference seconds unless they say otherwise; the mix file's second 0 lies at `from_s`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FadeLaw = Literal["equal power", "linear"]
Hiding = Literal["rest", "attack", "quiet", "held"]


@dataclass(frozen=True, slots=True)
class MadeSplice:
    """Where a stem changes from one take, or one place of it, to another.

    Attributes
    ----------
    at_s : float
        The middle of the cross-fade.
    marked_s : float
        Where the plan marks it.
    fade_s : float
        Length of the cross-fade.
    law : {"equal power", "linear"}
        Of the cross-fade: for sounds that differ, for sounds that are alike.
    hidden_in : {"rest", "attack", "quiet", "held"}
        In a rest, just before an attack, at the quietest moment near, or within a held note, where
        it may be heard.
    place : str
        Bar and beat, or the time, in words.
    step_ratio : float or None
        Largest step from sample to sample within the cross-fade, divided by what the two takes
        themselves make near it (see `syncvid.mix.fades.step_ratio`); at most 1 where there is no
        click.
    """

    at_s: float
    marked_s: float
    fade_s: float
    law: FadeLaw
    hidden_in: Hiding
    place: str = ""
    step_ratio: float | None = None


@dataclass(frozen=True, slots=True)
class MadePassage:
    """A stretch of a stem that comes from one take.

    Attributes
    ----------
    take : int
    file : str
        The path as the user gave it: the clip's, or its recorder's.
    from_s, to_s : float
        Where it is heard.
    offset_s, drift_ppm : float
        Its place on the reference, the part's shift included.
    gain_db : float
        By how much it was raised, so that the takes of one stem are equally loud.
    """

    take: int
    file: str
    from_s: float
    to_s: float
    offset_s: float
    drift_ppm: float
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class MadeStem:
    """One stem of a mix.

    Attributes
    ----------
    name : str
        The part, with its player; of a clip that parts share, all of them.
    passages : tuple of MadePassage
        In the order of time.
    splices : tuple of MadeSplice
        Between the passages.
    cleaning : tuple of (step, sentence)
        What was done to it, in order; empty where nothing was asked for.
    loudness_lufs : float or None
        Integrated, of the stem as it was recorded and cleaned; None where it is silent.
    starting_db : float
        Gain by which the balance starts.
    wish_db : float
        What the user adds to it.
    pan : float
        -1 left to 1 right.
    shift_ms : float
        By how much the user moved it; later is positive.
    muted : bool
        It is left out of the mix.
    tone_db : tuple of (Hz, dB)
        By how much its tone was changed; empty where it was not.
    room_db : float
        What it sends to the room, against the other parts.
    file : str
        The stem's own file, if it was written.
    """

    name: str
    passages: tuple[MadePassage, ...]
    splices: tuple[MadeSplice, ...] = ()
    cleaning: tuple[tuple[str, str], ...] = ()
    loudness_lufs: float | None = None
    starting_db: float = 0.0
    wish_db: float = 0.0
    pan: float = 0.0
    shift_ms: float = 0.0
    muted: bool = False
    tone_db: tuple[tuple[float, float], ...] = ()
    room_db: float = 0.0
    file: str = ""


@dataclass(frozen=True, slots=True)
class MadeRoom:
    """The room that all parts share.

    Attributes
    ----------
    amount : str
        In plain words: ``a little``.
    name : str
        In plain words, or the impulse response's file.
    decay_s : float
        Reverberation time T30 of its impulse response.
    predelay_ms, low_cut_hz : float
    under_db : float
        By how much the room's sound is softer than the dry sound.
    """

    amount: str
    name: str
    decay_s: float
    predelay_ms: float
    low_cut_hz: float
    under_db: float


@dataclass(frozen=True, slots=True)
class Programme:
    """What a finished sound measures.

    Attributes
    ----------
    integrated_lufs, momentary_lufs, short_term_lufs : float or None
        Loudness by ITU-R BS.1770-5: of the whole with its gates, and the highest of 400 ms and of
        3 s; None for silence.
    range_lu : float or None
        Loudness range by EBU Tech 3342; None where there is too little sound.
    true_peak_dbtp, sample_peak_dbfs : float
        Minus infinity for silence.
    """

    integrated_lufs: float | None
    momentary_lufs: float | None
    short_term_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float
    sample_peak_dbfs: float


@dataclass(frozen=True, slots=True)
class MadeMaster:
    """What was done to all parts together.

    Attributes
    ----------
    target : str
        Which use the loudness is for: ``share``.
    target_lufs : float or None
        None: as loud as goes without limiting.
    ceiling_dbtp : float
    gain_db : float
        Of the whole.
    limited_db : float
        The most by which the limiter lowered it, 0 or more.
    limited_share : float
        Share of the time in which it lowered by more than a tenth of a decibel.
    programme : Programme
        What the written file measures.
    second_lufs, second_dbtp : float or None
        Loudness and true peak by a second, independent meter.
    """

    target: str
    target_lufs: float | None
    ceiling_dbtp: float
    gain_db: float
    limited_db: float
    limited_share: float
    programme: Programme
    second_lufs: float | None = None
    second_dbtp: float | None = None


@dataclass(frozen=True, slots=True)
class MadeMix:
    """A mix that was made.

    Attributes
    ----------
    title : str
    reference : str
        ``mix``, ``guide`` or ``clips``.
    from_s, to_s : float
        Which reference seconds the file covers.
    music_from_s, music_to_s : float
        Between which there is music.
    head_s, tail_s : float
        Silence before and after it.
    sample_rate : int
    stems : tuple of MadeStem
    room : MadeRoom or None
        None: dry.
    master : MadeMaster
    files : tuple of str
        What was written, the mix first.
    remarks : tuple of str
        What the user should know.
    """

    title: str
    reference: str
    from_s: float
    to_s: float
    music_from_s: float
    music_to_s: float
    head_s: float
    tail_s: float
    sample_rate: int
    stems: tuple[MadeStem, ...]
    room: MadeRoom | None
    master: MadeMaster
    files: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
