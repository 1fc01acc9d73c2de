"""Who may do what (no I/O): decided from the plan and what the kernel says of the peer, never from what the peer says."""

from collections.abc import Iterable

import msgspec

from .plan import Grant


class Peer(msgspec.Struct, frozen=True):
    """An account of this host. `name` is `uid N` for one without a name."""

    uid: int
    name: str
    groups: tuple[str, ...]

    @property
    def who(self) -> str:
        """As it stands in the journal."""
        return f"local:{self.name}"


def allowed(peer: Peer, grants: Iterable[Grant]) -> frozenset[str]:
    """The acts that a peer may do: those of every grant that names the account or one of its groups. Nobody has any unasked,
    the superuser neither.
    """
    acts: set[str] = set()
    for grant in grants:
        if peer.name in grant.users or any(group in grant.groups for group in peer.groups):
            acts.update(grant.acts)
    return frozenset(acts)
