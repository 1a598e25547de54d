"""What several rooms' tests need: a fixed seed, and a cache folder of the test's own."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import numpy as np
import pytest

# Where a change is judged the examples are the same each time, and fewer; at a desk they are new.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
if os.environ.get("CI"):
    hypothesis.settings.load_profile("steady")


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20260314)


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep loose clips' results away from the user's cache folder."""
    folder = tmp_path_factory.mktemp("cache")
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    return folder


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="run the slow tests too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--all"):
        return
    skip = pytest.mark.skip(reason="slow: run with --all")
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(skip)
