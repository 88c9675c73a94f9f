"""Bytes in use after a real collection, firmware and virtual board together, for whoever looks for a leak.

A look is taken when the firmware itself collects, and at no other time: a collection closes files that nobody holds any
more, and that must not happen while the file system is in the middle of something.
"""

import gc


class HeapWatch:
    """`looks` are [world time in s, bytes in use]; none without `every_us` and none under CPython."""

    def __init__(self, clock, every_us):
        self._clock = clock
        self._every_us = every_us if hasattr(gc, "mem_alloc") else None
        self._next_us = clock.now_us + (every_us or 0)
        self.looks = []

    def collected(self):
        """The firmware has asked for a collection."""
        now_us = self._clock.now_us
        if self._every_us and now_us >= self._next_us:
            gc.collect()
            self.looks.append([now_us // 1000000, gc.mem_alloc()])
            self._next_us = now_us + self._every_us
