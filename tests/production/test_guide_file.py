"""Plans of guides as TOML: what is written is read back, and what people write is understood."""

from __future__ import annotations

import re
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import assume, given
from hypothesis import strategies as st

from syncvid.errors import MediaNotFoundError, ProductionError
from syncvid.guide.timing import time_plan
from syncvid.production.guide_file import parse_plan, read_plan, write_plan
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    CountIn,
    Entry,
    GuidePlan,
    GuideSound,
    Hold,
    Law,
    Metre,
    Place,
    PlanSection,
    SheetNotes,
    Tempo,
    TempoChange,
)
from syncvid.production.metres import parse_metre
from syncvid.production.played import PlayedBars, beat_at

README = Path(__file__).parents[2] / "README.md"

METRES = [
    *map(parse_metre, ("3/4", "4/4", "6/8", "6/8 in 6", "7/8 (2+2+3)", "7/8", "2/2", "4/4 in 2")),
    Metre("3+2/8", (Fraction(3, 8), Fraction(1, 4)), (0, 1)),
    Metre('free "slow"', (Fraction(1, 4), Fraction(1, 3))),
    Metre("4/4", (Fraction(1, 4),) * 4, (0, 2)),
]
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAMES = TEXTS.filter(lambda text: bool(text.strip()))
UNITS = st.sampled_from([Fraction(1, 4), Fraction(3, 8), Fraction(1, 2), Fraction(5, 16)])
TEMPI = st.builds(Tempo, st.one_of(st.floats(10, 500), st.integers(10, 500).map(float)), UNITS)
LENGTHS = st.fractions(Fraction(1, 32), Fraction(2), max_denominator=32)


@st.composite
def rows_of_bars(draw: Any, section: int) -> list[Bar]:
    """Return bars in a row, whole or cut."""
    metre = draw(st.sampled_from(METRES))
    first = draw(st.integers(-1, 12))
    begin, length = Fraction(0), metre.length
    kind = draw(st.sampled_from(["whole", "whole", "first", "last", "inner", "long"]))
    if kind == "first":
        length = metre.length * Fraction(1, 2)
    elif kind == "last":
        begin = metre.length - Fraction(1, 8)
        length = Fraction(1, 8)
    elif kind == "inner":
        begin, length = Fraction(1, 16), draw(LENGTHS)
    elif kind == "long":
        length = metre.length + Fraction(1, 4)
    return [
        Bar(number, metre, length, begin, section)
        for number in range(first, first + draw(st.integers(1, 6)))
    ]


@st.composite
def played_bars(draw: Any) -> tuple[list[Bar], int]:
    """Return bars of sections that may come again, and how many sections there are."""
    bars: list[Bar] = []
    count = 0
    if draw(st.booleans()):
        metre = draw(st.sampled_from(METRES))
        bars.append(Bar(0, metre, metre.length / 4, metre.length * 3 / 4))
        count = 1
    for _ in range(draw(st.integers(1, 6))):
        section = draw(st.integers(0, count))
        count = max(count, section + 1)
        bars += draw(rows_of_bars(section))
    return bars, count


@st.composite
def places(draw: Any, played: PlayedBars) -> Place:
    """Return a place somewhere in the music."""
    index = draw(st.integers(0, len(played.bars) - 1))
    bar = played.bars[index]
    share = draw(st.sampled_from([Fraction(0), Fraction(1, 2), Fraction(2, 3)]))
    beat = beat_at(bar.metre, bar.begin + bar.length * share)
    return Place(bar.number, beat, played.time_of(index) if draw(st.booleans()) else 0)


@st.composite
def changes_of(draw: Any, played: PlayedBars) -> list[TempoChange]:
    """Return steps anywhere, or ramps and steps from bar to bar, in the order of the music."""
    if draw(st.booleans()):
        steps = [TempoChange(draw(places(played)), draw(TEMPI)) for _ in range(3)]
        steps.sort(key=lambda change: played.positions(change.at)[0])
        assume(len({change.at for change in steps}) == len(steps))
        return steps
    edges = sorted(draw(st.sets(st.integers(0, len(played.bars) - 1), max_size=6)))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=False):
        at, until = played.edge(first, end=False), played.edge(last, end=True)
        assume(played.positions(at) == [played.starts[first]])
        assume(played.positions(until) == [played.starts[last + 1]])
        if draw(st.booleans()):
            found.append(TempoChange(at, draw(TEMPI)))
        found.append(TempoChange(at, draw(TEMPI), until, draw(st.sampled_from(list(Law)))))
    return found


SECTIONS = st.builds(
    PlanSection,
    st.sampled_from(["", "A", "B", 'Trio = 2 "quoted" # not a comment\n']),
    st.sampled_from(list(Clicks)),
    st.sampled_from([(), ("-",), ("D3", "A3"), ("Bb2",)]),
)
SOUNDS = st.builds(
    GuideSound,
    click=st.sampled_from(["wood", "bell", "tick"]),
    drone=st.sampled_from([(), ("lowest part",), ("C3", "G3"), ("Violin I",), ("Horn", "C2")]),
    melody=st.lists(NAMES, max_size=2).map(tuple),
    drone_db=st.floats(-60, 12),
    melody_db=st.floats(-60, 12),
    a4_hz=st.floats(400, 480),
    tuning=st.sampled_from(["equal", "just"]),
    spoken=st.sampled_from(["none", "bars", "sections"]),
    signature=st.booleans(),
)


@st.composite
def plans(draw: Any) -> GuidePlan:
    """Return a plan such as a score or a person makes."""
    bars, count = draw(played_bars())
    played = PlayedBars(bars)
    holds = [
        Hold(draw(places(played)), seconds, length, draw(st.booleans()))
        for seconds, length in draw(
            st.lists(st.tuples(st.floats(0.001, 60), st.just(0) | LENGTHS), max_size=2)
        )
    ]
    return GuidePlan(
        title=draw(TEXTS),
        bars=tuple(bars),
        sections=tuple(draw(SECTIONS) for _ in range(count)),
        tempo=draw(TEMPI),
        changes=tuple(draw(changes_of(played))),
        holds=tuple(holds),
        entries=tuple(
            Entry(draw(NAMES), draw(places(played))) for _ in range(draw(st.integers(0, 2)))
        ),
        count_in=draw(
            st.builds(CountIn, st.integers(0, 16))
            | st.builds(CountIn, st.just(2), st.floats(0.5, 60))
        ),
        sound=draw(SOUNDS),
        sheet=draw(st.builds(SheetNotes, NAMES, TEXTS, TEXTS, st.booleans())),
        score=draw(TEXTS),
    )


@given(plans(), st.lists(TEXTS, max_size=2))
def test_what_is_written_is_read_back_as_it_was(plan: GuidePlan, remarks: list[str]) -> None:
    text = write_plan(plan, remarks=remarks)
    assert parse_plan(text, where="a plan") == plan
    # A second reader of TOML finds the same in it.
    assert tomlkit.parse(text).unwrap() == tomllib.loads(text)


@pytest.mark.parametrize(
    "title", ['a "b" \\ c', "one\ntwo\ttabs", "\x00\x1f\x7f\x85\u2028", "Übung ♯"]
)
def test_titles_may_hold_anything(title: str) -> None:
    metre = METRES[0]
    plan = GuidePlan(title, (Bar(1, metre, metre.length),), (PlanSection(),), Tempo(90.0))
    assert parse_plan(write_plan(plan, remarks=[title]), where="a plan") == plan


def test_sections_are_numbered_as_they_are_first_played() -> None:
    metre = METRES[0]
    bars = tuple(Bar(n, metre, metre.length, section=s) for n, s in ((1, 2), (2, 0), (3, 2)))
    names = tuple(PlanSection(name) for name in ("B", "never", "A"))
    read = parse_plan(write_plan(GuidePlan("", bars, names, Tempo(90.0))), where="a plan")
    assert [section.name for section in read.sections] == ["A", "B"]
    assert [bar.section for bar in read.bars] == [0, 1, 0]


def plan_of(text: str) -> GuidePlan:
    return parse_plan(text, where="a plan")


def music_s(text: str) -> float:
    """Return how long the music of a plan lasts."""
    found = time_plan(plan_of(text)).map
    return found.music_to_s - found.music_from_s


def test_the_shortest_plan() -> None:
    plan = plan_of('metre = "3/4"\ntempo = 72\nbars = 2\n')
    # facts: two bars of three at 72 last five seconds (arithmetic).
    assert music_s('metre = "3/4"\ntempo = 72\nbars = 2\n') == pytest.approx(5.0, abs=1e-9)
    assert plan.count_in == CountIn(2)
    assert [bar.number for bar in plan.bars] == [1, 2]
    # A plain piece gives a file that fits on a screen, with a remark on each kind of line.
    text = write_plan(plan)
    assert len(text.splitlines()) <= 14
    assert all(len(line) <= 100 for line in text.splitlines())


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes('\ufeffmetre = "3/4"\r\ntempo = 72\r\nbars = 2\r\n'.encode())
    assert len(read_plan(path).bars) == 2


def test_a_plan_that_is_not_there_and_one_that_is_no_plan(tmp_path: Path) -> None:
    with pytest.raises(MediaNotFoundError):
        read_plan(tmp_path / "none.toml")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 4_000_001)
    with pytest.raises(ProductionError, match="it has 4 megabytes"):
        read_plan(large)


HEAD = 'metre = "4/4"\ntempo = 60\n'


@pytest.mark.parametrize(
    ("law", "seconds"),
    [
        # facts, "Tempo and clicks": 60 to 120 over 4 beats; by time is four beats at a mean of 90.
        ("by beats", 2.7726),
        ("steps", 3.0381),
        ("by time", 8.0 / 3.0),
    ],
)
def test_the_laws_of_ramps_last_what_the_readme_says(law: str, seconds: float) -> None:
    text = f'{HEAD}[[sections]]\nbars = 1\ntempo_to = 120\nlaw = "{law}"\n'
    assert music_s(text) == pytest.approx(seconds, abs=5e-5)
    change = f'[[tempo_changes]]\nat = "bar 1"\nuntil = "end of bar 1"\ntempo = 120\nlaw = "{law}"'
    assert plan_of(f"{HEAD}bars = 1\n{change}").changes == plan_of(text).changes


def test_bars_as_they_are_written() -> None:
    plan = plan_of(
        'metre = "3/4"\ntempo = 90\nupbeat = "1/4"\n'
        '[[sections]]\nname = "A"\nbars = "1-7, 8 (2/4)"\n'
        '[[sections]]\nname = "A again"\nbars = "8 (last 1/4), 1-7, 8 (1/4 after 1/4)"\n'
        '[[sections]]\nname = "B"\nbars = 4\nmetre = "7/8 (2+2+3)"\n'
        '[[sections]]\nbars = "13-14, 15-16 in 2/2"\n[[sections]]\nbars = "17-17"\n'
        '[[sections]]\nagain = "A"\nbars = "1-2 in 3/4"\n'
    )
    quarter = Fraction(1, 4)
    numbers = [bar.number for bar in plan.bars]
    assert numbers == [0, *range(1, 9), 8, *range(1, 9), *range(9, 18), 1, 2]
    cut = [(bar.begin, bar.length) for bar in plan.bars if bar.length < bar.metre.length]
    assert cut == [
        (2 * quarter, quarter),
        (0, 2 * quarter),
        (2 * quarter, quarter),
        (quarter, quarter),
    ]
    metres = {bar.number: bar.metre.name for bar in plan.bars[-13:]}
    assert [metres[n] for n in (8, 9, 12, 13, 15, 17, 1)] == [
        "3/4", "7/8", "7/8", "7/8", "2/2", "2/2", "3/4",
    ]  # fmt: skip
    assert plan.bars[-1].section == 0
    # Nothing is left over between the halves of the bar that the repeat divides.
    assert sum(bar.length for bar in plan.bars[:10]) == 25 * quarter


def test_bars_that_change_all_the_time_are_written_on_several_lines() -> None:
    metres = [METRES[n % len(METRES)] for n in range(60)]
    bars = tuple(Bar(n, metre, metre.length) for n, metre in enumerate(metres, 1))
    plan = GuidePlan("", bars, (PlanSection(),), Tempo(90.0))
    text = write_plan(plan)
    assert plan_of(text) == plan
    assert all(len(line) <= 100 for line in text.splitlines())


def test_tempi_count_the_beats_of_the_metre_where_they_hold() -> None:
    plan = plan_of(
        'metre = "6/8"\ntempo = 60\n[[sections]]\nbars = 4\n'
        '[[sections]]\nbars = 4\nmetre = "4/4"\ntempo = 100\n'
        '[[sections]]\nbars = 4\nmetre = "7/8 (3+2+2)"\ntempo = 120\n'
        '[[tempo_changes]]\nat = "bar 3"\ntempo = "crotchet = 80.5"\n'
        '[[tempo_changes]]\nat = "bar 2, beat 2"\ntempo = 70\n'
    )
    dotted, quarter = Fraction(3, 8), Fraction(1, 4)
    assert plan.tempo == Tempo(60.0, dotted)
    # MusicXML's metronome mark: a dotted quarter at 60 is 90 quarters; arithmetic.
    assert plan.tempo.quarters == 90.0
    assert [(change.at.bar, change.tempo) for change in plan.changes] == [
        (2, Tempo(70.0, dotted)),
        (3, Tempo(80.5, quarter)),
        (5, Tempo(100.0, quarter)),
        (9, Tempo(120.0, quarter)),
    ]


def test_places_holds_and_cues() -> None:
    plan = plan_of(
        f'{HEAD}bars = "1-4, 1-4"\ncount_in = "6 s"\n'
        '[[holds]]\nat = "Bar 4 beat 2.5 second time"\nlonger = "1/16"\nseconds = 1\n'
        '[[holds]]\nbefore = "bar 3, beat 2 1/3"\nseconds = 2.5\n'
        '[[cues]]\npart = "Cello"\nat = "bar 2 1st time"\n'
    )
    assert plan.holds == (
        Hold(Place(4, Fraction(5, 2), 2), 1.0, Fraction(1, 16)),
        Hold(Place(3, Fraction(7, 3)), 2.5, before=True),
    )
    assert plan.entries == (Entry("Cello", Place(2, time=1)),)
    assert plan.count_in == CountIn(seconds=6.0)


def test_the_end_of_a_bar_is_where_the_next_one_begins() -> None:
    plan = plan_of(
        f'{HEAD}bars = "1, 2 (3/4), 3-4"\n[[tempo_changes]]\nat = "bar 1"\ntempo = 90\n'
        'until = "end of bar 2"\n'
    )
    played = PlayedBars(plan.bars)
    until = plan.changes[0].until
    assert until is not None
    assert played.positions(until) == played.positions(Place(3)) == [Fraction(7, 4)]


def test_how_it_sounds_and_what_the_sheet_says() -> None:
    plan = plan_of(
        f'{HEAD}score = "round.mxl"\n[sound]\nclick = "bell"\ndrone = "d3 F♯3 bb3"\n'
        'melody = ["Violin I", "Oboe"]\ndrone_db = -15\na4_hz = 415\ntuning = "just"\n'
        'spoken = "bars"\nsignature = false\n[sheet]\nlanguage = "de"\nsend_to = "a@b.example"\n'
        'claps = false\n[[sections]]\nbars = 4\ndrone = "none"\nclicks = "half bars"\n'
        '[[sections]]\nbars = 4\ndrone = ["G2", "D3"]\n'
    )
    assert plan.sound == GuideSound(
        "bell", ("D3", "F#3", "Bb3"), ("Violin I", "Oboe"), -15.0,
        a4_hz=415.0, tuning="just", spoken="bars", signature=False,
    )  # fmt: skip
    assert plan.sheet == SheetNotes("de", "a@b.example", claps=False)
    assert plan.score == "round.mxl"
    assert plan.sections == (
        PlanSection(clicks=Clicks.HALF_BARS, drone=("-",)),
        PlanSection(drone=("G2", "D3")),
    )


def test_no_drone_may_be_said() -> None:
    assert plan_of(f'{HEAD}bars = 4\n[sound]\ndrone = "none"\n').sound.drone == ()


@pytest.mark.parametrize("written", ["lowest part", "Violin I", "T1", "Basso continuo"])
def test_a_drone_may_be_a_part(written: str) -> None:
    assert plan_of(f'{HEAD}bars = 4\n[sound]\ndrone = "{written}"\n').sound.drone == (written,)


def examples() -> list[str]:
    """Return the plans in the README's section on them."""
    section = README.read_text(encoding="utf-8").partition("### The plan of a guide\n")[2]
    section = re.split(r"\n##+ ", section)[0]
    return re.findall(r"```toml\n(.+?)```", section, re.DOTALL)


def test_the_examples_of_the_readme_are_plans() -> None:
    found = examples()
    assert len(found) >= 2
    for text in found:
        plan = plan_of(text)
        assert parse_plan(write_plan(plan), where="a plan") == plan
        assert time_plan(plan).map.beats


@pytest.mark.parametrize("head", ["1-3", "0-3"])
def test_an_upbeat_that_is_played_again_is_as_short_as_before(head: str) -> None:
    # Common practice: the last bar of a repeat lacks what the upbeat has.
    text = f'metre = "3/4"\ntempo = 96\nupbeat = "1/4"\nbars = "{head}, 4 (2/4), 0-3"\n'
    plan = parse_plan(text, where="plan.toml")
    lengths = [(bar.number, bar.length * 4) for bar in plan.bars]
    once = [(0, 1), (1, 3), (2, 3), (3, 3)]
    assert lengths == [*once, (4, 2), *once]
    assert parse_plan(write_plan(plan), where="") == plan
