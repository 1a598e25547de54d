"""Kinds A to J, after the practice cases: what the clips are, which reference, which tolerance."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from . import phones, players
from .music import Part, Rng, Score, write_score
from .parts import (
    before_claps,
    choose_roles,
    cut_edges,
    film_ensemble,
    in_mix,
    new_session,
    on_guide,
    plain_clips,
    spans_of,
    spliced,
    whole_case,
)
from .players import RATE, Audio
from .studio import Case, CaseClip, Filmed, Session, Take, stranger

MUSIC_MS = 40.0


def kind_a(rng: Rng) -> Case:
    """Mix the clips' own sound."""
    session = new_session(rng)
    filmed, mix, shares = film_ensemble(session, own_sound=True)
    return whole_case(session, plain_clips(session, filmed, shares), mix, guide=False)


def kind_b(rng: Rng) -> Case:
    """Mix the same performance from other microphones."""
    session = new_session(rng)
    filmed, mix, shares = film_ensemble(session, own_sound=False)
    return whole_case(session, plain_clips(session, filmed, shares), mix, guide=False)


def kind_c(rng: Rng) -> Case:
    """Record some parts twice, and splice the mix from both takes."""
    session = new_session(rng)
    clips: list[CaseClip] = []
    tracks: list[Audio] = []
    whole: list[tuple[Filmed, ...]] = []
    twice = set(rng.permutation(len(session.score.parts))[: max(1, len(session.score.parts) // 2)])
    edges: dict[int, list[float]] = {}
    for index in range(len(session.score.parts)):
        takes = [session.take(index) for _ in range(2 if index in twice else 1)]
        full = {"early": 0.0, "late": 0.0} if index in twice else {}
        filmed = tuple(session.clip(take, **full) for take in takes)
        sounds = [session.on_mix(one) for one in filmed]
        if index in twice:
            edges[index] = cut_edges(session, int(rng.integers(2, 5)))
            tracks.append(spliced(sounds, edges[index]))
        else:
            tracks.append(sounds[0])
        whole.append(filmed)
    mix, shares = session.finish(tracks)
    for index, filmed in enumerate(whole):
        for number, one in enumerate(filmed):
            plain = in_mix(
                session, one, f"part {index} take {number}", info={"part_db": shares[index]}
            )
            if index in edges:
                pieces = list(itertools.pairwise(edges[index]))[number::2]
                plain = replace(plain, spans=spans_of(plain, pieces), span_kind="comp")
                plain.info["take"] = number
            clips.append(plain)
    return whole_case(session, clips, mix, guide=False)


def kind_d(rng: Rng) -> Case:
    """Film another take than the one in the mix: the truth is the notes' median shift."""
    session = new_session(rng)
    clips, tracks = [], []
    for index in range(len(session.score.parts)):
        lag_s, jitter_s = float(rng.uniform(0.002, 0.06)), float(rng.uniform(0.009, 0.025))
        heard, seen = (session.take(index, lag_s=lag_s, jitter_s=jitter_s) for _ in range(2))
        tracks.append(session.close_mic(heard))
        filmed = session.clip(seen)
        shift_s = _median_shift(session, seen, heard, filmed)
        info = {"take_shift_ms": round(1e3 * shift_s, 1)}
        clips.append(
            in_mix(
                session, filmed, f"clip {index}", shift_s=shift_s, tolerance_ms=MUSIC_MS, info=info
            )
        )
    mix, shares = session.finish(tracks)
    for clip, share in zip(clips, shares, strict=True):
        clip.info["part_db"] = share
    return whole_case(session, clips, mix)


def _median_shift(session: Session, seen: Take, heard: Take, filmed: Filmed) -> float:
    """Return the median of (note in the mix - same note in the clip), in seconds."""
    others = np.array([note.start_s for note in heard.notes])
    end_s = filmed.start_s + filmed.duration_s
    shifts = []
    for note in seen.notes:
        if filmed.start_s < note.start_s < end_s and len(others):
            nearest = others[np.abs(others - note.start_s).argmin()] - note.start_s
            if abs(nearest) < 0.1:
                shifts.append(nearest)
    return float(np.median(shifts)) if shifts else 0.0


def kind_e(rng: Rng) -> Case:
    """Let the guide leak from the headphones, 25 to 45 dB below the playing; no mix."""
    session = new_session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        late = 0.15 if index else 0.0
        phone = phones.choose_phone(rng, least_snr_db=22.0)
        leak_db = float(rng.uniform(-45, -25))
        filmed = session.clip(session.take(index), leak_db=leak_db, late=late, phone=phone)
        clips.append(on_guide(session, filmed, f"clip {index}"))
    return whole_case(session, clips, None)


def kind_f(rng: Rng) -> Case:
    """Clap the last bar of the count-in; no mix and no leak."""
    session = new_session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        filmed = session.clip(session.take(index), claps=True, **before_claps(rng))
        clips.append(on_guide(session, filmed, f"clip {index}", tolerance_ms=MUSIC_MS))
    return whole_case(session, clips, None)


def kind_g(rng: Rng) -> Case:
    """Add other music, some in the same tempo, speech and silence to two clips that belong."""
    session = new_session(rng, choose_roles(rng, (3, 4)))
    filmed, mix, shares = film_ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = plain_clips(session, filmed, shares)[:2]
    other = new_session(rng, ("melody", "bass"), noisy_edges=False)
    alone = other.clip(other.take(int(rng.integers(2))))
    clips.append(stranger("other music", alone.samples, {**alone.info, "kind": "other music"}))
    parts = write_score(rng, ("melody", "bass", "chords"), meter=session.score.meter).parts
    same = Session(rng, _fitted(session.score, parts), noisy_edges=False)
    tempo = same.clip(same.take(int(rng.integers(3))))
    clips.append(
        stranger("same tempo", tempo.samples, {**tempo.info, "kind": "other music, same tempo"})
    )
    long_s = float(rng.uniform(25, 50))
    phone = phones.choose_phone(rng)
    speech = phones.in_room(rng, players.talk(rng, long_s), phone.wet, phone.ring_s)
    clips.append(
        stranger(
            "speech", phones.record(rng, speech, phone, phones.rms(speech)), {"kind": "speech"}
        )
    )
    hush = 10 ** (rng.uniform(-70, -45) / 20) * phones.noise_of(
        rng, phone.noise, round(long_s * RATE)
    )
    clips.append(stranger("silence", hush.astype(np.float32), {"kind": "silence"}))
    return whole_case(session, clips, mix)


def _fitted(score: Score, parts: tuple[Part, ...]) -> Score:
    """Return a score with other parts, cut to its own length."""
    last = (score.count_in_bars + score.bars) * score.meter
    moved = []
    for part in parts:
        first = min((int(note.beat) // score.meter for note in part.notes), default=0) * score.meter
        notes = [replace(n, beat=n.beat - first + score.first_beat) for n in part.notes]
        moved.append(Part(part.role, tuple(n for n in notes if n.beat < last)))
    return replace(score, parts=tuple(moved))


def kind_h(rng: Rng) -> Case:
    """Repeat verses note for note; clips hold one verse or start in the second."""
    verses = int(rng.integers(2, 5))
    session = new_session(rng, verses=verses, length_s=(45.0, 90.0))
    score = session.score
    bars = score.count_in_bars + np.arange(verses + 1) * score.bars // verses
    starts = score.times_s((bars * score.meter).astype(float))
    own = rng.random() < 0.5
    filmed, tracks = [], []
    for index in range(len(score.parts)):
        take = session.take(index)
        full = session.clip(take, early=0.0, late=0.0)
        tracks.append(session.on_mix(full) if own else session.close_mic(take))
        verse = int(rng.integers(verses))
        luck = rng.random() if index else 0.0
        if luck < 0.6:
            first_s = starts[verse] + rng.uniform(-2, 1)
            last_s = starts[verse + 1] + rng.uniform(-1, 3)
            filmed.append(_cut(full, first_s, last_s, f"verse {verse + 1} of {verses}"))
        elif luck < 0.9:
            first_s = starts[1] + rng.uniform(-3, 5)
            filmed.append(_cut(full, first_s, 1e9, "from the second verse on"))
        else:
            filmed.append(full)
    mix, shares = session.finish(tracks)
    return whole_case(session, plain_clips(session, filmed, shares), mix)


def _cut(filmed: Filmed, from_s: float, to_s: float, told: str) -> Filmed:
    """Return a clip that was begun later and ended earlier, in seconds of the guide."""
    first = max(0, round(filmed.first_of(from_s) * RATE))
    last = round(min(filmed.first_of(to_s), filmed.duration_s) * RATE)
    start_s = filmed.start_s + first / RATE * (1 + filmed.drift_ppm * 1e-6)
    info = {**filmed.info, "holds": told, "starts_after_music": first > 0}
    if first > 0:
        info.update(slate=False, false_start=False)
    return Filmed(filmed.samples[first:last], start_s, filmed.drift_ppm, info)


def kind_i(rng: Rng) -> Case:
    """Double parts by several players in unison."""
    roles = [
        ("melody", "unison", "unison", "bass"),
        ("melody", "unison", "inner", "unison", "unison"),
    ]
    roles.append(("inner", "unison", "unison", "unison", "melody", "bass"))
    chosen = roles[int(rng.integers(3))]
    session = new_session(rng, chosen)
    for index, role in enumerate(chosen):
        if role == "unison":
            session.instruments[index] = session.instruments[index - 1]
    filmed, mix, shares = film_ensemble(session, own_sound=bool(rng.random() < 0.5))
    return whole_case(session, plain_clips(session, filmed, shares), mix)


def kind_j(rng: Rng) -> Case:
    """Move one track by 40 ms in the mix, phrases of two others by 30 to 80 ms."""
    session = new_session(rng, choose_roles(rng, (4, 5)))
    takes = [session.take(index) for index in range(len(session.score.parts))]
    own = bool(rng.random() < 0.5)
    order = rng.permutation(len(takes))
    filmed: list[Filmed] = []
    tracks, shifts = [], {}
    edited: dict[int, tuple[list[float], float]] = {}
    for index, take in enumerate(takes):
        full = {"early": 0.0, "late": 0.0} if index in order[1:3] else {}
        one = session.clip(take, **full)

        def track(shift_s: float, one: Filmed = one, take: Take = take) -> Audio:
            return (
                session.on_mix(one, shift_s=shift_s)
                if own
                else session.close_mic(take, shift_s=shift_s)
            )

        if index == order[0]:
            shifts[index] = 0.04 * float(rng.choice([-1, 1]))
            tracks.append(track(shifts[index]))
            one.info["edit"] = f"track {1e3 * shifts[index]:+.0f} ms"
        elif index in order[1:3]:
            moved = float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.08))
            edges = cut_edges(session, 3)
            state = rng.bit_generator.state
            base = track(0.0)
            rng.bit_generator.state = state
            tracks.append(spliced([base, track(moved)], edges))
            edited[index] = (edges, moved)
            one.info["edit"] = f"phrase {1e3 * moved:+.0f} ms"
        else:
            tracks.append(track(0.0))
        filmed.append(one)
    mix, shares = session.finish(tracks)
    clips = []
    for index, one in enumerate(filmed):
        clip = in_mix(
            session,
            one,
            f"clip {index}",
            shift_s=shifts.get(index, 0.0),
            info={"part_db": shares[index]},
        )
        if index in edited:
            clip = replace(clip, spans=_moved_spans(clip, *edited[index]), span_kind="shift")
        clips.append(clip)
    return whole_case(session, clips, mix)


def _moved_spans(
    clip: CaseClip, edges: list[float], moved_s: float
) -> tuple[dict[str, float], ...]:
    """Return the spans of a clip whose middle phrase was moved in the mix."""
    spans = []
    for number, piece in enumerate(itertools.pairwise(edges)):
        for span in spans_of(clip, [piece]):
            assert clip.offset_s is not None
            spans.append({**span, "offset_s": clip.offset_s + (moved_s if number % 2 else 0.0)})
    return tuple(spans)
