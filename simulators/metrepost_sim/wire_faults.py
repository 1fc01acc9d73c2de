"""What breaks at an endpoint, how often, and the dice that say when: the ``--faults`` of the simulator."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import Field, model_validator

from metrepost.configuration.explain import validate
from metrepost.configuration.faults import Faults, Place
from metrepost.configuration.table import NotNegativeShare, PositiveDuration, Table

from .noise import generator

TCP = ("delay", "drop", "exception", "frozen", "transaction", "unit", "function", "length", "cut", "close")
RTU = ("delay", "drop", "exception", "frozen", "unit", "function", "length", "cut", "crc", "close")
OPCUA = ("bad", "frozen", "close")
KINDS = {"modbus-tcp": TCP, "modbus-rtu-tcp": RTU, "opcua": OPCUA}
"""Faults that an endpoint of each protocol can have."""
EVERY = "*"
"""In place of an endpoint's name: every endpoint that is not named."""
SYNTAX = "write ENDPOINT: FAULT@SHARE, FAULT=VALUE@SHARE; as in gauges: delay=200ms@5%, drop@1%, exception=6@1%, frozen=5s@0.1%"
_PART = re.compile(r"^\s*(?P<kind>[a-z]+)\s*(?:=\s*(?P<value>[^@]+?)\s*)?@\s*(?P<share>[^@]+?)\s*$")
_VALUE = {"delay": "by", "exception": "code", "frozen": "for"}


class Delay(Table):
    """A share of the answers comes late."""

    by: PositiveDuration
    share: NotNegativeShare


class Refusal(Table):
    """A share of the requests is refused with a Modbus exception code (1 to 6, 8, 10, 11)."""

    code: int = Field(default=6, ge=1, le=11)
    share: NotNegativeShare


class Standstill(Table):
    """At a share of the requests the values begin to stand still, for so long."""

    for_: PositiveDuration = Field(alias="for")
    share: NotNegativeShare


class EndpointFaults(Table):
    """Faults of one endpoint. Shares are of its requests; at an OPC UA server of its scans, ten a second."""

    delay: Delay | None = None
    drop: NotNegativeShare = 0.0
    exception: Refusal | None = None
    frozen: Standstill | None = None
    transaction: NotNegativeShare = 0.0
    unit: NotNegativeShare = 0.0
    function: NotNegativeShare = 0.0
    length: NotNegativeShare = 0.0
    cut: NotNegativeShare = 0.0
    crc: NotNegativeShare = 0.0
    close: NotNegativeShare = 0.0
    bad: NotNegativeShare = 0.0

    @model_validator(mode="after")
    def _whole(self) -> "EndpointFaults":
        if self.exception is not None and self.exception.code in (7, 9):
            raise ValueError(f"{self.exception.code} is no exception code of the reading functions; write 1 to 6, 8, 10 or 11")
        refused = self.exception.share if self.exception else 0.0
        total = refused + sum(getattr(self, k) for k in self.model_fields_set if isinstance(getattr(self, k), float))
        if total > 1.0:
            raise ValueError(f"the shares of answers that fail add up to {100 * total:g} %, which is more than 100 %")
        return self


def check_endpoint(found: EndpointFaults, name: str, protocols: Mapping[str, str], place: Place, path: tuple[str, ...]) -> None:
    """Report faults of endpoints that the line has not got, or that their protocol cannot have."""
    if name == EVERY:
        return  # each endpoint has of them what its protocol has
    if name not in protocols:
        place.fault(path, f'no endpoint "{name}" is simulated', (*protocols, EVERY), name)
        return
    allowed = KINDS[protocols[name]]
    for kind in sorted(found.model_fields_set):
        if kind not in allowed:
            place.fault((*path, kind), f"an endpoint of protocol {protocols[name]} has no such fault", allowed)


def spread(found: Mapping[str, EndpointFaults], protocols: Mapping[str, str]) -> dict[str, EndpointFaults]:
    """Faults by endpoint; those of `EVERY` hold for the endpoints that are not named, as far as their protocols have them."""
    every = found.get(EVERY)
    named = {name: table for name, table in found.items() if name in protocols}
    if every is None:
        return named
    for name, protocol in protocols.items():
        if name not in named:
            fits = {k: getattr(every, k) for k in every.model_fields_set if k in KINDS[protocol]}
            named[name] = EndpointFaults.model_construct(**fits)
    return named


class _Given:
    """The option as a place of faults: it has no lines."""

    def __init__(self, faults: Faults) -> None:
        self._faults = faults

    def fault(self, path: tuple[str | int, ...], wrong: str, allowed: Any = (), meant: str | None = None) -> None:
        """Report a fault."""
        self._faults.add(Path("--faults"), 0, ".".join(map(str, path)), wrong, allowed, meant)


def parse_faults(text: str, protocols: Mapping[str, str]) -> dict[str, EndpointFaults]:
    """Faults by endpoint from the text of ``--faults``. Raises ConfigurationError with everything that is wrong."""
    faults = Faults()
    place = _Given(faults)
    found: dict[str, EndpointFaults] = {}
    for part in filter(str.strip, text.split(";")):
        name, colon, rest = part.partition(":")
        name = name.strip()
        if not colon or not rest.strip():
            place.fault((name,), "no faults stand there", [SYNTAX])
            continue
        if name in found:
            place.fault((name,), "the endpoint stands there twice; write all its faults after one name")
            continue
        table: dict[str, Any] = {}
        for piece in rest.split(","):
            match = _PART.match(piece)
            kind = match["kind"] if match else ""
            if match is None:
                place.fault((name, piece.strip()), "that is no fault with its share", [SYNTAX])
            elif kind in table:
                place.fault((name, kind), "the fault stands there twice")
            elif kind in _VALUE:
                value: Any = match["value"]
                if kind == "exception" and value is not None:
                    value = int(value) if value.isdigit() else value
                table[kind] = {_VALUE[kind]: value, "share": match["share"]} if value is not None else {"share": match["share"]}
            elif match["value"] is not None:
                place.fault((name, kind), "the fault takes no value, only a share", [SYNTAX])
            else:
                table[kind] = match["share"]
        if (good := validate(EndpointFaults, place, (name,), table)) is not None:
            found[name] = good
            check_endpoint(good, name, protocols, place, (name,))
    faults.raise_any("Nothing was started. Correct --faults and start it again.")
    return spread(found, protocols)


class Dice:
    """Says what goes wrong with each request of one endpoint: a function of the seed and the order of the requests.

    `told` counts the faults made, by kind.
    """

    def __init__(self, faults: EndpointFaults, seed: int, endpoint: str) -> None:
        self._faults = faults
        self._rng = generator(seed, f"faults {endpoint}")
        self._frozen_until = 0.0
        self._frozen = False
        self.told: dict[str, int] = {}
        refusal = faults.exception
        self.code = refusal.code if refusal else 0
        self._shares = {k: getattr(faults, k) for k in TCP + RTU if isinstance(getattr(faults, k), float)}
        if refusal:
            self._shares["exception"] = refusal.share

    def _count(self, kind: str) -> None:
        self.told[kind] = self.told.get(kind, 0) + 1

    def freeze(self, frozen: set[str], stations: set[str], now: float) -> None:
        """Let `stations` stand in the set of `frozen` ones as long as the dice want it; `now` is monotonic, s."""
        still = now < self._frozen_until
        if still and not self._frozen:
            frozen |= stations
        elif self._frozen and not still:
            frozen -= stations
        self._frozen = still

    def draw(self, now: float) -> tuple[str, float]:
        """What breaks this request, "" for nothing, and for how many seconds the answer is held back."""
        late = 0.0
        delay, standstill = self._faults.delay, self._faults.frozen
        if delay is not None and self._rng.random() < delay.share:
            late = delay.by
            self._count("delay")
        if standstill is not None and self._rng.random() < standstill.share:
            self._frozen_until = now + standstill.for_
            self._count("frozen")
        chance = self._rng.random()
        for kind, share in self._shares.items():
            if chance < share:
                self._count(kind)
                return kind, late
            chance -= share
        return "", late

    def bad(self) -> bool:
        """Whether one value is told bad, by its status."""
        if self._faults.bad and self._rng.random() < self._faults.bad:
            self._count("bad")
            return True
        return False
