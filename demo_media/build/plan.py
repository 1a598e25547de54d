"""The plan of the demo: who recorded what, when, in which room and with which phone.

Everything that the truth states about a clip follows from this table. All names are invented.

Clocks: ``music_s`` is 0 at the first beat of bar 1; the mix starts ``MIX_HEAD_S`` earlier, the
guide ``GUIDE_HEAD_S`` earlier. A clip second c of a clip is the mix second
``offset_s + c * (1 + drift_ppm * 1e-6)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from . import guide, performance, score
from .performance import Played
from .rooms import Room

MIX_HEAD_S = 1.0
MIX_TAIL_S = 2.0
MUSIC_LENGTH_S = score.BARS * score.BEATS_PER_BAR * score.BEAT_S
MIX_S = MIX_HEAD_S + MUSIC_LENGTH_S + MIX_TAIL_S

GUIDE_HEAD_S = guide.music_from_s()
GUIDE_OFFSET_S = MIX_HEAD_S - GUIDE_HEAD_S

# The flute of the mix comes from take 1 in bars 1 to 8 and from take 2 after that; the cut lies a
# little before the bar line, so that no onset is cut.
SPLICE_MUSIC_S = 8 * score.BEATS_PER_BAR * score.BEAT_S
LEAD_IN_S = 0.08
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
        Peaks above this level are cut off.
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
    crf: int = 28
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
        Music second of a first attempt that breaks off in its third bar.
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
    how: str = ""

    def music_at(self, clip_s: np.ndarray | float) -> np.ndarray | float:
        """Turn clip seconds into music seconds."""
        return self.offset_s - MIX_HEAD_S + clip_s * (1.0 + self.drift_ppm * 1e-6)

    def clip_at(self, music_s: float) -> float:
        """Turn music seconds into clip seconds."""
        return (music_s + MIX_HEAD_S - self.offset_s) / (1.0 + self.drift_ppm * 1e-6)


FALSE_START_BEATS = 10.5

CLIPS = (
    Clip(
        file="flute ines 1.mov",
        part="Flute",
        player="Ines",
        take=1,
        offset_s=-15.8137,
        drift_ppm=31.4,
        seconds=70.6,
        room=Room(
            size_m=(4.6, 3.8, 2.6),
            player_m=(2.1, 1.7, 1.5),
            phone_m=(3.4, 2.4, 1.2),
            reflection=0.62,
            decay_s=0.42,
            late_db=-9.0,
            noise="quiet",
            noise_db=-62.0,
        ),
        phone=Phone(low_hz=110.0, high_hz=12_000.0, level_db=-22.0),
        camera=Camera(width=1280, height=720, rate=Fraction(30), crf=29),
        seed=101,
        false_start_s=-14.2,
        leak_db=-44.0,
        how="living room with curtains; phone on a shelf; a false start of two and a half bars; "
        "the guide leaks at -44 dB; AAC mono 48 kHz, H.264 30/s",
    ),
    Clip(
        file="Ines_flute_take2.mov",
        part="Flute",
        player="Ines",
        take=2,
        offset_s=-6.4031,
        drift_ppm=12.4,
        seconds=60.9,
        room=Room(
            size_m=(4.6, 3.8, 2.6),
            player_m=(2.2, 1.8, 1.5),
            phone_m=(3.5, 2.2, 1.2),
            reflection=0.62,
            decay_s=0.42,
            late_db=-9.0,
            noise="quiet",
            noise_db=-60.0,
        ),
        phone=Phone(low_hz=110.0, high_hz=12_000.0, level_db=-21.0),
        camera=Camera(width=960, height=540, rate=Fraction(30), turn=180),
        seed=102,
        leak_db=-40.0,
        how="the same room; the phone stood upside down (display matrix of 180 degrees); "
        "the guide leaks at -40 dB; AAC mono 48 kHz, H.264 30/s",
    ),
    Clip(
        file="Bram - clarinet (1).mp4",
        part="Clarinet",
        player="Bram",
        take=1,
        offset_s=-4.2179,
        drift_ppm=-27.3,
        seconds=58.3,
        room=Room(
            size_m=(3.6, 2.9, 2.5),
            player_m=(1.5, 1.4, 1.2),
            phone_m=(2.4, 1.9, 1.1),
            reflection=0.70,
            decay_s=0.55,
            late_db=-7.0,
            noise="fan",
            noise_db=-58.0,
        ),
        phone=Phone(low_hz=140.0, high_hz=10_000.0, level_db=-9.3, clip_above_db=-0.3, stereo=True),
        camera=Camera(width=1280, height=720, rate=Fraction(30), crf=29, turn=-90),
        seed=103,
        leak_db=-45.0,
        how="attic; phone held upright (display matrix of 90 degrees); the loudest notes are "
        "clipped; the guide leaks at -45 dB; AAC stereo 48 kHz, H.264 30/s",
    ),
    Clip(
        file="VID_20260314_101502_violin_Oda.mp4",
        part="Violin",
        player="Oda",
        take=1,
        offset_s=-11.0523,
        drift_ppm=63.2,
        seconds=65.4,
        room=Room(
            size_m=(5.2, 4.1, 2.7),
            player_m=(2.6, 2.0, 1.5),
            phone_m=(4.0, 2.9, 1.4),
            reflection=0.58,
            decay_s=0.38,
            late_db=-10.0,
            noise="street",
            noise_db=-57.0,
        ),
        phone=Phone(low_hz=120.0, high_hz=14_000.0, level_db=-21.0, gain_control=0.35),
        camera=Camera(width=960, height=540, rate=Fraction(30), jitter_s=0.004, dropped=0.04),
        seed=104,
        slate="Orchard Round. Violin. Take one.",
        leak_db=-45.0,
        how="study with a street outside; spoken slate; mild automatic gain; variable picture "
        "rate with lost pictures; the guide leaks at -45 dB; AAC mono 48 kHz, H.264",
    ),
    Clip(
        file="Teo viola T1.mp4",
        part="Viola",
        player="Teo",
        take=1,
        offset_s=-7.7314,
        drift_ppm=-51.8,
        seconds=62.1,
        room=Room(
            size_m=(4.0, 3.3, 2.6),
            player_m=(1.8, 1.5, 1.5),
            phone_m=(3.0, 2.3, 1.3),
            reflection=0.66,
            decay_s=0.48,
            late_db=-8.0,
            noise="quiet",
            noise_db=-59.0,
        ),
        phone=Phone(low_hz=100.0, high_hz=11_000.0, level_db=-23.0, sample_rate=44_100),
        camera=Camera(width=960, height=540, rate=Fraction(24), codec="libx265", crf=29),
        seed=105,
        leak_db=-45.0,
        how="bedroom; the guide leaks at -45 dB; in the mix the whole track lies 40 ms later than "
        "it was played; AAC mono 44.1 kHz, HEVC 24/s",
    ),
    Clip(
        file="cello mirre FINAL.mov",
        part="Cello",
        player="Mirre",
        take=1,
        offset_s=-9.1642,
        drift_ppm=18.7,
        seconds=54.2,
        room=Room(
            size_m=(5.8, 4.4, 2.9),
            player_m=(2.9, 2.2, 0.9),
            phone_m=(4.5, 3.0, 1.1),
            reflection=0.60,
            decay_s=0.60,
            late_db=-8.0,
            noise="quiet",
            noise_db=-61.0,
        ),
        phone=Phone(low_hz=70.0, high_hz=12_000.0, level_db=-21.0, stereo=True, sample_rate=44_100),
        camera=Camera(width=960, height=540, rate=Fraction(30_000, 1_001)),
        seed=106,
        leak_db=-42.0,
        how="room with a piano and a wooden floor; the phone was full and stopped 8 s before the "
        "end; the guide leaks at -42 dB; AAC stereo 44.1 kHz, H.264 29.97/s",
    ),
    Clip(
        file="marimba_Jonah.webm",
        part="Marimba",
        player="Jonah",
        take=1,
        offset_s=3.8716,
        drift_ppm=-71.6,
        seconds=50.2,
        room=Room(
            size_m=(6.2, 4.9, 2.8),
            player_m=(3.0, 2.4, 1.0),
            phone_m=(4.6, 3.3, 1.2),
            reflection=0.68,
            decay_s=0.70,
            late_db=-8.0,
            noise="fan",
            noise_db=-59.0,
        ),
        phone=Phone(low_hz=90.0, high_hz=13_000.0, level_db=-22.0),
        camera=Camera(width=960, height=540, rate=Fraction(25), codec="libvpx-vp9", crf=38),
        seed=107,
        leak_db=-44.0,
        how="garage with a door to the garden; recording began in bar 2, before his entry in "
        "bar 5; the guide leaks at -44 dB; Opus mono 48 kHz, VP9 25/s",
    ),
    Clip(
        file="IMG_2207.mov",
        part="Recorder",
        player="Wen",
        take=1,
        offset_s=0.0,
        drift_ppm=22.0,
        seconds=26.0,
        room=Room(
            size_m=(3.9, 3.1, 2.5),
            player_m=(1.7, 1.5, 1.4),
            phone_m=(2.9, 2.1, 1.2),
            reflection=0.74,
            decay_s=0.50,
            late_db=-7.0,
            noise="fridge",
            noise_db=-56.0,
        ),
        phone=Phone(low_hz=130.0, high_hz=12_000.0, level_db=-21.0),
        camera=Camera(width=960, height=540, rate=Fraction(60)),
        seed=108,
        belongs=False,
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
