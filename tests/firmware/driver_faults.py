"""A bus that fails: for drivers whose every call must end in a status, whatever the wire does."""


class DeadBus:
    """Every call raises, as machine.I2C does without an acknowledgement (5) or with a stuck line (110)."""

    def __init__(self, code=5):
        self.code = code

    def __getattr__(self, name):
        def call(*args, **kwargs):
            raise OSError(self.code)

        return call


class CountingBus:
    """Passes calls on to `bus` and raises OSError(5) on the `fail_at`-th one; counts them all."""

    def __init__(self, bus, fail_at=None):
        self._bus = bus
        self.fail_at = fail_at
        self.calls = 0

    def __getattr__(self, name):
        target = getattr(self._bus, name)

        def call(*args, **kwargs):
            self.calls += 1
            if self.calls == self.fail_at:
                raise OSError(5)
            return target(*args, **kwargs)

        return call


class DyingBus:
    """Passes the first `calls_left` calls on to `bus`; after that every call raises OSError(5)."""

    def __init__(self, bus, calls_left):
        self._bus = bus
        self.calls_left = calls_left

    def __getattr__(self, name):
        target = getattr(self._bus, name)

        def call(*args, **kwargs):
            self.calls_left -= 1
            if self.calls_left < 0:
                raise OSError(5)
            return target(*args, **kwargs)

        return call
