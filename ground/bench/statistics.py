"""Level, noise and drift of a run of readings: what one number can say about a hundred."""

import numpy as np


def level(values):
    """Mean and standard uncertainty of the mean, from the scatter of tenths of the run so that slow drift counts."""
    values = np.asarray(values, dtype=float)
    mean = float(values.mean())
    if len(values) < 10:
        return mean, float(values.std(ddof=1)) if len(values) > 1 else 0.0
    means = np.array([piece.mean() for piece in np.array_split(values, 10)])
    return mean, float(means.std(ddof=1) / np.sqrt(10.0))


def noise(values):
    """Standard deviation of one reading against the next: drift and weather do not count. Same unit."""
    return float(np.sqrt(np.mean(np.diff(np.asarray(values, dtype=float)) ** 2) / 2.0))


def line(x, y):
    """Least squares `(slope, its standard uncertainty, intercept)`; NaN uncertainty with fewer than three points."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    own = x - x.mean()
    spread = float(np.sum(own**2))
    if spread == 0.0:
        return float("nan"), float("nan"), float(y.mean())
    slope = float(np.sum(own * (y - y.mean())) / spread)
    rest = y - y.mean() - slope * own
    scatter = float(np.sqrt(np.sum(rest**2) / (len(x) - 2) / spread)) if len(x) > 2 else float("nan")
    return slope, scatter, float(y.mean() - slope * x.mean())
