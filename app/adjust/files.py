"""Files of an adjustment: ``proposals.json``, ``adjustment.json``, work order and pictures."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.adjust.names import file_name, in_file, touched_words, unreached
from strokecurve.app.adjust.proposals import Adjusted
from strokecurve.app.adjust.work_order import work_order_lines
from strokecurve.app.result.contents import plain, versions
from strokecurve.app.result.writing import fresh_folder
from strokecurve.kinematics.adjust.outcome import Margin, Outcome
from strokecurve.kinematics.adjust.search_all import Proposal
from strokecurve.kinematics.adjust.setting import DECISION_VARIABLES, LinkageSetting, Range

Array = NDArray[np.float64]

PROPOSALS_FILE = "proposals.json"
ADJUSTMENT_FILE = "adjustment.json"
WORK_ORDER_FILE = "work_order.txt"


def proposals_entries(adjusted: Adjusted) -> list[dict[str, Any]]:
    """Content of ``proposals.json``: by number of things touched, then by fit."""
    return [_proposal(adjusted, k, proposal) for k, proposal in enumerate(adjusted.proposals.proposals)]


def _proposal(adjusted: Adjusted, k: int, proposal: Proposal) -> dict[str, Any]:
    found, outcome = adjusted.subject.linkage.setting, proposal.outcome
    rod = found.four_bar().rod_mm
    changes = [
        {"name": file_name(name), "from": in_file(name, was), "to": in_file(name, will)}
        for name, (was, will) in proposal.changes(found).items()
    ]
    if abs(outcome.rod_mm - rod) > 1e-6:
        changes.append({"name": "rod_mm", "from": rod, "to": outcome.rod_mm})
    entry = {
        "touches": len(proposal.touched),
        "changes": changes,
        **outcome_entry(outcome),
        "aim": proposal.aim,
        "told_apart": proposal.told,
        "recommended": k == adjusted.recommended,
    }
    filled: dict[str, Any] = plain(entry)
    return filled


def outcome_entry(outcome: Outcome) -> dict[str, Any]:
    """What one setting does, as files say it: degrees and mm."""
    curve = outcome.curve
    return {
        "geometry": _geometry(outcome.setting, outcome.rod_mm),
        "branch": outcome.setting.four_bar().branch,
        "stroke_deg": math.degrees(outcome.setting.stroke_rad),
        "rod_sd_mm": outcome.rod_sd_mm,
        "rms_deg": math.degrees(outcome.rms_rad),
        "rms_sd_deg": math.degrees(outcome.rms_sd_rad),
        "max_deg": abs(math.degrees(outcome.max_rad)),
        "max_sd_deg": math.degrees(outcome.max_sd_rad),
        "max_at_driver_deg": math.degrees(outcome.max_at_driver_rad),
        "within_tolerance": outcome.reached,
        "within_tolerance_share": outcome.reached_share,
        **_margin("drive", outcome.drive),
        **_margin("transmission", outcome.transmission),
        "curve": np.degrees(np.stack([curve.driver_rad, curve.driven_rad], axis=1)).tolist(),
        "curve_sd_deg": np.degrees(curve.sd_rad).tolist(),
        "curve_low_deg": np.degrees(curve.low_rad).tolist(),
        "curve_high_deg": np.degrees(curve.high_rad).tolist(),
        "breaks": list(outcome.broken),
    }


def _margin(name: str, margin: Margin) -> dict[str, float]:
    return {
        f"min_{name}_angle_deg": math.degrees(margin.value_rad),
        f"min_{name}_angle_sd_deg": math.degrees(margin.sd_rad),
        f"min_{name}_angle_at_driver_deg": math.degrees(margin.at_driver_rad),
        f"min_{name}_angle_worst_deg": math.degrees(margin.worst_rad),
    }


def _geometry(setting: LinkageSetting, rod_mm: float) -> dict[str, float]:
    return {
        "drive_radius_mm": setting.drive_radius_mm,
        "driven_radius_mm": setting.driven_radius_mm,
        "rod_mm": rod_mm,
        "spacing_mm": setting.spacing_mm,
        "drive_start_deg": math.degrees(setting.drive_start_rad),
        "driven_start_deg": math.degrees(setting.driven_start_rad),
    }


def adjustment_entry(adjusted: Adjusted) -> dict[str, Any]:
    """Content of ``adjustment.json``: what the proposals rest on."""
    subject, answer = adjusted.subject, adjusted.proposals
    limits = subject.limits
    content = {
        "linkage": subject.linkage.name,
        "source": subject.source,
        "as_found": outcome_entry(answer.found),
        "intended": [
            {"driver_deg": u, "driven_deg": v, "tolerance_deg": t}
            for u, v, t in np.degrees(
                np.stack(
                    [
                        adjusted.intended.driver_rad,
                        adjusted.intended.driven_rad,
                        adjusted.intended.tolerance_rad,
                    ],
                    axis=1,
                )
            ).tolist()
        ],
        "allowed": {
            file_name(name): _range(name, getattr(subject.adjustable, name))
            for name in (*DECISION_VARIABLES, "rod_mm")
        },
        "limits": {
            "min_toggle_deg": math.degrees(limits.min_toggle_rad),
            "over_travel_deg": math.degrees(limits.over_travel_rad),
            "over_travel_toggle_deg": math.degrees(limits.beyond_toggle_rad),
            "driven_min_deg": math.degrees(limits.driven_low_rad),
            "driven_max_deg": math.degrees(limits.driven_high_rad),
            "low_fire_deg": math.degrees(limits.low_fire_rad),
        },
        "assumed": list(subject.assumed),
        "notes": list(subject.notes),
        "reached": answer.reached,
        "unreached": unreached(answer, subject.adjustable),
        "without": [
            {
                "limit": file_name(one.name),
                "within_tolerance": one.outcome.reached,
                "rms_deg": math.degrees(one.outcome.rms_rad),
                "max_deg": abs(math.degrees(one.outcome.max_rad)),
                "geometry": _geometry(one.outcome.setting, one.outcome.rod_mm),
            }
            for one in answer.relaxed
        ],
        "behind": [
            {
                "linkage": shaft.linkage,
                "before": _pairs(shaft.before_driver_rad, shaft.before.driven_rad),
                "before_sd_deg": np.degrees(shaft.before.sd_rad).tolist(),
                "after": _pairs(shaft.driver_rad, shaft.after.driven_rad),
                "after_sd_deg": np.degrees(shaft.after.sd_rad).tolist(),
                "min_toggle_before_deg": math.degrees(shaft.before.min_toggle_rad),
                "min_toggle_after_deg": math.degrees(shaft.after.min_toggle_rad),
            }
            for shaft in adjusted.behind
        ],
        "unknown_behind": list(subject.unknown_behind),
        "touched": None if adjusted.proposal is None else touched_words(adjusted.proposal.touched),
        "versions": versions(),
    }
    filled: dict[str, Any] = plain(content)
    return filled


def _pairs(driver: Array, driven: Array) -> list[list[float]]:
    found: list[list[float]] = np.degrees(np.stack([driver, driven], axis=1)).tolist()
    return found


def _range(name: str, allowed: Range | None) -> dict[str, Any] | None:
    if allowed is None:
        return None
    ends = {"min": in_file(name, allowed.low), "max": in_file(name, allowed.high)}
    return {**ends, "holes": [in_file(name, hole) for hole in allowed.holes]}


def write_adjustment(adjusted: Adjusted, out: Path) -> tuple[str, ...]:
    """Write all files into a folder; under their final names only when all are complete.

    Parameters
    ----------
    adjusted : Adjusted
    out : Path
        Folder; made if it is not there.

    Returns
    -------
    tuple of str
        Names of the files written.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    from strokecurve.app.adjust.drawings import adjusted_figure, linkage_figure

    out = Path(out).resolve()
    with fresh_folder(out) as fresh:
        _write_json(fresh / PROPOSALS_FILE, proposals_entries(adjusted))
        _write_json(fresh / ADJUSTMENT_FILE, adjustment_entry(adjusted))
        text = "\n".join(work_order_lines(adjusted)) + "\n"
        (fresh / WORK_ORDER_FILE).write_text(text, encoding="utf-8")
        for name, figure in (("curve", adjusted_figure(adjusted)), ("linkage", linkage_figure(adjusted))):
            for kind in ("png", "svg"):
                figure.savefig(fresh / f"{name}.{kind}", format=kind)
        names = tuple(sorted(path.name for path in fresh.iterdir()))
        _move_in(fresh, out)
    return names


def _write_json(path: Path, content: object) -> None:
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _move_in(fresh: Path, out: Path) -> None:
    """Put all files in their place, the proposals last."""
    fresh.chmod(0o755)
    if not out.exists():
        os.replace(fresh, out)
        return
    for entry in sorted(fresh.iterdir(), key=lambda path: path.name == PROPOSALS_FILE):
        os.replace(entry, out / entry.name)
