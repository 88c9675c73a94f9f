"""From a card, an image or a log to a flight folder: every intact frame, an account of the rest, physics, one UTC line."""
