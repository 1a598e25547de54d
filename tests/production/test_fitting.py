"""Videos of a given size in MB, made by a renderer that follows the known laws with noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from syncvid.errors import RenderError
from syncvid.production.fitting import MB, MOST_TRIES, Trial, fit, next_settings

SIZE = (1280, 720)


@dataclass
class FakeRenderer:
    """Bytes as an encoder gives them: halved by some steps of crf, grown with the area, noisy."""

    bps: float
    halving: float
    area_power: float
    duration_s: float
    noise: float = 0.0
    calls: int = 0

    def count(self, trial: Trial) -> int:
        area = trial.size[0] * trial.size[1] / (1920 * 1080)
        picture = self.bps * area**self.area_power * 2 ** ((20 - trial.crf) / self.halving)
        # The same settings give the same file; others are off by another amount.
        wave = math.sin(12.9898 * trial.crf + 78.233 * trial.size[0] + trial.sound_kbps)
        bits = (picture * (1 + self.noise * wave) + 1000 * trial.sound_kbps) * self.duration_s
        return round(bits / 8)

    def __call__(self, trial: Trial, path: Path) -> None:
        self.calls += 1
        # A hole: it has the size but takes no room.
        with path.open("wb") as file:
            file.truncate(self.count(trial))


renderers = st.builds(
    FakeRenderer,
    bps=st.floats(3e5, 4e7),
    halving=st.floats(5.0, 7.5),
    area_power=st.floats(0.6, 1.0),
    duration_s=st.floats(5.0, 1200.0),
    noise=st.floats(0.0, 0.1),
)


def run(renderer: FakeRenderer, limit_bytes: int) -> list[tuple[Trial, int]]:
    history: list[tuple[Trial, int]] = []
    while trial := next_settings(history, limit_bytes, size=SIZE, duration_s=renderer.duration_s):
        history.append((trial, renderer.count(trial)))
        assert len(history) <= MOST_TRIES
    return history


@given(renderers, st.floats(0.2, 64.0))
def test_it_ends_within_four_tries_with_something_that_fits_or_says_that_nothing_will(
    renderer: FakeRenderer, limit_mb: float
) -> None:
    coarsest = renderer.count(Trial((426, 240), 38, 48))
    try:
        history = run(renderer, int(limit_mb * MB))
    except RenderError:
        # With a fifth to spare something must have been found.
        assert coarsest > 0.8 * limit_mb * MB
        return
    assert any(count <= limit_mb * MB for _, count in history)
    tried = [trial for trial, _ in history]
    assert len(set(tried)) == len(tried)
    for trial in tried:
        assert trial.size[0] % 2 == trial.size[1] % 2 == 0
        assert min(trial.size) <= 720
        assert 20 <= trial.crf <= 38
        assert trial.crf <= 33 or min(trial.size) == 240


@example(FakeRenderer(300_000.0, 5.0, 1.0, duration_s=226.0))
@given(renderers)
def test_a_usual_limit_is_filled_well(renderer: FakeRenderer) -> None:
    """Unless the picture is at its best already, at least half of the 16 MB is made use of."""
    renderer.duration_s = min(max(renderer.duration_s, 60.0), 300.0)
    try:
        history = run(renderer, 16 * MB)
    except RenderError:
        return
    trial, count = max((entry for entry in history if entry[1] <= 16 * MB), key=lambda e: e[1])
    best = (trial.size, trial.crf) == (SIZE, 20)
    assert best or count > 8 * MB


def test_a_short_piece_is_made_at_its_best_at_once() -> None:
    renderer = FakeRenderer(3e6, 6.0, 0.75, duration_s=10.0)
    assert [trial for trial, _ in run(renderer, 16 * MB)] == [Trial(SIZE, 20, 128)]


def test_a_long_piece_becomes_smaller_rather_than_coarse() -> None:
    renderer = FakeRenderer(6e6, 6.0, 0.75, duration_s=900.0)
    last, count = run(renderer, 16 * MB)[-1]
    assert count <= 16 * MB
    assert min(last.size) < 720
    assert last.sound_kbps < 128


@example(duration_s=300.0, limit_mb=0.2)
@given(duration_s=st.floats(100.0, 3600.0), limit_mb=st.floats(0.01, 0.5))
def test_a_hopeless_limit_is_refused_before_anything_is_rendered(
    duration_s: float, limit_mb: float
) -> None:
    with pytest.raises(RenderError, match=r"does not fit into .* MB\. Allow about .* MB"):
        next_settings([], int(limit_mb * MB), size=SIZE, duration_s=duration_s)


def test_the_least_that_is_named_would_do() -> None:
    with pytest.raises(RenderError) as caught:
        next_settings([], MB // 5, size=SIZE, duration_s=300.0)
    assert caught.value.what == "5:00 of video does not fit into 0.2 MB."
    named = float(caught.value.fix.split()[2])
    usual = FakeRenderer(3.5e6, 6.0, 0.75, duration_s=300.0)
    assert run(usual, int(named * MB))[-1][1] <= named * MB


def test_the_least_that_is_named_after_tries_rests_on_them() -> None:
    heavy = FakeRenderer(4e7, 6.0, 0.75, duration_s=300.0)
    with pytest.raises(RenderError) as caught:
        run(heavy, 5 * MB)
    named = float(caught.value.fix.split()[2])
    assert named * MB == pytest.approx(1.1 * heavy.count(Trial((426, 240), 38, 48)), rel=0.02)


def test_only_the_one_that_fits_is_left(tmp_path: Path) -> None:
    renderer, out = FakeRenderer(1.2e7, 7.0, 0.9, duration_s=120.0), tmp_path / "round.mp4"
    out.write_bytes(b"old")
    fitted = fit(renderer, out, limit_mb=16, size=SIZE, duration_s=120.0)
    assert fitted.tries == renderer.calls > 1
    assert [path.name for path in tmp_path.iterdir()] == ["round.mp4"]
    assert out.stat().st_size == fitted.bytes == renderer.count(fitted.trial) <= 16 * MB


def test_where_nothing_fits_the_older_file_stays(tmp_path: Path) -> None:
    renderer, out = FakeRenderer(4e7, 6.0, 0.75, duration_s=300.0), tmp_path / "round.mp4"
    out.write_bytes(b"old")
    with pytest.raises(RenderError, match="does not fit into 5 MB"):
        fit(renderer, out, limit_mb=5, size=SIZE, duration_s=300.0)
    assert out.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["round.mp4"]


def test_a_render_that_fails_leaves_nothing(tmp_path: Path) -> None:
    def fail(trial: Trial, path: Path) -> None:
        path.write_bytes(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(fail, tmp_path / "a.mp4", limit_mb=5, size=SIZE, duration_s=60.0)
    assert list(tmp_path.iterdir()) == []
