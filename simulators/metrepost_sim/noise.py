"""Randomness as a function of where and when, so that nobody's reading changes what another one sees."""

import math
import zlib

import numpy as np
import numpy.typing as npt

from .motion import Floats

Words = npt.NDArray[np.uint64]


def key(seed: int, name: str) -> int:
    """A 64-bit key of one source of noise."""
    return (seed & 0xFFFFFFFF) << 32 | zlib.crc32(name.encode())


def generator(seed: int, name: str, *index: int) -> np.random.Generator:
    """A generator of its own for each source and index (a block of samples)."""
    return np.random.default_rng([seed & 0xFFFFFFFF, zlib.crc32(name.encode()), *(i & 0xFFFFFFFF for i in index)])


def _mixed(words: Words) -> Words:
    # splitmix64 finaliser: turns neighbouring integers into unrelated ones
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return words ^ (words >> np.uint64(31))


def white(noise_key: int, t: Floats, rate: float = 1000.0) -> Floats:
    """Standard normal noise at times `t` (s): one fresh value every 1/`rate` s, the same for the same time."""
    tick = np.floor(t * rate).astype(np.int64).astype(np.uint64)
    words = _mixed(tick * np.uint64(0x9E3779B97F4A7C15) + np.uint64(noise_key & 0xFFFFFFFFFFFFFFFF))
    u1 = ((words >> np.uint64(32)).astype(np.float64) + 0.5) / 2**32
    u2 = (words & np.uint64(0xFFFFFFFF)).astype(np.float64) / 2**32
    normal: Floats = np.sqrt(-2.0 * np.log(u1)) * np.cos(2 * np.pi * u2)
    return normal


def wander(noise_key: int, at: Floats, periods: tuple[float, ...]) -> Floats:
    """A slow, smooth wander of unit standard deviation: one sinusoid a period, phases drawn from the key."""
    rng = np.random.default_rng(noise_key)
    phases = rng.uniform(0.0, 2 * np.pi, len(periods))
    total = np.zeros_like(at)
    for period, phase in zip(periods, phases, strict=True):
        total = total + np.sin(2 * np.pi * at / period + phase)
    return total * math.sqrt(2.0 / len(periods))
