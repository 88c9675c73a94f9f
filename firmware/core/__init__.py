"""Pure logic of the flight computer: no pins, no buses, no clock of its own."""
