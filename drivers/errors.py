"""The documented error tree: nothing else leaves ``drivers``."""


class DriverError(Exception):
    """Base of all. The message is one sentence: what, where, what to do."""


class SettingsError(DriverError):
    """The instrument's settings cannot work (bad pattern, unknown driver)."""


class LinkLostError(DriverError):
    """The port cannot be opened, or went away while it was in use."""
