"""From a score to clips and a mix: one session with everything that it needs.

All sounds are made on the guide's clock.  `Session.clip` films a performance: the clip starts at a
guide second, its clock drifts.  `Session.on_mix` lays sounds on the mix's clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from . import guides, phones, players
from .music import Note, Part, Played, Rng, Score, perform
from .players import RATE, Audio

MARGIN_S = 0.5

# The practice cases' leak, measured with the clicks' loud part against the playing, lies some 5 dB
# above the level that they tell; so does ours.
LEAK_MEASURE_DB = 5.0


@dataclass(frozen=True, slots=True)
class CaseClip:
    """One clip with its truth.

    `offset_s`, `drift_ppm`, `overlap_*` and `spans` follow the conventions of the practice cases;
    `expect` is "match" or "none".  `also_right_s` holds further offsets that are right (other takes
    of a file that holds several).  A span is a dict with clip_from_s, clip_to_s, offset_s, and
    drift_ppm where it has a drift of its own.
    """

    name: str
    samples: Audio
    expect: str
    offset_s: float | None
    drift_ppm: float | None
    tolerance_ms: float
    overlap_from_s: float | None
    overlap_to_s: float | None
    spans: tuple[dict[str, float], ...] = ()
    span_kind: str | None = None
    info: dict[str, Any] = field(default_factory=dict)
    also_right_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """Clips, a mix and a guide with the truth about them (16 kHz mono float32)."""

    kind: str
    seed: int
    mix: Audio | None
    guide: Audio | None
    clips: tuple[CaseClip, ...]
    guide_to_mix_s: float | None
    reference_duration_s: float
    info: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Take:
    """One performance: notes as played, and its dry sound from `from_s` on (guide's clock)."""

    notes: list[Played]
    dry: Audio
    from_s: float
    instrument: str
    info: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Filmed:
    """A clip before its truth is told: sound, and its place on the guide's clock."""

    samples: Audio
    start_s: float
    drift_ppm: float
    info: dict[str, Any]

    @property
    def duration_s(self) -> float:
        return len(self.samples) / RATE

    def first_of(self, guide_s: float) -> float:
        """Return the clip second at a second of the guide's clock."""
        return (guide_s - self.start_s) / (1 + self.drift_ppm * 1e-6)


class Session:
    """A piece with its guide and mix clock."""

    def __init__(
        self,
        rng: Rng,
        score: Score,
        *,
        noisy_edges: bool = False,
        instruments: list[str] | None = None,
    ) -> None:
        self.rng = rng
        self.score = score
        self.instruments = instruments or [
            players.choose_instrument(rng, part.role) for part in score.parts
        ]
        self.guide_sound = guides.choose_guide(rng)
        self.guide = guides.make_guide(rng, score, self.guide_sound)
        edges = (6.0, 12.0) if noisy_edges else (1.0, 1.9)
        self.lead_s = float(rng.uniform(*edges))
        self.tail_s = float(rng.uniform(*edges)) if noisy_edges else float(rng.uniform(0.8, 3.0))
        self.noisy_edges = noisy_edges
        self.guide_to_mix_s = self.lead_s - score.count_in_s
        self.mix_samples = round(
            (self.lead_s + score.end_s - score.count_in_s + self.tail_s) * RATE
        )

    def take(self, index: int, **options: Any) -> Take:
        """Return a performance of a part."""
        lag_s = options.get("lag_s", float(self.rng.uniform(0.002, 0.06)))
        jitter_s = options.get("jitter_s", float(self.rng.uniform(0.009, 0.025)))
        part, instrument = self.score.parts[index], self.instruments[index]
        notes = perform(self.rng, part, self.score, lag_s=lag_s, jitter_s=jitter_s)
        info = {
            "instrument": instrument,
            "part": index,
            "role": part.role,
            "lag_ms": round(1e3 * lag_s, 1),
            "jitter_ms": round(1e3 * jitter_s, 1),
        }
        return Take(notes, self._sound(notes, instrument), -MARGIN_S, instrument, info)

    def _sound(self, notes: list[Played], instrument: str) -> Audio:
        """Return the dry sound of notes over the whole piece."""
        return players.sound_of(
            self.rng, notes, instrument, from_s=-MARGIN_S, to_s=self.score.end_s + 3
        )

    def clip(self, take: Take, **options: Any) -> Filmed:
        """Film a performance.

        Options: `start_s`, `end_s` (guide's clock), `drift_ppm`, `phone`, `leak_db`, `claps`,
        `false_start`, `slate`, `early` and `late` (chances of an early end and a late start).
        """
        rng, score = self.rng, self.score
        start_s, end_s, late = self._extent(options)
        drift = options.get("drift_ppm")
        if drift is None:
            drift = 0.0 if rng.random() < 0.1 else float(rng.uniform(-60, 60))
        phone = options.get("phone") or phones.choose_phone(rng)
        from_s = start_s - 0.1
        music = np.zeros(round((end_s + 0.5 - from_s) * RATE), np.float32)
        put(music, take.dry, take.from_s - from_s)
        power = phones.rms(take.dry)
        slate = start_s < -3 and options.get("slate", rng.random() < 0.8)
        if slate:
            speech = players.talk(rng, float(rng.uniform(1, 2.5)))
            put(music, speech * (power / phones.rms(speech)), 0.1 + float(rng.uniform(0.2, 0.8)))
        room = max(0.0, min(-start_s - 4, 1e9))
        false = room > 6 and options.get("false_start", rng.random() < 0.4)
        false_at = 0.0
        if false:
            false_at = self._false_start(music, take, from_s, room)
        if options.get("claps"):
            bar = np.arange(score.first_beat - score.meter, score.first_beat)
            at = score.times_s(bar.astype(float)) + rng.uniform(-0.02, 0.02, len(bar))
            hits = players.claps(rng, at, from_s=from_s, to_s=end_s + 0.5)
            music += hits * np.float32(8 * power)
        music = phones.in_room(rng, music, phone.wet, phone.ring_s)
        leak_db = options.get("leak_db")
        if leak_db is not None:
            self.leak(music, from_s, power, leak_db, false_at if rng.random() < 0.5 else 0.0)
        step = 1 + drift * 1e-6
        count = round((end_s - start_s) / step * RATE)
        heard = phones.read_at(music, 0.1 * RATE, step, count)
        samples = phones.record(rng, heard, phone, power)
        info = {
            **take.info,
            "starts_after_music": late,
            "snr_db": round(phone.snr_db, 1),
            "noise": phone.noise,
            "agc": phone.agc,
            "clipped_db": round(phone.clipped_db, 1),
            "band_hz": phone.band_hz,
            "loss": round(phone.loss, 2),
            "wet": round(phone.wet, 2),
            "ring_s": round(phone.ring_s, 2),
            "false_start": bool(false),
            "slate": bool(slate),
            "leak_db": leak_db,
        }
        return Filmed(samples, start_s, drift, info)

    def _extent(self, options: dict[str, Any]) -> tuple[float, float, bool]:
        """Return where a clip starts and ends on the guide's clock, and if it starts late."""
        rng, score = self.rng, self.score
        late = rng.random() < options.get("late", 0.2)
        start_s = options.get("start_s")
        if start_s is None:
            head = rng.uniform(18, 34) if rng.random() < 0.25 else rng.uniform(0.5, 14)
            start_s = score.count_in_s + rng.uniform(2, 14) if late else 3 - head
        else:
            late = start_s > score.count_in_s
        end_s = options.get("end_s")
        if end_s is None:
            end_s = score.end_s + rng.uniform(0.3, 4)
            if rng.random() < options.get("early", 0.25):
                end_s -= rng.uniform(5, 0.35 * (score.end_s - score.count_in_s) + 6)
        end_s = max(end_s, start_s + 15)
        return float(start_s), float(end_s), bool(late)

    def _false_start(self, music: Audio, take: Take, from_s: float, room_s: float) -> float:
        """Play the beginning earlier, and break off; return by how much earlier (negative)."""
        rng, count_in_s = self.rng, self.score.count_in_s
        length_s = float(rng.uniform(3, max(3.5, min(12, room_s - 1))))
        begun = -float(rng.uniform(length_s + 1, max(length_s + 1.5, room_s)))
        first = round((count_in_s - 0.1 - take.from_s) * RATE)
        piece = take.dry[first : first + round(length_s * RATE)].copy()
        fade = min(len(piece), RATE // 20)
        piece[len(piece) - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)
        put(music, piece, begun - from_s)
        return begun - (count_in_s - 0.1)

    def leak(
        self, music: Audio, from_s: float, power: float, leak_db: float, false_at: float
    ) -> None:
        """Add what leaves the headphones: `leak_db` is peak of clicks against rms of playing."""
        thin = guides.leaked(self.rng, self.guide)
        loud = np.abs(thin) > 0.1 * np.abs(thin).max()
        level = float(np.sqrt((thin[loud].astype(np.float64) ** 2).mean()))
        thin *= np.float32(power * 10 ** ((leak_db + LEAK_MEASURE_DB) / 20) / level)
        thin = phones.in_room(self.rng, thin, 0.2, 0.2)
        put(music, thin, -from_s)
        if false_at < 0:
            broken = thin[: round((self.score.count_in_s + 6) * RATE)]
            put(music, broken, false_at - from_s)

    def on_mix(self, filmed: Filmed, *, shift_s: float = 0.0) -> Audio:
        """Return a clip's own sound on the mix's clock."""
        step = 1 / (1 + filmed.drift_ppm * 1e-6)
        first = filmed.first_of(-self.guide_to_mix_s - shift_s) * RATE
        return phones.read_at(filmed.samples, first, step, self.mix_samples)

    def close_mic(self, take: Take, *, shift_s: float = 0.0, wet: float = 0.15) -> Audio:
        """Return a performance as a microphone of its own hears it, on the mix's clock."""
        near = phones.in_room(self.rng, take.dry, wet, float(self.rng.uniform(0.1, 0.4)))
        first = (-self.guide_to_mix_s - shift_s - take.from_s) * RATE
        return phones.read_at(near, first, 1.0, self.mix_samples)

    def finish(
        self, tracks: list[Audio], levels_db: list[float] | None = None
    ) -> tuple[Audio, list[float]]:
        """Return the mix of tracks, and each track's share of its power in dB."""
        rng = self.rng
        if levels_db is None:
            levels_db = [float(rng.uniform(-12, 0)) for _ in tracks]
        gains = [10 ** (db / 20) / phones.rms(t) for t, db in zip(tracks, levels_db, strict=True)]
        placed = [t * np.float32(g) for t, g in zip(tracks, gains, strict=True)]
        total = np.sum(placed, axis=0, dtype=np.float32)
        whole = float((total.astype(np.float64) ** 2).sum()) + 1e-12
        shares = [
            round(10 * float(np.log10(float((t.astype(np.float64) ** 2).sum()) / whole + 1e-9)), 1)
            for t in placed
        ]
        if rng.random() < 0.6:
            total = phones.in_room(
                rng, total, float(rng.uniform(0.1, 0.5)), float(rng.uniform(0.5, 1.6))
            )
        if rng.random() < 0.5:
            total = phones.compressed(total, float(rng.uniform(1.5, 3)))
        fade = RATE // 2
        total[:fade] *= np.linspace(0, 1, fade, dtype=np.float32)
        total[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
        total = 0.8 * total / (np.abs(total).max() + 1e-9)
        if self.noisy_edges:
            self._dress(total)
        total += np.float32(10 ** (-72 / 20)) * rng.standard_normal(len(total)).astype(np.float32)
        if rng.random() < 0.4:
            total = phones.thinned(total, float(rng.uniform(0.3, 0.7)))
        return np.asarray(total, np.float32), shares

    def _dress(self, total: Audio) -> None:
        """Add talk or applause before the music and after it."""
        rng = self.rng
        for length_s, at_s in (
            (self.lead_s - 1, 0.2),
            (self.tail_s - 1, len(total) / RATE - self.tail_s + 0.8),
        ):
            loud = (
                players.talk(rng, length_s)
                if rng.random() < 0.5
                else players.applause(rng, length_s)
            )
            put(total, loud * np.float32(0.15 / (phones.rms(loud) + 1e-9)), at_s)

    @property
    def mix_s(self) -> float:
        return self.mix_samples / RATE

    @property
    def guide_s(self) -> float:
        return len(self.guide) / RATE


def put(out: Audio, piece: Audio, at_s: float) -> None:
    """Add a sound at a second of another; what hangs over is cut.  Places keep parts of samples."""
    where = at_s * RATE
    first = int(np.floor(where))
    late = where - first
    if late > 1e-6:
        piece = phones.read_at(np.pad(piece, 80), 80 - 80 - late, 1.0, len(piece) + 160)
        first -= 80
    skip = max(0, -first)
    count = min(len(piece) - skip, len(out) - first - skip)
    if count > 0:
        out[first + skip : first + skip + count] += piece[skip : skip + count]


def truth(
    filmed: Filmed,
    name: str,
    *,
    reference_s: float,
    guide_to_reference_s: float,
    shift_s: float = 0.0,
    tolerance_ms: float = 10.0,
    **more: Any,
) -> CaseClip:
    """Return a clip with its truth on a reference."""
    offset_s = filmed.start_s + guide_to_reference_s + shift_s
    step = 1 + filmed.drift_ppm * 1e-6
    return CaseClip(
        name,
        filmed.samples,
        "match",
        offset_s,
        filmed.drift_ppm,
        tolerance_ms,
        max(0.0, -offset_s / step),
        min(filmed.duration_s, (reference_s - offset_s) / step),
        more.get("spans", ()),
        more.get("span_kind"),
        {**filmed.info, **more.get("info", {})},
        more.get("also_right_s", ()),
    )


def stranger(name: str, samples: Audio, info: dict[str, Any]) -> CaseClip:
    """Return a clip that belongs nowhere."""
    return CaseClip(name, samples, "none", None, None, 10.0, None, None, info=info)


__all__ = [
    "Case",
    "CaseClip",
    "Filmed",
    "Note",
    "Part",
    "Session",
    "Take",
    "put",
    "stranger",
    "truth",
]
