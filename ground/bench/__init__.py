"""The bench: from a board on the table to GO or NO-GO, with reasons, calibration and a record of it.

`evidence.py` is what is known (tables of the board's readings, settings, plan, what a person typed in),
`checks/` judge it
one subject a file and touch nothing else, `judge.py` puts them together, `record.py` keeps what came out.
"""
