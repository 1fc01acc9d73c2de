"""The physics of the core: coax, foam, mismatch, periodicity. Pure formulas, each with its source.

Tags and rules use most of them. Sensitivities, bounds of mixtures and bumps one by one are there for whoever reckons beside the daemon.

Flags in docstrings: *verified* means that the text of the source was seen, *from memory* that it was not.
"""
