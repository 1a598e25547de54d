"""Each step of cleaning alone."""
