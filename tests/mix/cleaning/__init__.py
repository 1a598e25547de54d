"""Cleaning a stem."""
