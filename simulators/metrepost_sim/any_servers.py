"""Any line file behind real Modbus TCP and OPC UA servers on this machine."""

from collections.abc import Callable, Mapping

from .any_devices import AnyDevices
from .any_file import AnyLine
from .line import CoreLine
from .modbus_face import ModbusFace
from .opcua_face import OpcUaFace
from .scenario import Scenario
from .servers import SimulatedLine
from .truth import Truth
from .wire_faults import EndpointFaults


class AnySimulatedLine(SimulatedLine):
    """`SimulatedLine` for a line that `any_file.take_line` took apart; `levels` and `noises` are those of the scenario file."""

    def __init__(
        self,
        line: AnyLine,
        scenario: Scenario,
        *,
        seed: int = 1,
        speed: float = 1.0,
        ports: Mapping[str, int] | None = None,
        clock: Callable[[], float] | None = None,
        faults: Mapping[str, EndpointFaults] | None = None,
        levels: Mapping[str, float] | None = None,
        noises: Mapping[str, float] | None = None,
    ) -> None:
        self._any = line
        self._tuning = (levels, noises)
        witness = _witness(line)
        super().__init__(
            scenario, seed=seed, speed=speed, ports=ports, file=line.file, clock=clock, witness=witness, faults=faults
        )

    def _build(self) -> None:
        self.line = CoreLine(self.scenario, self._any.core)
        self.truth = Truth(self.line, 0.0)
        self.devices = AnyDevices(self._any, self.line, self.truth, *self._tuning)

    def _face(self, name: str, protocol: str) -> ModbusFace | OpcUaFace:
        if protocol == "opcua":
            return super()._face(name, protocol)
        rtu = self._any.protocols[name] == "modbus-rtu-tcp"
        return self._modbus_face(name, rtu=rtu, patience=self._any.patience[name])


def _witness(line: AnyLine) -> str:
    """How the hot gauge of the line can bear witness, for the truth."""
    hot = {station for station, stand_in in line.stand_ins.items() if stand_in == "hot-gauge"}
    tags = [tag for name, tag in line.loaded.plan.tags.items() if tag.station in hot and line.roles.get(name) == "core"]
    if not tags:
        return "dead"
    return "peak-hold" if any(t.since_read and t.hold.value == "max" for t in tags) else "instantaneous"
