"""From a card, an image or a log to a flight folder: every intact frame, an account of the rest, one UTC line."""

from ground.decode.pipeline import DecodeResult, decode

__all__ = ["DecodeResult", "decode"]
