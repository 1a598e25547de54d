"""Repeats and jumps as MusicXML 4.0 writes them.

https://www.w3.org/2021/06/musicxml40/musicxml-reference/elements/ barline/, ending/, repeat/,
sound/, direction/, segno/, coda/, words/.
"""

from __future__ import annotations

import pytest

from syncvid.errors import ProductionError
from syncvid.guide.timing import time_plan
from tests.guide.scores import (
    MID,
    attributes,
    barline,
    ending,
    measure,
    note,
    numbered,
    partwise,
    read,
    repeat,
    sound,
    words,
)

BACK = '<repeat direction="backward"/>'
SEGNO, CODA = MID.format("<segno/>", ""), MID.format("<coda/>", "")


def order(*bars: str | tuple[str, str]) -> str:
    return read(partwise(numbered(*bars))).order


def test_bars_as_they_stand() -> None:
    assert order("", "", "") == "1-3"


def test_repeats_and_their_times() -> None:
    # repeat: "times: the number of times the repeated section is played".
    assert order("", (repeat("forward"), ""), repeat("backward")) == "1-3, 2-3"
    assert order("", repeat("backward", 'times="3"'), "") == "1-2, 1-2, 1-3"
    assert order("", repeat("backward", 'times="0"'), "") == "1-3"


@pytest.mark.parametrize("both", ["1, 2", "1,2"])
def test_endings(both: str) -> None:
    first = order(
        "",
        (ending("1", "start"), ending("1", "stop", BACK)),
        (ending("2", "start"), ending("2", "discontinue")),
        "",
    )
    assert first == "1-2, 1, 3-4"
    second = order(
        "",
        (ending(both, "start"), ending(both, "stop", BACK)),
        (ending("3", "start"), ending("3", "discontinue")),
    )
    assert second == "1-2, 1-2, 1, 3"


def test_endings_of_three_bars_that_only_the_first_part_shows() -> None:
    first = numbered("", (ending("1,2,3", "start"), ""), "", ending("1,2,3", "stop", BACK), "", "")
    plain = numbered("", "", "", "", "", "")
    assert read(partwise(first, plain)).order == "1-4, 1-4, 1-4, 1, 5-6"


@pytest.mark.parametrize("alone", [True, False], ids=["alone", "within a direction"])
def test_jumps_by_sounds(alone: bool) -> None:
    def said(attrs: str) -> str:
        return sound(attrs) if alone else words("here", sound(attrs))

    assert order("", said('fine="yes"'), "", said('dacapo="yes"')) == "1-4, 1-2"
    assert (
        order("", (said('segno="s"'), ""), said('fine="yes"'), said('dalsegno="s"')) == "1-4, 2-3"
    )
    assert (
        order("", said('tocoda="c"'), said('dacapo="yes"'), (said('coda="c"'), ""), "")
        == "1-3, 1-2, 4-5"
    )
    # forward-repeat: "used when a forward repeat sign is implied".
    assert order("", (said('forward-repeat="yes"'), ""), repeat("backward")) == "1-3, 2-3"
    # time-only: "The times that jumps occur can be changed".
    assert order(said('dacapo="yes" time-only="1,2"'), "") == "1, 1, 1-2"


def test_after_jump() -> None:
    # repeat: "after-jump: if the repeats are played after a jump due to a da capo or dal segno".
    again = repeat("backward", 'after-jump="yes"')
    assert order(repeat("backward"), sound('dacapo="yes"')) == "1, 1-2, 1-2"
    assert order(again, sound('dacapo="yes"')) == "1, 1-2, 1, 1-2"


@pytest.mark.parametrize("text", ["D.C. al Fine", "Da Capo al Fine", "D. C.", "d.c. al fine"])
def test_da_capo_in_words(text: str) -> None:
    assert order("", words("Fine"), words(text)) == "1-3, 1-2"


@pytest.mark.parametrize("text", ["D.S. al Coda", "Dal Segno al Coda", "D. S. al coda"])
@pytest.mark.parametrize("leave", [words("To Coda"), MID.format("<words>To</words><coda/>", "")])
def test_dal_segno_in_words_and_symbols(text: str, leave: str) -> None:
    bars = ["", (SEGNO, ""), leave, words(text), (CODA, "")]
    assert order(*bars) == "1-4, 2-3, 5"


def test_two_codas_without_words() -> None:
    assert order("", CODA, words("D.C. al Coda"), (CODA, "")) == "1-3, 1-2, 4"


def test_words_count_only_where_no_sound_speaks_of_them() -> None:
    # The D.C. in bar 2 would be the first one; the sound says that it is bar 3's.
    assert order("", words("D.C."), sound('dacapo="yes"')) == "1-3, 1-3"


def test_a_sign_at_the_end_of_a_bar_marks_the_next_one() -> None:
    assert order(sound('segno="s"'), "", sound('dalsegno="s"')) == "1-3, 2-3"
    assert order(barline("right", "<segno/>", 'segno="s"'), "", sound('dalsegno="s"')) == (
        "1-3, 2-3"
    )
    assert order("", (barline("left", "<segno/>"), ""), words("D.S.")) == "1-3, 2-3"


def test_a_jump_without_its_sign_is_told() -> None:
    score = read(partwise(numbered("", words("D.S."))))
    assert score.order == "1-2"
    assert any("Bar 2 says dal segno, but there is no such sign" in r for r in score.remarks)


@pytest.mark.parametrize("leave", ["To Coda 𝄌", "to 𝄌", "Al Coda ⊕"])
@pytest.mark.parametrize("there", ["Coda", "𝄌 Coda", "Coda ⊕"])
def test_words_may_have_the_sign_beside_them(leave: str, there: str) -> None:
    bars = ["", words(leave), words("D.C. al Coda"), (words(there), ""), ""]
    assert order(*bars) == "1-3, 1-2, 4-5"


@pytest.mark.parametrize(
    ("text", "bars", "told"),
    [
        ("D.C. al Fine", ["", ""], "Bar 3 says al Fine, but there is no Fine"),
        ("D.S. al Coda", [(SEGNO, ""), ""], "Bar 3 says al Coda, but no bar says To Coda"),
        ("D.C. al Fine e poi la Coda", ["", words("Fine")], "no bar says To Coda"),
    ],
)
def test_a_jump_to_an_end_that_is_not_there_is_told(
    text: str, bars: list[str | tuple[str, str]], told: str
) -> None:
    for last in (words(text), words(text, sound('dacapo="yes"'))):
        score = read(partwise(numbered(*bars, last, "")))
        assert any(told in remark for remark in score.remarks)


def test_ends_that_are_there_are_not_told() -> None:
    for bars in (
        ["", words("Fine"), words("D.C. al Fine")],
        ["", sound('fine="yes"'), words("D.C. al Fine")],
        ["", words("To Coda"), words("D.C. al Coda"), (CODA, "")],
        ["", CODA, words("D.C. al Coda"), (CODA, "")],
    ):
        score = read(partwise(numbered(*bars)))
        assert not [r for r in score.remarks if "says al" in r]


def test_a_bar_that_a_repeat_divides() -> None:
    # measure: implicit "for ... the last half of mid-measure repeats".
    bars = [
        measure(attributes("4/4") + note("C4", 1), 0, 'implicit="yes"'),
        measure(note("D4", 4), 1),
        measure(note("E4", 3) + repeat("backward"), 2),
        measure(note("F4", 1), "X1", 'implicit="yes"'),
        measure(note("G4", 4), 3),
    ]
    score = read(partwise(bars))
    shapes = [(bar.number, str(bar.begin), str(bar.length)) for bar in score.plan.bars]
    once = [(0, "3/4", "1/4"), (1, "0", "1"), (2, "0", "3/4")]
    assert shapes == [*once, *once, (2, "3/4", "1/4"), (3, "0", "1")]
    assert score.order == "0-2, 0-3"
    assert not [r for r in score.remarks if "tempo" not in r]


def test_a_tie_over_a_jump_is_cut_and_one_into_a_second_ending_goes_on() -> None:
    tie = '<tie type="{}"/>'.format
    bars = [
        measure(attributes("4/4") + note("C4", 4, tie("start")), 1),
        measure(
            ending("1", "start") + note("C4", 4, tie("stop") + tie("start"))
            + ending("1", "stop", BACK), 2,
        ),
        measure(ending("2", "start") + note("C4", 4, tie("stop")) + ending("2", "stop"), 3),
    ]  # fmt: skip
    score = read(partwise(bars))
    assert score.order == "1-2, 1, 3"
    assert [(note.at, note.length) for note in score.parts[0].notes] == [(0, 2), (2, 2)]


def test_the_first_tempo_holds_again_where_the_music_begins_again() -> None:
    bars = numbered((sound('tempo="60"'), ""), (sound('tempo="90"'), ""), repeat("backward"), "")
    plan = read(partwise(bars)).plan
    assert plan.tempo.quarters == 60
    assert [(c.at.bar, c.tempo.quarters) for c in plan.changes] == [(1, 60), (2, 90)]


def test_the_tempo_of_a_place_holds_again_where_the_music_jumps_back_to_it() -> None:
    bars = numbered(
        (sound('tempo="60"'), ""), (SEGNO, ""), (sound('tempo="90"'), words("Fine")), words("D.S.")
    )
    score = read(partwise(bars))
    assert score.order == "1-4, 2-3"
    assert [(c.at.bar, c.tempo.quarters) for c in score.plan.changes] == [(2, 60), (3, 90)]
    # Whole notes at 60, 60, 90, 90, 60 and 90: 4 s or 8/3 s each.
    timing = time_plan(score.plan)
    lasts = timing.map.music_to_s - timing.map.music_from_s
    assert lasts == pytest.approx(3 * 4 + 3 * 8 / 3, abs=1e-9)


def test_a_tie_from_the_last_bar_of_a_repeat_is_not_one_to_its_first() -> None:
    start, stop = '<tie type="start"/>', '<tie type="stop"/>'
    bars = [
        measure(attributes("4/4") + note("C4", 4, stop), 1),
        measure(note("C4", 4, start) + repeat("backward"), 2),
        measure(note("C4", 4, stop), 3),
    ]
    notes = read(partwise(bars)).parts[0].notes
    assert [(note.at, note.length) for note in notes] == [(0, 1), (1, 1), (2, 1), (3, 2)]


def test_repeats_far_too_often_are_refused() -> None:
    with pytest.raises(ProductionError, match=r"more than 20000 bars.*lied"):
        order("", repeat("backward", 'times="999999"'))


def test_bars_that_are_never_played_are_told() -> None:
    lonely = (ending("3", "start"), ending("3", "stop"))
    score = read(partwise(numbered("", lonely, "")))
    assert score.order == "1, 3"
    assert any("Never played: 2." in remark for remark in score.remarks)
    with pytest.raises(ProductionError, match=r"No bar is played.*lied"):
        read(partwise(numbered(lonely)))
