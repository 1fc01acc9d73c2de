"""Point sheets: each tag of a line proven against a reference that was applied, who did it, and what has changed since.

`model` is what is kept, `judge` and `sheet` decide (both pure), `page` and `table` print, `sources` reads a loaded line, `store`
keeps the file. The durable part is a history that only grows; the sheet is worked out from it each time.
"""
