"""What goes into a mix: stems at their gains, places and tones, and the room that all share."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from syncvid.errors import ProductionError, SignalError
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound
from syncvid.mix.balance import Balanced, starting_balance
from syncvid.mix.bus import Room, Strand
from syncvid.mix.measures import BANDS_HZ
from syncvid.mix.rooms import AMOUNTS, ROOMS, decay_of, make_room, use_response
from syncvid.mix.tone import match_tones, tone_filter
from syncvid.production.mix_made import MadePassage, MadeRoom, MadeStem
from syncvid.production.stem_files import StemFiles
from syncvid.steps.mix_plan import MixPlan
from syncvid.steps.stems import SAMPLE_RATE, Stem


def strands_of(
    plan: MixPlan, stems: Sequence[Stem]
) -> tuple[list[Strand], list[MadeStem], list[str]]:
    """Return the stems at their gains and places, what is told of each, and remarks.

    Muted ones are not among the strands.
    """
    balance = starting_balance([_balanced(plan, stem) for stem in stems])
    tones = match_tones(
        [stem.measure.bands_db for stem in stems],
        [_group(plan, stem) for stem in stems],
        strength=plan.sound.match,
    )
    files = StemFiles(plan.material.store.folder)
    strands, made = [], []
    for stem, starting_db, tone_db in zip(stems, balance.starting_db, tones, strict=True):
        row = _made_stem(plan, stem, starting_db, tone_db)
        made.append(row)
        if row.muted or stem.measure.loudness_lufs is None:
            continue
        strands.append(
            Strand(
                files.open(stem.key),
                gain=10 ** ((row.starting_db + row.wish_db) / 20),
                pan=row.pan,
                tone=tone_filter(tone_db, sample_rate=SAMPLE_RATE) if any(tone_db) else None,
                room=10 ** (row.room_db / 20),
            )
        )
    return strands, made, list(balance.remarks)


def _balanced(plan: MixPlan, stem: Stem) -> Balanced:
    """Return a stem as the balance sees it."""
    wishes = stem.parts[0].wishes
    names = {name for part in stem.parts for name in (part.part, part.name)}
    return Balanced(
        stem.name,
        stem.measure,
        group=_group(plan, stem),
        melody=bool(names & set(plan.sound.melody)),
        wish_db=wishes.gain_db,
        muted=wishes.muted,
    )


def _group(plan: MixPlan, stem: Stem) -> str:
    """Return the section of a stem."""
    part = stem.parts[0]
    return plan.material.groups.get((part.part, part.player), "")


def _made_stem(plan: MixPlan, stem: Stem, starting_db: float, tone_db: Sequence[float]) -> MadeStem:
    """Return what is told of a stem."""
    part = stem.parts[0]
    pans = [plan.pans.get((each.part, each.player), 0.0) for each in stem.parts]
    return MadeStem(
        name=stem.name,
        passages=tuple(_made_passages(plan, stem)),
        splices=tuple(
            replace(splice, step_ratio=ratio)
            for splice, ratio in zip(part.splices, stem.step_ratios, strict=True)
            if plan.window.from_s < splice.at_s < plan.window.to_s
        ),
        cleaning=stem.cleaning,
        loudness_lufs=stem.measure.loudness_lufs,
        starting_db=starting_db,
        wish_db=part.wishes.gain_db,
        pan=sum(pans) / len(pans),
        shift_ms=part.wishes.shift_ms,
        muted=part.wishes.muted,
        tone_db=tuple(zip(BANDS_HZ, tone_db, strict=True)) if any(tone_db) else (),
        room_db=part.wishes.room_db,
    )


def _made_passages(plan: MixPlan, stem: Stem) -> Iterator[MadePassage]:
    """Yield what is heard in a stem, within the window."""
    for passage in stem.parts[0].passages:
        sounding = passage.entry.sound
        assert sounding is not None
        begin_s, end_s = (passage.line.to_reference(at) for at in sounding.take.stretch_s)
        from_s = max(passage.from_s, begin_s, plan.window.from_s)
        to_s = min(passage.to_s, end_s, plan.window.to_s)
        if to_s <= from_s:
            continue
        yield MadePassage(
            take=passage.entry.recording.take,
            file=sounding.source.file,
            from_s=from_s,
            to_s=to_s,
            offset_s=passage.line.offset_s,
            drift_ppm=passage.line.drift_ppm,
            gain_db=passage.gain_db,
        )


def room_of(plan: MixPlan) -> tuple[Room, MadeRoom] | None:
    """Return the room that all parts share; None for a dry mix.

    Raises
    ------
    ProductionError
        The file that the plan names is no impulse response.
    MediaError
        It cannot be read.
    """
    sound, source = plan.sound, plan.material.room
    if sound.room_amount == "none":
        return None
    if sound.room_file and source is not None:
        heard = read_sound(probe(source.path), sample_rate=SAMPLE_RATE)
        try:
            response = use_response(heard.samples, sample_rate=SAMPLE_RATE)
        except SignalError as exc:
            raise ProductionError(exc.what, where=source.file, fix=exc.fix) from exc
    else:
        response = make_room(ROOMS[sound.room], sample_rate=SAMPLE_RATE)
    room = Room(
        response, AMOUNTS[sound.room_amount], sound.predelay_ms / 1000, sound.room_low_cut_hz
    )
    decay_s = decay_of(response, sample_rate=SAMPLE_RATE)
    return room, MadeRoom(
        amount=sound.room_amount,
        name=sound.room,
        decay_s=0.0 if math.isnan(decay_s) else decay_s,
        predelay_ms=sound.predelay_ms,
        low_cut_hz=sound.room_low_cut_hz,
        under_db=room.under_db,
    )
