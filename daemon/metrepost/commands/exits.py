"""Exit codes: they mean something, and are documented in daemon/README.md."""

OK = 0
FAILED = 1
"""Something that was to be shown did not come out (a probe with bad tags, a score below its bars)."""
USAGE = 2
"""Wrong arguments."""
CONFIGURATION = 3
"""A line, product or rule file is wrong."""
STATE = 4
"""The state folder or journal cannot be used."""
UNREACHABLE = 5
"""A server that is needed does not answer."""
MISSING = 6
"""An optional part is not installed."""
OPEN = 7
"""Nothing failed, but something is still to be done: points that are not proven yet, or no longer."""
INTERRUPTED = 130
"""Interrupted by the user."""
