"""Kinds beyond the practice cases, of clips that do not belong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import signal

from . import music, phones
from .music import Part, Rng, Score
from .parts import film_ensemble, new_session, plain_clips, whole_case
from .studio import Case, Session, put, stranger


def kind_wrongrate(rng: Rng) -> Case:
    """Tell the rate of files wrongly: 44.1 as 48 kHz and back, half, double speed."""
    session = new_session(rng)
    filmed, mix, shares = film_ensemble(session, own_sound=bool(rng.random() < 0.5), late=0.0)
    clips = []
    for number, clip in enumerate(plain_clips(session, filmed, shares)):
        if number == 0:
            clips.append(clip)
            continue
        up, down, told = (
            (147, 160, "44.1 as 48"),
            (160, 147, "48 as 44.1"),
            (2, 1, "half"),
            (1, 2, "double"),
        )[int(rng.choice(4, p=[0.35, 0.35, 0.15, 0.15]))]
        samples = signal.resample_poly(clip.samples, up, down).astype(np.float32)
        info = {**clip.info, "kind": f"wrong rate: {told}", "true_offset_s": clip.offset_s}
        clips.append(stranger(clip.name, samples, info))
    return whole_case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_otherguide(rng: Rng) -> Case:
    """Play to another version of the guide: another tempo, or bars put in or left out."""
    session = new_session(rng, tempo=str(rng.choice(["steady", "changes"])))
    with_mix = rng.random() < 0.5
    tracks = [session.close_mic(session.take(i)) for i in range(len(session.score.parts))]
    mix = session.finish(tracks)[0] if with_mix else None
    clips = []
    for index in range(len(session.score.parts)):
        score, told = _other_version(rng, session.score)
        other = Session(rng, score, noisy_edges=False, instruments=session.instruments)
        leak = None if with_mix and rng.random() < 0.5 else float(rng.uniform(-45, -25))
        filmed = other.clip(other.take(index), leak_db=leak)
        clips.append(stranger(f"clip {index}", filmed.samples, {**filmed.info, "kind": told}))
    return whole_case(session, clips, mix)


def _other_version(rng: Rng, score: Score) -> tuple[Score, str]:
    """Return the piece in another tempo, or with bars more or fewer, and what was changed."""
    if rng.random() < 0.6:
        ratio = 1 + float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.12))
        return replace(score, beat_starts_s=score.beat_starts_s * ratio), f"tempo x {1 / ratio:.3f}"
    lengths = np.diff(score.beat_starts_s)
    bars = int(rng.integers(1, 4))
    at_bar = score.count_in_bars + int(rng.uniform(0.25, 0.6) * score.bars)
    at, gone = at_bar * score.meter, bars * score.meter
    if rng.random() < 0.5:
        lengths = np.concatenate((lengths[:at], lengths[at : at + gone], lengths[at:]))
        change, moved = bars, gone
        first = at
    else:
        lengths = np.concatenate((lengths[:at], lengths[at + gone :]))
        change, moved = -bars, -gone
        first = at + gone
    parts = []
    for part in score.parts:
        kept = [n for n in part.notes if n.beat < at or n.beat >= first]
        parts.append(
            Part(
                part.role,
                tuple(replace(n, beat=n.beat + moved) if n.beat >= first else n for n in kept),
            )
        )
    starts = np.concatenate(([0.0], np.cumsum(lengths)))
    other = replace(score, bars=score.bars + change, beat_starts_s=starts, parts=tuple(parts))
    return other, f"{change:+d} bars at bar {at_bar - score.count_in_bars}"


def kind_otherkey(rng: Rng) -> Case:
    """Play the same piece in another key."""
    session = new_session(rng)
    tracks = [session.close_mic(session.take(i)) for i in range(len(session.score.parts))]
    mix = session.finish(tracks)[0]
    semitones = float(rng.choice([-5, -4, -3, -2, -1, 1, 2, 3, 4, 5]))
    parts = tuple(
        part if part.role == "drum" else Part(part.role, music.transposed(part.notes, semitones))
        for part in session.score.parts
    )
    other = Session(rng, replace(session.score, parts=parts), instruments=session.instruments)
    clips = []
    for index, part in enumerate(parts):
        if part.role != "drum":
            filmed = other.clip(other.take(index))
            info = {**filmed.info, "kind": f"{semitones:+.0f} semitones"}
            clips.append(stranger(f"clip {index}", filmed.samples, info))
    return whole_case(session, clips, mix)


def kind_guidealone(rng: Rng) -> Case:
    """Record the guide alone, among honest clips, with the mix."""
    session = new_session(rng)
    filmed, mix, shares = film_ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = plain_clips(session, filmed, shares)[:2]
    for number in range(2):
        hush = np.zeros(len(filmed[0].samples), np.float32)
        start_s = -float(rng.uniform(1, 10))
        put(hush, session.guide, -start_s)
        phone = phones.choose_phone(rng)
        samples = phones.record(
            rng, phones.in_room(rng, hush, phone.wet, phone.ring_s), phone, phones.rms(hush)
        )
        info = {"kind": "guide alone", "guide_offset_s": start_s, "snr_db": phone.snr_db}
        clips.append(stranger(f"guide {number}", samples, info))
    return whole_case(session, clips, mix)
