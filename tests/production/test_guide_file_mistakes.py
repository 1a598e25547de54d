"""What is said of plans that are wrong: which line, what, and what to do."""

from __future__ import annotations

import time

import pytest

from syncvid.errors import ProductionError
from syncvid.production.guide_file import parse_plan

HEAD = 'metre = "4/4"\ntempo = 90\n'
PIECE = f"{HEAD}bars = 16\n"


def said_of(text: str) -> str:
    with pytest.raises(ProductionError) as caught:
        parse_plan(text, where="round.toml")
    assert caught.value.where == "round.toml"
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # Tempo.
        ('metre = "4/4"\ntempo = 0\nbars = 8', "line 2: 'tempo' is wrong: nobody can play at a"),
        ('metre = "4/4"\ntempo = 1000\nbars = 8', "tempo of 1000: it lies between 10 and 500"),
        ('metre = "4/4"\ntempo = nan\nbars = 8', "line 2: 'tempo' is wrong"),
        ('metre = "4/4"\ntempo = true\nbars = 8', "true is no tempo"),
        ('metre = "4/4"\ntempo = "fast"\nbars = 8', "'fast' is no tempo. Write beats per minute"),
        ('metre = "4/4"\ntempo = "fat = 60"\nbars = 8', "'fat' is no length of a note"),
        ('metre = "4/4"\nbars = 8', "'tempo' is missing: write tempo = 96"),
        (f"{HEAD}[[sections]]\nbars = 8\ntempo = 80", "line 5: 'sections' 1 'tempo' stands at the"),
        # Metre.
        ("tempo = 96\nbars = 8", "'metre' is missing: write metre"),
        ('metre = "7/8 (2+2+2)"\ntempo = 96\nbars = 8',
         "line 1: 'metre' is wrong: 7/8 (2+2+2): the groups make 6 eighths, the metre has 7"),
        ('metre = "7/8 in 7 (2+2+2)"\ntempo = 96\nbars = 8', "the groups make 6 beats, "),
        ('metre = "4/4 in 3"\ntempo = 96\nbars = 8', "4/4 cannot be counted in 3 even beats"),
        ('metre = "4/5"\ntempo = 96\nbars = 8', "4/5 is no metre: below stands 1, 2, 4, 8"),
        ('metre = "0/4"\ntempo = 96\nbars = 8', "0/4 is no metre"),
        ('metre = "waltz"\ntempo = 96\nbars = 8', "'waltz' is no metre. Write"),
        ('metre = "5/8 as 3/8 + 3/8"\ntempo = 96\nbars = 8', "The beats of 5/8 make 3/4, not 5/8"),
        ('metre = "5/8 as 3 + 2"\ntempo = 96\nbars = 8', "beats are written like 3/8 + 2/8"),
        ("metre = 3\ntempo = 96\nbars = 8", "3 must stand in quotes"),
        # Bars.
        (HEAD, "'bars' are missing: write bars = 32, or sections"),
        (f"{HEAD}bars = 0", "line 3: 'bars' is wrong: 0 bars are none"),
        (f'{HEAD}bars = "8"', '"8" in quotes is one bar, the one of that number. Write 8 without'),
        (f'{HEAD}bars = "8-1"', "bars 8-1 would end before they begin"),
        (f'{HEAD}bars = "1-8; 1-7"', "'1-8; 1-7' are no bars. Write how many"),
        (f'{HEAD}bars = "1-7, 8 (x)"', "'x' is no length of a note"),
        (f'{HEAD}bars = "1-7, 8 (last 5/4)"', "the last 5/4 of bar 8 is longer than its"),
        (f'{HEAD}bars = "1-7, 8 (65/1)"', "(65/1) is too long for a bar"),
        (f'{HEAD}upbeat = "4/4"\nbars = 8', "line 3: 'upbeat' is no shorter than a bar of 4/4"),
        (f"{PIECE}[[sections]]\nbars = 8", "line 3: 'bars' stand here and in sections"),
        (f'{HEAD}[[sections]]\nbars = 8\n[[sections]]\nbars = 4\nagain = "A"',
         "line 7: 'sections' 2 'again' is wrong: no section before it is called 'A'"),
        (f'{HEAD}[[sections]]\nname = "A"\nbars = 4\n[[sections]]\nagain = 1\nname = "B"\nbars = 4',
         "again: name, clicks and drone are those of the section it names"),
        # Ramps and places.
        (f'{PIECE}[[tempo_changes]]\nat = "bar 5"\ntempo = 80\nuntil = "bar 5"',
         "line 7: 'tempo_changes' 1 'until' is wrong: the change of tempo from bar 5 has no"),
        (f'{PIECE}[[tempo_changes]]\nat = "bar 5 beat 3"\ntempo = 80\nuntil = "bar 3"',
         "the change of tempo from bar 5 beat 3 would end before it begins"),
        (f'{PIECE}[[tempo_changes]]\nat = "bar 5"\ntempo = 80\nuntil = "bar 9"\n'
         '[[tempo_changes]]\nat = "bar 8"\ntempo = 70',
         "line 8: 'tempo_changes' 2 is wrong: this change of tempo at bar 8 begins before the one "
         "from bar 5 has come to its end"),
        (f'{PIECE}[[tempo_changes]]\nat = "bar 5"\ntempo = 80\n'
         '[[tempo_changes]]\nat = "bar 5"\ntempo = 70', "there are two tempi at bar 5: keep one"),
        (f'{PIECE}[[tempo_changes]]\nat = "bar 5"\ntempo = 80\nlaw = "steps"',
         "law says how a tempo is reached: say until where"),
        (f'{HEAD}[[sections]]\nbars = 4\nlaw = "by beat"',
         "line 5: 'sections' 1 'law' is wrong: 'by beat' is none of by beats, by time, steps"),
        (f'{PIECE}[[tempo_changes]]\nat = "bar 40"\ntempo = 80',
         "line 5: 'tempo_changes' 1 'at' is wrong: there is no bar 40: the piece has bars 1 to 16"),
        (f'{PIECE}[[cues]]\npart = "Viola"\nat = "bar 4 beat 6"', "bar 4 has no beat 6 there"),
        (f'{PIECE}[[cues]]\npart = "Viola"\nat = "bar 4 second time"',
         "line 6: 'cues' 1 'at' is wrong: bar 4 is played once, not 2 times"),
        (f'{PIECE}[[cues]]\npart = "Viola"\nat = "soon"', "'soon' is no place. Write"),
        (f'{PIECE}[[cues]]\npart = "Viola"\nat = "bar 4 beat 1/0"', "is no place"),
        (f'{PIECE}[[cues]]\npart = "Viola"\nat = 4', "4 is no place"),
        # Holds.
        (f'{PIECE}[[holds]]\nat = "bar 4"\nseconds = -1', "a hold lasts 0 to 60 seconds, not -1"),
        (f'{PIECE}[[holds]]\nat = "bar 4"\nseconds = 61', "line 6: 'holds' 1 'seconds' is wrong"),
        (f'{PIECE}[[holds]]\nat = "bar 4"\nlonger = "-1/16"', "'-1/16' is no length of a note"),
        (f'{PIECE}[[holds]]\nat = "bar 4"\nlonger = "9/2"', "a hold lasts 4 whole notes at most"),
        (f'{PIECE}[[holds]]\nat = "bar 4"', "a hold needs its time: seconds = 2, or longer"),
        (f"{PIECE}[[holds]]\nseconds = 2", "a hold needs one place"),
        # Sound and the rest.
        (f"{PIECE}[sound]\na4_hz = 390", "390 Hz is no pitch to tune an A to: 400 to 480 are"),
        (f"{PIECE}[sound]\na4_hz = 481", "line 5: 'sound' 'a4_hz' is wrong"),
        (f'{PIECE}[sound]\ndrone = "D3 H3"', "'H3' is no note. German H is B here"),
        (f'{PIECE}[sound]\ndrone = "D3 A"', "'A' is no note. Its octave is missing: A3 lies below"),
        (f'{PIECE}[sound]\ndrone = "A9"', "A9 lies beyond a piano"),
        (f'{HEAD}[[sections]]\nbars = 4\ndrone = "Viola"', "'Viola' is no note"),
        (f'{PIECE}[sound]\nclick = "gong"', "input should be 'wood', 'bell' or 'tick'"),
        (f"count_in = -1\n{PIECE}", "line 1: 'count_in' is wrong: -1 is no count-in"),
        (f'count_in = "61 s"\n{PIECE}', "'61 s' is no count-in"),
        (f'count_in = "nan s"\n{PIECE}', "'nan s' is no count-in"),
        (f'clicks = "beat"\n{PIECE}', "'beat' is none of none, bars, half bars, beats"),
        (f'format = "syncvid.production/1"\n{PIECE}', "line 1: 'format' is wrong"),
        (f"{PIECE}tempos = 3", "line 4: 'tempos' is not a key that is known here (did you mean "
         "'tempo'?)"),
        (f'{PIECE}[[holds]]\nat = "bar 4"\nsecond = 2', "did you mean 'seconds'?"),
        (f"{PIECE}[sounds]\na4_hz = 440", "did you mean 'sound'?"),
        (f"{PIECE}xyz = 3", "'xyz' is not a key that is known here."),
        # Too much.
        (f'{HEAD}bars = "1-9000, 1-9000, 1-2001"', "20001 bars are too many"),
        (f'{HEAD}bars = "{"1, " * 400}1"\n' + '[[holds]]\nat = "bar 1"\nseconds = 1\n' * 300,
         "line 752: 'holds' 250 'at' and the places before it are played too often: write fewer"),
        (f"a = {'[' * 100_000}", "This is no valid TOML"),
        (f"{HEAD}bars = 20001", "20001 bars are too many: a piece has 20000 at most"),
        (f"{HEAD}[[sections]]\nbars = 15000\n[[sections]]\nbars = 15000",
         "line 6: 'sections' 2 'bars' make more than 20000 in all"),
        (f"{HEAD}bars = 9000", "line 3: 'bars' make a piece of 6.7 hours or more: 6 are the most"),
    ],
)  # fmt: skip
def test_a_mistake_is_told(text: str, said: str) -> None:
    assert said in said_of(text)


def test_all_mistakes_are_told_at_once_in_the_order_of_the_lines() -> None:
    said = said_of(
        'tilte = "x"\nmetre = "7/8 (2+2)"\ntempo = 1000\nbars = 8\n'
        '[sound]\na4_hz = 300\nclik = "wood"\n'
        '[[holds]]\nat = "bra 3"\nseconds = 99\n'
    )
    lines = [int(part.split(":")[0]) for part in said.split("line ")[1:]]
    assert lines == [1, 2, 3, 6, 7, 9, 10]
    places = said_of(
        f'{PIECE}[[holds]]\nat = "bar 17"\nseconds = 1\n[[cues]]\npart = "x"\nat = "bar 0"\n'
    )
    assert "line 5" in places
    assert "line 9" in places


def test_hundreds_of_mistakes_are_told_as_so_many() -> None:
    said = said_of(PIECE + '[[holds]]\nat = "bar 99"\nseconds = 1\n' * 300)
    assert "and 280 more" in said


@pytest.mark.parametrize(
    "text",
    [
        f"{HEAD}bars = 100000",
        f'{HEAD}bars = "1-100000"',
        f"{HEAD}bars = {'9' * 400}",
        HEAD + "[[sections]]\nbars = 1000\n" * 100,
        HEAD + "[[sections]]\nbars = 1\n" * 100_000,
        HEAD + 'bars = "' + "1-8, " * 12_000 + '1-8"',
        # Places in one bar that is played very often.
        HEAD
        + 'bars = "'
        + "1, " * 5_000
        + '1"\n'
        + '[[holds]]\nat = "bar 1"\nseconds = 1\n' * 5_000,
        "a = " + "[" * 100_000,
        "tempo = " + "9" * 5_000,
        f"tempo = {'9' * 400}",
        f'{HEAD}bars = "{"9" * 5_000}"',
        f'{PIECE}[[holds]]\nat = "bar {"9" * 5_000}"\nseconds = 1',
    ],
    ids=[
        *("a count", "a run", "a count of 400 digits", "many sections", "100,000 sections"),
        *("many runs", "many places", "deep brackets", "5,000 digits", "a tempo of 400 digits"),
        *("bars of 5,000 digits", "a place of 5,000 digits"),
    ],
)
def test_what_is_far_too_much_is_refused_quickly(text: str) -> None:
    before = time.process_time()
    said_of(text)
    # A person waits; without limits the largest of these takes minutes.
    assert time.process_time() - before < 10.0
