"""The archive: one SQLite file with every pull, its samples as received and its points."""
