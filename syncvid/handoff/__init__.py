"""Tell people what was found: the sheet, one page of HTML that needs nothing beside it.

Everything here is pure: records go in, text comes out, and whoever calls writes the file.
"""

from __future__ import annotations

from syncvid.handoff.explain import explain
from syncvid.handoff.page import SheetClip, SheetPage, SheetSound
from syncvid.handoff.sheet import render_sheet
from syncvid.handoff.votes import draw_votes

__all__ = ["SheetClip", "SheetPage", "SheetSound", "draw_votes", "explain", "render_sheet"]
