"""The power-cut engine: a flight is flown once, and then cut at every write it made to card and flash."""
