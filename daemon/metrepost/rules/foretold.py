"""What a period in the diameter will do to return loss: where, and how bad, of the product in make. Formulas: `physics.structure`."""

from ..line.plan import PRODUCT, Product
from ..physics.coax import GeometryError
from ..physics.mismatch import MismatchError
from ..physics.structure import StructureError, impedance_amplitude, spike_frequency, structural_return_loss
from ..readings.units import affine, same_dimension
from .contract import Site
from .level import product_keys

ENDLESS = 1e5
"""Metres of cable where its attenuation ends the sum long before."""


class Foretold:
    """`velocity` is the velocity factor or ``product.KEY``, `conductor` is ``product.KEY``, `attenuation` in dB/m, `over` in metres (the
    length that adds up in a cable without attenuation), `unit` that of the diameter."""

    def __init__(self, velocity: float | str, conductor: str, attenuation: float, over: float, unit: str) -> None:
        self._velocity = velocity
        self._conductor = conductor.removeprefix(PRODUCT)
        self._attenuation = attenuation
        self._over = over
        self._unit = unit

    def check(self, site: Site) -> None:
        """Tell `site.fail` of products that lack what a level is foretold from."""
        asked = {"conductor": (self._conductor, self._unit)}
        if isinstance(self._velocity, str):
            asked["velocity"] = (self._velocity.removeprefix(PRODUCT), "1")
        for key, (value, unit) in asked.items():
            for product in site.products.values():
                if value not in product.values:
                    site.fail(
                        key, f"product {product.name} has no value {value!r}, and return_loss needs it", product_keys(site)
                    )
                elif not unit.startswith("?") and not same_dimension(product.values[value].unit, unit):
                    site.fail(key, f"{value} of product {product.name} is in {product.values[value].unit}, not in {unit}")

    def level(self, period: float, amplitude: float, mean: float, product: Product) -> tuple[float, float | None]:
        """Frequency (Hz; 0 when the velocity is not known) and return loss (dB; None when it cannot be said) of a wave of `period` m and
        `amplitude` round a diameter of `mean`."""
        velocity = self._velocity_of(product)
        if not 0 < velocity <= 1:
            return 0.0, None
        frequency = spike_frequency(period, velocity)
        conductor = product.values.get(self._conductor)
        if conductor is None or not same_dimension(conductor.unit, self._unit):
            return frequency, None
        try:
            inner = conductor.target * affine(conductor.unit, self._unit)[0]
            relative = impedance_amplitude(amplitude, inner, mean)
            length = ENDLESS if self._attenuation > 0 else self._over
            return frequency, structural_return_loss(relative, period, length, self._attenuation)
        except (GeometryError, StructureError, MismatchError):
            return frequency, None

    def _velocity_of(self, product: Product) -> float:
        if not isinstance(self._velocity, str):
            return self._velocity
        found = product.values.get(self._velocity.removeprefix(PRODUCT))
        return found.target * affine(found.unit, "1")[0] if found is not None and same_dimension(found.unit, "1") else 0.0
