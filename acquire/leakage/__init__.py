"""Leakage of the fixture: from a blank-plate run to what is subtracted."""
