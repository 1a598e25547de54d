"""The render engine."""
