"""MusicXML to bars, tempi, holds, sections and notes.

MusicXML 4.0: https://www.w3.org/2021/06/musicxml40/musicxml-reference/elements/ (name of the
element beside each check).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from lxml import etree

from syncvid.errors import ProductionError
from syncvid.guide.score import NO_TEMPO_REMARK, USUAL_TEMPO, read_score
from syncvid.guide.timing import time_plan
from syncvid.guide.xml_tree import parse_xml
from syncvid.production.guide_file import parse_plan, write_plan
from syncvid.production.guide_plan import Hold, Place, Score, Tempo, TempoChange
from syncvid.production.metres import parse_metre
from tests.guide.scores import (
    HEAD,
    MID,
    attributes,
    barline,
    measure,
    metronome,
    note,
    numbered,
    partwise,
    read,
    repeat,
    sound,
    words,
)

QUARTER, EIGHTH = Fraction(1, 4), Fraction(1, 8)
FERMATA = "<notations><fermata/></notations>"


def one_bar(content: str, time: str = "4/4", divisions: int = 1) -> Score:
    return read(partwise([measure(attributes(time, divisions) + content)]))


def heard(score: Score, part: int = 0) -> list[tuple[str, str, float]]:
    return [(str(n.at), str(n.length), n.midi) for n in score.parts[part].notes]


def said(score: Score, wanted: str) -> list[str]:
    return [remark for remark in score.remarks if wanted in remark]


def test_a_duration_in_seconds() -> None:
    # MU7: divisions 2, duration 3, tempo 96 lasts 3/2 quarters of 60/96 s: 0.9375 s.
    score = one_bar(sound('tempo="96"') + note("C4", 3) + note("D4", 5), divisions=2)
    timing = time_plan(score.plan)
    first, second = score.parts[0].notes
    lasts = timing.seconds_at(second.at) - timing.seconds_at(first.at)
    assert lasts == pytest.approx(0.9375, abs=1e-9)


def test_a_dotted_quarter_of_60_are_90_quarters() -> None:
    # MU8; metronome: beat-unit, beat-unit-dot, per-minute.
    plan = one_bar(metronome("quarter", 60, 1) + note("C4", 3), "6/8").plan
    assert plan.tempo == Tempo(60, Fraction(3, 8))
    assert plan.tempo.quarters == 90


@pytest.mark.parametrize(
    ("shown", "bpm", "unit"),
    [("c. 108", 108, "1/4"), ("72,5", 72.5, "1/4"), ("100-110", 100, "1/4")],
)
def test_metronome_marks_as_people_write_them(shown: str, bpm: float, unit: str) -> None:
    assert one_bar(metronome("quarter", shown) + note("C4", 4)).plan.tempo == Tempo(
        bpm, Fraction(unit)
    )


def test_what_sounds_wins_over_what_is_printed() -> None:
    # sound: "tempo: expressed in quarter notes per minute".
    score = one_bar(metronome("half", 60, inner=sound('tempo="100"')) + note("C4", 4))
    assert score.plan.tempo == Tempo(100)
    assert said(score, "prints a tempo of half = 60 and sounds at quarter = 100")
    # Rounded alike it is one tempo, written as printed.
    score = one_bar(metronome("quarter", 63, 1, sound('tempo="94"')) + note("C4", 4))
    assert score.plan.tempo == Tempo(63, Fraction(3, 8))
    assert not score.remarks


def test_metric_modulation() -> None:
    # metronome: two beat units; the old quarter lasts as long as the new dotted quarter.
    relation = MID.format(
        "<metronome><beat-unit>quarter</beat-unit><beat-unit>quarter</beat-unit><beat-unit-dot/>"
        "</metronome>",
        "",
    )
    plan = read(partwise(numbered((sound('tempo="80"'), ""), (relation, "")))).plan
    assert plan.changes == (TempoChange(Place(2), Tempo(80, Fraction(3, 8))),)
    # metronome-note, metronome-relation: a half of the old as long as a whole of the new.
    notes = (
        "<metronome><metronome-note><metronome-type>{}</metronome-type></metronome-note>"
        "<metronome-relation>equals</metronome-relation>"
        "<metronome-note><metronome-type>{}</metronome-type></metronome-note></metronome>"
    )
    twice = MID.format(notes.format("half", "whole"), "")
    plan = read(partwise(numbered((sound('tempo="80"'), ""), (twice, "")))).plan
    assert plan.changes[0].tempo.quarters == 160
    score = read(partwise(numbered((twice, ""))))
    assert said(score, "Bar 1 relates its tempo to one before it")


def test_tempo_changes_within_bars() -> None:
    content = sound('tempo="60"') + note("C4", 1) + note("C4", 1) + sound('tempo="90"')
    plan = one_bar(content + note("C4", 2)).plan
    assert plan.changes == (TempoChange(Place(1, Fraction(3)), Tempo(90)),)
    # At the end of a bar it is the next one's; offset counts where it says that it sounds.
    late = '<offset sound="yes">2</offset>' + sound('tempo="90"')
    direction = words("x", late)
    plan = one_bar(sound('tempo="60"') + direction + note("C4", 4)).plan
    assert plan.changes == (TempoChange(Place(1, Fraction(3)), Tempo(90)),)
    plan = read(partwise(numbered((sound('tempo="60"'), sound('tempo="90"')), ""))).plan
    assert plan.changes == (TempoChange(Place(2), Tempo(90)),)


def test_an_offset_for_the_eye_moves_no_tempo() -> None:
    # offset: "If no, then any sound associated with the direction takes effect at the current
    # location. The sound attribute is no by default".
    direction = words("x", "<offset>2</offset>" + sound('tempo="90"'))
    content = sound('tempo="60"') + note("C4", 1) + direction + note("C4", 3)
    assert one_bar(content).plan.changes == (TempoChange(Place(1, Fraction(2)), Tempo(90)),)


def test_no_tempo() -> None:
    score = one_bar(note("C4", 4))
    assert NO_TEMPO_REMARK in score.remarks
    assert score.plan.tempo == USUAL_TEMPO == Tempo(96)


@pytest.mark.parametrize("tempo", ["0", "1000", "nan", "-5", "1e9"])
def test_tempi_that_cannot_be_are_told(tempo: str) -> None:
    score = one_bar(sound(f'tempo="{tempo}"') + note("C4", 4))
    assert score.plan.tempo == USUAL_TEMPO
    assert NO_TEMPO_REMARK in score.remarks
    assert said(score, "Bar 1 ")


def test_a_tempo_that_comes_late_holds_from_the_beginning() -> None:
    score = read(partwise(numbered("", (sound('tempo="70"'), ""))))
    assert score.plan.tempo == Tempo(70)
    assert not score.plan.changes
    assert said(score, "first tempo stands in bar 2")


@pytest.mark.parametrize(
    "text", ["rit.", "poco rall.", "accelerando", "a tempo", "Tempo I", "Allegro", "Più mosso"]
)
def test_words_for_tempi_are_told(text: str) -> None:
    score = read(partwise(numbered((sound('tempo="70"'), ""), (words(text), ""))))
    assert len(said(score, "Bar 2 says")) == 1
    assert said(score, "write it into the plan")


@pytest.mark.parametrize("text", ["dolce", "for strings", "String quartet", "spirit", "ritmico"])
def test_other_words_are_not(text: str) -> None:
    assert not read(partwise(numbered((sound('tempo="70"') + words(text), "")))).remarks


def test_a_tempo_with_its_number_is_read() -> None:
    tempo = words("a tempo", sound('tempo="70"'))
    score = read(partwise(numbered((sound('tempo="60"'), ""), (tempo, ""))))
    assert not score.remarks
    assert len(score.plan.changes) == 1


@pytest.mark.parametrize(
    ("time", "expected"),
    [
        ("<beats>3</beats><beat-type>4</beat-type>", "3/4"),
        ("<beats>6</beats><beat-type>8</beat-type>", "6/8"),
        # time: "A composite such as 3+2/8 requires only one beats/beat-type pair".
        ("<beats>3+2</beats><beat-type>8</beat-type>", "5/8 (3+2)"),
        ("<beats>2 + 3</beats><beat-type>4</beat-type>", "5/4 in 5 (2+3)"),
        # "Multiple pairs ... for composite time signatures with multiple denominators".
        (
            "<beats>2</beats><beat-type>4</beat-type><beats>3</beats><beat-type>8</beat-type>",
            "7/8 as >1/4 + 1/4 + >1/8 + 1/8 + 1/8",
        ),
    ],
)
def test_metres(time: str, expected: str) -> None:
    head = attributes(extra=f"<time>{time}</time>")
    score = read(partwise([measure(head + note("R", 1), 1, 'implicit="yes"')]))
    assert score.plan.bars[0].metre == parse_metre(expected)


def test_cut_and_common() -> None:
    # time: "The symbol attribute indicates ... common and cut time symbols".
    for time, expected in (
        ('<time symbol="cut"><beats>2</beats><beat-type>2</beat-type></time>', "2/2"),
        ('<time symbol="cut"/>', "2/2"),
        ('<time symbol="common"><beats>4</beats><beat-type>4</beat-type></time>', "4/4"),
    ):
        score = read(partwise([measure(attributes(extra=time) + note("C4", 4))]))
        assert score.plan.bars[0].metre == parse_metre(expected)


def test_metres_change() -> None:
    bars = [
        measure(attributes("4/4") + note("C4", 4), 1),
        measure(attributes("3/4") + note("C4", 3) + attributes("2/4"), 2),
        measure(note("C4", 2), 3),
    ]
    plan = read(partwise(bars)).plan
    assert [bar.metre.name for bar in plan.bars] == ["4/4", "3/4", "2/4"]


@pytest.mark.parametrize("time", ["0/4", "3/5", "999/4", "x/4", "3/"])
def test_metres_that_cannot_be(time: str) -> None:
    with pytest.raises(ProductionError, match=r"Bar 1: .*metre.*lied"):
        one_bar(note("C4", 4), time)


def test_without_metre() -> None:
    free = "<time><senza-misura/></time>"
    score = read(partwise([measure(attributes(extra=free) + note("C4", 7))]))
    assert score.plan.bars[0].metre == parse_metre("7/4")
    assert said(score, "Bar 1 has no metre")
    score = read(partwise([measure(note("C4", 4))]))
    assert said(score, "begins without a metre")


@pytest.mark.parametrize(("number", "attrs"), [("0", ""), ("1", 'implicit="yes"')])
def test_an_upbeat(number: str, attrs: str) -> None:
    # measure: "For a pickup measure, the number attribute is typically set to 0 ...".
    bars = [
        measure(attributes("3/4") + note("C4", 1), number, attrs),
        measure(note("C4", 3), 1),
        measure(note("C4", 2), 2),
    ]
    score = read(partwise(bars))
    assert [(b.number, b.begin, b.length) for b in score.plan.bars] == [
        (0, Fraction(1, 2), QUARTER),
        (1, 0, Fraction(3, 4)),
        (2, 0, Fraction(1, 2)),
    ]
    assert score.order == "0-2"
    assert score.remarks == (NO_TEMPO_REMARK,)


def test_bars_that_do_not_add_up() -> None:
    whole, short = note("C4", 4), note("C4", 3)
    violin = [attributes("4/4") + whole, short, whole, short, whole + note("C4", 1), whole]
    viola = [attributes("4/4") + whole, short, whole, whole, whole, whole]
    score = read(
        partwise(
            [measure(m, n) for n, m in enumerate(violin, 1)],
            [measure(m, n) for n, m in enumerate(viola, 1)],
            names=["Violin", "Viola"],
        )
    )
    # The longest part decides how long a bar is played.
    assert [bar.length for bar in score.plan.bars] == [1, Fraction(3, 4), 1, 1, Fraction(5, 4), 1]
    assert [remark for remark in score.remarks if "make" in remark] == [
        "Bar 2 of Violin: its notes make 3/4, 1/4 less than 4/4; the bar is played as 3/4.",
        "Bar 2 of Viola: its notes make 3/4, 1/4 less than 4/4; the bar is played as 3/4.",
        "Bar 4 of Violin: its notes make 3/4, 1/4 less than 4/4; the bar is played as 4/4.",
        "Bar 5 of Violin: its notes make 5/4, 1/4 more than 4/4; the bar is played as 5/4.",
    ]


def test_very_many_such_bars_are_counted() -> None:
    bars = [measure(attributes("4/4") if n == 1 else note("C4", 3), n) for n in range(1, 60)]
    told = said(read(partwise(bars)), " ")
    assert len(told) < 20
    assert any("45 more bars" in remark for remark in told)


def test_empty_bars_and_rests_of_a_whole_one_are_as_long_as_the_metre() -> None:
    bars = [
        measure(attributes("3/4"), 1),
        measure("<note><rest measure='yes'/><duration>4</duration></note>", 2),
        measure(note("R", 3), 3),
    ]
    score = read(partwise(bars))
    assert [bar.length for bar in score.plan.bars] == [Fraction(3, 4)] * 3
    assert score.remarks == (NO_TEMPO_REMARK,)


def test_a_rest_of_a_whole_bar_does_not_lengthen_an_upbeat() -> None:
    rest = "<note><rest measure='yes'/><duration>4</duration></note>"
    upbeat = 'implicit="yes"'
    score = read(
        partwise(
            [measure(attributes("4/4") + rest, 0, upbeat), measure(note("C4", 4), 1)],
            [measure(attributes("4/4") + note("C4", 1), 0, upbeat), measure(note("C4", 4), 1)],
        )
    )
    assert [bar.length for bar in score.plan.bars] == [QUARTER, 1]


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        (["1", "2", "X1"], [1, 2, 3]),
        (["1", "2", "2a"], [1, 2, 3]),
        (["1", "1", "2"], [1, 2, 3]),
        (["", "", ""], [1, 2, 3]),
        (["99999999", "2", "3"], [1, 2, 3]),
        (["17", "18", "19"], [17, 18, 19]),
    ],
)
def test_numbers_of_bars(numbers: list[str], expected: list[int]) -> None:
    bars = [
        measure((attributes("4/4") if not i else "") + note("C4", 4), number)
        for i, number in enumerate(numbers)
    ]
    score = read(partwise(bars))
    assert [bar.number for bar in score.plan.bars] == expected
    assert bool(said(score, "numbered in order")) == (expected[0] == 1)


def test_backup_and_forward_move_the_cursor() -> None:
    # backup, forward: "coordinate multiple voices in one part".
    back, ahead = (
        "<backup><duration>4</duration></backup>",
        "<forward><duration>2</duration></forward>",
    )
    score = one_bar(note("C5", 4) + back + ahead + note("C4", 1) + note("D4", 1))
    assert heard(score) == [("0", "1", 72), ("1/2", "1/4", 60), ("3/4", "1/4", 62)]


def test_chords_rests_grace_cue_and_unpitched_notes() -> None:
    content = (
        note("C4", 2)
        + note("E4", 2, before="<chord/>")
        + "<note><grace/><pitch><step>D</step><octave>4</octave></pitch></note>"
        + note("G4", 1, before="<cue/>")
        + note("X", 1)
    )
    assert heard(one_bar(content)) == [("0", "1/2", 60), ("0", "1/2", 64)]
    assert heard(one_bar(note("R", 1) + note("Bb3", 3))) == [("1/4", "3/4", 58)]


def test_transposing_instruments_sound_at_concert_pitch() -> None:
    # transpose: chromatic "does not include octave-change values; the values for both elements
    # need to be added to the written pitch".
    clarinet = "<transpose><chromatic>-2</chromatic></transpose>"
    bass_clarinet = (
        "<transpose><chromatic>-2</chromatic><octave-change>-1</octave-change></transpose>"
    )
    for transpose, expected in ((clarinet, 58), (bass_clarinet, 46)):
        bar = measure(attributes("4/4", extra=transpose) + note("C4", 4))
        assert heard(read(partwise([bar])))[0][2] == expected
    # The optional number attribute refers to staff numbers.
    second = "<transpose number='2'><chromatic>-7</chromatic></transpose>"
    bar = measure(
        attributes("4/4", extra=second)
        + note("C4", 2, "<staff>1</staff>")
        + note("C4", 2, "<staff>2</staff>")
    )
    assert [midi for *_, midi in heard(read(partwise([bar])))] == [60, 53]


def test_quarter_tones() -> None:
    content = note("A4", 4).replace("<alter>0</alter>", "<alter>-0.5</alter>")
    assert heard(one_bar(content))[0][2] == 68.5


def test_ties_are_merged() -> None:
    start, stop = '<tie type="start"/>', '<tie type="stop"/>'
    bars = [
        measure(attributes("4/4") + note("C4", 2) + note("C4", 2, start), 1),
        measure(note("C4", 4, stop + start), 2),
        measure(note("C4", 1, stop) + note("C4", 3), 3),
    ]
    assert heard(read(partwise(bars))) == [
        ("0", "1/2", 60),
        ("1/2", "7/4", 60),
        ("9/4", "3/4", 60),
    ]


def test_tuplets_in_divisions_that_do_not_hold_them() -> None:
    third = note("C4", 33) + note("D4", 33) + note("E4", 33)
    score = one_bar(third * 4, divisions=100)
    assert score.plan.bars[0].length == 1
    assert not said(score, "make")


def test_fermatas_are_held_in_the_last_beat_of_their_note() -> None:
    first = attributes("4/4") + sound('tempo="60"') + note("C4", 2) + note("D4", 2, FERMATA)
    other = attributes("4/4") + note("E4", 3) + note("F4", 1, FERMATA)
    bars = [[measure(m, 1), measure(note("C4", 4), 2)] for m in (first, other)]
    score = read(partwise(*bars))
    # One place in two parts: one hold, of the longer note.
    assert score.plan.holds == (Hold(Place(1, Fraction(4)), length=Fraction(1, 2)),)
    assert said(score, "fermatas in bar 1 last as long again")
    # The half at 60 lasts two seconds more: bar 2 begins 6 s after bar 1.
    timing = time_plan(score.plan)
    begins = timing.seconds_at(Fraction(1)) - timing.seconds_at(Fraction(0))
    assert begins == pytest.approx(6.0, abs=1e-9)


@pytest.mark.parametrize(
    ("oboe", "horn", "held"),
    [
        # The horn's half ends a beat before the oboe's dotted half: one pause, at the last beat.
        ([(3, True)], [(2, True), (1, False)], [(3, 3)]),
        # The longest note does not end last.
        ([(3, True), (1, False)], [(2, False), (2, True)], [(4, 3)]),
        # One after the other they are two.
        ([(2, True), (1, False)], [(2, False), (1, True)], [(2, 2), (3, 1)]),
    ],
)
def test_fermatas_over_each_other_are_one_pause(
    oboe: list[tuple[int, bool]], horn: list[tuple[int, bool]], held: list[tuple[int, int]]
) -> None:
    rows = [
        measure(
            attributes(f"{sum(n for n, _ in line)}/4")
            + "".join(note("C5", n, FERMATA * has) for n, has in line)
        )
        for line in (oboe, horn)
    ]
    found = read(partwise(rows[:1], rows[1:], names=("Oboe", "Horn"))).plan.holds
    assert found == tuple(
        Hold(Place(1, Fraction(beat)), length=Fraction(quarters, 4)) for beat, quarters in held
    )


def test_a_fermata_at_the_fine_is_held_only_at_the_end() -> None:
    """Common practice: the fermata over a Fine marks where the music ends, not what goes on."""
    held = note("C4", 4, FERMATA)
    bars = [
        measure(attributes("4/4") + note("C4", 4), 1),
        measure(held + sound('fine="yes"'), 2),
        measure(held + sound('dacapo="yes"'), 3),
    ]
    score = read(partwise(bars))
    assert score.order == "1-3, 1-2"
    assert [hold.at for hold in score.plan.holds] == [
        Place(3, Fraction(4)),
        Place(2, Fraction(4), 2),
    ]
    assert said(score, "In bar 2, of the Fine, they are held only at the end")
    again = parse_plan(write_plan(score.plan), where="plan")
    assert again.holds == score.plan.holds
    # Without a jump the bar is one like others.
    bars[2] = measure(note("C4", 4) + repeat("backward"), 3)
    assert read(partwise(bars)).plan.holds == (Hold(Place(2, Fraction(4)), length=Fraction(1)),)


def test_a_fermata_on_a_bar_line_is_told() -> None:
    score = read(partwise(numbered(barline("right", "<fermata/>"))))
    assert not score.plan.holds
    assert said(score, "fermata on its bar line")


def test_rehearsal_marks_are_sections() -> None:
    def mark(text: str) -> str:
        return MID.format(f"<rehearsal>{text}</rehearsal>", "")

    first = numbered("", (mark("A"), ""), "", (mark("B"), ""))
    second = numbered("", (mark("A"), ""), (mark("C"), ""), "")
    plan = read(partwise(first, second)).plan
    assert [section.name for section in plan.sections] == ["", "A", "C", "B"]
    assert [bar.section for bar in plan.bars] == [0, 1, 2, 3]


def test_an_upbeat_belongs_to_the_section_that_it_leads_to() -> None:
    mark = MID.format("<rehearsal>A</rehearsal>", "")
    bars = [
        measure(attributes("4/4") + note("C4", 1), 0, 'implicit="yes"'),
        measure(mark + note("C4", 4), 1),
    ]
    plan = read(partwise(bars)).plan
    assert [section.name for section in plan.sections] == ["A"]


def test_divisions_may_change() -> None:
    bars = [
        measure(attributes("4/4", 1) + note("C4", 4), 1),
        measure(attributes(divisions=2) + note("C4", 4) + note("D4", 4), 2),
    ]
    assert heard(read(partwise(bars)))[1:] == [("1", "1/2", 60), ("3/2", "1/2", 62)]


def test_titles_and_names() -> None:
    work = "<work><work-title>Suite</work-title></work>"
    movement = "<movement-title>Air</movement-title>"
    plain = [measure(attributes("4/4") + note("C4", 4))]
    score = read(partwise(plain, plain, plain, names=["Flute", "Flute", ""], extra=work + movement))
    assert score.plan.title == "Suite"
    assert [part.name for part in score.parts] == ["Flute", "Flute (2)", "Part 3"]
    assert read(partwise(plain, extra=movement)).plan.title == "Air"
    assert read(partwise(plain)).plan.title == ""


def test_score_timewise() -> None:
    wise = partwise(numbered("", ""), numbered("", ""))
    text = (
        f"{HEAD.replace('partwise', 'timewise')}<score-timewise><part-list>"
        '<score-part id="a"><part-name>Oboe</part-name></score-part></part-list>'
        f'<measure number="1"><part id="a">{attributes("4/4")}{note("C4", 4)}</part></measure>'
        f'<measure number="2"><part id="a">{note("D4", 4)}{repeat("backward")}</part></measure>'
        "</score-timewise>"
    )
    score = read(text)
    assert score.order == "1-2, 1-2"
    assert [midi for *_, midi in heard(score)] == [60, 62, 60, 62]
    assert len(read(wise).parts) == 2


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b"\x00\x01\x02", "no score"),
        (b"RIFF....WAVE", "no score"),
        (b"<!DOCTYPE html><html><body/></html>", "web page"),
        (b"<svg/>", "no MusicXML"),
        (b"<score-partwise/>", "no bars"),
        (b"<score-partwise><part id='a'/></score-partwise>", "no bars"),
        (b"<score-partwise><part>", "broken"),
        (b"PK\x03\x04", "broken"),
    ],
)
def test_what_is_no_score(data: bytes, message: str) -> None:
    with pytest.raises(ProductionError, match=rf"{message}.*lied"):
        read_score(data, name="lied.musicxml")


@pytest.mark.parametrize(
    "bad",
    [
        note("C4", 4).replace(">4</duration>", ">four</duration>"),
        note("C4", 4).replace(">4</duration>", ">-4</duration>"),
        note("C4", 4).replace(">4</duration>", f">{'9' * 50}</duration>"),
        note("C4", 4).replace("<step>C", "<step>H"),
        note("C4", 4).replace("<octave>4", "<octave>99999"),
        attributes(divisions=0),
        "<attributes><divisions>1e9999999</divisions></attributes>",
        "<note/>",
    ],
)
def test_what_cannot_be_read_says_where(bad: str) -> None:
    with pytest.raises(ProductionError, match=r"Bar 1 of P1: .*cannot be read.*lied"):
        one_bar(bad)


def test_scores_that_are_far_too_large() -> None:
    bar = measure(note("C4", 4))
    with pytest.raises(ProductionError, match="201 parts"):
        read(partwise(*([bar],) * 201))
    with pytest.raises(ProductionError, match="more than 20000 bars"):
        read(partwise(["<measure number='1'/>"] * 20_001))
    with pytest.raises(ProductionError, match="100 whole notes long: 64 are the most"):
        read(partwise([measure(note("C4", 1) * 400)]))
    chord = note("C4", 4) + note("E4", 4, before="<chord/>") * 400
    with pytest.raises(ProductionError, match="more than 2000000 notes"):
        read(partwise([measure(chord + repeat("backward", 'times="9000"'))]))


def test_parts_of_unequal_length_are_told() -> None:
    score = read(partwise(numbered("", "", ""), numbered("")))
    assert len(score.plan.bars) == 3
    assert said(score, "P2 has 1 of the 3 bars")


def test_utf_16() -> None:
    text = partwise(numbered(""), names=["Flöte"]).replace("UTF-8", "UTF-16")
    assert read_score(text.encode("utf-16"), name="x").parts[0].name == "Flöte"


EVERYTHING = partwise(
    [
        measure(
            attributes("3/4", 2) + metronome("quarter", 72) + note("C4", 2),
            0,
            'implicit="yes"',
        ),
        measure(MID.format("<rehearsal>A</rehearsal>", "") + note("D4", 3) + note("E4", 3), 1),
        measure(sound('tempo="100"') + note("D4", 4, FERMATA) + repeat("backward"), 2),
        measure(note("F4", 2), "X1", 'implicit="yes"'),
        measure(
            attributes("5/8", 2) + MID.format("<rehearsal>B</rehearsal>", "") + note("G4", 5), 3
        ),
        measure(note("G4", 5, FERMATA) + sound('dacapo="yes"'), 4),
    ],
    extra='<work><work-title>Alles "zusammen"</work-title></work>',
)


def test_a_plan_from_a_score_can_be_written_and_read(tmp_path: Path) -> None:
    score = read(EVERYTHING)
    assert score.order == "0-2, 0-4, 0-4"
    written = write_plan(score.plan, remarks=score.remarks)
    assert parse_plan(written, where="plan") == score.plan
    time_plan(score.plan)


def test_divisions_that_no_plan_can_tell_are_rounded() -> None:
    bars = [
        measure(attributes("4/4", 9_999_991) + note("C4", 7), 0, 'implicit="yes"'),
        measure(
            note("C4", 4_999_993, FERMATA) + sound('tempo="60"') + note("D4", 9_999_991 * 2), 1
        ),
        measure(note("C4", 9_999_991 * 4), 2),
    ]
    plan = read(partwise(bars)).plan
    assert parse_plan(write_plan(plan), where="plan") == plan
    time_plan(plan)


def test_a_score_that_lacks_anything_is_read_or_refused() -> None:
    whole = parse_xml(EVERYTHING.encode(), name="lied.musicxml")
    for number in range(1, len(list(whole.iter()))):
        root = parse_xml(EVERYTHING.encode(), name="lied.musicxml")
        element = list(root.iter())[number]
        element.getparent().remove(element)
        try:
            plan = read_score(etree.tostring(root), name="lied.musicxml").plan
        except ProductionError:
            continue
        assert parse_plan(write_plan(plan), where="plan") == plan
        time_plan(plan)
