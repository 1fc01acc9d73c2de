"""`metrepost` with a seeded fault: SQLite is told not to sync. What judges durability must find it out."""

import sqlite3

_connect = sqlite3.connect


class _Hasty(sqlite3.Connection):
    def execute(self, sql, *arguments):
        return super().execute(sql.replace("synchronous = FULL", "synchronous = OFF"), *arguments)


sqlite3.connect = lambda *arguments, **options: _connect(*arguments, **{**options, "factory": _Hasty})

if __name__ == "__main__":
    from metrepost.commands.main import main

    main()
