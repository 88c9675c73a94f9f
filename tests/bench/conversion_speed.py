"""How much faster a million raw words become physics as arrays than in a Python loop, and that not a bit differs.

    python -m tests.bench.conversion_speed [--words 1000000] [--rounds 5]

The longer conversions go through ground.decode.readings.blocks, as in the decoder. The loop runs over a hundredth of
the words, enough to be timed; array and loop take turns in one process, and what is counted is its own processor time.
Goal: at least 50 times. "same" compares every word that the loop has seen, to the last bit.
"""

import argparse
import sys
import time

import numpy as np

from ground.decode.readings.blocks import by_blocks
from shared_protocol.conversions import bmp280, ds18b20, ina219, ina226, ms5611, tmp117

GOAL = 50
BMP280_CAL = [27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000]  # the data sheet's example
HUMIDITY_CAL = [75, 362, 0, 313, 50, 30]
PROM = [0, 40127, 36924, 23317, 23282, 33464, 28312, 0]  # the data sheet's example
_SHARE = 100


def contestants(rng, count):
    """(name, function of arrays or numbers, arrays of raw words, whether the decoder takes them by blocks)."""

    def draw(low, high):
        return rng.integers(low, high, count, dtype=np.int64)

    word16, word20 = (-32768, 32768), (0, 1 << 20)
    yield "bmp280", lambda p, t: bmp280.compensate(p, t, BMP280_CAL), (draw(*word20), draw(*word20)), True
    yield "bme280 humidity", _humidity, (draw(0, 1 << 16), draw(*word20)), True
    yield (
        "ms5611",
        lambda d1, d2: ms5611.compensate(d1, d2, PROM),
        (draw(2_000_000, 1 << 24), draw(5_500_000, 9_500_000)),
        True,
    )
    yield "ds18b20", lambda raw: (ds18b20.temperature_c(raw),), (draw(*word16),), False
    yield "tmp117", lambda raw: (tmp117.temperature_c(raw),), (draw(*word16),), False
    yield (
        "ina219",
        lambda bus, shunt: (ina219.bus_v(bus), ina219.current_ma(shunt, 0.1)),
        (draw(0, 1 << 16), draw(*word16)),
        False,
    )
    yield (
        "ina226",
        lambda bus, shunt: (ina226.bus_v(bus), ina226.current_ma(shunt, 0.1)),
        (draw(0, 1 << 15), draw(*word16)),
        False,
    )


def _humidity(adc_h, adc_t):
    return (bmp280.humidity_q10(adc_h, bmp280.fine_temperature(adc_t, BMP280_CAL), HUMIDITY_CAL),)


def measure(convert, words, in_blocks, rounds):
    """Median ratio of the time for one word in a loop to that in an array, and whether the results are the same."""
    few = [column[: max(1, len(column) // _SHARE)].tolist() for column in words]
    rows = list(zip(*few, strict=True))
    ratios = []
    for _ in range(rounds):
        begun = time.process_time()
        from_arrays = by_blocks(convert, *words) if in_blocks else convert(*words)
        array_s = (time.process_time() - begun) / len(words[0])
        begun = time.process_time()
        from_loop = [convert(*row) for row in rows]
        loop_s = (time.process_time() - begun) / len(rows)
        ratios.append(loop_s / array_s)
    ours = list(zip(*(column[: len(rows)].tolist() for column in from_arrays), strict=True))
    return float(np.median(ratios)), ours == from_loop


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--words", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    failed = False
    for name, convert, words, in_blocks in contestants(rng, options.words):
        ratio, same = measure(convert, words, in_blocks, options.rounds)
        failed |= not same or ratio < GOAL
        print(f"{name:16} {ratio:7.1f} times a loop, {'same to the last bit' if same else 'DIFFERENT'}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
