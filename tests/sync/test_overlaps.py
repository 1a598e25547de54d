"""Takes of one part in one mix: spliced takes share no moment, doublings stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from syncvid.production.results import Finding
from syncvid.sync.hearing import hear
from syncvid.sync.overlaps import resolve_takes
from syncvid.timeline import Span
from tests.sync.ensemble import RATE, band, melody, play


def whole(length_s: float) -> Finding:
    """Return a finding that claims the whole mix."""
    return Finding("sure", 0.9, "", 0.0, 0.0, "mix", (Span(0.0, length_s, 0.0),))


def test_spliced_takes_share_no_moment(rng: np.random.Generator) -> None:
    notes = melody(rng, 32.0)
    one, other = play(rng, notes, 32.0), play(rng, notes, 32.0)
    spliced = np.concatenate((one[: 15 * RATE], other[15 * RATE :]))
    mix = np.sum(band(rng, 32.0, 2), axis=0, dtype=np.float32) + spliced
    first, second = resolve_takes(
        [whole(32.0), whole(32.0)],
        [hear(one, name="1"), hear(other, name="2")],
        hear(mix, name="m"),
    )
    assert abs(first.spans[-1].clip_to_s - 15.0) < 0.25
    assert abs(second.spans[0].clip_from_s - 15.0) < 0.25
    assert first.spans[-1].clip_to_s <= second.spans[0].clip_from_s + 0.1


def test_doubling_by_one_player_stays(rng: np.random.Generator) -> None:
    one, other = (play(rng, melody(rng, 32.0), 32.0) for _ in range(2))
    claims = [whole(32.0), replace(whole(32.0))]
    sounds = [hear(one, name="1"), hear(other, name="2")]
    assert resolve_takes(claims, sounds, hear(one + other, name="m")) == claims
