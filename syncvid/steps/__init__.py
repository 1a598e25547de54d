"""The verbs: one function each, the only place where files meet algorithms.

A step loads through `media`, calls one room, and keeps the result in the work folder under a
fingerprint of its inputs; called again with the same inputs it takes what is kept.

A verb is loaded with its rooms when it is first asked for: a guide needs nothing that renders.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from syncvid.production.guide_file import Changes
    from syncvid.steps.composing import Look
    from syncvid.steps.demo import DemoOutcome, run_demo
    from syncvid.steps.explaining import explain_clip
    from syncvid.steps.guiding import GuideOutcome, GuideWishes, make_guide
    from syncvid.steps.mix_excerpt import MixExcerpt, preview_mix
    from syncvid.steps.mix_plan import MixWishes
    from syncvid.steps.mixing import MixOutcome, make_mix
    from syncvid.steps.placing import Choice, Settled, place_take
    from syncvid.steps.practice import Practice
    from syncvid.steps.previewing import (
        PreviewOutcome,
        make_preview,
        preview_excerpt,
        preview_still,
    )
    from syncvid.steps.productions import (
        Added,
        add_clips,
        new_production,
        replace_clip,
        withdraw_clips,
    )
    from syncvid.steps.rendering import RenderOutcome, render, render_still
    from syncvid.steps.shifting import measure_picture_shift, tell_shift
    from syncvid.steps.splitting import split_file
    from syncvid.steps.status import Status, production_status
    from syncvid.steps.syncing import SyncOutcome, sync_clips

_HOMES = {
    "Added": "syncvid.steps.productions",
    "Changes": "syncvid.production.guide_file",
    "Choice": "syncvid.steps.placing",
    "DemoOutcome": "syncvid.steps.demo",
    "GuideOutcome": "syncvid.steps.guiding",
    "GuideWishes": "syncvid.steps.guiding",
    "Look": "syncvid.steps.composing",
    "MixExcerpt": "syncvid.steps.mix_excerpt",
    "MixOutcome": "syncvid.steps.mixing",
    "MixWishes": "syncvid.steps.mix_plan",
    "Practice": "syncvid.steps.practice",
    "PreviewOutcome": "syncvid.steps.previewing",
    "RenderOutcome": "syncvid.steps.rendering",
    "Settled": "syncvid.steps.placing",
    "Status": "syncvid.steps.status",
    "SyncOutcome": "syncvid.steps.syncing",
    "add_clips": "syncvid.steps.productions",
    "explain_clip": "syncvid.steps.explaining",
    "make_guide": "syncvid.steps.guiding",
    "make_mix": "syncvid.steps.mixing",
    "make_preview": "syncvid.steps.previewing",
    "measure_picture_shift": "syncvid.steps.shifting",
    "new_production": "syncvid.steps.productions",
    "place_take": "syncvid.steps.placing",
    "preview_excerpt": "syncvid.steps.previewing",
    "preview_mix": "syncvid.steps.mix_excerpt",
    "preview_still": "syncvid.steps.previewing",
    "production_status": "syncvid.steps.status",
    "render": "syncvid.steps.rendering",
    "render_still": "syncvid.steps.rendering",
    "replace_clip": "syncvid.steps.productions",
    "run_demo": "syncvid.steps.demo",
    "split_file": "syncvid.steps.splitting",
    "sync_clips": "syncvid.steps.syncing",
    "tell_shift": "syncvid.steps.shifting",
    "withdraw_clips": "syncvid.steps.productions",
}


def __getattr__(name: str) -> Any:
    """Load a name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'syncvid.steps' has no attribute {name!r}")
    found = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = found
    return found


@dataclass(frozen=True, slots=True)
class Step:
    """A verb: the name of its function, its command, and what it does in a line."""

    name: str
    command: str
    does: str

    @property
    def function(self) -> Callable[..., Any]:
        """The function itself."""
        function: Callable[..., Any] = __getattr__(self.name)
        return function


STEPS = (
    Step("run_demo", "demo", "the whole job on the clips that come with the package"),
    Step("new_production", "new", "a production from clips; says what it guessed of them"),
    Step("make_guide", "guide", "the track that everybody records to, its beat map, the sheet"),
    Step("add_clips", "add", "more clips, or the mix or guide, into a production"),
    Step("replace_clip", "replace", "another file in the place of a take"),
    Step("withdraw_clips", "withdraw", "takes clips out of every result; the files stay"),
    Step("production_status", "status", "what is there, what is out of date, what comes next"),
    Step("sync_clips", "sync", "offset, drift and verdict of every clip"),
    Step("place_take", "place", "settles where a take belongs; what the user settles wins"),
    Step("make_mix", "mix", "the mastered mix from the clips' own sound, its figures, its stems"),
    Step("make_preview", "preview", "a quick small video, and the sheet of what was found"),
    Step("render", "render", "the finished video"),
)

__all__ = [
    "STEPS",
    "Added",
    "Changes",
    "Choice",
    "DemoOutcome",
    "GuideOutcome",
    "GuideWishes",
    "Look",
    "MixExcerpt",
    "MixOutcome",
    "MixWishes",
    "Practice",
    "PreviewOutcome",
    "RenderOutcome",
    "Settled",
    "Status",
    "Step",
    "SyncOutcome",
    "add_clips",
    "explain_clip",
    "make_guide",
    "make_mix",
    "make_preview",
    "measure_picture_shift",
    "new_production",
    "place_take",
    "preview_excerpt",
    "preview_mix",
    "preview_still",
    "production_status",
    "render",
    "render_still",
    "replace_clip",
    "run_demo",
    "split_file",
    "sync_clips",
    "tell_shift",
    "withdraw_clips",
]
