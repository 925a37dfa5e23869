"""The files of ``config/``: beside the packages in a checkout, inside them in a wheel."""

from importlib import resources
from pathlib import Path


def read_bundled(name: str) -> str:
    """The text of a file of ``config/``."""
    in_wheel = resources.files("acquire") / "_config" / name
    if in_wheel.is_file():
        return in_wheel.read_text(encoding="utf-8")
    return (Path(__file__).parent.parent / "config" / name).read_text(encoding="utf-8")
