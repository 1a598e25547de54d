"""The plan of the demo: who recorded what, when, in which room and with which phone.

Everything that the truth states about a clip follows from this table. All names are invented.

Clocks: ``session_s`` is 0 at the first beat of bar 1; the mix starts ``MIX_HEAD_S`` earlier, the
guide ``GUIDE_HEAD_S`` earlier. A clip second c of a clip is the mix second
``offset_s + c * (1 + drift_ppm * 1e-6)``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from . import performance, score
from .performance import Played
from .rooms import Room

MIX_HEAD_S = 1.0
MIX_TAIL_S = 2.0
MUSIC_S = score.BARS * score.BEATS_PER_BAR * score.BEAT_S
MIX_S = MIX_HEAD_S + MUSIC_S + MIX_TAIL_S

COUNT_IN_BARS = 2
GUIDE_LEAD_S = 0.35
GUIDE_HEAD_S = GUIDE_LEAD_S + COUNT_IN_BARS * score.BEATS_PER_BAR * score.BEAT_S
GUIDE_OFFSET_S = MIX_HEAD_S - GUIDE_HEAD_S

# The flute of the mix comes from take 1 in bars 1 to 8 and from take 2 after that.
SPLICE_SESSION_S = 8 * score.BEATS_PER_BAR * score.BEAT_S
# The viola's whole track was moved later by whoever made the mix.
VIOLA_MOVED_S = 0.040


@dataclass(frozen=True, slots=True)
class Phone:
    """What the phone does to the sound.

    Attributes
    ----------
    low_hz, high_hz : float
        Band that the microphone hears.
    level_db : float
        Level of the sounding part of the clip.
    gain_control : float
        0 for none; 1 would make everything equally loud.
    clip_above_db : float or None
        Peaks above this level are cut off before the file is written at a lower level.
    sample_rate : int
    stereo : bool
    """

    low_hz: float
    high_hz: float
    level_db: float
    gain_control: float = 0.0
    clip_above_db: float | None = None
    sample_rate: int = 48_000
    stereo: bool = False


@dataclass(frozen=True, slots=True)
class Camera:
    """What the phone does to the picture and how the file is written.

    Attributes
    ----------
    width, height : int
        As coded in the file, before rotation.
    rate : Fraction
        Nominal pictures per second.
    codec : str
        Encoder.
    crf : int
        Constant quality of the encoder.
    turn : int
        Degrees counter-clockwise that the display matrix asks for.
    jitter_s : float
        Spread of picture times; 0 for a constant rate.
    dropped : float
        Share of pictures that the phone lost.
    """

    width: int
    height: int
    rate: Fraction
    codec: str = "libx264"
    crf: int = 27
    turn: int = 0
    jitter_s: float = 0.0
    dropped: float = 0.0

    @property
    def upright_size(self) -> tuple[int, int]:
        """Width and height as displayed."""
        return (self.height, self.width) if self.turn % 180 else (self.width, self.height)


@dataclass(frozen=True, slots=True)
class Clip:
    """One recording.

    Attributes
    ----------
    file, part, player, take : str, str, str, int
        Identity; the part names the instrument.
    offset_s : float
        Where clip second 0 lies on the mix clock, before any edit of the mix.
    drift_ppm : float
        Positive: the clip's clock is slow.
    seconds : float
        Length of the clip.
    room, phone, camera
        Where and with what.
    seed : int
        Of the performance.
    false_start_s : float or None
        Session second of a first attempt that breaks off in its third bar.
    slate : str
        Words spoken at the head.
    leak_db : float or None
        Level of the guide from the headphones against the playing.
    belongs : bool
        Whether it is part of the round.
    how : str
        For readers of the truth.
    """

    file: str
    part: str
    player: str
    take: int
    offset_s: float
    drift_ppm: float
    seconds: float
    room: Room
    phone: Phone
    camera: Camera
    seed: int
    false_start_s: float | None = None
    slate: str = ""
    leak_db: float | None = None
    belongs: bool = True
    how: str = field(default="", kw_only=True)

    def session_at(self, clip_s: np.ndarray | float) -> np.ndarray | float:
        """Turn clip seconds into session seconds."""
        return self.offset_s - MIX_HEAD_S + clip_s * (1.0 + self.drift_ppm * 1e-6)

    def clip_at(self, session_s: float) -> float:
        """Turn session seconds into clip seconds."""
        return (session_s + MIX_HEAD_S - self.offset_s) / (1.0 + self.drift_ppm * 1e-6)


FALSE_START_BEATS = 10.5

CLIPS = (
    Clip(
        "flute ines 1.mov", "Flute", "Ines", 1, -15.8137, 31.4, 70.6,
        Room((4.6, 3.8, 2.6), (2.1, 1.7, 1.5), (3.4, 2.4, 1.2), 0.62, 0.42, -9.0, "quiet", -62.0),
        Phone(110.0, 12_000.0, -22.0),
        Camera(1280, 720, Fraction(30)),
        seed=101, false_start_s=-14.2,
        how="living room with curtains; phone on a shelf; a false start of two and a half bars; "
        "AAC mono 48 kHz, H.264 30/s",
    ),
    Clip(
        "Ines_flute_take2.mov", "Flute", "Ines", 2, -6.4031, 12.4, 60.9,
        Room((4.6, 3.8, 2.6), (2.2, 1.8, 1.5), (3.5, 2.2, 1.2), 0.62, 0.42, -9.0, "quiet", -60.0),
        Phone(110.0, 12_000.0, -21.0),
        Camera(960, 540, Fraction(30), turn=180),
        seed=102,
        how="the same room; the phone stood upside down (display matrix of 180 degrees); "
        "AAC mono 48 kHz, H.264 30/s",
    ),
    Clip(
        "Bram - clarinet (1).mp4", "Clarinet", "Bram", 1, -4.2179, -27.3, 58.3,
        Room((3.6, 2.9, 2.5), (1.5, 1.4, 1.2), (2.4, 1.9, 1.1), 0.70, 0.55, -7.0, "fan", -58.0),
        Phone(140.0, 10_000.0, -18.0, clip_above_db=-9.0, stereo=True),
        Camera(1280, 720, Fraction(30), turn=-90),
        seed=103, leak_db=-45.0,
        how="attic; phone held upright (display matrix of 90 degrees); the loudest notes are "
        "clipped; the guide leaks at -45 dB; AAC stereo 48 kHz, H.264 30/s",
    ),
    Clip(
        "VID_20260314_101502_violin_Oda.mp4", "Violin", "Oda", 1, -11.0523, 63.2, 65.4,
        Room((5.2, 4.1, 2.7), (2.6, 2.0, 1.5), (4.0, 2.9, 1.4), 0.58, 0.38, -10.0, "street", -57.0),
        Phone(120.0, 14_000.0, -21.0, gain_control=0.35),
        Camera(960, 540, Fraction(30), jitter_s=0.004, dropped=0.04),
        seed=104, slate="Orchard Round. Violin. Take one.",
        how="study with a street outside; spoken slate; mild automatic gain; variable picture "
        "rate with lost pictures; AAC mono 48 kHz, H.264",
    ),
    Clip(
        "Teo viola T1.mp4", "Viola", "Teo", 1, -7.7314, -51.8, 62.1,
        Room((4.0, 3.3, 2.6), (1.8, 1.5, 1.5), (3.0, 2.3, 1.3), 0.66, 0.48, -8.0, "quiet", -59.0),
        Phone(100.0, 11_000.0, -23.0, sample_rate=44_100),
        Camera(960, 540, Fraction(24), codec="libx265", crf=28),
        seed=105, leak_db=-45.0,
        how="bedroom; the guide leaks at -45 dB; in the mix the whole track lies 40 ms later than "
        "it was played; AAC mono 44.1 kHz, HEVC 24/s",
    ),
    Clip(
        "cello mirre FINAL.mov", "Cello", "Mirre", 1, -9.1642, 18.7, 54.2,
        Room((5.8, 4.4, 2.9), (2.9, 2.2, 0.9), (4.5, 3.0, 1.1), 0.60, 0.60, -8.0, "quiet", -61.0),
        Phone(70.0, 12_000.0, -21.0, stereo=True, sample_rate=44_100),
        Camera(960, 540, Fraction(30_000, 1_001)),
        seed=106,
        how="room with a piano and a wooden floor; the phone was full and stopped 8 s before the "
        "end; AAC stereo 44.1 kHz, H.264 29.97/s",
    ),
    Clip(
        "marimba_Jonah.webm", "Marimba", "Jonah", 1, 3.8716, -71.6, 50.2,
        Room((6.2, 4.9, 2.8), (3.0, 2.4, 1.0), (4.6, 3.3, 1.2), 0.68, 0.70, -8.0, "fan", -59.0),
        Phone(90.0, 13_000.0, -22.0),
        Camera(960, 540, Fraction(25), codec="libvpx-vp9", crf=38),
        seed=107,
        how="garage with a door to the garden; recording began in bar 2, before his entry in "
        "bar 5; Opus mono 48 kHz, VP9 25/s",
    ),
    Clip(
        "IMG_2207.mov", "Recorder", "Wen", 1, 0.0, 22.0, 26.0,
        Room((3.9, 3.1, 2.5), (1.7, 1.5, 1.4), (2.9, 2.1, 1.2), 0.74, 0.50, -7.0, "fridge", -56.0),
        Phone(130.0, 12_000.0, -21.0),
        Camera(960, 540, Fraction(60)),
        seed=108, belongs=False,
        how="kitchen; a forgotten recording of another piece: a waltz in A minor at 132; "
        "AAC mono 48 kHz, H.264 60/s",
    ),
)

# The stray clip has no place on the mix clock; its own music starts here.
STRAY_STARTS_S = 2.2


def played_in(clip: Clip) -> list[Played]:
    """Return the performance that the clip shows, without any false start."""
    if not clip.belongs:
        played = performance.perform(
            score.stray_piece(), part=clip.part, seed=clip.seed, beat_s=score.STRAY_BEAT_S
        )
        return performance.excerpt(played, until_s=np.inf, shift_s=STRAY_STARTS_S - MIX_HEAD_S)
    return performance.perform(score.orchard_round()[clip.part], part=clip.part, seed=clip.seed)


def seen_in(clip: Clip) -> list[Played]:
    """Return every note that sounds in the clip's room, false start included."""
    played = played_in(clip)
    if clip.false_start_s is None:
        return played
    until_s = FALSE_START_BEATS * score.BEAT_S
    return performance.excerpt(played, until_s=until_s, shift_s=clip.false_start_s) + played
