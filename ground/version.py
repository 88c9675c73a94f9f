"""The version of the whole product; packaging reads it from here. The log's format has a number of its own."""

__version__ = "0.1.0"
