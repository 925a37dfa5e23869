"""Where the uncertainty of a flow comes from."""
