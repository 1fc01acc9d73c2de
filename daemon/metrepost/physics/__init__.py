"""The physics of the core: coax, foam, mismatch, periodicity. Pure formulas, each with its source.

Flags in docstrings: *verified* means that the text of the source was seen, *from memory* that it was not.
"""
