"""The soak: one box switched on for days, flown again and again, with faults at random times."""
