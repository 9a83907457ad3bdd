"""A record put together from what there is, and written as PDF."""

from __future__ import annotations

from pathlib import Path

from strokecurve.app.report import compared, film, photographs, work
from strokecurve.app.report.blocks import Document, Facts, Notice, Section, Text
from strokecurve.app.report.comparing import Comparison, compare
from strokecurve.app.report.figures import said
from strokecurve.app.report.job import JobRecord
from strokecurve.app.report.rig import rig_section
from strokecurve.app.report.typeset import write_pdf
from strokecurve.app.words.cautions import CAUTIONS, SETTING_CAUTIONS

CAUTION_TITLE = "Before anything else"
ADVICE = (
    "This record advises. It holds what the film shows, with the uncertainty of each figure; it does not say "
    "that a burner is safe to fire."
)


def _title_section(job: JobRecord) -> Section:
    """What the record is about, and the cautions."""
    known = tuple(
        (name, value)
        for name, value in (("burner", job.burner), ("site", job.site), ("fuel", job.fuel))
        if value
    )
    made = Facts((*known, ("record made on", said(job.made_on))))
    cautions = [Notice(CAUTION_TITLE, CAUTIONS)]
    if job.intended or job.readings is not None or job.work_orders or len(job.films) > 1:
        cautions.append(Notice(work.SETTING_TITLE, SETTING_CAUTIONS))
    return Section("", (*cautions, Text(ADVICE, "small"), made, film.films_facts(job.films)))


def _compared_sections(job: JobRecord, comparison: Comparison) -> list[Section]:
    """What changed, then each linkage; a linkage of one film alone is shown as that film has it."""
    sections = [compared.linkage_section(comparison, one) for one in comparison.linkages]
    sections += [
        film.linkage_section(comparison.found, name, job.intended_for(name)) for name in comparison.only_found
    ]
    sections += [
        film.linkage_section(comparison.left, name, job.intended_for(name)) for name in comparison.only_left
    ]
    return sections


def _measured_sections(job: JobRecord, comparison: Comparison | None) -> list[Section]:
    """Findings, travel and linkages."""
    sections: list[Section] = []
    several = len(job.films) > 1
    if comparison is not None:
        sections.append(compared.summary_section(comparison))
    for role, one in reversed(job.films.items()):
        told = f", {role}" if several or not job.only else ""
        sections.append(film.findings_section(one.result, f"Findings about the linkage{told}"))
        sections.append(film.shafts_section(one.result, f"Shafts and travel{told}"))
    if comparison is not None:
        return sections + _compared_sections(job, comparison)
    result = job.latest.result
    return sections + [film.linkage_section(result, name, job.intended_for(name)) for name in result.linkages]


def _filming_sections(job: JobRecord) -> list[Section]:
    several = len(job.films) > 1
    return [
        film.filming_section(one.result, f"The filming, {role}" if several else "The filming")
        for role, one in job.films.items()
    ]


def _photograph_sections(job: JobRecord) -> list[Section]:
    several = len(job.films) > 1
    title = "Photographs of three positions"
    return [
        photographs.photographs_section(one, f"{title}, {role}" if several else title)
        for role, one in job.films.items()
    ]


def _work_sections(job: JobRecord) -> list[Section]:
    """Readings, intended travel, work order, set-up, comments: what of it there is."""
    sections: list[Section] = []
    if job.readings is not None:
        sections.append(work.readings_section(job.readings, job.readings_film))
    intended = work.intended_section(job)
    if intended is not None:
        sections.append(intended)
    if job.work_orders:
        sections.append(work.work_section(job.work_orders))
    if job.rig_toml is not None:
        sections.append(rig_section(job.rig_toml, job.rig_remark))
    if job.comments:
        sections.append(work.comments_section(job.comments))
    return sections


def record_document(job: JobRecord) -> Document:
    """The whole record.

    Parameters
    ----------
    job : JobRecord

    Returns
    -------
    Document
    """
    comparison = _comparison(job)
    name = job.burner or job.latest.label or job.latest.result.clip_name
    sections = [_title_section(job)]
    if job.reviews:
        sections.append(work.review_section(job.reviews))
    sections += _measured_sections(job, comparison)
    sections += _work_sections(job)
    sections += _photograph_sections(job)
    sections += _filming_sections(job)
    sections.append(film.versions_section(job.films))
    sections.append(work.signatures_section())
    subtitle = "Record of one film" if job.only else f"Record of the linkage {' and '.join(job.films)}"
    return _document(f"Linkage record: {name}", subtitle, job, sections)


def comparison_document(job: JobRecord) -> Document:
    """As found against as left alone: facts of both films, what changed, each linkage, the filming.

    Raises
    ------
    ValueError
        If a film is missing.
    """
    comparison = _comparison(job)
    if comparison is None:
        raise ValueError("a comparison needs both films")
    sections = [
        _title_section(job),
        compared.summary_section(comparison),
        *_compared_sections(job, comparison),
        *_filming_sections(job),
        film.versions_section(job.films),
    ]
    names = " and ".join(one.label or one.result.clip_name for one in job.films.values())
    return _document("As found against as left", names, job, sections)


def _comparison(job: JobRecord) -> Comparison | None:
    if job.found is None or job.left is None:
        return None
    return compare(job.found.result, job.left.result, job.intended)


def _document(title: str, subtitle: str, job: JobRecord, sections: list[Section]) -> Document:
    made = f", {job.made_on}" if job.made_on else ""
    return Document(title, subtitle, f"{title}{made}", tuple(sections))


def record_pdf(job: JobRecord, path: Path, paper: str = "a4") -> None:
    """Write the record of a job, or of one film, as PDF.

    Parameters
    ----------
    job : JobRecord
    path : Path
        The file appears complete or not at all.
    paper : str
        ``a4`` or ``letter``.

    Raises
    ------
    InputError
        If the paper is not known or the file cannot be written.
    """
    write_pdf(record_document(job), path, paper)


def comparison_pdf(job: JobRecord, path: Path, paper: str = "a4") -> None:
    """Write the comparison of both films of a job as PDF; see `record_pdf`."""
    write_pdf(comparison_document(job), path, paper)
