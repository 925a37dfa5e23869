"""The daemon's local API over the engine."""

from acquire.service.ports import ArchiveApi, EngineApi
from acquire.service.server import Service

__all__ = ["ArchiveApi", "EngineApi", "Service"]
