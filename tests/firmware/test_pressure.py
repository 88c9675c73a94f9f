"""The board's own pressure from raw words, against what the ground computes, bit for bit."""

import random

from firmware.core.ms5611_pressure import pressure_pa
from shared_protocol.conversions.ms5611 import compensate

EXAMPLE_PROM = (0, 40127, 36924, 23317, 23282, 33464, 28312, 0)


def test_the_data_sheets_example():
    """TE data sheet MS5611-01BA03, "Pressure and temperature calculation": 1000.09 hPa."""
    assert pressure_pa(9085466, 8569150, EXAMPLE_PROM) == 100009


def test_it_is_the_grounds_formula_bit_for_bit():
    rng = random.Random(20240621)
    for _ in range(20000):
        prom = [0] + [rng.randrange(20000, 50000) for _ in range(6)] + [0]
        d1, d2 = rng.randrange(2**24), rng.randrange(2**24)
        assert pressure_pa(d1, d2, prom) == compensate(d1, d2, prom)[1], (d1, d2, prom)
