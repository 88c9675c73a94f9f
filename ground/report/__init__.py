"""A flight folder in, one self-contained page and its PNG figures out.

`build_report` is the door; everything heavy (pandas, altair, vl-convert, jinja2) is imported only when it is called.
"""

from dataclasses import dataclass
from pathlib import Path


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


def build_report(flight_dir, *, force=False, progress=None):
    """Write `report.html` and `figures/*.png` into a flight folder.

    Parameters
    ----------
    flight_dir : str or Path
        A flight folder, as `thistledown decode` makes it.
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
    from ground.report.build import build

    return build(Path(flight_dir), force=force, progress=progress)
