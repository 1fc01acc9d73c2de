"""Which runner serves which endpoint. The protocol libraries are imported only when a line needs them."""

from .contract import Clock, Deliver, EndpointRunner
from .plan import Endpoint, ModbusEndpoint, MqttEndpoint


def runner_for(endpoint: Endpoint, deliver: Deliver, clock: Clock) -> EndpointRunner:
    """A runner for an endpoint of any protocol."""
    if isinstance(endpoint, ModbusEndpoint):
        from .modbus_runner import ModbusRunner

        return ModbusRunner(endpoint, deliver, clock)
    if isinstance(endpoint, MqttEndpoint):
        from .mqtt import MqttRunner

        return MqttRunner(endpoint, deliver, clock)
    from .opcua import OpcUaRunner

    return OpcUaRunner(endpoint, deliver, clock)
