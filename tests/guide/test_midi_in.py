"""Standard MIDI files as scores: against the format's own bytes, and mido's playback time."""

from __future__ import annotations

import contextlib
import io
import time
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.guide.midi_in import UPBEAT_REMARK, read_midi
from syncvid.guide.timing import time_plan
from syncvid.production.guide_file import parse_plan, write_plan
from syncvid.production.guide_plan import Bar, Note, Place, Score, Tempo, TempoChange
from syncvid.production.metres import parse_metre
from syncvid.production.played import PlayedBars

Event = tuple[int, mido.Message]


def meta(tick: int, kind: str, **fields: object) -> Event:
    return tick, mido.MetaMessage(kind, **fields)


def note(start: int, stop: int, pitch: int = 60, channel: int = 0) -> list[Event]:
    return [
        (start, mido.Message("note_on", note=pitch, velocity=64, channel=channel)),
        (stop, mido.Message("note_off", note=pitch, velocity=0, channel=channel)),
    ]


def midi_of(*tracks: list[Event], division: int = 480, kind: int = 1) -> bytes:
    file = mido.MidiFile(type=kind, ticks_per_beat=division, charset="utf-8")
    for events in tracks:
        track, now = mido.MidiTrack(), 0
        for tick, message in sorted(events, key=lambda event: event[0]):
            track.append(message.copy(time=tick - now))
            now = tick
        file.tracks.append(track)
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


def read(*tracks: list[Event], name: str = "piece.mid", division: int = 480) -> Score:
    return read_midi(midi_of(*tracks, division=division), name=name)


def seconds_at(score: Score, ticks: int, division: int = 480) -> float:
    """Return how long after the first bar's beginning a tick sounds."""
    timing = time_plan(score.plan)
    return timing.seconds_at(Fraction(ticks, 4 * division)) - timing.map.music_from_s


def raw(track: bytes, *, kind: int = 1, count: int = 1, division: bytes = b"\x01\xe0") -> bytes:
    """Return a file from bytes as SMF 1.0 (RP-001) lays them out."""
    head = b"MThd\x00\x00\x00\x06" + kind.to_bytes(2) + count.to_bytes(2) + division
    return head + b"MTrk" + len(track).to_bytes(4) + track


END = b"\x00\xff\x2f\x00"


def test_tempo_map_by_arithmetic() -> None:
    # SMF 1.0: seconds = ticks * microseconds / (division * 10^6); 1920 ticks at 120, 960 at 96.
    score = read(
        [meta(0, "set_tempo", tempo=500_000), meta(1920, "set_tempo", tempo=625_000)],
        note(0, 2880),
    )
    assert seconds_at(score, 2880) == pytest.approx(3.25, abs=1e-9)
    assert not any("tempo" in remark for remark in score.remarks)


def test_without_tempo_120_holds_and_is_told() -> None:
    # SMF 1.0: 500,000 microseconds a quarter.
    score = read(note(0, 1920))
    assert seconds_at(score, 480) == pytest.approx(0.5, abs=1e-9)
    assert any("120" in remark for remark in score.remarks)


def test_that_an_upbeat_cannot_be_known_is_told_once() -> None:
    # SMF 1.0 has no event for an upbeat: a first bar that is one has a metre of its own, or rests.
    for tracks in ([note(0, 1920)], [[meta(0, "time_signature", numerator=1)], note(0, 480)]):
        assert [r for r in read(*tracks).remarks if "upbeat" in r] == [UPBEAT_REMARK]


def test_bytes_of_tempo_and_long_numbers() -> None:
    # SMF 1.0: 96 a minute is FF 51 03 09 89 68; 480 is 83 60, 2,097,152 is 81 80 80 00.
    track = (
        b"\x00\xff\x51\x03\x09\x89\x68" + b"\x83\x60\x90\x3c\x40" + b"\x81\x80\x80\x00\x80\x3c\x40"
    )
    score = read_midi(raw(track + END), name="x.mid")
    assert score.plan.tempo.quarters == 96.0
    assert score.parts[0].notes == (Note(Fraction(1, 4), Fraction(2_097_152, 1920), 60),)


@settings(deadline=None, max_examples=40)
@given(
    st.dictionaries(st.integers(0, 40_000), st.integers(120_001, 2_000_000), max_size=40),
    st.sampled_from([96, 480, 960, 1000]),
    st.sampled_from([(4, 4), (3, 4), (6, 8), (5, 8)]),
)
def test_tempo_maps_last_as_mido_plays_them(
    tempi: dict[int, int], division: int, metre: tuple[int, int]
) -> None:
    over, under = metre
    data = midi_of(
        [
            meta(0, "time_signature", numerator=over, denominator=under),
            *(meta(tick, "set_tempo", tempo=tempo) for tick, tempo in tempi.items()),
        ],
        note(0, 41_000),
        division=division,
    )
    plays_s = sum(message.time for message in mido.MidiFile(file=io.BytesIO(data)))
    score = read_midi(data, name="x.mid")
    # Half a microsecond for each quarter: tempi are read as the numbers that were meant.
    tolerance_s = 0.5e-6 * 41_000 / division + 1e-6
    assert seconds_at(score, 41_000, division) == pytest.approx(plays_s, abs=tolerance_s)


def test_rounded_tempo_is_read_as_it_was_meant() -> None:
    # 60,000,000 / 90 = 666,666.67.
    assert read([meta(0, "set_tempo", tempo=666_667)], note(0, 480)).plan.tempo.per_minute == 90.0


@pytest.mark.parametrize(
    ("over", "under", "quarters", "written"),
    [
        (6, 8, 90.0, Tempo(60.0, Fraction(3, 8))),
        (9, 8, 96.0, Tempo(64.0, Fraction(3, 8))),
        # Plain in quarters alone: still told in the beats that are counted.
        (12, 8, 100.0, Tempo(100.0 / 1.5, Fraction(3, 8))),
        (6, 4, 90.0, Tempo(90.0)),
        (3, 4, 90.0, Tempo(90.0)),
        (7, 8, 90.0, Tempo(90.0)),
    ],
)
def test_compound_metres_count_dotted_quarters(
    over: int, under: int, quarters: float, written: Tempo
) -> None:
    events = [
        meta(0, "time_signature", numerator=over, denominator=under),
        meta(0, "set_tempo", tempo=round(60e6 / quarters)),
        meta(5760, "set_tempo", tempo=300_000),
    ]
    plan = read(events, note(0, 11520)).plan
    assert plan.tempo == written
    assert plan.changes[0].tempo.unit == written.unit
    assert plan.changes[0].tempo.quarters == pytest.approx(200.0, abs=1e-9)


def test_a_short_first_bar_is_an_upbeat() -> None:
    """A quarter before bars of 4/4: what notation programs write has a first signature of 1/4."""
    score = read(
        [
            meta(0, "time_signature", numerator=1, denominator=4),
            meta(480, "time_signature", numerator=4, denominator=4),
            meta(480 + 960, "set_tempo", tempo=600_000),
            meta(480, "marker", text="A"),
        ],
        note(0, 480) + note(480, 480 + 2 * 1920),
    )
    metre = parse_metre("4/4")
    assert score.plan.bars == (
        Bar(0, metre, Fraction(1, 4), begin=Fraction(3, 4)),
        Bar(1, metre, Fraction(1)),
        Bar(2, metre, Fraction(1)),
    )
    assert score.order == "0-2"
    assert [section.name for section in score.plan.sections] == ["A"]
    assert score.plan.changes[0].at == Place(1, Fraction(3))
    (remark,) = [remark for remark in score.remarks if "upbeat" in remark]
    assert "bar 1 is the one after it" in remark
    assert "\nupbeat = " in write_plan(score.plan)
    assert parse_plan(write_plan(score.plan), where="plan") == score.plan


@pytest.mark.parametrize(
    ("first", "second_at"), [((4, 4), 1920), ((2, 4), 4 * 480), ((5, 4), 5 * 480)]
)
def test_other_first_bars_are_bar_1(first: tuple[int, int], second_at: int) -> None:
    """As long as the second metre, two of them, or longer."""
    score = read(
        [
            meta(0, "time_signature", numerator=first[0], denominator=first[1]),
            meta(second_at, "time_signature", numerator=4, denominator=4),
        ],
        note(0, 9600),
    )
    assert (score.plan.bars[0].number, score.plan.bars[0].begin) == (1, 0)
    assert UPBEAT_REMARK in score.remarks


def test_last_tempo_at_a_tick_holds_at_its_beat() -> None:
    events = [
        meta(0, "time_signature", numerator=6, denominator=8),
        meta(1440 + 240, "set_tempo", tempo=400_000),
        meta(1440 + 240, "set_tempo", tempo=600_000),
    ]
    plan = read(events, note(0, 2880)).plan
    # An eighth into a dotted quarter is a third of the beat.
    assert plan.changes == (TempoChange(Place(2, Fraction(4, 3)), plan.changes[0].tempo),)
    assert plan.changes[0].tempo.quarters == 100.0


def test_hundreds_of_tempi_survive_the_plan_file() -> None:
    events = [meta(tick * 37, "set_tempo", tempo=400_000 + 311 * tick) for tick in range(500)]
    plan = read([*events, meta(960, "marker", text="A")], note(0, 19_200)).plan
    assert len(plan.changes) == 499
    assert parse_plan(write_plan(plan), where="plan") == plan


def test_metre_that_changes_within_a_bar_cuts_it_short() -> None:
    score = read(
        [
            meta(0, "time_signature", numerator=4, denominator=4),
            meta(1920 + 480, "time_signature", numerator=3, denominator=4),
        ],
        note(0, 1920 + 480 + 1440),
    )
    lengths = [bar.length for bar in score.plan.bars]
    assert lengths == [1, Fraction(1, 4), Fraction(3, 4)]
    assert score.order == "1-3"
    assert any("Bar 2 is cut short" in remark for remark in score.remarks)


def test_markers_are_sections() -> None:
    score = read(
        [meta(0, "marker", text="Intro"), meta(1919, "cue_marker", text="Überleitung")],
        note(0, 5760),
    )
    assert [section.name for section in score.plan.sections] == ["Intro", "Überleitung"]
    # A tick before the bar line means the bar line.
    assert [bar.section for bar in score.plan.bars] == [0, 1, 1]


def test_parts_and_title() -> None:
    score = read(
        [meta(0, "track_name", name="Święto")],
        [meta(0, "track_name", name="Alto"), *note(0, 480)],
        note(480, 960),
        [meta(0, "track_name", name="Alto"), *note(0, 480)],
        note(0, 1920, channel=9),
    )
    assert score.plan.title == "Święto"
    assert [part.name for part in score.parts] == ["Alto", "Track 3", "Alto (2)"]
    named = read([meta(0, "track_name", name="Alto"), *note(0, 480)], name="my song.mid")
    assert (named.plan.title, named.parts[0].name) == ("my song", "Alto")


def test_format_0_has_a_part_for_each_channel() -> None:
    events = [*note(0, 480), *note(0, 480, 48, channel=1)]
    score = read_midi(midi_of(events, kind=0), name="x.mid")
    assert [part.name for part in score.parts] == ["Channel 1", "Channel 2"]


def test_a_pitch_that_is_struck_again_ends_the_note_before() -> None:
    # The first note's end belongs to the first beginning.
    score = read([*note(0, 490), *note(480, 960)])
    assert score.parts[0].notes == (
        Note(Fraction(0), Fraction(1, 4), 60),
        Note(Fraction(1, 4), Fraction(1, 4), 60),
    )


def test_struck_together_the_longest_stays_and_unended_notes_are_told() -> None:
    assert read([*note(0, 480), *note(0, 960)]).parts[0].notes == (
        Note(Fraction(0), Fraction(1, 2), 60),
    )
    score = read([note(0, 1)[0], meta(960, "text", text="end")])
    assert score.parts[0].notes == (Note(Fraction(0), Fraction(1, 2), 60),)
    assert any("never ends" in remark for remark in score.remarks)


def test_triplets_are_exact_and_late_ends_make_no_bar() -> None:
    score = read(note(160, 320), note(0, 1925))
    assert score.parts[0].notes == (Note(Fraction(1, 12), Fraction(1, 12), 60),)
    assert len(score.plan.bars) == 1


def test_places_lie_where_the_ticks_are() -> None:
    score = read(
        [
            meta(0, "time_signature", numerator=7, denominator=8),
            meta(3000, "set_tempo", tempo=400_000),
        ],
        note(0, 6000),
    )
    place = score.plan.changes[0].at
    assert PlayedBars(score.plan.bars).positions(place) == [Fraction(3000, 1920)]


GOOD = midi_of([meta(0, "set_tempo", tempo=625_000)], note(0, 1920))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "no Standard MIDI file"),
        (b"RIFF" + GOOD, "no Standard MIDI file"),
        (GOOD[:10], "ends in its head"),
        (raw(END, kind=2), "format 2"),
        (raw(END, kind=7), "no MIDI format 7"),
        # SMF 1.0: E7 28 is 25 pictures a second, 40 ticks each.
        (raw(END, division=b"\xe7\x28"), "SMPTE"),
        (raw(END, division=b"\x00\x00"), "0 ticks"),
        (raw(END, count=2), "1 of the 2 tracks"),
        (GOOD[:-3], "cut off within track 2 of 2"),
        (raw(END), "no notes and no bars"),
        (raw(b"\x00\x90\x3c"), "ends within an event"),
        (raw(b"\x00\x3c\x40" + END), "broken"),
        (raw(b"\xff" * 100_000 + END), "does not end"),
        (raw(b"\x00\xff\x59\x02\x55\x00" + END), "broken"),
        (midi_of([meta(0, "set_tempo", tempo=0)], note(0, 9)), "tempo in bar 1"),
        (midi_of([meta(2000, "set_tempo", tempo=60_000)], note(0, 4000)), "bar 2 is 1000"),
        (midi_of(note(0, 1920 * 100_000)), "20,000 bars"),
        (raw(b"\x00\xff\x58\x04\x00\x02\x18\x08" + b"\x00\x90\x3c\x40\x60\x80\x3c\x40"), "bar 1"),
        (b"MThd" + bytes(5_000_000), "two million events"),
    ],
)
def test_what_cannot_be_read_is_told_at_once(data: bytes, words: str) -> None:
    began_s = time.perf_counter()
    with pytest.raises(ProductionError, match=words) as told:
        read_midi(data, name="a piece.mid")
    assert told.value.where == "a piece.mid"
    assert told.value.fix
    assert time.perf_counter() - began_s < 2.0


@settings(deadline=None, max_examples=300)
@given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 255)), min_size=1, max_size=6))
def test_damaged_files_are_read_or_refused(damage: list[tuple[int, int]]) -> None:
    good = bytearray(
        midi_of(
            [
                meta(0, "track_name", name="Title"),
                meta(0, "time_signature", numerator=3, denominator=4),
                meta(0, "key_signature", key="Eb"),
                meta(0, "set_tempo", tempo=625_000),
                meta(960, "marker", text="A"),
            ],
            [*note(0, 960), *note(960, 1440, 64)],
        )
    )
    for at, byte in damage:
        good[at % len(good)] = byte
    # Any other error would come through.
    with contextlib.suppress(ProductionError):
        assert read_midi(bytes(good), name="x.mid").plan.bars
