"""``syncvid.sync/1`` out and in again."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production.results import (
    ClipSync,
    Finding,
    Rival,
    SyncResult,
    Vote,
    read_sync_json,
    write_sync_json,
)
from syncvid.timeline import Placement, Span

TIMES = st.floats(-1000, 1000).map(lambda value: round(value, 6))

FINDINGS = st.builds(
    Finding,
    verdict=st.sampled_from(["sure", "check", "none"]),
    confidence=st.floats(0, 1).map(lambda value: round(value, 4)),
    reason=st.text(max_size=20),
    offset_s=st.none() | TIMES,
    drift_ppm=st.none() | st.floats(-300, 300).map(lambda value: round(value, 3)),
    against=st.sampled_from(["mix", "guide", "a.mov"]),
    spans=st.lists(st.builds(Span, TIMES, TIMES, TIMES), max_size=2).map(tuple),
    votes=st.lists(st.builds(Vote, TIMES, TIMES, TIMES, st.booleans()), max_size=2).map(tuple),
    rivals=st.lists(st.builds(Rival, TIMES, TIMES), max_size=2).map(tuple),
    player_lag_ms=st.none() | st.floats(-300, 300).map(lambda value: round(value, 1)),
)
RESULTS = st.builds(
    SyncResult,
    reference=st.sampled_from(["mix", "guide", "clips"]),
    clips=st.lists(
        st.builds(
            ClipSync,
            file=st.text(min_size=1, max_size=20),
            part=st.text(max_size=9),
            take=st.integers(1, 9),
            finding=FINDINGS,
            player=st.text(max_size=9),
            duration_s=st.none() | TIMES,
        ),
        max_size=3,
    ).map(tuple),
    guide_offset_s=st.none() | TIMES,
    reference_duration_s=st.none() | TIMES,
)


@given(RESULTS)
def test_what_was_written_is_read_back(result: SyncResult) -> None:
    assert read_sync_json(write_sync_json(result)) == result


def test_the_fields_of_the_contract_are_there() -> None:
    finding = Finding("sure", 0.99, "41 of 43 windows agree.", -6.4031, 12.4, "mix")
    text = write_sync_json(SyncResult("mix", (ClipSync("a.mov", "Flute", 2, finding),), 1.204))
    document = json.loads(text)
    assert document["format"] == "syncvid.sync/1"
    assert document["guide_offset_s"] == 1.204
    wanted = "file part take offset_s drift_ppm verdict confidence against reason spans".split()
    assert set(wanted) <= set(document["clips"][0])


def test_a_hand_written_file_with_offsets_alone_will_do() -> None:
    text = '{"format": "syncvid.sync/1", "clips": [{"file": "a.mov", "offset_s": 2.5}]}'
    clip = read_sync_json(text).clips[0]
    assert clip.finding.placement == Placement(2.5, 0.0)
    assert clip.finding.verdict == "sure"


@pytest.mark.parametrize(
    "text",
    [
        "no json",
        "[]",
        '{"format": "other/1", "clips": []}',
        '{"format": "syncvid.sync/1"}',
        '{"format": "syncvid.sync/1", "clips": [{"offset_s": 1}]}',
        '{"format": "syncvid.sync/1", "clips": [{"file": "a", "offset_s": "soon"}]}',
        '{"format": "syncvid.sync/1", "clips": [{"file": "a", "verdict": "maybe"}]}',
        '{"format": "syncvid.sync/1", "clips": [{"file": "a", "offset_s": NaN}]}',
    ],
)
def test_what_cannot_be_understood_is_refused(text: str) -> None:
    with pytest.raises(ProductionError, match=r"here\.json"):
        read_sync_json(text, where="here.json")
