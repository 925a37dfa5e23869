"""The simulated bench, run as a demonstration."""
