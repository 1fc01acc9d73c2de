"""How findings put numbers and places into sentences."""

import math

from ..readings.moment import rfc3339


def number(value: float, like: float, unit: str) -> str:
    """`value` with as many decimals as four significant digits of `like` (the bound it is compared with) have, and its unit."""
    if not math.isfinite(value):
        return f"{value} {unit}".strip()
    magnitude = math.floor(math.log10(abs(like))) if math.isfinite(like) and like != 0.0 else 0
    return f"{value:.{max(0, min(4, 3 - magnitude))}f} {unit}".strip()


def since(time: float, metre: float | None) -> str:
    """Where something began: by metre on a line with a length axis (`metre` is None on a line without), else by time."""
    return f"since {rfc3339(time)}" if metre is None else f"since metre {metre:.1f}"


def listed(names: list[str]) -> str:
    """Names in a row: ``a, b and c``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
