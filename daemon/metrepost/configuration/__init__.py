"""Files that engineers write, read and checked as a whole: `load_line` gives a line, or every fault at once."""

from .faults import ConfigurationError, Fault
from .load import load_line
from .plan import LoadedLine
from .shipped import shipped_config, shipped_rules

__all__ = ["ConfigurationError", "Fault", "LoadedLine", "load_line", "shipped_config", "shipped_rules"]
