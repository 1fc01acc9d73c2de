"""Weighted streaming statistics that are numerically stable and merge.

Updating after B. P. Welford, *Technometrics* 4 (1962) 419-420; with weights after D. H. D. West, *Communications of the ACM* 22
(1979) 532-535; merging after T. F. Chan, G. H. Golub and R. J. LeVeque, *The American Statistician* 37 (1983) 242-247, whose
remedy of shifting the data is used as well: everything is kept relative to the first value (references from memory).
"""

import math

import msgspec


class Moments(msgspec.Struct, array_like=True, gc=False):
    """Statistics of values x with weights w (metres or seconds), in the order they came.

    `n` counts readings; it is apart from the weights so that a reading split between two buckets counts once. `shift` is the
    mean less `origin`; `m2` is the weighted sum of squared deviations from the mean. `min` to `last` are in the unit of the
    values and mean nothing while `weight` is 0.
    """

    n: int = 0
    weight: float = 0.0
    origin: float = 0.0
    shift: float = 0.0
    m2: float = 0.0
    min: float = 0.0
    max: float = 0.0
    first: float = 0.0
    last: float = 0.0

    def add(self, x: float, w: float = 1.0, n: int = 1) -> None:
        """Take in a value with a weight above 0. `n` is 0 for the part of a reading that is counted elsewhere."""
        self.n += n
        before = self.weight
        if not before:
            self.origin = self.min = self.max = self.first = self.last = x
            self.weight = w
            return
        self.weight = total = before + w
        d = (x - self.origin) - self.shift
        step = d * (w / total)
        self.shift += step
        self.m2 += w * d * (d - step)
        if x < self.min:
            self.min = x
        elif x > self.max:
            self.max = x
        self.last = x

    def merge(self, after: "Moments") -> None:
        """Take in statistics of what followed."""
        self.n += after.n
        if not after.weight:
            return
        if not self.weight:
            n = self.n
            for field in self.__struct_fields__:
                setattr(self, field, getattr(after, field))
            self.n = n
            return
        total = self.weight + after.weight
        d = (after.origin - self.origin) + (after.shift - self.shift)
        self.m2 += after.m2 + d * d * (self.weight * (after.weight / total))
        self.shift += d * (after.weight / total)
        self.weight = total
        self.min = min(self.min, after.min)
        self.max = max(self.max, after.max)
        self.last = after.last

    def part(self, share: float, n: int) -> "Moments":
        """The statistics of a `share` (0 to 1) of what is here, taken as alike throughout, with `n` of the readings."""
        return msgspec.structs.replace(self, n=n, weight=self.weight * share, m2=self.m2 * share)

    @property
    def mean(self) -> float | None:
        """Weighted mean, None when nothing has weight."""
        return self.origin + self.shift if self.weight else None

    @property
    def sd(self) -> float | None:
        """Weighted standard deviation, None for fewer than two readings.

        ``sqrt(m2 / weight * n / (n - 1))``: with equal weights the usual sample deviation (divisor n - 1); with unequal ones the
        form of NIST Dataplot, "weighted standard deviation" (from memory). It does not change when a reading is split.
        """
        if self.n < 2 or not self.weight:
            return None
        sd = math.sqrt(max(0.0, self.m2) / self.weight * (self.n / (self.n - 1)))
        return sd if math.isfinite(sd) else None
