"""Wiring drawings: one file for each sub-system, SVG beside it. `python -m hardware_notes.drawings` draws all anew."""
