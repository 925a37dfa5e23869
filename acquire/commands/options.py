"""Options that many commands share, and the archive that they name."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acquire.store.reader import ArchiveReader

DB = click.option(
    "--db", type=click.Path(dir_okay=False, path_type=Path), help="The archive; by default the one in your data folder."
)
BENCH = click.option("--bench", help="Name of the bench, when several daemons run.")
JSON = click.option("--json", "as_json", is_flag=True, help="As JSON, SI units.")


def archive_path(db: Path | None) -> Path:
    """The archive that ``--db`` names, or that of the data folder."""
    from acquire.where import data_folder

    return db if db is not None else data_folder() / "archive.db"


def archive_reader(db: Path | None) -> "ArchiveReader":
    """It, opened to read."""
    from acquire.store.reader import ArchiveReader

    return ArchiveReader(archive_path(db))
