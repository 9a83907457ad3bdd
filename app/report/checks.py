"""Both films at the check positions, in words: the same for the record and for the page."""

from __future__ import annotations

from dataclasses import dataclass

from strokecurve.app.report.comparing import CHECK_STEP_DEG, FILMS, LinkageComparison
from strokecurve.app.report.figures import cell, deviation_cell, given
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.result.tables import PASSES
from strokecurve.app.words.estimates import format_exact


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check position.

    Attributes
    ----------
    driver : str
        Driver travel.
    wanted : (str, str) or None
        Intended travel and tolerance; None where no travel is intended.
    found, left : (str, str)
        Each film, opening and closing: driven travel, or its deviation from what is intended.
    change : (str, str) or None
        As left minus as found, opening and closing; None where a travel is intended.
    """

    driver: str
    wanted: tuple[str, str] | None
    found: tuple[str, str]
    left: tuple[str, str]
    change: tuple[str, str] | None


def check_rows(linkage: LinkageComparison) -> list[CheckRow]:
    """Every check position of a linkage; a figure carries its uncertainty, a gap is said."""
    rows = []
    for row in linkage.checks.to_dict("records"):

        def film(name: str, row: dict[str, float] = row) -> tuple[str, str]:
            opening, closing = (
                cell(row[f"{name}_{way}_deg"], row[f"{name}_{way}_sd_deg"])
                if linkage.intended is None
                else deviation_cell(
                    row[f"{name}_{way}_deviation_deg"], row[f"{name}_{way}_sd_deg"], row["tolerance_deg"]
                )
                for way in PASSES
            )
            return opening, closing

        found, left = map(film, FILMS)
        none = linkage.intended is None
        rows.append(
            CheckRow(
                format_exact(row["driver_deg"]),
                None if none else (given(row["intended_deg"]), given(row["tolerance_deg"])),
                found,
                left,
                film("change") if none else None,
            )
        )
    return rows


def check_caption(linkage: LinkageComparison) -> str:
    """What the figures at the check positions are."""
    driver, driven = linkage.name.split(":", 1)
    every = format_exact(CHECK_STEP_DEG, "deg")
    if linkage.intended is None:
        return (
            f"Travel of {driven} (°) every {every} of {driver}; change is as left minus as found. {SD_NOTE}"
        )
    return (
        f"Travel of {driven} (°) every {every} of {driver}, measured minus intended; * is beyond the "
        f"tolerance. {SD_NOTE}"
    )
