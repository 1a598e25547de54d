"""Invented cases: one function per kind, each from a random generator.

Kinds A to J follow the practice cases (what the clips are, which reference, which tolerance); the
kinds with names add what those do not hold.  `make_case` is the entry.
"""

from __future__ import annotations

import hashlib
import pickle
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

from . import music, phones, players
from .music import Part, Rng, Score, write_score
from .players import RATE, Audio
from .studio import Case, CaseClip, Filmed, Session, Take, put, stranger, truth

MUSIC_MS = 40.0


def make_case(kind: str, seed: int) -> Case:
    """Return a case of a kind; the same seed gives the same case."""
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    made = KINDS[kind](rng)
    return replace(made, kind=kind, seed=seed)


def kept_case(kind: str, seed: int, folder: Path | None) -> Case:
    """Return a case from a folder where it is kept, or make it and keep it there."""
    if folder is None:
        return make_case(kind, seed)
    code = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    path = folder / hashlib.sha256(code).hexdigest()[:10] / f"{kind}_{seed}.pickle"
    if path.exists():
        kept: Case = pickle.loads(path.read_bytes())
        return kept
    made = make_case(kind, seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(made, protocol=5))
    return made


def _roles(rng: Rng, count: tuple[int, int] = (3, 5)) -> tuple[str, ...]:
    """Return the roles of a small ensemble."""
    wanted = int(rng.integers(count[0], count[1] + 1))
    rest = ["inner", "inner", "chords", "unison", "melody", "drum"]
    picked = rng.permutation(rest)[: wanted - 2]
    # A doubling stands behind the part that it doubles.
    order = sorted((str(role) for role in picked), key=["inner", "melody", "chords", "drum"].count)
    return ("melody", *(["unison"] if "unison" in order else []), "bass") + tuple(
        role for role in order if role != "unison"
    )


def _session(rng: Rng, roles: tuple[str, ...] | None = None, **options: Any) -> Session:
    """Return a session with a fresh score; one mix in five has talk or applause around it."""
    noisy = options.pop("noisy_edges", rng.random() < 0.2)
    return Session(rng, write_score(rng, roles or _roles(rng), **options), noisy_edges=bool(noisy))


def _case(
    session: Session,
    clips: list[CaseClip],
    mix: Audio | None,
    *,
    guide: bool = True,
    **info: Any,
) -> Case:
    """Return a case on the session's clocks."""
    score = session.score
    told = {
        "meter": score.meter,
        "bars": score.bars,
        "count_in_s": round(score.count_in_s, 3),
        "tempo": score.tempo,
        "verses": score.verses,
        "noisy_edges": session.noisy_edges,
        "drone": bool(session.guide_sound.drone_hz),
        **info,
    }
    return Case(
        "",
        0,
        mix,
        session.guide if guide else None,
        tuple(clips),
        session.guide_to_mix_s if mix is not None and guide else None,
        session.mix_s if mix is not None else session.guide_s,
        told,
    )


def _in_mix(session: Session, filmed: Filmed, name: str, **more: Any) -> CaseClip:
    """Return a clip with its truth on the mix."""
    return truth(
        filmed,
        name,
        reference_s=session.mix_s,
        guide_to_reference_s=session.guide_to_mix_s,
        **more,
    )


def _on_guide(session: Session, filmed: Filmed, name: str, **more: Any) -> CaseClip:
    """Return a clip with its truth on the guide."""
    return truth(filmed, name, reference_s=session.guide_s, guide_to_reference_s=0.0, **more)


def _ensemble(
    session: Session, *, own_sound: bool, levels_db: list[float] | None = None, **film: Any
) -> tuple[list[Filmed], Audio, list[float]]:
    """Film every part, and mix the clips' own sound or that of other microphones."""
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = [session.clip(take, **film) for take in takes]
    if own_sound:
        tracks = [session.on_mix(one) for one in filmed]
    else:
        tracks = [session.close_mic(take) for take in takes]
    mix, shares = session.finish(tracks, levels_db)
    return filmed, mix, shares


def _plain(
    session: Session, filmed: list[Filmed], shares: list[float], **more: Any
) -> list[CaseClip]:
    """Return clips that lie in the mix as a whole."""
    return [
        _in_mix(session, one, f"clip {number}", info={"part_db": share}, **more)
        for number, (one, share) in enumerate(zip(filmed, shares, strict=True))
    ]


def kind_a(rng: Rng) -> Case:
    """The mix was made from the clips' own sound."""
    session = _session(rng)
    filmed, mix, shares = _ensemble(session, own_sound=True)
    return _case(session, _plain(session, filmed, shares), mix, guide=False)


def kind_b(rng: Rng) -> Case:
    """The same performance, but the mix comes from other microphones."""
    session = _session(rng)
    filmed, mix, shares = _ensemble(session, own_sound=False)
    return _case(session, _plain(session, filmed, shares), mix, guide=False)


def kind_c(rng: Rng) -> Case:
    """Some parts were recorded twice, and the mix is spliced from both takes."""
    session = _session(rng)
    clips: list[CaseClip] = []
    tracks: list[Audio] = []
    whole: list[tuple[Filmed, ...]] = []
    spliced = set(
        rng.permutation(len(session.score.parts))[: max(1, len(session.score.parts) // 2)]
    )
    edges: dict[int, list[float]] = {}
    for index in range(len(session.score.parts)):
        takes = [session.take(index) for _ in range(2 if index in spliced else 1)]
        full = {"early": 0.0, "late": 0.0} if index in spliced else {}
        filmed = tuple(session.clip(take, **full) for take in takes)
        sounds = [session.on_mix(one) for one in filmed]
        if index in spliced:
            edges[index] = _edges(session, int(rng.integers(2, 5)))
            tracks.append(_spliced(sounds, edges[index]))
        else:
            tracks.append(sounds[0])
        whole.append(filmed)
    mix, shares = session.finish(tracks)
    for index, filmed in enumerate(whole):
        for number, one in enumerate(filmed):
            plain = _in_mix(
                session, one, f"part {index} take {number}", info={"part_db": shares[index]}
            )
            if index in edges:
                pieces = list(zip(edges[index], edges[index][1:], strict=False))[number::2]
                plain = replace(plain, spans=_spans(plain, pieces), span_kind="comp")
                plain.info["take"] = number
            clips.append(plain)
    return _case(session, clips, mix, guide=False)


def _edges(session: Session, pieces: int) -> list[float]:
    """Cut the mix near bar lines into some pieces; return their edges in mix seconds."""
    score, rng = session.score, session.rng
    bars = score.count_in_bars + np.linspace(0, score.bars, pieces + 1)[1:-1]
    bars = np.round(bars + rng.uniform(-1, 1, len(bars)) * 0.25 * score.bars / pieces)
    cuts = score.times_s(bars * score.meter) + session.guide_to_mix_s + rng.uniform(-0.08, 0.02)
    return [0.0, *cuts.tolist(), session.mix_s]


def _spliced(sounds: list[Audio], edges: list[float]) -> Audio:
    """Join two takes that alternate, with short cross-fades."""
    times = np.arange(len(sounds[0])) / RATE
    second = np.zeros(len(times))
    for number, (start, end) in enumerate(zip(edges, edges[1:], strict=False)):
        if number % 2:
            second += np.clip((times - start) / 0.02 + 0.5, 0, 1) * np.clip(
                (end - times) / 0.02 + 0.5, 0, 1
            )
    second = np.clip(second, 0, 1).astype(np.float32)
    return np.asarray(sounds[0] * (1 - second) + sounds[1] * second, np.float32)


def _spans(clip: CaseClip, pieces: list[tuple[float, float]]) -> tuple[dict[str, float], ...]:
    """Return pieces of the mix as spans of a clip."""
    assert clip.offset_s is not None
    assert clip.drift_ppm is not None
    assert clip.overlap_from_s is not None
    assert clip.overlap_to_s is not None
    step = 1 + clip.drift_ppm * 1e-6
    spans = []
    for start, end in pieces:
        first = max(clip.overlap_from_s, (start - clip.offset_s) / step)
        last = min(clip.overlap_to_s, (end - clip.offset_s) / step)
        if last > first:
            spans.append({"clip_from_s": first, "clip_to_s": last, "offset_s": clip.offset_s})
    return tuple(spans)


def kind_d(rng: Rng) -> Case:
    """Each clip is another take than the one in the mix: the truth is the notes' median shift."""
    session = _session(rng)
    clips, tracks = [], []
    for index in range(len(session.score.parts)):
        lag_s, jitter_s = float(rng.uniform(0.002, 0.06)), float(rng.uniform(0.009, 0.025))
        heard, seen = (session.take(index, lag_s=lag_s, jitter_s=jitter_s) for _ in range(2))
        tracks.append(session.close_mic(heard))
        filmed = session.clip(seen)
        shift_s = _median_shift(session, seen, heard, filmed)
        info = {"take_shift_ms": round(1e3 * shift_s, 1)}
        clips.append(
            _in_mix(
                session, filmed, f"clip {index}", shift_s=shift_s, tolerance_ms=MUSIC_MS, info=info
            )
        )
    mix, shares = session.finish(tracks)
    for clip, share in zip(clips, shares, strict=True):
        clip.info["part_db"] = share
    return _case(session, clips, mix)


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
    """No mix; the guide leaks from the headphones, 25 to 45 dB below the playing."""
    session = _session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        late = 0.15 if index else 0.0
        phone = phones.choose_phone(rng, least_snr_db=22.0)
        leak_db = float(rng.uniform(-45, -25))
        filmed = session.clip(session.take(index), leak_db=leak_db, late=late, phone=phone)
        clips.append(_on_guide(session, filmed, f"clip {index}"))
    return _case(session, clips, None)


def kind_f(rng: Rng) -> Case:
    """No mix and no leak; the player claps the last bar of the count-in."""
    session = _session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        filmed = session.clip(session.take(index), claps=True, **_before_claps(rng))
        clips.append(_on_guide(session, filmed, f"clip {index}", tolerance_ms=MUSIC_MS))
    return _case(session, clips, None)


def _before_claps(rng: Rng) -> dict[str, float]:
    """Return options of a clip that starts before the guide."""
    head = rng.uniform(14, 34) if rng.random() < 0.5 else rng.uniform(0.5, 14)
    return {"start_s": -float(head)}


def kind_g(rng: Rng) -> Case:
    """Two clips belong; other music, other music in the same tempo, speech and silence do not."""
    session = _session(rng, _roles(rng, (3, 4)))
    filmed, mix, shares = _ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = _plain(session, filmed, shares)[:2]
    other = _session(rng, ("melody", "bass"), noisy_edges=False)
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
    return _case(session, clips, mix)


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
    """Verses repeat note for note; clips hold one verse or start in the second."""
    verses = int(rng.integers(2, 5))
    session = _session(rng, verses=verses, length_s=(45.0, 90.0))
    score = session.score
    takes = [session.take(index) for index in range(len(score.parts))]
    filmed = []
    for index, take in enumerate(takes):
        bars = score.count_in_bars + np.arange(verses + 1) * score.bars // verses
        starts = score.times_s((bars * score.meter).astype(float))
        verse = int(rng.integers(verses))
        where: dict[str, float] = {}
        if index == 0 or rng.random() < 0.6:
            where = {
                "start_s": float(starts[verse] + rng.uniform(-2, 1)),
                "end_s": float(starts[verse + 1] + rng.uniform(-1, 3)),
            }
        elif rng.random() < 0.7:
            where = {"start_s": float(starts[1] + rng.uniform(-3, 5))}
        one = session.clip(take, **where)
        one.info["holds"] = f"verse {verse + 1} of {verses}" if "end_s" in where else "more"
        filmed.append(one)
    own = rng.random() < 0.5
    tracks = [
        session.on_mix(one) if own and "start_s" not in one.info else session.close_mic(take)
        for one, take in zip(filmed, takes, strict=True)
    ]
    mix, shares = session.finish(tracks)
    return _case(session, _plain(session, filmed, shares), mix)


def kind_i(rng: Rng) -> Case:
    """Several players per part in unison."""
    roles = [
        ("melody", "unison", "unison", "bass"),
        ("melody", "unison", "inner", "unison", "unison"),
    ]
    roles.append(("inner", "unison", "unison", "unison", "melody", "bass"))
    chosen = roles[int(rng.integers(3))]
    session = _session(rng, chosen)
    for index, role in enumerate(chosen):
        if role == "unison":
            session.instruments[index] = session.instruments[index - 1]
    filmed, mix, shares = _ensemble(session, own_sound=bool(rng.random() < 0.5))
    return _case(session, _plain(session, filmed, shares), mix)


def kind_j(rng: Rng) -> Case:
    """One track was moved by 40 ms in the mix, phrases of two others by 30 to 80 ms."""
    session = _session(rng, _roles(rng, (4, 5)))
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
            edges = _edges(session, 3)
            state = rng.bit_generator.state
            base = track(0.0)
            rng.bit_generator.state = state
            tracks.append(_spliced([base, track(moved)], edges))
            edited[index] = (edges, moved)
            one.info["edit"] = f"phrase {1e3 * moved:+.0f} ms"
        else:
            tracks.append(track(0.0))
        filmed.append(one)
    mix, shares = session.finish(tracks)
    clips = []
    for index, one in enumerate(filmed):
        clip = _in_mix(
            session,
            one,
            f"clip {index}",
            shift_s=shifts.get(index, 0.0),
            info={"part_db": shares[index]},
        )
        if index in edited:
            clip = replace(clip, spans=_moved_spans(clip, *edited[index]), span_kind="shift")
        clips.append(clip)
    return _case(session, clips, mix)


def _moved_spans(
    clip: CaseClip, edges: list[float], moved_s: float
) -> tuple[dict[str, float], ...]:
    """Return the spans of a clip whose middle phrase was moved in the mix."""
    spans = []
    for number, piece in enumerate(zip(edges, edges[1:], strict=False)):
        for span in _spans(clip, [piece]):
            assert clip.offset_s is not None
            spans.append({**span, "offset_s": clip.offset_s + (moved_s if number % 2 else 0.0)})
    return tuple(spans)


def kind_step(rng: Rng) -> Case:
    """Samples were dropped inside a clip (20 to 200 ms), or silence was put in."""
    session = _session(rng)
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = [session.clip(take, late=0.05, early=0.1) for take in takes]
    mix, shares = session.finish([session.close_mic(take) for take in takes])
    clips = []
    for number, clip in enumerate(_plain(session, filmed, shares)):
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
    return _case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_stretch(rng: Rng) -> Case:
    """A phrase of a track was stretched or squeezed by 1 to 2 % in the mix."""
    session = _session(rng)
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = [session.clip(take, early=0.0, late=0.0) for take in takes]
    tracks, edited = [], {}
    chosen = set(rng.permutation(len(takes))[: max(1, len(takes) // 2)].tolist())
    for index, (one, take) in enumerate(zip(filmed, takes, strict=True)):
        track = session.on_mix(one) if rng.random() < 0.5 else session.close_mic(take)
        if index in chosen:
            edges = _edges(session, 3)
            ratio = float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.02))
            start, end = edges[1], edges[2]
            count = round((end - start) * RATE)
            slow = phones.read_at(track, start * RATE, 1 / (1 + ratio), count)
            slow = np.pad(slow, (round(start * RATE), 0))[: len(track)]
            slow = np.pad(slow, (0, len(track) - len(slow)))
            track = _spliced([track, slow], edges)
            edited[index] = (start, end, ratio)
            one.info["edit"] = f"phrase stretched {100 * ratio:+.2f} %"
        tracks.append(track)
    mix, shares = session.finish(tracks)
    clips = []
    for index, clip in enumerate(_plain(session, filmed, shares)):
        if index in edited:
            clip = replace(clip, spans=_stretched_spans(clip, *edited[index]), span_kind="stretch")
        clips.append(clip)
    return _case(session, clips, mix)


def _stretched_spans(
    clip: CaseClip, start: float, end: float, ratio: float
) -> tuple[dict[str, float], ...]:
    """Return spans before, in and after a phrase that was stretched from its start on."""
    assert clip.offset_s is not None
    assert clip.drift_ppm is not None
    before = _spans(clip, [(0.0, start)])
    after = _spans(clip, [(end, 1e9)])
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
    """Tracks were pitch-corrected in the mix: each note by some cents, no timing changed."""
    roles = ("melody", "inner", "bass", *rng.permutation(["inner", "chords"])[:1].tolist())
    session = _session(rng, roles)
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
    return _case(session, _plain(session, filmed, shares), mix)


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


def kind_wrongrate(rng: Rng) -> Case:
    """Files whose rate is told wrongly: 44.1 as 48 kHz and back, half, double speed."""
    session = _session(rng)
    filmed, mix, shares = _ensemble(session, own_sound=bool(rng.random() < 0.5), late=0.0)
    clips = []
    for number, clip in enumerate(_plain(session, filmed, shares)):
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
    return _case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_otherguide(rng: Rng) -> Case:
    """Clips played to another version of the guide: another tempo, or bars put in or left out."""
    session = _session(rng, tempo=str(rng.choice(["steady", "changes"])))
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
    return _case(session, clips, mix)


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
    """The same piece in another key."""
    session = _session(rng)
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
    return _case(session, clips, mix)


def kind_guidealone(rng: Rng) -> Case:
    """A recording of the guide alone, among honest clips, with the mix."""
    session = _session(rng)
    filmed, mix, shares = _ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = _plain(session, filmed, shares)[:2]
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
    return _case(session, clips, mix)


def kind_twice(rng: Rng) -> Case:
    """The same recording twice, with another head."""
    session = _session(rng)
    filmed, mix, shares = _ensemble(session, own_sound=bool(rng.random() < 0.5))
    clips = []
    for clip in _plain(session, filmed, shares):
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
    return _case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_fewnotes(rng: Rng) -> Case:
    """Percussion, and parts with few notes."""
    session = _session(rng, ("few", "few", "drum", "melody", "bass"))
    filmed, mix, shares = _ensemble(
        session, own_sound=bool(rng.random() < 0.5), early=0.1, late=0.1
    )
    clips = [
        clip
        for clip, part in zip(_plain(session, filmed, shares), session.score.parts, strict=True)
        if part.role in ("few", "drum") and len(part.notes) >= 3
    ]
    for clip in clips:
        clip.info["notes"] = len(session.score.parts[clip.info["part"]].notes)
    return _case(session, clips, mix)


def kind_wireless(rng: Rng) -> Case:
    """Guide only; some players hear it 150 to 300 ms late: the truth is the guide as heard."""
    session = _session(rng)
    clips = []
    for index in range(len(session.score.parts)):
        late_s = float(rng.uniform(0.15, 0.3)) if index % 2 == 0 or rng.random() < 0.5 else 0.0
        take = session.take(index)
        # Filming by the guide as heard: a late guide moves the player and the leak alike, so only
        # the clips among themselves show it.  Claps follow what is heard, too.
        leak = float(rng.uniform(-45, -25)) if rng.random() < 0.6 else None
        film = {} if leak is not None else {**_before_claps(rng), "claps": True}
        filmed = session.clip(take, leak_db=leak, late=0.0, **film)
        filmed.info["heard_late_ms"] = round(1e3 * late_s)
        tolerance_ms = 10.0 if leak is not None else MUSIC_MS
        clips.append(_on_guide(session, filmed, f"clip {index}", tolerance_ms=tolerance_ms))
    return _case(session, clips, None)


def kind_manytakes(rng: Rng) -> Case:
    """Several full takes in one file; the mix holds one of them, or there is only the guide."""
    with_mix = bool(rng.random() < 0.6)
    session = _session(rng, _roles(rng, (2, 3)), length_s=(24.0, 40.0))
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
                session._leak(whole, -float(at_s) - 0.5, phones.rms(take.dry), leak, 0.0)
        joined = replace(base, dry=whole, from_s=-0.5 - float(starts[used]))
        film = {"start_s": joined.from_s - 2.0, "end_s": joined.from_s + len(whole) / RATE}
        filmed = session.clip(joined, false_start=False, **film)
        filmed.info.update(takes=count, in_mix=used + 1)
        if with_mix:
            tracks.append(session.close_mic(base))
            clips.append(_in_mix(session, filmed, f"clip {index}"))
        else:
            others = tuple(float(filmed.start_s + starts[used] - at) for at in starts)
            clips.append(replace(_on_guide(session, filmed, f"clip {index}"), also_right_s=others))
    if not with_mix:
        return _case(session, clips, None)
    mix, shares = session.finish(tracks)
    for clip, share in zip(clips, shares, strict=True):
        clip.info["part_db"] = share
    return _case(session, clips, mix, guide=bool(rng.random() < 0.5))


def kind_quiet(rng: Rng) -> Case:
    """Parts 20 to 26 dB under the rest, masked by a doubling, compressed, reverberant."""
    session = _session(rng, ("melody", "unison", "bass", "inner", "unison", "chords"))
    session.instruments[1] = session.instruments[0]
    levels = [0.0, float(rng.uniform(-26, -20)), -2.0, 0.0, float(rng.uniform(-24, -18)), -3.0]
    takes = [session.take(index) for index in range(len(session.score.parts))]
    filmed = {index: session.clip(takes[index]) for index in (1, 3, 4)}
    tracks = [session.close_mic(take, wet=float(rng.uniform(0.2, 0.8))) for take in takes]
    mix, shares = session.finish(tracks, levels)
    mix = phones.in_room(rng, mix, float(rng.uniform(0.3, 0.8)), float(rng.uniform(1.0, 2.2)))
    mix = phones.compressed(mix, float(rng.uniform(2, 4)))
    clips = [
        _in_mix(session, one, f"clip {index}", info={"part_db": shares[index]})
        for index, one in filmed.items()
    ]
    return _case(session, clips, mix)


KINDS: dict[str, Callable[[Rng], Case]] = {
    "A": kind_a,
    "B": kind_b,
    "C": kind_c,
    "D": kind_d,
    "E": kind_e,
    "F": kind_f,
    "G": kind_g,
    "H": kind_h,
    "I": kind_i,
    "J": kind_j,
    "step": kind_step,
    "stretch": kind_stretch,
    "pitchfixed": kind_pitchfixed,
    "wrongrate": kind_wrongrate,
    "otherguide": kind_otherguide,
    "otherkey": kind_otherkey,
    "guidealone": kind_guidealone,
    "twice": kind_twice,
    "fewnotes": kind_fewnotes,
    "wireless": kind_wireless,
    "manytakes": kind_manytakes,
    "quiet": kind_quiet,
}
