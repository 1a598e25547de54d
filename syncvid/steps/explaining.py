"""One clip explained for the terminal."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence

from syncvid.handoff import SheetClip, explain
from syncvid.production.material import Material
from syncvid.production.pick import TakeName, pick_take, take_label
from syncvid.production.results import ClipSync
from syncvid.steps.syncing import SyncOutcome
from syncvid.steps.telling import sheet_page


def explain_clip(material: Material, outcome: SyncOutcome, wanted: str) -> str:
    """Explain what was found of one clip, and what the user can do about it.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    outcome : SyncOutcome
        What `sync_clips` found of them.
    wanted : str
        Which clip: part/take, or its file.

    Returns
    -------
    str
        Several lines of text.

    Raises
    ------
    ProductionError
        The name fits no clip, or several.
    """
    clip = find_clip(outcome.result.clips, wanted, where=str(material.folder or ""))
    page = sheet_page(material, outcome, shown=outcome.result.clips)
    told = page.clips[outcome.result.clips.index(clip)]
    names = [_take_name(other) for other in outcome.result.clips if not other.sound_of]
    label = take_label(_take_name(clip), names)
    return explain(told, page, to_do=list(_to_do(material, told, label)))


def find_clip(clips: Sequence[ClipSync], wanted: str, *, where: str) -> ClipSync:
    """Return the clip that the user names.

    Raises
    ------
    ProductionError
        The name fits no clip, or several.
    """
    takes = [clip for clip in clips if not clip.sound_of] + [c for c in clips if c.sound_of]
    names = [TakeName("" if c.sound_of else c.part, c.player, c.take, c.file) for c in takes]
    return takes[pick_take(wanted, names, where=where)]


def _take_name(clip: ClipSync) -> TakeName:
    """Return what a clip is called; a recorder's file has only its file's name."""
    return TakeName("" if clip.sound_of else clip.part, clip.player, clip.take, clip.file)


def _to_do(material: Material, clip: SheetClip, label: str) -> Iterator[str]:
    """Yield what can be done about a clip, one command a line."""
    sync, finding = clip.sync, clip.sync.finding
    if clip.sounds:
        yield "Listen, with your headphones turned down; the clip is left, the reference right:"
        for sound in clip.sounds:
            place = f"rival {sound.rival}" if sound.rival else "as proposed"
            yield f"  {place:12} {sound.path}"
        yield ""
    if material.folder is None or sync.sound_of:
        return
    place = f"syncvid place {shlex.quote(str(material.folder))} {shlex.quote(label)}"
    yield "To settle it:"
    if finding.pinned:
        yield f"  let sync decide again     {place} --free"
        return
    if finding.offset_s is not None:
        yield f"  right as proposed         {place} --offset {finding.offset_s:.6f}"
    if finding.rivals:
        others = f"   (up to {len(finding.rivals)})" if len(finding.rivals) > 1 else ""
        yield f"  a rival is right          {place} --rival 1{others}"
    if finding.verdict == "none":
        yield f"  it starts at S seconds    {place} --offset S"
    else:
        yield f"  not in this piece         {place} --not-in-piece"
