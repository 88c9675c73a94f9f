"""One task a file: a small state machine that reads one part and writes records. Each is given its driver.

Every task offers `step(now_ms)`, which does one short thing and returns when it wants its next turn, and those that
measure have a `period_ms`, which the phase task stretches when the box has landed.
"""
