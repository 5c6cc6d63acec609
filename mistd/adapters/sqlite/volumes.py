"""Long tables in volumes, each a table of its own, bound by number as they come.

Answers for: which volumes there are, and letting go of a whole one. SQLite writes every page from which it
deletes a row; of a table that is dropped it writes none.
Rule: the newest volume of a series stays, so that counting goes on from it.
"""

import sqlite3


class Series:
    """The volumes of one long table."""

    def __init__(self, name: str, columns: str) -> None:
        """Name a series.

        Args:
            name: of its tables, before their numbers.
            columns: of each, in SQL.
        """
        self.name = name
        self._columns = columns

    def table(self, number: int) -> str:
        return f"{self.name}_{number}"

    def numbers(self, connection: sqlite3.Connection) -> list[int]:
        """Of the volumes there are, oldest first."""
        prefix = f"{self.name}_"
        found = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND substr(name, 1, ?) = ?",
            (len(prefix), prefix),
        )
        tails = [name[len(prefix) :] for (name,) in found]
        return sorted(int(tail) for tail in tails if tail.isdecimal())

    def begin(self, connection: sqlite3.Connection, number: int) -> str:
        """The table of a volume, made if it is not there."""
        table = self.table(number)
        connection.execute(f"CREATE TABLE IF NOT EXISTS {table}({self._columns})")
        return table

    def let_go(self, connection: sqlite3.Connection, number: int) -> None:
        connection.execute(f"DROP TABLE {self.table(number)}")
