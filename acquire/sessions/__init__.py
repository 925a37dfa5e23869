"""Recorded sessions again: replayed, computed anew, watched, packed."""
