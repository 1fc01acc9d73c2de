"""Line state and product: pure functions of declared tags, stamped on the cable at the die."""

from collections.abc import Mapping
from typing import Any, Literal

from .plan import Product, ProductPlan, StatePlan
from .step_map import StepMap

State = Literal["stopped", "threading", "ramping", "producing"]
Happening = Literal["stop", "emergency_stop", "start", "product_change", "splice"]


class LineState:
    """Line state at the die, and the state in which each metre was made.

    `update` is called with every change of speed, threading or emergency stop; it returns what happened at the die.
    """

    def __init__(self, plan: StatePlan) -> None:
        self.plan = plan
        self.state: State = "stopped"
        self.known = False
        self._threading = False
        self._emergency = False
        self._fast_since: tuple[float, float] | None = None  # (time, die metre) since speed is high enough
        self._map: StepMap[State] = StepMap()

    def update(
        self, time: float, die_metre: float, speed: float, *, threading: bool | None = None, emergency: bool | None = None
    ) -> list[Happening]:
        """Work out the state. `speed` in m/s, `die_metre` the metre now at the die; None leaves a flag as it was."""
        happened: list[Happening] = []
        if threading is not None:
            self._threading = threading
        if emergency is not None:
            if emergency and not self._emergency:
                happened.append("emergency_stop")
            self._emergency = emergency
        before = self.state
        self.state = self._next(time, die_metre, speed)
        if not self.known:
            # cable made before the first look is taken to be as it is now
            self.known = True
            self._map.set(die_metre, self.state)
            return []
        if self.state != before:
            self._map.set(die_metre, self.state)
            if self.state == "stopped":
                happened.append("stop")
            elif before == "stopped":
                happened.append("start")
        return happened

    def _next(self, time: float, die_metre: float, speed: float) -> State:
        plan = self.plan
        speed = abs(speed)
        if speed < plan.standstill:
            self._fast_since = None
            return "stopped"
        if self._threading:
            self._fast_since = None
            return "threading"
        keep = plan.producing_above - plan.producing_hysteresis if self.state == "producing" else plan.producing_above
        if speed <= keep:
            self._fast_since = None
            return "ramping"
        if self.state == "producing" or not self.known:
            return "producing"
        if self._fast_since is None:
            self._fast_since = (time, die_metre)
        since_time, since_metre = self._fast_since
        need = plan.producing_for
        if need.is_length:
            enough = die_metre - since_metre >= need.metres
        else:
            enough = time - since_time >= need.seconds
        return "producing" if enough else "ramping"

    def state_at(self, metre: float) -> State:
        """The state in which that metre was at the die (upstream of the die: the present state)."""
        return self._map.value_at(metre, self.state)

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {"state": self.state, "threading": self._threading, "emergency": self._emergency, "map": self._map.snapshot()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self.state = state["state"]
        self._threading = bool(state["threading"])
        self._emergency = bool(state["emergency"])
        self._map.restore(state["map"])
        self.known = True


class ProductInMake:
    """Which product each metre is. A recipe tag's value picks one of the declared products."""

    def __init__(self, plan: ProductPlan) -> None:
        self.plan = plan
        first = plan.present or next(iter(plan.products), "")
        self.key = first
        self.known = bool(plan.present)
        self.unknown_value: float | None = None
        self._map: StepMap[str] = StepMap()
        self._none = Product(name="")

    def recipe(self, value: float, die_metre: float) -> bool:
        """The recipe tag says `value`. True when the product changed at the die."""
        key = f"{value:g}"
        if key not in self.plan.products:
            self.unknown_value = value
            return False
        self.unknown_value = None
        changed = self.known and key != self.key
        if not self.known or changed:
            self.key = key
            self._map.set(die_metre, key)
        self.known = True
        return changed

    @property
    def product(self) -> Product:
        """The product at the die now."""
        return self.plan.products.get(self.key, self._none)

    def product_at(self, metre: float) -> Product:
        """The product of a metre."""
        return self.plan.products.get(self._map.value_at(metre, self.key), self._none)

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {"key": self.key, "known": self.known, "map": self._map.snapshot()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot; products that are no longer declared are forgotten."""
        if state["key"] in self.plan.products:
            self.key = state["key"]
            self.known = bool(state["known"])
            self._map.restore(state["map"])
