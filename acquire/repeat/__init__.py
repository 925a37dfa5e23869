"""How well the bench repeats."""
