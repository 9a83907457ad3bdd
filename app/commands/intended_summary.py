"""Intended travel from readings in a few lines of text, for the terminal."""

from __future__ import annotations

import math
import textwrap

import numpy as np

from strokecurve.app.commands.summary import WIDTH
from strokecurve.app.intended.from_readings import Worked
from strokecurve.app.words.cautions import SETTING_CAUTIONS
from strokecurve.app.words.estimates import format_estimate

HEAD = (
    ("firing", "deg"),
    ("fuel", ""),
    ("O2", "%"),
    ("target", "%"),
    ("excess air", "%"),
    ("air", "rel"),
    ("damper now", "deg"),
    ("intended", "deg"),
    ("sd", "deg"),
)
_WIDE = (8, 9, 6, 7, 13, 13, 11, 9, 6)
_LOSS_WIDE = (8, 7, 16, 16, 12)
OUTSIDE = "outside"


def intended_summary(worked: Worked) -> str:
    """Give readings, intended travel, losses, remarks and cautions in words and figures."""
    found = worked.found
    lines = [
        f"Firing position: travel of {worked.motor}. Damper: {worked.linkage.split(':')[1]}. "
        f"Fuel: {found.fuel.name}.",
        "",
        _line([name for name, _ in HEAD]),
        _line([unit for _, unit in HEAD]),
    ]
    lines += [_line(_cells(worked, n)) for n in range(found.readings.driver_rad.size)]
    lines += ["", *_losses(worked), *_notes(worked)]
    lines += ["", "Remarks, the gravest first:"]
    for remark in worked.remarks:
        text = f"{remark.severity.upper()} {remark.where}: {remark.text} {remark.advice}"
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")
    if not worked.remarks:
        lines.append("- none")
    lines += ["", "Cautions:"]
    for caution in SETTING_CAUTIONS:
        lines += textwrap.wrap(caution, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines)


def _line(cells: list[str], widths: tuple[int, ...] = _WIDE) -> str:
    return " ".join(f"{cell:>{wide}}" for cell, wide in zip(cells, widths, strict=True)).rstrip()


def _degrees(angle_rad: float) -> str:
    """Degrees to a tenth, never a negative zero."""
    return f"{round(math.degrees(angle_rad), 1) + 0.0:.1f}"


def _cells(worked: Worked, n: int) -> list[str]:
    found = worked.found
    read, burned, wanted = found.readings, found.burned, found.wanted
    excess_sd = math.hypot(burned.sigma_excess_random[n], burned.sigma_excess_common[n])
    air_sd = math.hypot(burned.flow.sigma_random[n], burned.flow.sigma_common[n])
    reference = n == read.high_fire
    return [
        _degrees(read.driver_rad[n]),
        f"{read.fuel_rate[n]:.4g}",
        f"{100 * read.o2_dry[n]:.1f}",
        "" if math.isnan(read.target_o2_dry[n]) else f"{100 * wanted.o2_dry[n]:.2f}",
        format_estimate(100 * float(burned.excess[n]), 100 * excess_sd),
        "1 (reference)" if reference else format_estimate(float(burned.flow.air[n]), air_sd),
        _degrees(read.damper_rad[n]),
        *_intended_cells(worked, n),
    ]


def _intended_cells(worked: Worked, n: int) -> list[str]:
    wanted = worked.found.wanted
    if math.isnan(worked.found.readings.target_o2_dry[n]):
        return ["", ""]
    if math.isfinite(wanted.damper_rad[n]):
        return [_degrees(wanted.damper_rad[n]), _degrees(wanted.sigma_rad[n])]
    return [OUTSIDE, ""]


def _losses(worked: Worked) -> list[str]:
    """Stack loss and CO where they were read."""
    found, loss = worked.found, worked.found.burned.loss
    known = np.isfinite(loss.gross) | np.isfinite(found.burned.co_air_free_ppm)
    if not known.any():
        return []
    lines = [_line(["firing", "stack", "loss, gross", "loss, net", "CO air-free"], _LOSS_WIDE)]
    lines.append(_line(["deg", "deg C", "%", "%", "ppm"], _LOSS_WIDE))
    for n in np.flatnonzero(known):
        has_loss, co = math.isfinite(loss.gross[n]), found.burned.co_air_free_ppm[n]
        cells = [
            _degrees(found.readings.driver_rad[n]),
            f"{found.readings.stack_c[n]:.0f}" if has_loss else "",
            format_estimate(100 * float(loss.gross[n]), 100 * float(loss.sigma_gross[n])) if has_loss else "",
            format_estimate(100 * float(loss.net[n]), 100 * float(loss.sigma_net[n])) if has_loss else "",
            "" if math.isnan(co) else f"{co:.0f}",
        ]
        lines.append(_line(cells, _LOSS_WIDE))
    if np.isfinite(loss.gross).any():
        text = "Gross: of the gross heating value, with the heat of condensing. Net: of the net one, without."
        if found.fuel.gross_estimated:
            text += " The heating value was estimated from the composition (typical error 1.5 % of the loss)."
        lines += textwrap.wrap(text, WIDTH)
    return [*lines, ""]


def _notes(worked: Worked) -> list[str]:
    wanted, settings = worked.found.wanted, worked.found.settings
    known = np.isfinite(wanted.damper_rad)
    if not known.any():
        return []
    share = float(np.degrees(np.max(wanted.sigma_common_rad[known])))
    text = (
        "± and sd are one standard deviation, the analyser's calibration included: it is the same error at "
        f"all positions, and by itself gives up to {share:.1f} degrees. The tolerance in the file is "
        f"{settings.expanded_k:g} sd. Between the positions read, fuel is taken along a rising curve through "
        "the readings and the O2 target along straight lines."
    )
    return textwrap.wrap(text, WIDTH)
