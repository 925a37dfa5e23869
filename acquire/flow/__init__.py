"""From two pressures and the air to a stated flow. Pure."""
