"""Did the test pressure hold: in one pull, and over many."""
