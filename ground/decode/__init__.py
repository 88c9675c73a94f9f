"""From a card, an image or a log to a flight folder: every intact frame, an account of the rest, one UTC line.

`decode` and `DecodeResult` are looked up when they are asked for: the pure core (`frames/records.py`) needs numpy and
nothing else, and is there in half the time.
"""

__all__ = ["DecodeResult", "decode"]


def __getattr__(name):
    if name in __all__:
        from ground.decode import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
