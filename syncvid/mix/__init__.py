"""From the clips' own sound to a finished mix; changes samples, never judges.

`stems` lays takes on the reference clock; `plain` is their sum as they are, for productions that
have no mix yet.
"""

from __future__ import annotations

from syncvid.mix.plain import PlainSum, safe_gain
from syncvid.mix.stems import Piece, render_stem

__all__ = ["Piece", "PlainSum", "render_stem", "safe_gain"]
