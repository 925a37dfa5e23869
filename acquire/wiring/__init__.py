"""Finding instruments: which ports there are, what they say, and the configuration that reads it."""
