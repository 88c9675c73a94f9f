"""Repeatable chance: the same seed gives the same numbers on MicroPython and on CPython.

A draw must cost next to nothing, for chips draw a hundred times a simulated second. So two tables of normal
deviates are made once from the seed, and a draw is the scaled sum of one from each; their lengths have no common
factor, so the pair repeats only after 2048 x 2039 draws. Streams with different names start at different places.
"""

import math
from array import array

_LENGTH_A = 2048
_LENGTH_B = 2039  # a prime, so that the pairs of the two tables meet in every combination
_MASK32 = 0xFFFFFFFF
_ROOT_HALF = 0.7071067811865476
_tables: dict = {}  # seed -> the two tables


def name_hash(text):
    """32-bit FNV-1a hash of a string: the way from a name to a seed. (Offset and prime: G. Fowler et al., FNV.)"""
    value = 0x811C9DC5
    for byte in text.encode():
        value = ((value ^ byte) * 0x01000193) & _MASK32
    return value


class Noise:
    """One stream of chance, named so that two chips never share it."""

    def __init__(self, seed, name):
        self._state = name_hash("%d/%s" % (seed, name)) or 1
        for _ in range(4):  # near seeds must not give near first draws
            self.bits32()
        if seed not in _tables:
            _tables[seed] = (_normal_table(seed, "a", _LENGTH_A), _normal_table(seed, "b", _LENGTH_B))
        self._a, self._b = _tables[seed]
        self._ia = self.bits32() % _LENGTH_A
        self._ib = self.bits32() % _LENGTH_B

    def bits32(self):
        """32 random bits (xorshift; G. Marsaglia, Xorshift RNGs, 2003)."""
        x = self._state
        x ^= x << 13 & _MASK32
        x ^= x >> 17
        x ^= x << 5 & _MASK32
        self._state = x
        return x

    def uniform(self, low, high):
        return low + (high - low) * (self.bits32() / 4294967296)

    def gauss(self):
        """A draw with mean 0 and standard deviation 1."""
        ia = self._ia = (self._ia + 1) % _LENGTH_A
        ib = self._ib = (self._ib + 1) % _LENGTH_B
        return (self._a[ia] + self._b[ib]) * _ROOT_HALF

    def bytes(self, length):
        return bytes([self.bits32() >> 11 & 0xFF for _ in range(length)])


def _normal_table(seed, name, length):
    """Normal deviates by the Box-Muller transform (G. Box and M. Muller, 1958), scaled to mean 0, deviation 1."""
    state = name_hash("%d/table/%s" % (seed, name)) or 1
    table = array("d", [0.0] * length)
    for index in range(length):
        draws = []
        for _ in range(2):
            state ^= state << 13 & _MASK32
            state ^= state >> 17
            state ^= state << 5 & _MASK32
            draws.append((state + 0.5) / 4294967296)
        table[index] = math.sqrt(-2 * math.log(draws[0])) * math.cos(2 * math.pi * draws[1])
    mean = sum(table) / length
    deviation = math.sqrt(sum((value - mean) ** 2 for value in table) / length)
    for index in range(length):
        table[index] = (table[index] - mean) / deviation
    return table
