"""One pull, from samples to points. Pure."""
