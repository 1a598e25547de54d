"""Score who leads on invented pieces in which a solo is handed from part to part.

    python tests/benchmarks/leads_invented.py [--seeds 0-29] [--least 6]

Each part accompanies in its own manner (inner voice, bass, chords, drum, drone) and plays a melody
in its solos, louder by nothing to 6 dB; in half of the pieces the others hold longer notes than
they would alone.  Some parts rest before they enter.  Phones differ in loudness, noise and gain
control; clicks leak.  Told is the share of the time in which the planted soloist is named.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np
from invented.music import Note, Part, Rng, Score, write_score
from invented.studio import Session

from syncvid.listen.activity import Activity, measure_activity
from syncvid.listen.leading import propose_leads
from syncvid.timeline import Lead, Placement

ROLES = ("inner", "bass", "chords", "inner", "drum", "drone")
RATE = 16_000


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece with its planted solos, on the guide's clock."""

    activities: tuple[Activity, ...]
    solos: tuple[Lead, ...]
    bars_s: tuple[float, ...]
    roles: tuple[str, ...]
    louder_db: float
    held: bool


def drone(score: Score, pitch: float) -> Part:
    """Return a part that holds notes of two to four bars, loudly."""
    notes, bar = [], 0
    while bar < score.bars:
        length = min(2 + bar % 3, score.bars - bar)
        at = float(score.first_beat + bar * score.meter)
        notes.append(Note(at, float(length * score.meter), (pitch,), 1.0))
        bar += length
    return Part("bass", tuple(notes))


def handed_on(rng: Rng, score: Score, voices: list[int]) -> list[tuple[int, int, int]]:
    """Return solos as (first bar, bar after the last, voice), each about 7 to 16 s long."""
    bar_s = (score.end_s - score.count_in_s) / score.bars
    solos, bar, last = [], 0, -1
    while bar < score.bars:
        length = max(2, round(float(rng.uniform(7.0, 16.0)) / bar_s))
        if score.bars - bar - length < 7.0 / bar_s:
            length = score.bars - bar
        last = int(rng.choice([voice for voice in voices if voice != last]))
        solos.append((bar, bar + length, last))
        bar += length
    return solos


def part_with_solos(
    rng: Rng, score: Score, own: Part, tune: Part, mine: list[tuple[int, int]], louder_db: float
) -> Part:
    """Return a part that accompanies, and plays a tune in its solos; it may rest before one.

    The notes of a chord are together as loud as one note.
    """
    soft = 10 ** (-louder_db / 20)
    tacet = mine[0][0] if mine and rng.random() < 0.4 else 0
    notes = []
    for note in own.notes:
        bar = (note.beat - score.first_beat) / score.meter
        if bar >= tacet and not any(first <= bar < last for first, last in mine):
            together = soft / len(note.pitches) ** 0.5
            notes.append(replace(note, velocity=note.velocity * together))
    for note in tune.notes:
        bar = (note.beat - score.first_beat) / score.meter
        if any(first <= bar < last for first, last in mine):
            notes.append(note)
    return Part(own.role, tuple(sorted(notes, key=lambda note: note.beat)))


def holding(part: Part) -> Part:
    """Return a part with every second note, each held until the next."""
    kept = part.notes[::2]
    ends = [*(note.beat for note in kept[1:]), kept[-1].beat + kept[-1].length_beats]
    held = [
        replace(note, length_beats=min(end - note.beat, 4.0))
        for note, end in zip(kept, ends, strict=True)
    ]
    return replace(part, notes=tuple(held))


def make_piece(seed: int) -> Piece:
    """Invent a piece and film it."""
    rng = np.random.default_rng([7, seed])
    count = int(rng.integers(3, 7))
    roles = ("melody", *(str(role) for role in rng.permutation(ROLES)[: count - 1]))
    written = tuple("bass" if role == "drone" else role for role in roles)
    score = write_score(rng, (*written, *("melody",) * count), length_s=(60.0, 100.0))
    able = [at for at, role in enumerate(roles) if role not in ("drum", "drone")]
    if len(able) < 2:
        able = [at for at, role in enumerate(roles) if role != "drone"]
    solos = handed_on(rng, score, able)
    louder_db = float(rng.choice([0.0, 3.0, 6.0]))
    held = bool(rng.random() < 0.5)
    parts = []
    for at, role in enumerate(roles):
        own = drone(score, 48.0) if role == "drone" else score.parts[at]
        if held and role not in ("drum", "drone"):
            own = holding(own)
        mine = [(first, last) for first, last, voice in solos if voice == at]
        tune = score.parts[count + at]
        parts.append(part_with_solos(rng, score, own, tune, mine, louder_db))
    session = Session(rng, replace(score, parts=tuple(parts)))
    activities = []
    for at in range(count):
        leak_db = float(rng.uniform(-45, -25)) if rng.random() < 0.5 else None
        film = session.clip(session.take(at), leak_db=leak_db, early=0.0, late=0.0)
        sound = film.samples * np.float32(10 ** (rng.uniform(-30, 0) / 20))
        line = Placement(film.start_s, film.drift_ppm)
        activities.append(measure_activity(sound, sample_rate=RATE).on(line))
    bars = np.arange(score.bars + 1) * score.meter + score.first_beat
    bars_s = score.times_s(bars.astype(float))
    leads = tuple(Lead(float(bars_s[a]), float(bars_s[b]), voice) for a, b, voice in solos)
    return Piece(tuple(activities), leads, tuple(map(float, bars_s)), roles, louder_db, held)


def named_right(
    found: tuple[Lead, ...], solos: tuple[Lead, ...], *, beside_s: float = 0.0
) -> float:
    """Return the share of the time in which the planted soloist is named.

    `beside_s` leaves out what lies so near to a change of soloist.
    """
    times_s = np.arange(solos[0].from_s, solos[-1].to_s, 0.05)
    edges_s = np.array([solo.from_s for solo in solos[1:]] or [np.inf])
    near = np.abs(times_s[:, None] - edges_s).min(axis=1) < beside_s
    told, true = np.full((2, times_s.size), -1)
    for voices, leads in ((told, found), (true, solos)):
        for lead in leads:
            voices[(times_s >= lead.from_s) & (times_s < lead.to_s)] = lead.voice
    return float(np.mean((told == true)[~near]))


def main() -> None:
    """Make, propose and score."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0-29")
    parser.add_argument("--least", type=float, default=6.0)
    options = parser.parse_args()
    first, _, last = options.seeds.partition("-")
    rows = []
    for seed in range(int(first), int(last or first) + 1):
        piece = make_piece(seed)
        begun = time.process_time()
        plain = propose_leads(piece.activities, least_s=options.least)
        used_s = time.process_time() - begun
        barred = propose_leads(piece.activities, least_s=options.least, beats=piece.bars_s)
        row = [
            named_right(plain, piece.solos),
            named_right(barred, piece.solos),
            named_right(plain, piece.solos, beside_s=1.5),
        ]
        rows.append((f"{piece.louder_db:.0f} dB{', held' if piece.held else ''}", row))
        print(
            f"{seed:3} {rows[-1][0]:10} right {row[0]:.2f}, with bars {row[1]:.2f}, away from "
            f"changes {row[2]:.2f}  {len(plain)} of {len(piece.solos)} leads, "
            f"{1e3 * used_s:.0f} ms  {' '.join(piece.roles)}"
        )
    for kind in ("", *sorted({kind for kind, _ in rows})):
        some = np.array([row for name, row in rows if kind in ("", name)])
        print(f"{kind or 'all':10} {len(some):3}  mean {some.mean(axis=0).round(2)}")


if __name__ == "__main__":
    main()
