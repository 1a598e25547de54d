"""What a production holds, what is out of date, what comes next."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.production.layouts import find_layout
from syncvid.production.material import Material
from syncvid.production.results import SyncResult
from syncvid.steps.casting import Cast, cast
from syncvid.steps.guiding import guide_is_current
from syncvid.steps.hearing import look
from syncvid.steps.jobs import sources_of
from syncvid.steps.made import command_for, outputs_state
from syncvid.steps.mixing import written_before
from syncvid.steps.previewing import PREVIEW_FOLDER
from syncvid.steps.syncing import stored_sync


@dataclass(frozen=True, slots=True)
class Status:
    """The state of a production.

    Attributes
    ----------
    material : Material
        Its clips and references.
    synced : SyncResult or None
        The findings, if they are those of the clips as they are now.
    was_synced : bool
        Whether there are findings at all.
    outputs : tuple of (Path, bool)
        Videos that were made, each with whether it still shows what the production says now.
    stills : dict
        Takes that are photos or drawings, by `Recording.key`: whether each is shown.
    stood_in : dict
        By (part, player), the image that stands in for a part of which no clip can be shown.
    problems : tuple of SyncvidError
        What is wrong with the layout, or with the plan of the guide.
    guide_is_current : bool or None
        Whether the guide has the times that its plan asks for; None: there is no plan.
    own_mix : Path or None
        The mix that was made of the clips' own sound, if there is no finished one.
    """

    material: Material
    synced: SyncResult | None
    was_synced: bool
    outputs: tuple[tuple[Path, bool], ...]
    stills: dict[str, bool] = field(default_factory=dict)
    stood_in: dict[tuple[str, str], str] = field(default_factory=dict)
    problems: tuple[SyncvidError, ...] = ()
    guide_is_current: bool | None = None
    own_mix: Path | None = None

    @property
    def verdicts(self) -> Counter[str]:
        """How many clips got which verdict; further takes in a file do not count."""
        clips = self.synced.clips if self.synced else ()
        return Counter(clip.finding.verdict for clip in clips if clip.listed)

    @property
    def next_step(self) -> str:
        """What to do next, in one sentence."""
        folder = shlex.quote(str(self.material.folder or Path()))
        if self.guide_is_current is False:
            return f"Make the guide: syncvid guide {folder}"
        if not self.material.recordings:
            return f"Add clips: syncvid add {folder} CLIPS..."
        if self.synced is None:
            return f"Find the clips' places: syncvid sync {folder}"
        if self.problems:
            return "Mend what is told above."
        if self.verdicts["check"]:
            return f"Look at the clips that want your ear: syncvid preview {folder}"
        preview = (self.material.folder or Path()) / PREVIEW_FOLDER
        videos = [video for video in self.outputs if video[0].parent != preview.absolute()]
        if not videos:
            return f"Make the video: syncvid render {folder} -o video.mp4"
        old = [command_for(self.material, path) for path, current in videos if not current]
        if old:
            what = "the video" if len(old) == 1 else f"{len(old)} videos"
            return f"Make {what} again: {' && '.join(old)}"
        return "nothing; everything is up to date."


def production_status(material: Material) -> Status:
    """Tell the state of a production; nothing is written."""
    synced = stored_sync(material)
    facts = {}
    if synced is not None:
        for source in sources_of(material.recordings):
            if any(clip.file == source.file for clip in synced.clips):
                facts[source.file] = look(source, material.store)
    problems: list[SyncvidError] = list(_layout_problems(material))
    current = None
    try:
        current = guide_is_current(material.folder or Path())
    except (ProductionError, MediaError) as exc:
        problems.append(exc)
    players = cast(material, synced, facts) if synced is not None else None
    empty = [(v.part, v.still) for v in players.voices if not v.pieces] if players else []
    return Status(
        material=material,
        synced=synced,
        was_synced=material.store.last("sync") is not None,
        outputs=tuple(outputs_state(material, synced, facts)),
        stills=_stills(players) if players else {},
        stood_in={
            (part, player): image.file
            for (part, player), image in material.stills.items()
            if (part, image.path) in empty
        },
        problems=tuple(problems),
        guide_is_current=current,
        own_mix=None if material.mix else written_before(material),
    )


def _stills(players: Cast) -> dict[str, bool]:
    """Return the photos and drawings among the takes, each with whether it is shown."""
    passed = {entry.recording.key: False for entry in players.rejected if entry.facts.is_still}
    return passed | {entry.recording.key: True for entry in players.stills}


def _layout_problems(material: Material) -> Iterator[ProductionError]:
    """Yield what keeps the production's layout from being used."""
    try:
        find_layout(material.picture.layout, material.folder)
    except ProductionError as exc:
        yield exc
