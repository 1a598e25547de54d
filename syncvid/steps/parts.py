"""When the parts of a cast play, enter and lead; made only for layouts that ask for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from syncvid.listen.activity import Activity, join_activities
from syncvid.listen.leading import propose_leads
from syncvid.picture import Voice
from syncvid.production.store import Store
from syncvid.steps.casting import Cast
from syncvid.steps.playing import activity_of
from syncvid.timeline import Lead


def part_activities(players: Cast, store: Store) -> tuple[Activity, ...]:
    """Return what each part does over the length of the video, by what its tile shows.

    Parameters
    ----------
    players : Cast
        Who is shown.
    store : Store
        Where the sounds are kept; a clip whose sound is not kept is opened and heard.

    Returns
    -------
    tuple of Activity
        One for each voice, on the reference; a part without clips never plays.
    """
    return tuple(_part_activity(players, voice, store) for voice in players.voices)


def with_entrances(players: Cast, store: Store) -> Cast:
    """Return the cast with the second at which each part first plays.

    Parameters
    ----------
    players, store
        As for `part_activities`.
    """
    entered = [
        replace(voice, enters_s=activity.enters_s())
        for voice, activity in zip(players.voices, part_activities(players, store), strict=True)
    ]
    return replace(players, voices=tuple(entered))


def leads_of(
    players: Cast, store: Store, *, bars_s: Sequence[float] | None = None
) -> tuple[Lead, ...]:
    """Propose which part leads when.

    Parameters
    ----------
    players, store
        As for `part_activities`.
    bars_s : sequence of float or None
        Reference seconds of bar lines, at which changes are preferred.
    """
    return propose_leads(part_activities(players, store), beats=bars_s)


def _part_activity(players: Cast, voice: Voice, store: Store) -> Activity:
    """Return what one part does."""
    pieces = []
    for piece in voice.pieces:
        if piece.still:
            continue
        entry = next(e for e in players.shown if e.recording.source.file == piece.file)
        activity = activity_of(entry.recording.source, store)
        if activity is not None:
            # The piece lies where its picture does; a late picture is shown earlier.
            late_s = entry.recording.picture_shift_ms / 1000
            line = piece.placement
            line = replace(line, offset_s=line.offset_s + late_s * line.rate)
            pieces.append((activity.on(line), piece.from_s, piece.to_s))
    return join_activities(pieces, from_s=0.0, to_s=players.duration_s)
