"""The virtual board: everything the firmware touches, answering from the world's table on a virtual clock.

Every file here runs on MicroPython and on CPython, imports nothing outside this folder but small built-in modules,
and takes clock, chance and world from its caller. There are two doors: the *bus door*, which offers the firmware the
very calls of `machine`, `time`, `onewire` and a block device, and the *bench door*, plain attributes and methods by
which a scenario or a test sets a quantity, pulls a chip or cuts the power.
"""
