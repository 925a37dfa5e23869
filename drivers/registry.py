"""Names of instrument families to the classes behind them."""

from drivers.base import Instrument


def make_instrument(name: str, table: dict[str, object]) -> Instrument:
    """Placeholder until the families exist."""
    raise NotImplementedError
