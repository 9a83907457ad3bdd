"""The work order on record, and what was carried out of it."""

from __future__ import annotations

from datetime import date

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import keys, markup, steps
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.page.words import local_time, said_by
from strokecurve.app.report.job import WorkOrder
from strokecurve.app.words.cautions import WITHOUT_WARNINGS
from strokecurve.app.words.statements import LABEL_LENGTH, STEP_STATES, TEXT_LENGTH, Choice, Done


def show(store: PersonalStore, job_id: str, linkage: str) -> None:
    """What is on record as chosen for this linkage, and a form for what was done of it."""
    order = next((one for one in store.work_orders(job_id) if one.linkage == linkage), None)
    if order is None or order.choice_id is None:
        return
    chosen = next(one for one in store.entries(job_id, Choice) if one.entry_id == order.choice_id)
    st.header("What is on record", anchor=False)
    touched = (order.proposal or {}).get("touches")
    film = f" Worked out from the film: {order.film}." if order.film else ""
    st.success(
        markup.plain(
            f"On record since {local_time(chosen.made_s)}: proposal {chosen.content.number + 1} "
            f"({touched} touched).{film} It is in the record and in bundles."
        )
    )
    if not order.complete:
        st.warning(WITHOUT_WARNINGS)
    show_done(order)
    # Of an order without its warnings nothing is to be carried out: a proposal is chosen anew first.
    if order.complete and order.lines and store.may(Right.CHANGE, job_id):
        with st.expander("Say what was carried out", key=f"{keys.DONE}_box"):
            ask_done(store, job_id, order, order.choice_id)
    steps.link("film", "When it is done: film the linkage as left", job_id)


def show_done(order: WorkOrder) -> None:
    """What is on record as carried out."""
    for remark in order.remarks:
        st.html(markup.paragraph(remark, "sc-strong"))
    if order.done is None:
        st.html(markup.paragraph(order.told(), "sc-small"))
        return
    done = order.done.content
    st.html(markup.remark(done.remark or "", f"Carried out on {done.on} by {done.by}", order.told()))
    st.html(markup.paragraph(f"Put on record by {said_by(order.done)}.", "sc-small"))


def ask_done(store: PersonalStore, job_id: str, order: WorkOrder, choice_id: str) -> None:
    """A form: each step, by whom, when, and a remark."""
    before = order.done.entry_id if order.done else "first"
    key = f"{keys.DONE}_{choice_id}_{before}"
    with st.form(f"{key}_form", border=False):
        states = [
            st.radio(markup.plain(f"{n}. {step}"), STEP_STATES, index=None, horizontal=True, key=f"{key}_{n}")
            for n, step in enumerate(order.lines, start=1)
        ]
        known = store.person.words
        by = st.text_input(
            "Carried out by",
            known or st.session_state.get(keys.NAME, ""),
            max_chars=LABEL_LENGTH,
            key=f"{key}_by",
        )
        on = st.date_input("On", value=None, max_value=date.today(), key=f"{key}_on")
        remark = st.text_area(
            "Remark: what was done otherwise or left out, and why",
            max_chars=TEXT_LENGTH,
            key=f"{key}_remark",
        )
        sent = st.form_submit_button("Put this on record", width="stretch")
    if not sent:
        return
    said = [state for state in states if state is not None]
    if len(said) < len(states) or not by.strip() or on is None:
        st.error("Something is missing. Say for each step what became of it, by whom it was done, and when.")
        return
    with plain_errors():
        content = Done(choice_id, tuple(said), by.strip(), on.isoformat(), remark.strip() or None)
        store.add(job_id, content, st.session_state.get(keys.NAME) or None)
        st.rerun()
