"""steadydraw: from serial bytes to settled readings, flow and the flow sheet."""

__version__ = "0.4.0"
