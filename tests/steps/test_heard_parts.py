"""What is heard of each part: the usual take, takes in turn, and passages of the plan over them."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from syncvid.errors import ProductionError
from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.passages import parse_passage
from syncvid.production.results import ClipSync, Finding, Levels, Stretch, SyncResult, Verdict
from syncvid.production.sound_plan import PartSound
from syncvid.production.store import Store
from syncvid.steps.heard_parts import HeardPart, heard_parts
from syncvid.steps.hearing import _HEARING, Facts
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Bars, Beat, BeatMap, Span

LEVELS = Levels(-6.0, -20.0, -60.0, 0.0, False)
INF = math.inf

# A splice may lie so far from its mark.
ROOM_S = 0.35

# Two beats of half a second in each bar; bar 1 lies at reference second 4.
BARS = Bars(BeatMap(tuple(Beat(n // 2 + 1, n % 2 + 1, n / 2) for n in range(60))), 4.0)


class Case:
    """Recordings of one part whose places, lengths and sounds are given."""

    def __init__(self, folder: Path) -> None:
        self.store = Store(folder / "work")
        self.recordings: list[Recording] = []
        self.clips: list[ClipSync] = []
        self.facts: dict[str, Facts] = {}

    def file(self, name: str, length_s: float, *, gain: float = 1.0, heard: bool = True) -> None:
        """Keep a file's sound as it is kept once it was heard: noise of a seed of its own."""
        levels = LEVELS if heard else None
        self.facts[name] = Facts(length_s, (160, 90), 0.0, length_s, 0, levels, None)
        rng = np.random.default_rng(len(self.facts))
        samples = gain * rng.uniform(-0.2, 0.2, round(length_s * ANALYSIS_RATE))
        self.store.save_samples(name, samples.astype(np.float32))
        self.store.save(f"clip-{name}", _HEARING, asdict(self.facts[name]))

    def take(
        self,
        number: int,
        name: str,
        offset_s: float,
        length_s: float = 70.0,
        *,
        verdict: Verdict = "sure",
        spans: tuple[Span, ...] = (),
        gain: float = 1.0,
        heard: bool = True,
        drift_ppm: float = 0.0,
        part: str = "Viola",
        **others: object,
    ) -> None:
        """Add a take with its place."""
        self.file(name, length_s, gain=gain, heard=heard)
        source = SourceFile(name, Path(name), name)
        self.recordings.append(Recording(source, part, "Anna", number, **others))  # type: ignore[arg-type]
        finding = Finding(verdict, 0.9, "", offset_s, drift_ppm, "mix", spans)
        self.clips.append(ClipSync(name, part, number, finding, stretch=Stretch()))

    def heard(
        self, *passages: str, reference: str = "clips", bars: Bars | None = None, **wishes: object
    ) -> tuple[list[HeardPart], list[str]]:
        """Return what is heard, and remarks."""
        sound = PartSound(passages=tuple(map(parse_passage, passages)), **wishes)  # type: ignore[arg-type]
        parts = tuple(dict.fromkeys((r.part, r.player) for r in self.recordings))
        material = Material(
            "x", tuple(self.recordings), parts, None, None, self.store,
            part_sounds={parts[0]: sound},
        )  # fmt: skip
        length_s = None if reference == "clips" else 60.0
        result = SyncResult(reference, tuple(self.clips), reference_duration_s=length_s)  # type: ignore[arg-type]
        return heard_parts(material, result, self.facts, bars)


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return Case(tmp_path)


def runs(part: HeardPart) -> list[tuple[str, float, float]]:
    """Return what is heard from where to where; splices at their marks."""
    marks = [splice.marked_s for splice in part.splices]
    begins, ends = [part.passages[0].from_s, *marks], [*marks, part.passages[-1].to_s]
    names = [passage.entry.recording.source.file for passage in part.passages]
    return list(zip(names, begins, ends, strict=True))


def joins_meet(part: HeardPart) -> bool:
    """Tell whether passages meet at their splices, each near its mark."""
    return all(
        old.to_s == new.from_s == splice.at_s and abs(splice.at_s - splice.marked_s) <= ROOM_S
        for old, new, splice in zip(part.passages, part.passages[1:], part.splices, strict=False)
    )


def test_one_take_is_heard_as_far_as_it_goes(case: Case) -> None:
    case.take(1, "a", -5.0, drift_ppm=30.0)
    (part,), remarks = case.heard()
    assert runs(part) == [("a", -INF, INF)]
    assert remarks == []
    assert (part.passages[0].line.offset_s, part.passages[0].line.drift_ppm) == (-5.0, 30.0)
    assert part.name == "Viola (Anna)"


def test_of_takes_of_the_same_music_the_one_that_is_marked_is_heard(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, use=True)
    (part,), _ = case.heard()
    assert runs(part) == [("b", -INF, INF)]


def test_takes_that_follow_each_other_change_in_the_middle_of_the_gap(case: Case) -> None:
    """The first ends at reference second 25, the second begins at 25.4."""
    case.take(1, "a", -5.0, 30.0)
    case.take(2, "b", 25.4, 40.0)
    (part,), _ = case.heard()
    assert [run[0] for run in runs(part)] == ["a", "b"]
    assert part.splices[0].marked_s == pytest.approx(25.2, abs=1e-9)
    assert joins_meet(part)
    assert part.splices[0].hidden_in == "rest"


def test_a_take_without_place_is_not_heard(case: Case) -> None:
    case.take(1, "a", 0.0, verdict="none")
    case.clips[0] = ClipSync("a", "Viola", 1, Finding("none", 0.9, ""))
    assert case.heard() == ([], [])
    parts, remarks = case.heard("take 1, 10 to 20")
    assert parts == []
    assert "take 1 has no place or no sound" in remarks[0]


def test_a_film_without_sound_is_not_heard(case: Case) -> None:
    case.take(1, "a", 0.0, heard=False)
    assert case.heard() == ([], [])


def test_a_passage_lies_between_the_usual_take(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0)
    (part,), remarks = case.heard("take 2, 20 to 30")
    assert runs(part) == [("a", -INF, 20.0), ("b", 20.0, 30.0), ("a", 30.0, INF)]
    assert joins_meet(part)
    assert [passage.line.offset_s for passage in part.passages] == [-5.0, -8.0, -5.0]
    assert part.splices[0].place.startswith("0:")
    assert remarks == []


def test_passages_that_touch_meet_once(case: Case) -> None:
    for number, name in enumerate("abc", 1):
        case.take(number, name, -float(number))
    (part,), _ = case.heard("take 3, 30 to 40", "take 2, 20 to 30")
    assert runs(part) == [("a", -INF, 20), ("b", 20, 30), ("c", 30, 40), ("a", 40, INF)]
    assert joins_meet(part)


def test_a_passage_over_a_change_of_takes_takes_its_place(case: Case) -> None:
    """Without it the second take would follow the first at reference second 25.2."""
    case.take(1, "a", -5.0, 30.0)
    case.take(2, "b", 25.4, 40.0)
    case.take(3, "c", -1.0, 40.0, verdict="check")
    (part,), _ = case.heard("take 3, 20 to 30")
    assert runs(part) == [("a", -INF, 20), ("c", 20, 30), ("b", 30, INF)]
    (part,), _ = case.heard("take 3, 20 to 25.2")
    assert runs(part) == [("a", -INF, 20), ("c", 20, 25.2), ("b", 25.2, INF)]


def test_a_passage_from_the_usual_take_changes_nothing(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0)
    (part,), _ = case.heard("take 1, 20 to 30")
    assert runs(part) == [("a", -INF, INF)]
    assert part.splices == ()


def test_a_passage_over_everything_leaves_one_take(case: Case) -> None:
    """Base and passage meet before and behind all that there is."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0)
    (part,), remarks = case.heard("take 2, -100 to 1000")
    (found,) = [p for p in part.passages if p.from_s < 10.0 < p.to_s]
    assert found.entry.recording.source.file == "b"
    assert any("does not last over all of take 2" in remark for remark in remarks)


def test_bars_are_those_of_the_guide(case: Case) -> None:
    """Bars 9 to 12 last from reference second 4 + 8 to 4 + 12."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0)
    (part,), _ = case.heard("take 2, bars 9-12", bars=BARS)
    assert [run[1] for run in runs(part)[1:]] == [12.0, 16.0]
    assert all(splice.place.startswith("bar ") for splice in part.splices)
    # Half a beat is less than the usual room.
    assert all(abs(splice.at_s - splice.marked_s) <= 0.25 for splice in part.splices)
    (one,), _ = case.heard("take 2, bar 9", bars=BARS)
    assert [run[1] for run in runs(one)[1:]] == [12.0, 13.0]


@pytest.mark.parametrize("bars", [None, BARS])
def test_bars_that_cannot_be_found_are_refused(bars: Bars | None, case: Case) -> None:
    case.take(1, "a", -5.0)
    with pytest.raises(ProductionError) as caught:
        case.heard("take 1, bars 90-91", bars=bars)
    assert "Viola" in str(caught.value)


def test_a_passage_told_in_two_ways_may_end_before_it_begins(case: Case) -> None:
    case.take(1, "a", -5.0)
    with pytest.raises(ProductionError, match="ends before it begins"):
        case.heard("take 1, bar 9 beat 2 to 11", bars=BARS)


def test_an_unknown_take_is_refused_and_the_known_ones_are_named(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(3, "b", -5.0)
    with pytest.raises(ProductionError, match="no take 2") as caught:
        case.heard("take 2, 10 to 20")
    assert "there is 1, 3" in str(caught.value)


def test_a_passage_of_a_take_that_the_phone_split_is_heard_from_both_files(case: Case) -> None:
    """Both files are take 2; the second goes on at reference second 25.5."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -3.0, 28.3)
    case.take(2, "c", 25.5, 30.0)
    case.recordings[0] = Recording(case.recordings[0].source, "Viola", "Anna", 1, use=True)
    (part,), remarks = case.heard("take 2, 20 to 30")
    assert [run[0] for run in runs(part)] == ["a", "b", "c", "a"]
    assert [run[1] for run in runs(part)[1:]] == pytest.approx([20.0, 25.4, 30.0])
    assert remarks == []
    (part,), _ = case.heard("take 2, 40 to 45")
    assert [run[0] for run in runs(part)] == ["a", "c", "a"]


def test_a_take_that_ends_within_its_passage_is_told(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, 30.0, verdict="check")
    _, remarks = case.heard("take 2, 20 to 30")
    assert remarks == ["Viola: take 2 does not last over all of take 2, 20 s to 30 s."]


def test_spans_of_a_mix_are_followed(case: Case) -> None:
    """The mix has moved a phrase of the take: clip seconds 35 to 45 come 0.2 s later."""
    moved = (Span(5.0, 35.0, -5.0), Span(35.0, 45.0, -4.8), Span(45.2, 65.0, -5.0))
    case.take(1, "a", -5.0, spans=moved)
    (part,), _ = case.heard(reference="mix")
    assert [passage.line.offset_s for passage in part.passages] == [-5.0, -4.8, -5.0]
    assert [run[1] for run in runs(part)] == pytest.approx([-1.0, 30.1, 40.2])
    assert part.passages[-1].to_s == 61.0
    assert {passage.gain_db for passage in part.passages} == {0.0}, "it is one take"


def test_a_passage_lies_over_the_span_that_is_nearest(case: Case) -> None:
    moved = (Span(5.0, 35.0, -5.0), Span(35.0, 65.0, -4.5))
    case.take(1, "a", -8.0, use=True)
    case.take(2, "b", -5.0, spans=moved)
    for at_s, offset_s in ((12, -5.0), (50, -4.5)):
        (part,), _ = case.heard(f"take 2, {at_s} to {at_s + 5}")
        assert part.passages[1].line.offset_s == offset_s


@pytest.mark.parametrize("shift_ms", [120.0, -80.0])
def test_a_shift_moves_sound_and_picture_but_not_where_takes_change(
    shift_ms: float, case: Case
) -> None:
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0)
    (plain,), _ = case.heard("take 2, 20 to 30")
    (part,), _ = case.heard("take 2, 20 to 30", shift_ms=shift_ms)
    for one, other in zip(part.passages, plain.passages, strict=True):
        assert one.line.offset_s == pytest.approx(other.line.offset_s + shift_ms / 1000)
        assert one.seen.offset_s == pytest.approx(other.seen.offset_s + shift_ms / 1000)
    assert [run[1] for run in runs(part)] == [run[1] for run in runs(plain)]


def test_the_recorder_is_heard_and_its_clip_is_seen(case: Case) -> None:
    zoom = SourceFile("zoom", Path("zoom"), "zoom")
    case.take(1, "a", 2.0, sound=zoom)
    case.file("zoom", 50.0)
    found = Finding("sure", 1.0, "", 5.0, 20.0, "mix")
    case.clips.append(ClipSync("zoom", "Viola", 1, found, sound_of="a"))
    (part,), _ = case.heard()
    (passage,) = part.passages
    assert passage.entry.sound is not None
    assert passage.entry.sound.source.file == "zoom"
    assert (passage.line.offset_s, passage.line.drift_ppm) == (5.0, 20.0)
    assert (passage.seen.offset_s, passage.seen.drift_ppm) == (2.0, 0.0)
    assert passage.span.clip_from_s == 0.0
    assert passage.span.clip_to_s == 70.0


def test_spans_say_where_a_passage_is_seen_in_its_clip(case: Case) -> None:
    """A clip at -8 s with a clock that is 1% slow: reference 22 s is its second 30 / 1.01."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, drift_ppm=10_000.0)
    (part,), _ = case.heard("take 2, 22 to 32")
    span, passage = part.passages[1].span, part.passages[1]
    assert span.clip_from_s == pytest.approx((passage.from_s + 8.0) / 1.01)
    assert span.clip_to_s == pytest.approx((passage.to_s + 8.0) / 1.01)


def test_two_parts_that_share_a_clip_are_both_heard(case: Case) -> None:
    case.take(1, "a", -5.0)
    case.take(1, "a", -5.0, part="Cello")
    parts, _ = case.heard()
    assert [part.part for part in parts] == ["Viola", "Cello"]
    assert [runs(part) for part in parts] == [[("a", -INF, INF)]] * 2


def test_takes_become_equally_loud_and_the_usual_one_keeps_its_level(case: Case) -> None:
    """The second take is noise of half the amplitude: 6.02 dB softer."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, gain=0.5)
    (part,), _ = case.heard("take 2, 20 to 30")
    gains_db = [passage.gain_db for passage in part.passages]
    assert gains_db[0] == gains_db[2] == 0.0
    assert gains_db[1] == pytest.approx(20 * math.log10(2), abs=0.3)


def test_the_take_that_is_heard_longest_keeps_its_level(case: Case) -> None:
    """The first take is heard for 15 and 5 seconds, the second for 50."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, gain=0.5)
    (part,), _ = case.heard("take 2, 10 to 60")
    gains_db = [passage.gain_db for passage in part.passages]
    assert gains_db[1] == 0.0
    assert gains_db[0] == gains_db[2] == pytest.approx(-20 * math.log10(2), abs=0.3)


def test_takes_that_do_not_play_together_cannot_be_compared(case: Case) -> None:
    case.take(1, "a", -5.0, 30.0)
    case.take(2, "b", 25.0, 60.0, gain=0.5)
    (part,), _ = case.heard()
    assert [passage.gain_db for passage in part.passages] == [0.0, 0.0]


def test_a_take_has_one_level_however_often_it_comes(case: Case) -> None:
    """What is measured at one splice differs from the next by some tenths of a decibel."""
    case.take(1, "a", -5.0)
    case.take(2, "b", -8.0, gain=0.5)
    (part,), _ = case.heard(*(f"take 2, {at} to {at + 3}" for at in range(8, 50, 6)))
    assert {p.gain_db for p in part.passages[0::2]} == {0.0}
    (gain_db,) = {p.gain_db for p in part.passages[1::2]}
    assert gain_db == pytest.approx(20 * math.log10(2), abs=0.1)
