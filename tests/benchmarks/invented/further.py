"""Kinds beyond the practice cases, of clips that belong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from . import phones, players
from .music import Rng
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
from .players import RATE
from .practised import MUSIC_MS
from .studio import Case, CaseClip, Session, Take, put


def kind_step(rng: Rng) -> Case:
    """Drop 20 to 200 ms inside a clip, or put silence in."""
    session = new_session(rng)
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = [session.clip(take, late=0.05, early=0.1) for take in takes]
    mix, shares = session.finish([session.close_mic(take) for take in takes])
    clips = []
    for number, clip in enumerate(plain_clips(session, filmed, shares)):
        assert clip.offset_s is not None
        assert clip.overlap_from_s is not None
        assert clip.overlap_to_s is not None
        gone_s = float(rng.uniform(0.02, 0.2)) * (1 if rng.random() < 0.75 else -1)
        if number == 0 and len(filmed) > 3:
            clips.append(clip)
            continue
        begin, end = clip.overlap_from_s, clip.overlap_to_s
        at_s = begin + float(rng.uniform(0.25, 0.75)) * (end - begin)
        at, gone = round(at_s * RATE), round(gone_s * RATE)
        gap = np.zeros(max(0, -gone), np.float32)
        samples = np.concatenate((clip.samples[:at], gap, clip.samples[at + max(0, gone) :]))
        shift_s = gone / RATE
        late = {
            "clip_from_s": (at + len(gap)) / RATE,
            "clip_to_s": min(end - shift_s, len(samples) / RATE),
            "offset_s": clip.offset_s + shift_s * (1 + (clip.drift_ppm or 0) * 1e-6),
        }
        first = {"clip_from_s": begin, "clip_to_s": at / RATE, "offset_s": clip.offset_s}
        longest = max(first, late, key=lambda span: span["clip_to_s"] - span["clip_from_s"])
        clips.append(
            replace(
                clip,
                samples=samples,
                offset_s=longest["offset_s"],
                overlap_from_s=longest["clip_from_s"],
                overlap_to_s=longest["clip_to_s"],
                spans=(first, late),
                span_kind="step",
                info={**clip.info, "step_ms": round(1e3 * shift_s, 1), "step_at_s": round(at_s, 2)},
            )
        )
    return whole_case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_stretch(rng: Rng) -> Case:
    """Stretch or squeeze a phrase of a track by 1 to 2 % in the mix."""
    session = new_session(rng)
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = [session.clip(take, early=0.0, late=0.0) for take in takes]
    tracks, edited = [], {}
    chosen = set(rng.permutation(len(takes))[: max(1, len(takes) // 2)].tolist())
    for index, (one, take) in enumerate(zip(filmed, takes, strict=True)):
        track = session.on_mix(one) if rng.random() < 0.5 else session.close_mic(take)
        if index in chosen:
            edges = cut_edges(session, 3)
            ratio = float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.02))
            start, end = edges[1], edges[2]
            count = round((end - start) * RATE)
            slow = phones.read_at(track, start * RATE, 1 / (1 + ratio), count)
            slow = np.pad(slow, (round(start * RATE), 0))[: len(track)]
            slow = np.pad(slow, (0, len(track) - len(slow)))
            track = spliced([track, slow], edges)
            edited[index] = (start, end, ratio)
            one.info["edit"] = f"phrase stretched {100 * ratio:+.2f} %"
        tracks.append(track)
    mix, shares = session.finish(tracks)
    clips = []
    for index, clip in enumerate(plain_clips(session, filmed, shares)):
        if index in edited:
            clip = replace(clip, spans=_stretched_spans(clip, *edited[index]), span_kind="stretch")
        clips.append(clip)
    return whole_case(session, clips, mix)


def _stretched_spans(
    clip: CaseClip, start: float, end: float, ratio: float
) -> tuple[dict[str, float], ...]:
    """Return spans before, in and after a phrase that was stretched from its start on."""
    assert clip.offset_s is not None
    assert clip.drift_ppm is not None
    before = spans_of(clip, [(0.0, start)])
    after = spans_of(clip, [(end, 1e9)])
    # mix = start + (1 + ratio) * (offset + clip * step - start)
    step = (1 + clip.drift_ppm * 1e-6) * (1 + ratio)
    offset_s = start + (1 + ratio) * (clip.offset_s - start)
    inside = {
        "clip_from_s": (start - offset_s) / step,
        "clip_to_s": (end - offset_s) / step,
        "offset_s": offset_s,
        "drift_ppm": 1e6 * (step - 1),
    }
    return (*before, inside, *after)


def kind_pitchfixed(rng: Rng) -> Case:
    """Correct the pitch of tracks in the mix, each note by some cents; no timing is changed."""
    roles = ("melody", "inner", "bass", *rng.permutation(["inner", "chords"])[:1].tolist())
    session = new_session(rng, roles)
    tracks, filmed = [], []
    for index in range(len(session.score.parts)):
        take = session.take(index)
        corrected = rng.random() < 0.7
        size = float(rng.uniform(3, 25)) if corrected else 0.0
        cents = size * rng.standard_normal(len(take.notes))
        cents[rng.random(len(cents)) < 0.25] = 0
        take, fixed = _corrected(session, take, cents)
        one = session.clip(take)
        one.info["corrected_cents"] = round(size, 1)
        tracks.append(session.close_mic(fixed))
        filmed.append(one)
    mix, shares = session.finish(tracks)
    return whole_case(session, plain_clips(session, filmed, shares), mix)


def _corrected(session: Session, take: Take, cents: np.ndarray) -> tuple[Take, Take]:
    """Return a take as it was sung, and the same sound with other pitches."""
    seed = int(session.rng.integers(2**31))
    limits = {"from_s": take.from_s, "to_s": session.score.end_s + 3}
    sung, fixed = (
        players.sound_of(
            np.random.default_rng(seed), take.notes, take.instrument, cents=moved, **limits
        )
        for moved in (0 * cents, cents)
    )
    return replace(take, dry=sung), replace(take, dry=fixed)


def kind_twice(rng: Rng) -> Case:
    """Give the same recording twice, with another head."""
    session = new_session(rng)
    filmed, mix, shares = film_ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = []
    for clip in plain_clips(session, filmed, shares):
        clips.append(clip)
        assert clip.offset_s is not None
        assert clip.overlap_from_s is not None
        assert clip.overlap_to_s is not None
        cut = round(rng.uniform(0.0, max(0.5, clip.overlap_from_s + 5)) * RATE)
        if rng.random() < 0.4:
            cut = -round(rng.uniform(1, 8) * RATE)
        hush = 1e-3 * rng.standard_normal(max(0, -cut)).astype(np.float32)
        samples = np.concatenate((hush, clip.samples[max(0, cut) :]))
        shift_s = cut / RATE
        copy = replace(
            clip,
            name=f"{clip.name} again",
            samples=samples,
            offset_s=clip.offset_s + shift_s * (1 + (clip.drift_ppm or 0) * 1e-6),
            overlap_from_s=max(0.0, clip.overlap_from_s - shift_s),
            overlap_to_s=clip.overlap_to_s - shift_s,
            info={**clip.info, "copy": True},
        )
        clips.append(copy)
    return whole_case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_fewnotes(rng: Rng) -> Case:
    """Give only percussion, and parts with few notes."""
    session = new_session(rng, ("few", "few", "drum", "melody", "bass"))
    filmed, mix, shares = film_ensemble(
        session, own_sound=bool(rng.random() < 0.5), early=0.1, late=0.1
    )
    clips = [
        clip
        for clip, part in zip(
            plain_clips(session, filmed, shares), session.score.parts, strict=True
        )
        if part.role in ("few", "drum") and len(part.notes) >= 3
    ]
    for clip in clips:
        clip.info["notes"] = len(session.score.parts[clip.info["part"]].notes)
    return whole_case(session, clips, mix)


def kind_wireless(rng: Rng) -> Case:
    """Let some players hear the guide 150 to 300 ms late: the truth is the guide as heard."""
    session = new_session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        late_s = float(rng.uniform(0.15, 0.3)) if index % 2 == 0 or rng.random() < 0.5 else 0.0
        take = session.take(index)
        # Filming by the guide as heard: a late guide moves the player and the leak alike, so only
        # the clips among themselves show it.  Claps follow what is heard, too.
        leak = float(rng.uniform(-45, -25)) if rng.random() < 0.6 else None
        film = {} if leak is not None else {**before_claps(rng), "claps": True}
        filmed = session.clip(take, leak_db=leak, late=0.0, **film)
        filmed.info["heard_late_ms"] = round(1e3 * late_s)
        tolerance_ms = 10.0 if leak is not None else MUSIC_MS
        clips.append(on_guide(session, filmed, f"clip {index}", tolerance_ms=tolerance_ms))
    return whole_case(session, clips, None)


def kind_manytakes(rng: Rng) -> Case:
    """Put several full takes in one file; the mix holds one of them, or there is only the guide."""
    with_mix = bool(rng.random() < 0.6)
    session = new_session(rng, choose_roles(rng, (2, 3)), length_s=(24.0, 40.0))
    score = session.score
    clips, tracks = [], []
    for index in range(len(score.parts)):
        count = int(rng.integers(2, 4))
        takes = [session.take(index) for _ in range(count)]
        used = int(rng.integers(count))
        starts = np.cumsum([0.0] + [score.end_s + rng.uniform(3, 9) for _ in range(count - 1)])
        base = takes[used]
        leak = None if with_mix else float(rng.uniform(-40, -25))
        whole = np.zeros(round((starts[-1] + score.end_s + 3.5) * RATE), np.float32)
        for take, at_s in zip(takes, starts, strict=True):
            put(whole, take.dry, float(at_s) + take.from_s + 0.5)
            if leak is not None:
                session.leak(whole, -float(at_s) - 0.5, phones.rms(take.dry), leak, 0.0)
        joined = replace(base, dry=whole, from_s=-0.5 - float(starts[used]))
        film = {"start_s": joined.from_s - 2.0, "end_s": joined.from_s + len(whole) / RATE}
        filmed = session.clip(joined, false_start=False, **film)
        filmed.info.update(takes=count, in_mix=used + 1)
        if with_mix:
            tracks.append(session.close_mic(base))
            clips.append(in_mix(session, filmed, f"clip {index}"))
        else:
            others = tuple(float(filmed.start_s + starts[used] - at) for at in starts)
            clips.append(replace(on_guide(session, filmed, f"clip {index}"), also_right_s=others))
    if not with_mix:
        return whole_case(session, clips, None)
    mix, shares = session.finish(tracks)
    for clip, share in zip(clips, shares, strict=True):
        clip.info["part_db"] = share
    return whole_case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_quiet(rng: Rng) -> Case:
    """Hide parts 20 to 26 dB under the rest, behind a doubling, compression and reverberation."""
    session = new_session(rng, ("melody", "unison", "bass", "inner", "unison", "chords"))
    session.instruments[1] = session.instruments[0]
    levels = [0.0, float(rng.uniform(-26, -20)), -2.0, 0.0, float(rng.uniform(-24, -18)), -3.0]
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = {index: session.clip(takes[index]) for index in (1, 3, 4)}
    tracks = [session.close_mic(take, wet=float(rng.uniform(0.2, 0.8))) for take in takes]
    mix, shares = session.finish(tracks, levels)
    mix = phones.in_room(rng, mix, float(rng.uniform(0.3, 0.8)), float(rng.uniform(1.0, 2.2)))
    mix = phones.compressed(mix, float(rng.uniform(2, 4)))
    clips = [
        in_mix(session, one, f"clip {index}", info={"part_db": shares[index]})
        for index, one in filmed.items()
    ]
    return whole_case(session, clips, mix)
