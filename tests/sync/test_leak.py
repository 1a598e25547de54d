"""The guide behind the playing: where it begins is what tells one beat from the next."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.sync.hearing import hear
from syncvid.sync.leak import find_leak
from syncvid.sync.waveform import make_target
from syncvid.timeline import Placement
from tests.sync.ensemble import RATE, clicks, melody, on_phone, play


@pytest.mark.parametrize(("start_s", "drifts"), [(8.3, 1), (-3.0, 0), (-9.0, 0)])
def test_start_of_the_guide_settles_the_bar(
    rng: np.random.Generator, start_s: float, drifts: int
) -> None:
    guide = clicks(36.0, count_in_s=0.0)  # every bar like the next
    playing = play(rng, melody(rng, 30.0, beat_s=0.37), 36.0)
    playing[: 3 * RATE] = 0
    leak = guide * np.float32(10 ** (-38 / 20) * np.std(playing) / np.std(guide))
    phone = on_phone(rng, playing + leak, head_s=7.0, noise_db=-52.0)
    # Found anywhere, or climbed to from a bar before or after: the one place before which no click
    # is heard.
    heard, target = hear(phone, name="c"), make_target(hear(guide, name="g"))
    places = find_leak(heard, target, [Placement(start_s)], drifts=drifts)
    assert places[0].line.offset_s == pytest.approx(-7.0, abs=1e-3)
    assert places[0].score > 1.1 * places[1].score
    rivals = [abs(place.line.offset_s + 7.0) for place in places[1:4]]
    assert all(rival == pytest.approx(0.5 * round(rival / 0.5), abs=1e-3) for rival in rivals)


def test_playing_alone_holds_no_guide(rng: np.random.Generator) -> None:
    phone = on_phone(rng, play(rng, melody(rng, 20.0), 20.0), noise_db=-40.0)
    guide = make_target(hear(clicks(30.0), name="g"))
    places = find_leak(hear(phone, name="c"), guide, [Placement(0.0)])
    assert places[0].score < 11.0
