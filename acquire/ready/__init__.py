"""Is the bench ready to test? Watch it with the bench off, look at its records, say it line by line."""
