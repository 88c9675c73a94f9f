"""What the firmware keeps in memory: a number of MicroPython's own heap, the same at every run."""

import pytest

from tests.bench import firmware_heap
from tests.interpreters import micropython_path


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
def test_the_firmware_leaves_half_of_the_boards_memory_free():
    rows = firmware_heap.measure()
    assert rows["sectors"] > 100 and rows["errors"] == 0
    assert firmware_heap.live_bytes(rows) <= firmware_heap.GOAL_BYTES, rows
