"""How fast and how honest the judgement "settled" is, beside an oracle and published methods."""
