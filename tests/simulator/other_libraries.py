"""What drivers of other projects want of a bus, over machine.I2C of the bench: thin adapters, nothing more."""

import sys
import types

import pytest


class CircuitPythonBus:
    """busio.I2C as the CircuitPython drivers call it."""

    def __init__(self, i2c):
        self._i2c = i2c

    def try_lock(self):
        return True

    def unlock(self):
        pass

    def writeto(self, address, buf, *, start=0, end=None):
        self._i2c.writeto(address, bytes(buf[start:end]))

    def readfrom_into(self, address, buf, *, start=0, end=None):
        memoryview(buf)[start:end] = self._i2c.readfrom(address, len(buf[start:end]))

    def writeto_then_readfrom(self, address, out, into, *, out_start=0, out_end=None, in_start=0, in_end=None):
        self.writeto(address, out, start=out_start, end=out_end)
        self.readfrom_into(address, into, start=in_start, end=in_end)


def circuitpython(monkeypatch, name):
    """A CircuitPython driver module; the one module of the board that it imports is handed to it."""
    constants = types.ModuleType("micropython")
    constants.const = lambda value: value
    monkeypatch.setitem(sys.modules, "micropython", constants)
    return pytest.importorskip(name)
