"""The state diagram of the documentation, drawn from the table so that both always say the same."""

from .states import STATES, TABLE, Cell, Input, Move, Refusal

LETTERS = dict(zip(STATES, "ABCDEFGHI", strict=True))
"""The letters of ISA-18.2 for the nine states."""


def diagram() -> str:
    """A Mermaid state diagram. Ways that are the same from several states are drawn from each; refusals are not drawn."""
    lines = ["stateDiagram-v2", "    [*] --> normal"]
    lines += [f"    {state}: {letter} {state.replace('_', ' ')}" for state, letter in LETTERS.items()]
    for state, row in TABLE.items():
        ways: dict[str, list[str]] = {}
        for given, found in row.items():
            if not isinstance(found, Move):
                continue
            note = " (not latched)" if found.latched else ""
            ways.setdefault(found.to, []).append(given.value + note)
            if found.latched:
                ways.setdefault(found.latched.to, []).append(given.value + " (latched)")
            if found.rejoin:
                ways[found.to][-1] += ", condition not active"
                ways.setdefault("unacknowledged", []).append(given.value + ", condition active")
                if state != "suppressed_by_design":  # from there the way out is that nothing explains it
                    ways.setdefault("suppressed_by_design", []).append(given.value + ", condition active, explained")
        lines += [f"    {state} --> {to}: {' / '.join(labels)}" for to, labels in ways.items()]
    return "\n".join(lines) + "\n"


def table() -> str:
    """The whole table in Markdown: each state against each input; a dash is a refusal, a dot means followed silently."""
    inputs = list(Input)
    lines = [
        "| state | " + " | ".join(given.value for given in inputs) + " |",
        "|---" * (len(inputs) + 1) + "|",
    ]
    for state, row in TABLE.items():
        cells = [_word(row[given]) for given in inputs]
        lines.append(f"| {LETTERS[state]} {state} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _word(found: Cell) -> str:
    if isinstance(found, Move):
        to = LETTERS[found.to]
        if found.rejoin:
            to = "A or B" if found.transition == "unsuppressed" else "A, B or H"
        if found.latched:
            to += f" ({LETTERS[found.latched.to]})"
        return f"{to} `{found.transition}`"
    return "–" if isinstance(found, Refusal) else "·"


def redraw(page: str) -> str:
    """A Markdown page with what stands between its ``diagram`` and ``table`` marks drawn anew. Raises ValueError without marks."""
    for name, text in (("diagram", f"```mermaid\n{diagram()}```\n"), ("table", table())):
        start, end = f"<!-- {name} -->\n", f"<!-- /{name} -->"
        before, _, rest = page.partition(start)
        _, found, after = rest.partition(end)
        if not found:
            raise ValueError(f"the page has no marks {start.strip()} and {end}")
        page = before + start + text + end + after
    return page
