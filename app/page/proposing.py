"""Proposals for an adjustment: worked out, shown, one of them chosen, and what-if by hand."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from pathlib import Path

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.adjust.drawings import adjusted_figure, linkage_figure
from strokecurve.app.adjust.files import proposals_entries
from strokecurve.app.adjust.names import BROKEN_WORDS, TOUCH_WORDS, shown, touched_words
from strokecurve.app.adjust.proposals import Adjusted, adjust
from strokecurve.app.adjust.subject import (
    LinkageToAdjust,
    intended_from_rows,
    subject_from_film,
    with_low_fire,
)
from strokecurve.app.adjust.work_order import SAME_MM, harm_behind, order_text, work_order_lines
from strokecurve.app.measure.rig import Rig
from strokecurve.app.page import keys, markup, setting_cautions
from strokecurve.app.page.downloads import offer
from strokecurve.app.page.pictures import show_figure
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.result.reading import read_result
from strokecurve.app.words.cautions import NOT_OURS_TO_SAY
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.app.words.statements import Choice, IntendedChoice, Proposals
from strokecurve.kinematics.adjust.outcome import Outcome
from strokecurve.kinematics.adjust.search_all import Proposal, what_if
from strokecurve.kinematics.adjust.setting import DECISION_VARIABLES
from strokecurve.kinematics.intended.equal import equal_travel
from strokecurve.kinematics.intended.table import Intended


def intended_of(choice: IntendedChoice) -> Intended:
    """The intended travel in the form that is computed with."""
    return equal_travel(2 * math.pi) if choice.kind == "equal" else intended_from_rows(choice.rows)


@st.cache_resource(max_entries=8, show_spinner="Working out the proposals")
def adjusted(
    folder: str, linkage: str, _choice: IntendedChoice, said: str, rig_toml: str | None, low_fire: bool
) -> Adjusted:
    """The proposals, searched for once whichever is looked at; ``said`` tells apart what is intended."""
    rig = None if rig_toml is None else Rig.from_toml(rig_toml)
    film = read_result(Path(folder))
    intended = intended_of(_choice)
    if _choice.kind == "equal":
        stroke = subject_from_film(film, linkage, rig).linkage.setting.stroke_rad
        intended = equal_travel(stroke)
    subject = subject_from_film(film, linkage, rig)
    if low_fire:
        subject = with_low_fire(subject, intended)
    return adjust(subject, intended)


def degrees(value_rad: float, sd_rad: float) -> str:
    """An angle with its standard deviation."""
    return format_estimate(math.degrees(value_rad), math.degrees(sd_rad), "deg")


def changes_of(proposal: Proposal, subject: LinkageToAdjust) -> str:
    """What a proposal changes, in words."""
    found = subject.linkage.setting
    parts = [
        f"{TOUCH_WORDS[name]} from {shown(name, was)} to {shown(name, will)}"
        for name, (was, will) in proposal.changes(found).items()
    ]
    rod = found.four_bar().rod_mm
    if abs(proposal.outcome.rod_mm - rod) >= SAME_MM:
        parts.append(f"rod from {shown('_mm', rod)} to {shown('_mm', proposal.outcome.rod_mm)}")
    return "; ".join(parts) or "left as found"


def outcome_parts(outcome: Outcome) -> list[tuple[str, str]]:
    """What a setting gives: deviation, margins, rod, limits broken; each figure with its uncertainty."""
    within = "within the tolerance everywhere" if outcome.reached else "beyond the tolerance somewhere"
    most = degrees(abs(outcome.max_rad), outcome.max_sd_rad)
    at = format_exact(math.degrees(outcome.max_at_driver_rad), "deg", 0)
    broken = [BROKEN_WORDS[name] for name in outcome.broken]
    return [
        ("Deviation (RMS):", degrees(outcome.rms_rad, outcome.rms_sd_rad)),
        ("Largest:", f"{most} at {at} of driver travel, {within}"),
        ("Rod to drive arm, smallest angle:", degrees(outcome.drive.value_rad, outcome.drive.sd_rad)),
        (
            "Rod to driven arm, smallest angle:",
            degrees(outcome.transmission.value_rad, outcome.transmission.sd_rad),
        ),
        ("Rod length:", format_estimate(outcome.rod_mm, outcome.rod_sd_mm, "mm")),
        ("Limits broken:", "; ".join(broken)),
    ]


def show(
    store: PersonalStore, job_id: str, film_id: str, folder: Path, choice: IntendedChoice, rig: str | None
) -> None:
    """Every proposal, the one looked at with drawing and work order, and the what-if."""
    linkage = choice.linkage
    # What is typed or looked at belongs to this film and this intended travel, and ends with them.
    about = f"{film_id}_{linkage}_{hashlib.sha256(repr(choice).encode()).hexdigest()[:12]}"
    st.header("Proposals", anchor=False)
    low_fire = st.toggle(
        "The rod may move the low-fire position",
        key=f"{keys.MOVE_LOW_FIRE}_{job_id}_{linkage}",
    )
    first = adjusted(str(folder), linkage, choice, repr(choice), rig, low_fire)
    found = first.proposals.found
    st.html(markup.card("caution" if found.broken else "note", "As found", outcome_parts(found)))
    proposals = first.proposals.proposals
    if proposals:
        show_all(first)
        number = st.selectbox(
            "Proposal to look at",
            list(range(1, len(proposals) + 1)),
            index=first.recommended or 0,
            format_func=lambda one: label_of(first, one),
            key=f"{keys.PROPOSAL}_{about}_{low_fire}",
        )
        with plain_errors():
            show_one(store, job_id, film_id, first.looking_at(number))
    else:
        show_warnings(first)
        show_notes(first)
    with plain_errors():
        show_what_if(first, about)


def for_page(sentences: Iterable[str]) -> tuple[str, ...]:
    """Sentences with the page's own way to do what the command has an option for."""
    return tuple(one.replace("--move-low-fire", "The switch above the proposals") for one in sentences)


def show_warnings(answer: Adjusted) -> None:
    """What speaks against the proposal looked at, or calls for special care."""
    for sentence in for_page(order_text(answer).warnings):
        st.html(markup.paragraph(sentence, "sc-strong"))


def show_notes(answer: Adjusted) -> None:
    """What the proposals rest on."""
    notes = order_text(answer).notes
    if notes:
        st.html(markup.paragraph("What this rests on:") + markup.bullets(notes))


def label_of(answer: Adjusted, number: int) -> str:
    """A proposal in one line, with what speaks for or against it."""
    mark = ", recommended" if number - 1 == answer.recommended else ""
    harm = harm_behind(answer, number - 1)
    against = f", DO NOT CARRY OUT: {harm}" if harm else ""
    return f"{number}: {touched_words(answer.proposals.proposals[number - 1].touched)}{mark}{against}"


def show_all(answer: Adjusted) -> None:
    """All proposals by number of things touched, then by fit."""
    proposals, cards = answer.proposals.proposals, []
    for number, one in enumerate(proposals, start=1):
        harm = harm_behind(answer, number - 1)
        kind = "danger" if harm else "note" if one.outcome.reached else "caution"
        mark = ", recommended" if number - 1 == answer.recommended else ""
        parts = [("Do not carry out as it is:", harm), ("Change:", changes_of(one, answer.subject))]
        head = f"Proposal {number}, {len(one.touched)} touched{mark}"
        cards.append(markup.card(kind, head, [*parts, *outcome_parts(one.outcome)]))
    with st.expander(
        f"All {len(proposals)} proposals, fewest things touched first", key=f"{keys.PROPOSAL}_all"
    ):
        st.html("".join(cards))


def show_one(store: PersonalStore, job_id: str, film_id: str, answer: Adjusted) -> None:
    """One proposal: figures, travel and linkage before and after, work order, and the way to choose it."""
    proposal, chosen = answer.proposal, answer.chosen
    if proposal is None or chosen is None:
        return
    order, harm = order_text(answer), harm_behind(answer, chosen)
    kind = "danger" if harm else "note" if proposal.outcome.reached else "caution"
    st.html(
        markup.card(
            kind,
            f"Proposal {chosen + 1}: {changes_of(proposal, answer.subject)}",
            [("Do not carry out as it is:", harm), *outcome_parts(proposal.outcome)],
        )
    )
    show_warnings(answer)
    for sentence in order.behind:
        st.html(markup.paragraph(sentence))
    show_figure(
        adjusted_figure(answer),
        "Travel as found, intended and after the adjustment, with the band of what is known",
    )
    show_figure(
        linkage_figure(answer, narrow=True),
        "The linkage to scale at low fire, in the middle and at high fire, as found and after",
    )
    show_notes(answer)
    refusal = answer.refusal()
    if refusal is not None:
        st.error(markup.plain(f"{refusal.message} {refusal.hint}"))
        return
    st.subheader("Work order", anchor=False)
    setting_cautions.show()
    st.html(markup.bullets(order.steps, numbered=True) + markup.paragraph(NOT_OURS_TO_SAY, "sc-strong"))
    content = "\n".join(for_page(work_order_lines(answer))).encode()
    name = f"work-order-{answer.subject.linkage.name.replace(':', '-')}.txt"
    offer(job_id, content, name, "Work order as text")
    if store.may(Right.CHANGE, job_id) and st.button(
        f"Choose proposal {chosen + 1} for the work order on record",
        key=keys.CHOOSE_PROPOSAL,
        type="primary" if chosen == answer.recommended else "secondary",
        width="stretch",
    ):
        keep(store, job_id, film_id, answer)
        st.rerun()


def keep(store: PersonalStore, job_id: str, film_id: str, answer: Adjusted) -> None:
    """Put the proposals and the one chosen on record, with all that has to be read with it.

    Raises
    ------
    InputError
        If the proposal jams a shaft behind, or there is none.
    """
    refusal = answer.refusal()
    if refusal is not None:
        raise refusal
    if answer.chosen is None:
        raise InputError("There is no proposal to choose.", "Change what may be changed in the set-up file.")
    entries, order = proposals_entries(answer), order_text(answer)
    entries[answer.chosen] |= {
        "work_order": list(order.steps),
        "warnings": list(for_page(order.warnings)),
        "behind": list(order.behind),
        "notes": list(order.notes),
    }
    text = json.dumps(entries, ensure_ascii=False, sort_keys=True, allow_nan=False)
    name = st.session_state.get(keys.NAME) or None
    kept = store.add(job_id, Proposals(answer.subject.linkage.name, text), name, film_id)
    store.add(job_id, Choice(kept.entry_id, answer.chosen), name, film_id)


def show_what_if(first: Adjusted, about: str) -> None:
    """Any quantity changed by hand: what travel and margins would follow. Nothing is kept."""
    subject = first.subject
    found = subject.linkage.setting
    with st.expander("What if: change figures by hand", key=f"{keys.WHAT_IF}_box"):
        setting_cautions.show()
        changes: dict[str, float] = {}
        for name in DECISION_VARIABLES:
            angle = name.endswith("_rad")
            now = float(getattr(found, name))
            start = round(math.degrees(now) if angle else now, 1)
            value = st.number_input(
                markup.plain(f"{TOUCH_WORDS[name]} ({'°' if angle else 'mm'})"),
                value=start,
                step=1.0,
                format="%.1f",
                key=f"{keys.WHAT_IF}_{about}_{name}",
            )
            if abs(value - start) > 1e-9:
                changes[name] = math.radians(value) if angle else value
        if not changes:
            st.caption("The fields hold the linkage as found. Change one; the rod follows.")
            return
        with plain_errors():
            limits, samples = subject.limits, subject.linkage.samples
            outcome = what_if(found, changes, first.intended, subject.adjustable, limits, samples=samples)
            st.html(
                markup.card(
                    "caution" if outcome.broken else "note", "With these figures", outcome_parts(outcome)
                )
            )
