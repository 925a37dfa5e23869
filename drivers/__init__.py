"""Bytes from instruments to samples: framing, links, instrument families."""
