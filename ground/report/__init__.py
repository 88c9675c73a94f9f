"""A flight folder in, one self-contained page and its PNG figures out.

`build_report` is the door; everything heavy (pandas, altair, vl-convert, jinja2) is imported only when it is called.
"""

from dataclasses import dataclass
from pathlib import Path

from ground.errors import InputError


@dataclass(frozen=True)
class ReportPaths:
    """What was written, and what could not be shown.

    Attributes
    ----------
    page : Path
        The page, `report.html` in the flight folder.
    figures : tuple of Path
        The PNG figures, in the order of the page.
    missing : tuple of str
        One sentence for each chart that the flight folder has no data for.
    """

    page: Path
    figures: tuple[Path, ...]
    missing: tuple[str, ...]


def build_report(flight_dir, *, title=None, force=False, progress=None):
    """Write `report.html` and `figures/*.png` into a flight folder.

    Parameters
    ----------
    flight_dir : str or Path
        A flight folder, as `thistledown decode` makes it.
    title : str, optional
        What the flight is called; see ground/report/title.py for what it is without.
    force : bool
        Overwrite the report of an earlier run.
    progress : callable(float, str), optional
        Told the share that is done (0 to 1) and what comes next.

    Returns
    -------
    ReportPaths

    Raises
    ------
    ground.errors.InputError
        If the folder is no flight folder, a file of it cannot be read, or a report is there and `force` is not given.
    """
    flight_dir = Path(flight_dir)
    refuse_what_is_no_flight(flight_dir)  # before the second that the libraries below take to load
    from ground.report.build import build

    return build(flight_dir, title=title, force=force, progress=progress)


def refuse_what_is_no_flight(folder):
    """Raise InputError if there is no such folder, or no flight table in it."""
    if folder.is_file():
        raise InputError(f"{folder}: is a file; give the flight folder that `thistledown decode` made")
    if not folder.is_dir():
        raise InputError(f"{folder}: no such flight folder; make one with `thistledown decode SOURCE -o {folder}`")
    if not any((folder / name).is_file() for name in ("flight.parquet", "flight.csv")):
        raise InputError(
            f"{folder}: not a flight folder (no flight.parquet or flight.csv in it); "
            "make one with `thistledown decode SOURCE -o DIR`"
        )
