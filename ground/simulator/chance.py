"""Chance that repeats: one independent stream of random numbers for each purpose, all from the scenario's seed.

A stream is named, so a new purpose never shifts the numbers of an old one.
"""

from zlib import crc32

import numpy as np


def stream(seed, purpose):
    """A numpy Generator that depends on the seed and the purpose's name alone."""
    return np.random.default_rng([seed, crc32(purpose.encode())])


def correlated(rng, count, step_s, time_s):
    """Noise of mean 0 and standard deviation 1 whose memory fades with `time_s`, shape (count,).

    First-order autoregression, exact for the step (Ornstein-Uhlenbeck process).
    """
    keep = float(np.exp(-step_s / time_s))
    fresh = (rng.standard_normal(count) * np.sqrt(1.0 - keep * keep)).tolist()
    value = float(rng.standard_normal())
    values = []
    for part in fresh:
        value = value * keep + part
        values.append(value)
    return np.array(values)


def swinging(rng, count, step_s, period_s, calm_s):
    """Noise of mean 0 and standard deviation 1 that swings with a period and forgets its swing in `calm_s`."""
    keep = float(np.exp(-step_s / calm_s))
    turn = 2.0 * np.pi * step_s / period_s
    b1, b2 = 2.0 * keep * float(np.cos(turn)), -keep * keep
    variance = (1.0 - b2) / ((1.0 + b2) * ((1.0 - b2) ** 2 - b1 * b1))  # of a second-order autoregression
    fresh = (rng.standard_normal(count + 500) / np.sqrt(variance)).tolist()
    last, before = 0.0, 0.0
    values = []
    for part in fresh:
        last, before = b1 * last + b2 * before + part, last
        values.append(last)
    return np.array(values[500:])
