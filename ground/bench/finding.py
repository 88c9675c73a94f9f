"""What one check of the bench found: a verdict, what was measured, what was expected, why, and what to do."""

from dataclasses import asdict, dataclass

OK = "ok"
WARNING = "warning"
NO_GO = "no-go"
NOT_CHECKED = "not checked"
VERDICTS = (NO_GO, WARNING, NOT_CHECKED, OK)  # worst first


@dataclass(frozen=True)
class Finding:
    """One line of the bench record.

    Attributes
    ----------
    subject : str
        Part of the box, as the record groups them: "barometer", "card", ...
    name : str
        What was checked, in plain words; unique within a record.
    verdict : str
        One of VERDICTS.
    measured, expected : str
        In words, with units; `measured` may be empty where nothing was measured.
    why : str
        What the verdict rests on, or what is at stake.
    do : str
        The next step; empty if there is nothing to do.
    value, uncertainty : float or None
        The number in `measured`, and by how much it may be off (a data sheet's limit, or what the scatter says),
        in `unit`.
    unit : str
    """

    subject: str
    name: str
    verdict: str
    measured: str = ""
    expected: str = ""
    why: str = ""
    do: str = ""
    value: float | None = None
    uncertainty: float | None = None
    unit: str = ""

    def __post_init__(self):
        if self.verdict not in VERDICTS:
            raise ValueError(f"verdict {self.verdict!r} is none of {VERDICTS}")
        if self.verdict in (NO_GO, WARNING) and not (self.do and self.why):
            raise ValueError(f"{self.name}: a {self.verdict} must say why and what to do")

    def as_dict(self):
        """As it stands in bench.json."""
        return asdict(self)


def skipped(subject, name, why, do=""):
    """A check that could not be made; `why` becomes a sentence."""
    return Finding(subject, name, NOT_CHECKED, why=why[:1].upper() + why[1:].rstrip(".") + ".", do=do)


def with_unit(value, uncertainty, unit, digits):
    """`4.020 ± 0.012 V`; without the second part if `uncertainty` is None."""
    shown = f"{value:.{digits}f}"
    if uncertainty is not None:
        shown += f" ± {uncertainty:.{digits}f}"
    return f"{shown} {unit}".rstrip()


def span(low, high, unit, digits):
    """`3.60 to 4.20 V`."""
    return f"{low:.{digits}f} to {high:.{digits}f} {unit}".rstrip()
