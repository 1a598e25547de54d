"""Layouts, names and the composition."""
