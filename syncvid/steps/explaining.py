"""One clip explained for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from syncvid.handoff import SheetClip, explain
from syncvid.production.material import Material
from syncvid.production.pick import pick_take
from syncvid.production.results import ClipSync
from syncvid.steps.syncing import SyncOutcome
from syncvid.steps.telling import sheet_page, take_name


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
    return explain(told, page, to_do=list(_to_do(told)))


def find_clip(clips: Sequence[ClipSync], wanted: str, *, where: str) -> ClipSync:
    """Return the clip that the user names.

    Raises
    ------
    ProductionError
        The name fits no clip, or several.
    """
    takes = [clip for clip in clips if not clip.sound_of] + [c for c in clips if c.sound_of]
    names = [take_name(clip) for clip in takes]
    return takes[pick_take(wanted, names, where=where)]


def _to_do(clip: SheetClip) -> Iterator[str]:
    """Yield what can be done about a clip, one command a line."""
    finding, place = clip.sync.finding, clip.settle
    if clip.sounds:
        yield "Listen, with your headphones turned down; the clip is left, the reference right:"
        for sound in clip.sounds:
            which = f"rival {sound.rival}" if sound.rival else "as proposed"
            yield f"  {which:12} {sound.path}"
        yield ""
    if not place:
        return
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
