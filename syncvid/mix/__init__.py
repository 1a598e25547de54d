"""From the clips' own sound to a finished mix; changes samples, never judges.

`plain` is the sum of the clips as they are, for productions that have no mix yet.
"""

from __future__ import annotations

from syncvid.mix.plain import Line, PlainSum, safe_gain

__all__ = ["Line", "PlainSum", "safe_gain"]
