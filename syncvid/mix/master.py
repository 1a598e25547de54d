"""The last step of a mix: as loud as its use asks for, with no peak above the ceiling.

First comes a plain gain, which keeps everything as it is.  Only where the peaks would not fit is
the limiter used, and only so far: a mix that would have to be limited more stays softer, and a
remark says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from syncvid.mix.door import check_mix
from syncvid.mix.limiter import MARGIN_DB, Limited, Limiter
from syncvid.mix.tops import HOP_SAMPLES, hop_tops
from syncvid.signals.programme import integrated_lufs, measure_programme
from syncvid.timeline import clock_text

if TYPE_CHECKING:
    from syncvid.arrays import Audio, Floats

# Meters may differ by 0.1 LU (EBU Tech 3341); a target is met within a fifth of that.
_NEAR_LU = 0.02

# Each round is a limited mix, measured; a secant is there after two or three.
_ROUNDS = 8

# A decibel more makes a limited mix less than a decibel louder; steps grow by this at most.
_MOST_SLOPE = 4.0

# A loudness range that shrinks by less is not told: its own measure has steps of about 1 LU.
_TOLD_RANGE_LU = 1.0

# Peaks that lie so near to each other are one place; few of them may be knocks, many are music.
_PLACE_S, _FEW_PLACES = 0.25, 3


@dataclass(frozen=True, slots=True)
class Target:
    """What a mix is for, and how loud it should be there.

    Attributes
    ----------
    name : str
        As the user writes it.
    loudness_lufs : float or None
        Integrated loudness; None: as loud as goes without limiting.
    ceiling_dbtp : float
        True peak that nothing exceeds.
    told : str
        What it is for, in plain words.
    """

    name: str
    loudness_lufs: float | None
    ceiling_dbtp: float
    told: str


# The ceiling is that of lossy delivery, -1 dBTP (AES TD1008, 2021; EBU R 128, 2020).
_CEILING_DBTP = -1.0

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        # Common practice of web video; also the loudest track of an album in AES TD1008 (2021).
        Target("share", -14.0, _CEILING_DBTP, "to share on the web"),
        # AES TD1008 (2021): music, track by track.
        Target("stream", -16.0, _CEILING_DBTP, "for music streams"),
        # EBU R 128 (2020).
        Target("broadcast", -23.0, _CEILING_DBTP, "for radio and television in Europe"),
        # No loudness asked for: the peaks decide, and all dynamics stay.
        Target("natural", None, _CEILING_DBTP, "as loud as goes with every peak as it was played"),
    )
}
"""The targets by name, the usual one first."""


@dataclass(frozen=True, slots=True)
class Mastered:
    """A mix at its final level.

    Attributes
    ----------
    samples : ndarray, shape (2, samples), float32
        A new array, or the given one where nothing was to be done.
    gain_db : float
        By how much all of it was raised, before the limiter.
    limited_db : float
        The most by which the limiter lowered it, at least 0.
    limited_share : float
        Share of the time, 0 to 1, in which it lowered by more than 0.1 dB.
    remarks : tuple of str
        What the user should know; times count from the first sample.
    """

    samples: Audio = field(repr=False)
    gain_db: float
    limited_db: float
    limited_share: float
    remarks: tuple[str, ...] = ()


def master(
    samples: Audio, *, sample_rate: int, target: Target, most_limiting_db: float = 6.0
) -> Mastered:
    """Bring a mix to the loudness of its use.

    Parameters
    ----------
    samples : ndarray, shape (2, samples), float32
        The mix, at any level; it may exceed full scale.  It is not changed.
    sample_rate : int
        In Hz.
    target : Target
        Loudness and ceiling.
    most_limiting_db : float
        By how much the limiter may lower the highest peak; 0: it is not used.

    Returns
    -------
    Mastered
        Within 0.02 LU of the target, or softer with a remark.  Silence comes back as it is.  What
        is too short or too soft for its loudness to be measured is at most brought under the
        ceiling.

    Raises
    ------
    SignalError
        Not two channels of float32, or values that are not finite.
    """
    check_mix(samples)
    before = measure_programme(samples, sample_rate=sample_rate)
    highest = float(max(samples.max(initial=0.0), -samples.min(initial=0.0)))
    if highest == 0:
        return Mastered(samples, 0.0, 0.0, 0.0, ("The mix is silent.",))
    tops = hop_tops(samples, closely_from=highest)
    # Two ways to look between the samples: the higher one counts.
    peak_dbtp = max(20 * float(np.log10(tops.max())), before.true_peak_dbtp)
    room_db = target.ceiling_dbtp - MARGIN_DB - peak_dbtp
    if target.loudness_lufs is None:
        return _raised(samples, room_db)
    if before.integrated_lufs is None:
        return _raised(samples, min(0.0, room_db), _UNMEASURED)
    wanted_db = target.loudness_lufs - before.integrated_lufs
    if wanted_db <= room_db:
        return _raised(samples, wanted_db)
    most_db = max(0.0, most_limiting_db)
    reached_lufs, mastered = before.integrated_lufs + room_db, _raised(samples, room_db)
    if most_db:
        reached_lufs, mastered = _limited(
            samples, sample_rate, target, wanted_db, room_db + most_db
        )
        after = measure_programme(mastered.samples, sample_rate=sample_rate)
        mastered = replace(mastered, remarks=_range_remark(before.range_lu, after.range_lu))
    if reached_lufs >= target.loudness_lufs - _NEAR_LU:
        return mastered
    at_s = _places(tops, target.ceiling_dbtp + most_db - wanted_db, sample_rate)
    told = _short(reached_lufs, target.loudness_lufs, at_s, most_db)
    return replace(mastered, remarks=(told, *mastered.remarks))


_UNMEASURED = (
    "The mix is too short or too soft for its loudness to be measured, so it was not made louder."
)


def _limited(
    samples: Audio, sample_rate: int, target: Target, wanted_db: float, most_db: float
) -> tuple[float, Mastered]:
    """Find the gain at which the limited mix is as loud as wanted, or the most that may be."""
    limiter = Limiter(
        samples, sample_rate=sample_rate, lowest=10 ** ((target.ceiling_dbtp - most_db) / 20)
    )
    wanted_lufs, gain_db = target.loudness_lufs or 0.0, min(wanted_db, most_db)
    tried: list[tuple[float, float]] = []
    while True:
        limited = limiter(gain_db=gain_db, ceiling_dbtp=target.ceiling_dbtp)
        measured = integrated_lufs(limited.samples, sample_rate=sample_rate)
        reached_lufs = -np.inf if measured is None else measured
        short_lu = wanted_lufs - reached_lufs
        tried.append((gain_db, reached_lufs))
        at_most = short_lu > 0 and gain_db >= most_db
        if abs(short_lu) <= _NEAR_LU or at_most or len(tried) == _ROUNDS:
            found = Mastered(limited.samples, gain_db, limited.most_db, limited.share)
            return reached_lufs, found
        gain_db = min(gain_db + short_lu * _slope(tried, limited), most_db)
        # Its memory is wanted for the next.
        del limited


def _slope(tried: list[tuple[float, float]], limited: Limited) -> float:
    """Return how many dB of gain make one LU of loudness."""
    if len(tried) < 2:
        # What is limited all the time hardly grows; the rest grows as the gain does.
        slope = 1 / max(1 - limited.share, 1 / _MOST_SLOPE)
    else:
        (before_db, before_lufs), (now_db, now_lufs) = tried[-2:]
        slope = (now_db - before_db) / ((now_lufs - before_lufs) or 1.0)
    return float(np.clip(slope, 1.0, _MOST_SLOPE))


def _raised(samples: Audio, gain_db: float, *remarks: str) -> Mastered:
    """Return a mix with nothing but a gain."""
    raised = samples if gain_db == 0 else samples * np.float32(10 ** (gain_db / 20))
    return Mastered(raised, gain_db, 0.0, 0.0, remarks)


def _places(tops: Audio, least_db: float, sample_rate: int) -> Floats:
    """Return where peaks reach above a level, in seconds: each place once, the highest first."""
    above = np.flatnonzero(tops >= min(10 ** (least_db / 20), float(tops.max())))
    far = np.diff(above) * HOP_SAMPLES > _PLACE_S * sample_rate
    places = np.split(above, np.flatnonzero(far) + 1)
    highest = [int(place[tops[place].argmax()]) for place in places]
    highest.sort(key=lambda hop: -tops[hop])
    return np.array(highest) * (HOP_SAMPLES / sample_rate)


def _short(reached_lufs: float, wanted_lufs: float, at_s: Floats, most_db: float) -> str:
    """Say that a mix stays softer than wanted, why, and what helps."""
    told = f"The mix reaches {reached_lufs:.1f} LUFS, not {wanted_lufs:g}: "
    lowered = "would have to be lowered" + (f" by more than {most_db:g} dB" if most_db else "")
    first = clock_text(float(at_s[0]))
    if at_s.size > _FEW_PLACES:
        return (
            f"{told}its peaks {lowered} in {at_s.size} places, the highest at {first}. A softer "
            "use suits music of such peaks better."
        )
    more = f" and {at_s.size - 1} more" if at_s.size > 1 else ""
    return (
        f"{told}the peak at {first}{more} {lowered}. Listen there: if it is a knock and not music, "
        "take it out of its part and mix again."
    )


def _range_remark(before_lu: float | None, after_lu: float | None) -> tuple[str, ...]:
    """Say by how much the loudness range shrank, if it is worth a word."""
    if before_lu is None or after_lu is None or before_lu - after_lu <= _TOLD_RANGE_LU:
        return ()
    return (
        f"Loud and soft lie closer together than in the mix as it was: the loudness range went "
        f"from {before_lu:.1f} to {after_lu:.1f} LU. A softer use keeps more of it.",
    )
