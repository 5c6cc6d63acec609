"""The memory of a house in one SQLite file, with what stands in for it when it is lost."""
