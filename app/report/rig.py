"""The set-up file as people read it: names, sizes measured by hand, what may be changed, limits."""

from __future__ import annotations

from strokecurve.app.measure.rig import Allowed, Rig, RigLinkage
from strokecurve.app.report.blocks import Block, Facts, Section, Subheading, Table, Text
from strokecurve.app.report.film import WAYS
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.estimates import format_estimate, format_exact, with_unit
from strokecurve.app.words.names import QUANTITY_WORDS, spoken

STROKE_WORDS = "motor stroke"
_LIMITS = (
    ("min_toggle_deg", "rod and arm line stay apart at least"),
    ("over_travel_deg", "reserve past either end of the stroke"),
    ("driven_min_deg", "stop of the driven shaft toward shut"),
    ("driven_max_deg", "stop of the driven shaft toward open"),
)


def rig_section(toml: str, remark: str | None = None) -> Section:
    """The set-up that was given.

    Parameters
    ----------
    toml : str
        Text of ``rig.toml``; one that cannot be read any more is printed as it is.
    remark : str or None
        What it has to do with the films of the record.
    """
    blocks: list[Block] = [] if remark is None else [Text(remark)]
    try:
        rig = Rig.from_toml(toml)
    except InputError as error:
        return Section("Set-up", (*blocks, Text(error.message, "strong"), Text(toml, "small")))
    if rig.shafts:
        rows = tuple((shaft.name, str(shaft.marker), _size(shaft.side_mm)) for shaft in rig.shafts)
        blocks.append(Table(("shaft", "marker", "its size"), rows, (3, 1, 1.6), words=(0,), share=0.6))
    for linkage in rig.linkages:
        blocks += _linkage(linkage)
    if not rig.shafts and not rig.linkages:
        blocks.append(Text("The set-up file that was given says nothing beyond the marker numbers."))
    return Section("Set-up", tuple(blocks))


def _size(side_mm: float | None) -> str:
    return "from the film" if side_mm is None else format_exact(side_mm, "mm")


def _linkage(linkage: RigLinkage) -> list[Block]:
    blocks: list[Block] = [Subheading(spoken(f"{linkage.driver}:{linkage.driven}"))]
    facts = []
    if linkage.opening_sign is not None:
        facts.append(("driver opens", WAYS["ccw" if linkage.opening_sign > 0 else "cw"]))
    if linkage.stroke_deg is not None:
        facts.append(("stroke of the driver", format_exact(linkage.stroke_deg, "deg")))
    if linkage.rod_marker is not None:
        facts.append(("marker on the rod", f"{linkage.rod_marker}, size {_size(linkage.rod_side_mm)}"))
    for key, words in _LIMITS:
        value = getattr(linkage, key)
        if value is not None:
            facts.append((words, format_exact(value, "deg")))
    if facts:
        blocks.append(Facts(tuple(facts)))
    names = [key for key in (*QUANTITY_WORDS, "stroke_deg") if key in linkage.tape or key in linkage.allow]
    if names:
        rows = tuple(
            (_words(key), _taped(linkage, key), _allowed(linkage.allow.get(key), _unit(key))) for key in names
        )
        blocks.append(
            Table(
                ("quantity", "measured by hand", "may be"),
                rows,
                (2, 2, 3),
                words=(0, 2),
                caption="± is the standard uncertainty that was given.",
            )
        )
    elif not facts:
        blocks.append(Text("Nothing is given but the names."))
    return blocks


def _words(key: str) -> str:
    return QUANTITY_WORDS.get(key, STROKE_WORDS)


def _unit(key: str) -> str:
    return key.rsplit("_", 1)[-1]


def _taped(linkage: RigLinkage, key: str) -> str:
    known = linkage.tape.get(key)
    return "" if known is None else format_estimate(*known, _unit(key))


def _allowed(allowed: Allowed | None, unit: str) -> str:
    """What a quantity may be changed to."""
    if allowed is None:
        return "not to be changed"
    if allowed.holes:
        *first, last = (format_exact(hole) for hole in allowed.holes)
        return " or ".join((*first, with_unit(last, unit)))
    return f"{format_exact(allowed.low)} to {format_exact(allowed.high, unit)}"
