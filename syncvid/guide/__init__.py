"""The guide track: from a plan or a score to the sound that everybody records to."""

from syncvid.guide.steady import PEAK, render_clicks, steady_beats

__all__ = ["PEAK", "render_clicks", "steady_beats"]
