"""Changed files for a line that runs: which rules go on as they are, which begin anew, and the core that follows (no I/O)."""

import msgspec

from .assembly import assemble
from .configuration.difference import same_judgement
from .configuration.plan import LoadedLine
from .core import Core, Output


class Successor(msgspec.Struct, frozen=True):
    """The core that takes the next input, what is to be told of the change, and in words what could not be kept."""

    core: Core
    told: list[Output]
    trouble: list[str]


def successor(core: Core, before: LoadedLine, after: LoadedLine) -> Successor:
    """The core of `after`, to go on from `core`, which ran `before`, between two inputs.

    A rule whose settings and surroundings (tags, stations, products, length axis) are as before is the same object still. One that
    judges alike, but with other texts or other surroundings, goes on as after a restart. One that judges otherwise begins anew.
    """
    old, new = dict(before.rules), dict(after.rules)
    surroundings = ("tags", "stations", "product", "axis", "computed", "state")
    same_line = all(getattr(before.plan, part) == getattr(after.plan, part) for part in surroundings)
    alike = {name for name in old if name in new and same_judgement(old[name], new[name])}
    same = {name for name in alike if same_line and old[name] == new[name]}
    anew = {name for name in (*old, *new) if name not in alike}
    following = assemble(after, {r.rule.name: r for r in core.rules if r.rule.name in same})
    told, trouble = following.take_over(core, anew, same)
    return Successor(following, told, trouble)
