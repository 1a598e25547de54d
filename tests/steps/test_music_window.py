"""Which seconds are mixed: by the guide's beats where they are known, else by what is heard."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from syncvid.picture.following import Take
from syncvid.production.beats import GuideMap, read_map
from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.results import ClipSync, Finding, Levels
from syncvid.production.sound_plan import PLAIN_PART
from syncvid.production.store import Store
from syncvid.steps.entries import Entry
from syncvid.steps.heard_parts import HeardPart, HeardPassage
from syncvid.steps.hearing import _HEARING, Facts
from syncvid.steps.music_window import MusicWindow, music_window
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Placement

LEVELS = Levels(-6.0, -20.0, -60.0, 0.0, False)
INF = math.inf
MAP = GuideMap("Round", 1, "x", 30.0, 4.0, 26.0, (), ())


def part(
    store: Store,
    name: str,
    offset_s: float,
    played_s: tuple[float, float] | None,
    *,
    length_s: float = 40.0,
    from_s: float = -INF,
    to_s: float = INF,
) -> HeardPart:
    """Return a part whose player plays between two clip seconds in a quiet room, or never."""
    rng = np.random.default_rng(8)
    samples = np.zeros(round(length_s * ANALYSIS_RATE))
    if played_s is not None:
        samples += rng.normal(0, 1e-4, samples.size)
        begin, end = (round(at * ANALYSIS_RATE) for at in played_s)
        samples[begin:end] += 0.2 * np.sin(np.arange(end - begin) * 0.17)
    facts = Facts(length_s, None, 0.0, 0.0, 0, LEVELS, None)
    store.save_samples(name, samples.astype(np.float32))
    store.save(f"clip-{name}", _HEARING, asdict(facts))
    recording = Recording(SourceFile(name, Path(name), name), name, "", 1)
    finding = Finding("sure", 1.0, "", offset_s, 0.0, "clips")
    entry = Entry(recording, ClipSync(name, name, 1, finding), facts)
    assert isinstance(entry.take, Take)
    line = Placement(offset_s, 0.0)
    return HeardPart(name, "", (HeardPassage(entry, line, line, from_s, to_s),), (), PLAIN_PART)


def window(
    store: Store,
    *parts: HeardPart,
    guide: GuideMap | None = None,
    offset_s: float | None = None,
    reference_s: float = INF,
    mix: bool = False,
) -> MusicWindow:
    source = SourceFile("mix", Path("mix"), "mix") if mix else None
    material = Material("x", (), (), source, None, store)
    return music_window(material, parts, guide, offset_s, reference_s)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "work")


def test_the_guides_beats_tell_where_the_music_lies(store: Store) -> None:
    """Guide second 4 lies at 6: nothing before 5.8 is heard, not the count-in's clicks or claps."""
    found = window(store, part(store, "a", -1.0, (3, 30)), guide=MAP, offset_s=2.0)
    assert (found.from_s, found.to_s, found.music_s) == (5.8, 36.0, (6.0, 28.0))


def test_the_last_note_rings_as_long_as_a_clip_lasts(store: Store) -> None:
    found = window(store, part(store, "a", -1.0, (3, 30), length_s=31.0), guide=MAP, offset_s=2.0)
    assert found.to_s == 30.0


def test_a_guide_as_the_reference_may_be_outlasted(store: Store) -> None:
    one = part(store, "a", -1.0, (3, 30), length_s=60.0)
    assert window(store, one, guide=MAP, offset_s=0.0, reference_s=30.0).to_s == 34.0
    assert window(store, one, guide=MAP, offset_s=0.0, reference_s=30.0, mix=True).to_s == 30.0


def test_without_beats_it_is_where_somebody_plays(store: Store) -> None:
    """One plays from 3 to 20, one from 5 to 25 on the reference: half a second before, 8 after."""
    found = window(store, part(store, "a", 1.0, (2, 19)), part(store, "b", -4.0, (9, 29)))
    assert found.music_s == (pytest.approx(3.0, abs=0.1), pytest.approx(25.0, abs=0.1))
    assert found.from_s == pytest.approx(2.5, abs=0.1)
    assert found.to_s == pytest.approx(33.0, abs=0.1)


def test_a_beat_map_whose_place_nobody_knows_tells_nothing(store: Store) -> None:
    one = part(store, "a", 1.0, (2, 19))
    assert window(store, one, guide=MAP) == window(store, one)


def test_a_map_written_by_hand_tells_the_music_by_its_bars(store: Store) -> None:
    """The music begins with bar 1 and ends with the last beat, which is as long as the one before.

    Bar 1 lies at guide second 2, the last of 24 beats ends at 14.
    """
    beats = [{"bar": n // 4, "beat": n % 4 + 1, "guide_s": n / 2} for n in range(28)]
    by_hand = read_map(json.dumps({"format": "syncvid.beats/1", "beats": beats}))
    found = window(store, part(store, "a", 1.0, (2, 39)), guide=by_hand, offset_s=3.0)
    assert (found.from_s, found.to_s, found.music_s) == (4.8, 25.0, (5.0, 17.0))


def test_a_map_of_one_beat_tells_nothing(store: Store) -> None:
    text = '{"format": "syncvid.beats/1", "beats": [{"bar": 1, "beat": 1, "guide_s": 0.0}]}'
    one = part(store, "a", 1.0, (2, 19))
    assert window(store, one, guide=read_map(text), offset_s=0.0) == window(store, one)


def test_only_what_is_heard_counts(store: Store) -> None:
    """The player noodles from 1 to 30, but the take is heard from 10 to 20 alone."""
    one = part(store, "a", 0.0, (1, 30), from_s=10.0, to_s=20.0)
    found = window(store, one)
    assert found.music_s == (pytest.approx(10.0, abs=0.1), pytest.approx(20.0, abs=0.1))


def test_where_nobody_is_heard_to_play_all_is_mixed(store: Store) -> None:
    found = window(store, part(store, "a", -2.0, None))
    assert (found.from_s, found.to_s) == (0.0, 38.0)
    assert window(store).to_s == 0.0


def test_a_window_is_never_empty(store: Store) -> None:
    """The clip ends before the guide's music begins."""
    found = window(store, part(store, "a", -30.0, (3, 8), length_s=32.0), guide=MAP, offset_s=2.0)
    assert found.to_s > found.from_s
