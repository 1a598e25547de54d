"""``syncvid.mix/1`` out and in again."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production import mix_made
from syncvid.production.mix_json import mix_document, read_mix_json, write_mix_json
from syncvid.production.mix_made import (
    MadeMaster,
    MadeMix,
    MadePassage,
    MadeRoom,
    MadeSplice,
    MadeStem,
    Programme,
)


def figures(digits: int, most: float = 1000.0) -> st.SearchStrategy[float]:
    return st.floats(-most, most).map(lambda value: round(value, digits) + 0.0)


TEXTS = st.text(max_size=12)
TIMES, LEVELS, OTHERS = figures(6), figures(3), figures(4)
PROGRAMMES = st.builds(
    Programme,
    integrated_lufs=st.none() | LEVELS,
    momentary_lufs=st.none() | LEVELS,
    short_term_lufs=st.none() | LEVELS,
    range_lu=st.none() | LEVELS,
    true_peak_dbtp=st.just(-math.inf) | LEVELS,
    sample_peak_dbfs=st.just(-math.inf) | LEVELS,
)
SPLICES = st.builds(
    MadeSplice,
    at_s=TIMES,
    marked_s=TIMES,
    fade_s=TIMES,
    law=st.sampled_from(["equal power", "linear"]),
    hidden_in=st.sampled_from(["rest", "attack", "quiet", "held"]),
    place=TEXTS,
    step_ratio=st.none() | OTHERS,
)
PASSAGES = st.builds(
    MadePassage,
    take=st.integers(1, 9),
    file=TEXTS,
    from_s=TIMES,
    to_s=TIMES,
    offset_s=TIMES,
    drift_ppm=OTHERS,
    gain_db=LEVELS,
)
STEMS = st.builds(
    MadeStem,
    name=TEXTS,
    passages=st.lists(PASSAGES, max_size=2).map(tuple),
    splices=st.lists(SPLICES, max_size=2).map(tuple),
    cleaning=st.lists(st.tuples(TEXTS, TEXTS), max_size=2).map(tuple),
    loudness_lufs=st.none() | LEVELS,
    starting_db=LEVELS,
    wish_db=LEVELS,
    pan=OTHERS,
    shift_ms=OTHERS,
    muted=st.booleans(),
    tone_db=st.lists(st.tuples(OTHERS, LEVELS), max_size=2).map(tuple),
    room_db=LEVELS,
    file=TEXTS,
)
ROOMS = st.builds(MadeRoom, TEXTS, TEXTS, TIMES, OTHERS, OTHERS, LEVELS)
MASTERS = st.builds(
    MadeMaster,
    target=TEXTS,
    target_lufs=st.none() | LEVELS,
    ceiling_dbtp=LEVELS,
    gain_db=LEVELS,
    limited_db=LEVELS,
    limited_share=OTHERS,
    programme=PROGRAMMES,
    second_lufs=st.none() | LEVELS,
    second_dbtp=st.none() | LEVELS,
)
MIXES = st.builds(
    MadeMix,
    title=TEXTS,
    reference=st.sampled_from(["mix", "guide", "clips"]),
    from_s=TIMES,
    to_s=TIMES,
    music_from_s=TIMES,
    music_to_s=TIMES,
    head_s=TIMES,
    tail_s=TIMES,
    sample_rate=st.sampled_from([44_100, 48_000]),
    stems=st.lists(STEMS, max_size=2).map(tuple),
    room=st.none() | ROOMS,
    master=MASTERS,
    files=st.lists(TEXTS, max_size=2).map(tuple),
    remarks=st.lists(TEXTS, max_size=2).map(tuple),
)

SILENCE = Programme(None, None, None, None, -math.inf, -math.inf)
SILENT = MadeMix(
    title="Abendlied",
    reference="guide",
    from_s=-1.0,
    to_s=3.0,
    music_from_s=0.0,
    music_to_s=1.0,
    head_s=1.0,
    tail_s=2.0,
    sample_rate=48_000,
    stems=(MadeStem("Flute", ()),),
    room=None,
    master=MadeMaster("share", -14.0, -1.0, 0.0, 0.0, 0.0, SILENCE),
)


@given(MIXES)
def test_what_was_written_is_read_back(made: MadeMix) -> None:
    assert read_mix_json(write_mix_json(made)) == made


@given(MIXES)
def test_every_field_of_every_record_is_written(made: MadeMix) -> None:
    document = mix_document(made)
    assert document["format"] == "syncvid.mix/1"
    assert set(document) - {"format"} == {entry.name for entry in fields(MadeMix)}
    assert set(document["master"]["programme"]) == {entry.name for entry in fields(Programme)}
    for stem in document["stems"]:
        assert set(stem) == {entry.name for entry in fields(MadeStem)}
        for splice in stem["splices"]:
            assert set(splice) == {entry.name for entry in fields(MadeSplice)}


def test_silence_is_null_and_read_back_as_minus_infinity() -> None:
    text = write_mix_json(SILENT)
    assert json.loads(text)["master"]["programme"]["true_peak_dbtp"] is None
    assert read_mix_json(text) == SILENT


def test_numbers_are_rounded_and_read_as_plain_ones() -> None:
    stem = MadeStem("Flute", (), starting_db=float("nan"), wish_db=np.float32(1.23456))  # type: ignore[arg-type]
    made = replace(SILENT, stems=(stem,), from_s=1 / 3, head_s=-1e-12, sample_rate=np.int64(9))
    document = json.loads(write_mix_json(made))
    assert document["from_s"] == 0.333333
    assert str(document["head_s"]) == "0.0"
    assert document["stems"][0]["starting_db"] is None
    assert document["stems"][0]["wish_db"] == 1.235


def test_what_may_be_left_out_is_filled_and_what_is_unknown_passed_over() -> None:
    document = mix_document(SILENT)
    document["stems"] = [{"name": "Oboe", "passages": [], "colour": "green"}]
    del document["remarks"]
    assert read_mix_json(json.dumps(document)).stems == (MadeStem("Oboe", ()),)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda d: d.pop("title"), "title is None, no text"),
        (lambda d: d.update(format="syncvid.mix/2"), r"no syncvid\.mix/1 file"),
        (lambda d: d.update(from_s="soon"), "from_s is 'soon', no number"),
        (lambda d: d.update(sample_rate=44.1), "sample_rate is 44.1, no whole number"),
        (lambda d: d.update(stems={}), "stems is {}, no list"),
        (lambda d: d.update(stems=[7]), "7 is no MadeStem"),
        (lambda d: d["stems"][0].update(muted=1), "muted is 1, neither true nor false"),
        (lambda d: d["stems"][0].update(cleaning=["hum"]), "cleaning holds 'hum'"),
        (lambda d: d["stems"][0].update(splices=[{"law": "sudden"}]), "at_s is None, no number"),
        (lambda d: d["master"].update(gain_db=None), "gain_db is None, no number"),
        (lambda d: d["master"].update(gain_db=10**400), "int too large"),
    ],
)
def test_mistakes_are_told_with_their_place(spoil: object, message: str) -> None:
    document = json.loads(write_mix_json(SILENT))
    spoil(document)  # type: ignore[operator]
    with pytest.raises(ProductionError, match=message) as caught:
        read_mix_json(json.dumps(document), where="mix.json")
    assert caught.value.where == "mix.json"


@pytest.mark.parametrize("text", ["", "[]", '"syncvid.mix/1"', "{"])
def test_what_is_no_such_file_is_told(text: str) -> None:
    with pytest.raises(ProductionError, match="This is no"):
        read_mix_json(text)


def test_an_unknown_word_is_told_with_the_known_ones() -> None:
    splice = MadeSplice(1.0, 1.0, 0.02, "linear", "rest")
    document = mix_document(replace(SILENT, stems=(MadeStem("Flute", (), (splice,)),)))
    document["stems"][0]["splices"][0]["hidden_in"] = "fog"
    with pytest.raises(ProductionError, match="'fog', not one of rest, attack, quiet, held"):
        read_mix_json(json.dumps(document))


def test_every_type_of_field_has_a_reader() -> None:
    from syncvid.production.mix_json import _READERS

    records = [kind for kind in vars(mix_made).values() if hasattr(kind, "__dataclass_fields__")]
    assert {str(entry.type) for kind in records for entry in fields(kind)} <= set(_READERS)
