"""Several clips of one train in a few lines of text, for the terminal."""

from __future__ import annotations

from strokecurve.app.commands.summary import figure_line, finding_lines, measured_lines
from strokecurve.app.measure.join import Joined
from strokecurve.app.result.contents import record
from strokecurve.app.result.joined import joined_record
from strokecurve.app.words.estimates import format_estimate


def joined_summary(joined: Joined) -> str:
    """Give each clip, the trains and all findings in words and figures, each with its uncertainty."""
    content, lines = joined_record(joined), []
    for part in joined.parts:
        lines += [f"Clip {part.name}", "", *measured_lines(record(part.measurement)), ""]
    for train in content["trains"]:
        lines.append(f"Train {' to '.join(train['shafts'])}, filmed in {' and '.join(train['clips'])}")
        for words, entry in (
            (f"travel of {train['shafts'][0]}", train["driver_travel_deg"]),
            (f"travel of {train['shafts'][-1]}", train["driven_travel_deg"]),
            ("lost motion of all joints", train["slack_deg"]),
        ):
            lines.append(figure_line(words, entry))
        lines.append("")
    for shaft in content["shared_shafts"]:
        before, after = (
            f"{format_estimate(one['travel_deg']['value'], one['travel_deg']['sd'], 'deg')} in {one['clip']}"
            for one in (shaft["driven_in"], shaft["driver_in"])
        )
        difference = shaft["difference_deg"]
        lines += [
            f"Shared shaft {shaft['name']}: {before}, {after}",
            figure_line("difference", difference),
            "",
        ]
    return "\n".join([*lines, *finding_lines(content["findings"])])
