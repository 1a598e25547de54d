"""What the kinds of cases are put together from."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from .music import Rng, write_score
from .players import RATE, Audio
from .studio import Case, CaseClip, Filmed, Session, truth


def choose_roles(rng: Rng, count: tuple[int, int] = (3, 5)) -> tuple[str, ...]:
    """Return the roles of a small ensemble."""
    wanted = int(rng.integers(count[0], count[1] + 1))
    rest = ["inner", "inner", "chords", "unison", "melody", "drum"]
    picked = rng.permutation(rest)[: wanted - 2]
    # A doubling stands behind the part that it doubles.
    doubled = ["unison"] if "unison" in picked else []
    return ("melody", *doubled, "bass", *(str(role) for role in picked if role != "unison"))


def new_session(rng: Rng, roles: tuple[str, ...] | None = None, **options: Any) -> Session:
    """Return a session with a fresh score; one mix in five has talk or applause around it."""
    noisy = options.pop("noisy_edges", rng.random() < 0.2)
    return Session(
        rng, write_score(rng, roles or choose_roles(rng), **options), noisy_edges=bool(noisy)
    )


def whole_case(
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


def in_mix(session: Session, filmed: Filmed, name: str, **more: Any) -> CaseClip:
    """Return a clip with its truth on the mix."""
    return truth(
        filmed,
        name,
        reference_s=session.mix_s,
        guide_to_reference_s=session.guide_to_mix_s,
        **more,
    )


def on_guide(session: Session, filmed: Filmed, name: str, **more: Any) -> CaseClip:
    """Return a clip with its truth on the guide."""
    return truth(filmed, name, reference_s=session.guide_s, guide_to_reference_s=0.0, **more)


def film_ensemble(
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


def plain_clips(
    session: Session, filmed: list[Filmed], shares: list[float], **more: Any
) -> list[CaseClip]:
    """Return clips that lie in the mix as a whole."""
    return [
        in_mix(session, one, f"clip {number}", info={"part_db": share}, **more)
        for number, (one, share) in enumerate(zip(filmed, shares, strict=True))
    ]


def cut_edges(session: Session, pieces: int) -> list[float]:
    """Cut the mix near bar lines into some pieces; return their edges in mix seconds."""
    score, rng = session.score, session.rng
    bars = score.count_in_bars + np.linspace(0, score.bars, pieces + 1)[1:-1]
    bars = np.round(bars + rng.uniform(-1, 1, len(bars)) * 0.25 * score.bars / pieces)
    cuts = score.times_s(bars * score.meter) + session.guide_to_mix_s + rng.uniform(-0.08, 0.02)
    return [0.0, *cuts.tolist(), session.mix_s]


def spliced(sounds: list[Audio], edges: list[float]) -> Audio:
    """Join two takes that alternate, with short cross-fades."""
    times = np.arange(len(sounds[0])) / RATE
    second = np.zeros(len(times))
    for number, (start, end) in enumerate(itertools.pairwise(edges)):
        if number % 2:
            second += np.clip((times - start) / 0.02 + 0.5, 0, 1) * np.clip(
                (end - times) / 0.02 + 0.5, 0, 1
            )
    second = np.clip(second, 0, 1).astype(np.float32)
    return np.asarray(sounds[0] * (1 - second) + sounds[1] * second, np.float32)


def spans_of(clip: CaseClip, pieces: list[tuple[float, float]]) -> tuple[dict[str, float], ...]:
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


def before_claps(rng: Rng) -> dict[str, float]:
    """Return options of a clip that starts before the guide."""
    head = rng.uniform(14, 34) if rng.random() < 0.5 else rng.uniform(0.5, 14)
    return {"start_s": -float(head)}
