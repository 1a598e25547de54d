"""Clips on the mix's clock, and quiet parts under loud ones."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.production.results import Finding
from syncvid.sync import Listened, find_places
from syncvid.sync.residue import on_reference, take_out
from syncvid.timeline import Span
from tests.sync.ensemble import RATE, band, on_phone


def test_clip_is_laid_span_by_span() -> None:
    times = np.arange(40 * RATE) / RATE
    clip = np.sin(2 * np.pi * 440.0 * times).astype(np.float32)
    spans = (Span(1.0, 10.0, 5.0), Span(30.0, 39.0, -8.0, 1000.0))
    finding = Finding("sure", 1.0, "", 5.0, 50.0, spans=spans)
    laid = on_reference(clip, finding, 50 * RATE)
    assert not laid[: 6 * RATE - 1].any()
    assert not laid[16 * RATE : 22 * RATE].any()
    for reference_s, offset_s, drift_ppm in ((10.0, 5.0, 50.0), (28.0, -8.0, 1000.0)):
        at_s = reference_s + np.arange(1000) / RATE
        expected = np.sin(2 * np.pi * 440.0 * (at_s - offset_s) / (1 + drift_ppm * 1e-6))
        first = round(reference_s * RATE)
        assert laid[first : first + 1000] == pytest.approx(expected, abs=2e-3)


def test_what_no_span_covers_stays(rng: np.random.Generator) -> None:
    mix = rng.standard_normal(20 * RATE).astype(np.float32)
    clip = Listened("c", mix)
    half = Finding("sure", 1.0, "", 0.0, 0.0, spans=(Span(0.0, 8.0, 0.0),))
    left = take_out(mix, [(clip, half)])
    assert np.std(left[: 7 * RATE]) < 0.2 * np.std(mix)
    assert left[-4 * RATE :] == pytest.approx(mix[-4 * RATE :], abs=1e-4)
    assert take_out(mix, [(clip, Finding("sure", 1.0, "", 0.0, 0.0))]) == pytest.approx(
        mix, abs=1e-4
    )


def test_part_far_below_the_others_is_found_once_they_are_out(rng: np.random.Generator) -> None:
    parts = band(rng, 30.0, 6)
    loud = np.sum(parts[:5], axis=0, dtype=np.float32)
    quiet = np.std(loud) / np.std(parts[5]) * 10 ** (-38 / 20)
    clips = [
        Listened(str(index), on_phone(rng, part, head_s=index, drift_ppm=12.0 * index))
        for index, part in enumerate(parts)
    ]
    mix = (loud + quiet * parts[5]).astype(np.float32)
    alone = find_places([clips[5]], mix=mix).findings[0]
    together = find_places(clips, mix=mix).findings[5]
    assert alone.verdict != "sure"
    assert together.verdict == "sure"
    assert "taken out" in together.reason
    assert together.offset_s == pytest.approx(-5.0 * (1 + 60e-6), abs=1e-3)
