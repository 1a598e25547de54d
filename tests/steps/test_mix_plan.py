"""What a mix depends on."""

from __future__ import annotations

import warnings
from types import SimpleNamespace
from typing import Any

import pytest

from syncvid.production.sound_plan import SoundPlan
from syncvid.steps.mix_plan import MixPlan
from syncvid.steps.music_window import MusicWindow


def key(written: dict[str, Any]) -> str:
    """Return the key of a mix of nothing, from what stands under ``[sound]``."""
    material: Any = SimpleNamespace(room=None, groups={}, title="Round")
    window = MusicWindow(0.0, 9.0, (1.0, 8.0), 0.0, 9.0)
    sound = SoundPlan.model_validate(written)
    return MixPlan(material, "clips", (), window, sound, {}, None, False, ()).key()


@pytest.mark.parametrize(
    "written",
    [
        {"clean": ["hum"]},
        {"clean": ["high-pass"]},
        {"clean": ["high-pass 90 Hz"]},
        {"room": "living room"},
        {"pan": 0.25},
        {"melody": ["Alto"]},
        {"head_s": 2.0},
    ],
)
def test_what_the_plan_says_of_the_sound_is_in_the_key(written: dict[str, Any]) -> None:
    # Nothing is said to the user while it is worked out.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert key(written) == key(dict(written))
        assert key(written) != key({})
