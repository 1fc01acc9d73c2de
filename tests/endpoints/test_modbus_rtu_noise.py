"""Noise on a serial line, in short; `tests/benchmarks/bars_rtu_noise.py` measures it at length."""

import random
import sys
from pathlib import Path

from metrepost.endpoints.modbus_frame import Data, Expected
from metrepost.endpoints.modbus_rtu_frame import scan
from support_serial import rtu

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import bars_rtu_noise as bars


def test_no_burst_of_up_to_16_bits_is_mistaken_for_an_answer() -> None:
    misread, reasons = bars.bursts_on_frames(20_000, random.Random(2))
    assert misread == 0
    assert sum(reasons.values()) == 20_000


def test_every_burst_of_one_frame_is_found_out() -> None:
    """All patterns of up to 10 bits at all places of one short answer: 56 000 frames, none left to chance."""
    frame = rtu(bytes.fromhex("01 04 02 12 34"))
    whole, bits = int.from_bytes(frame, "little"), 8 * len(frame)
    for pattern in range(1, 1 << 10, 2):
        for at in range(bits - pattern.bit_length() + 1):
            spoilt = (whole ^ pattern << at).to_bytes(len(frame), "little")
            assert not isinstance(scan(spoilt, Expected(0, 1, 4, 2)), Data)
    assert isinstance(scan(frame, Expected(0, 1, 4, 2)), Data)


async def test_over_a_pseudo_terminal_no_value_is_read_that_the_device_did_not_send() -> None:
    good, wrong, reasons = await bars.bursts_on_a_line(240, random.Random(3))
    assert (wrong, good > 50) == (0, True)
    assert reasons.get("checksum", 0) > 20


def test_random_noise_passes_the_crc_as_often_as_16_bits_say_and_the_range_catches_it() -> None:
    """400 000 random answers: 6 expected to pass; 20 or more would be a chance below 1 in 100 000 (Poisson)."""
    passed = list(bars.passed_by_the_crc(400_000, random.Random(4)))
    assert 0 < len(passed) < 20
    assert bars.within_range(passed) == 0
