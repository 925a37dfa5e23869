"""Calibration of channels and of meter ranges: curves, records, how far they are trusted."""
