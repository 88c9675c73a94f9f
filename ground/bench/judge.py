"""GO or NO-GO: all checks on one evidence, worst first.

GO means that no check says NO-GO. Warnings and what was not checked do not turn it, but they are told with it: a GO
with half the checks left out is a GO for the other half.
"""

from dataclasses import dataclass

from ground.bench.checks import (
    battery,
    board,
    card,
    chips,
    clock,
    panel,
    power,
    pressure,
    receiver,
    signals,
    thermometers,
)
from ground.bench.finding import NO_GO, NOT_CHECKED, OK, VERDICTS, WARNING, Finding
from ground.bench.parts import find_parts

CHECKS = (chips, pressure, thermometers, power, panel, receiver, card, battery, signals, board, clock)


@dataclass(frozen=True)
class Judgement:
    """What the checks say together."""

    findings: tuple[Finding, ...]

    @property
    def is_go(self):
        """Whether nothing forbids a flight."""
        return not any(one.verdict == NO_GO for one in self.findings)

    def of(self, *verdicts):
        """Findings of these verdicts, in the order of the checks."""
        return [one for one in self.findings if one.verdict in verdicts]

    @property
    def word(self):
        """GO or NO-GO."""
        return "GO" if self.is_go else "NO-GO"

    @property
    def sentence(self):
        """The verdict with its counts, in one line."""
        counts = {verdict: len(self.of(verdict)) for verdict in VERDICTS}
        parts = [
            f"{counts[NO_GO]} {'reason' if counts[NO_GO] == 1 else 'reasons'} against it" if counts[NO_GO] else "",
            f"{counts[WARNING]} warning{'s' if counts[WARNING] != 1 else ''}" if counts[WARNING] else "",
            f"{counts[OK]} checks passed",
            f"{counts[NOT_CHECKED]} not made" if counts[NOT_CHECKED] else "",
        ]
        return f"{self.word}: " + ", ".join(part for part in parts if part)


def judge(evidence):
    """All findings about an evidence.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    Judgement
    """
    parts = find_parts(evidence)
    findings = [one for check in CHECKS for one in check.check(evidence, parts)]
    return Judgement(tuple(findings))
