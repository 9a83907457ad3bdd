"""Letting others into a job: people who sign in, and links for reviewers who do not."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Level, Right
from strokecurve.app.access.sharing import MOST_DAYS, USUAL_DAYS, ReviewerLink
from strokecurve.app.access.sign_in import SignIn, is_mail
from strokecurve.app.page import keys, markup
from strokecurve.app.page.authentication import LINK_ADDRESS, authentication
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.page.words import local_time
from strokecurve.app.store.jobs import Job
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import LABEL_LENGTH

LEVELS = {
    Level.CHANGE: "work on this job",
    Level.READ: "read, comment and give a verdict",
    Level.OWN: "work on it and let others in",
}
LINK_GIVES = (
    "Whoever has the link reads this job, comments on it and gives a verdict, and nothing else. "
    "Send it as you would send a key."
)


def show(store: PersonalStore, job: Job) -> None:
    """Who is let in, and forms to let in more; nothing where nobody signs in or it is not theirs to do."""
    sign_in = authentication().sign_in
    if sign_in is None or not store.may(Right.SHARE, job.job_id):
        return
    with plain_errors():
        show_people(store, job, sign_in)
    with plain_errors():
        show_links(store, job, sign_in)


def show_people(store: PersonalStore, job: Job, sign_in: SignIn) -> None:
    """People with a part in the job, each with a way to take it away, and a form for another."""
    st.header("Who works on this job", anchor=False)
    levels = store.sharing.shares(job.job_id).levels
    if not levels:
        st.html(markup.paragraph("Nobody but the keeper."))
    for mail, level in levels.items():
        st.html(markup.paragraph(f"{mail}: may {LEVELS[level]}"))
        if mail != store.person.mail:
            st.button(
                markup.plain(f"Take away from {mail}"),
                key=f"{keys.SHARE}_{job.job_id}_{mail}",
                on_click=take_away,
                args=(store, job.job_id, mail),
                width="stretch",
            )
    with (
        st.expander("Let somebody in who signs in", key=f"{keys.SHARE}_box"),
        st.form(f"{keys.SHARE}_form_{len(levels)}", border=False, clear_on_submit=True),
    ):
        mail = st.text_input("Mail address", max_chars=LABEL_LENGTH)
        level = st.radio("They may", list(LEVELS), format_func=LEVELS.__getitem__)
        sent = st.form_submit_button("Let in", width="stretch")
    if sent:
        let_in(store, job.job_id, sign_in, mail.strip(), level)
        st.rerun()


def let_in(store: PersonalStore, job_id: str, sign_in: SignIn, mail: str, level: Level) -> None:
    """Give somebody a part in a job.

    Raises
    ------
    InputError
        If it is no address, or nobody with this address could sign in.
    """
    if not is_mail(mail):
        raise InputError("This is no mail address.", "Write it as name@example.com.")
    if sign_in.role_of(mail) is None:
        raise InputError(
            f"Nobody can sign in here as {mail}.",
            "Make a link for them, or ask the keeper to add the address.",
        )
    store.sharing.give(job_id, mail, level)


def take_away(store: PersonalStore, job_id: str, mail: str) -> None:
    """Take somebody's part in a job away."""
    with plain_errors():
        store.sharing.give(job_id, mail, Level.NONE)


def show_links(store: PersonalStore, job: Job, sign_in: SignIn) -> None:
    """Every link that was made, and a form for another."""
    st.header("Links for reviewers", anchor=False)
    st.html(markup.paragraph(LINK_GIVES))
    links = store.sharing.links(job.job_id)
    for link in links:
        show_link(store, link, sign_in)
    with (
        st.expander("Make a link", key=f"{keys.REVIEWER_LINK}_box"),
        st.form(f"{keys.REVIEWER_LINK}_form_{len(links)}", border=False, clear_on_submit=True),
    ):
        label = st.text_input("For whom", max_chars=LABEL_LENGTH)
        days = st.number_input("Days it lets them in", 1, MOST_DAYS, USUAL_DAYS)
        sent = st.form_submit_button("Make the link", width="stretch")
    if sent:
        store.sharing.make_link(job.job_id, label, days)
        st.rerun()


def show_link(store: PersonalStore, link: ReviewerLink, sign_in: SignIn) -> None:
    """One link: for whom, until when, its address while it lets anybody in."""
    made = f"made {local_time(link.made_s)}" + (f" by {link.made_by}" if link.made_by else "")
    if link.withdrawn_s is not None:
        st.html(
            markup.paragraph(
                f"For {link.label}: withdrawn {local_time(link.withdrawn_s)}; {made}.", "sc-small"
            )
        )
        return
    if not store.sharing.is_open(link):
        st.html(
            markup.paragraph(f"For {link.label}: ended {local_time(link.expires_s)}; {made}.", "sc-small")
        )
        return
    st.html(markup.paragraph(f"For {link.label}: until {local_time(link.expires_s)}; {made}."))
    st.code(f"{sign_in.origin}{LINK_ADDRESS}{store.sharing.token(link)}", language=None, wrap_lines=True)
    st.button(
        markup.plain(f"Withdraw the link for {link.label}"),
        key=f"{keys.REVIEWER_LINK}_{link.link_id}",
        on_click=withdraw,
        args=(store, link),
        width="stretch",
    )


def withdraw(store: PersonalStore, link: ReviewerLink) -> None:
    """Withdraw a link."""
    with plain_errors():
        store.sharing.withdraw(link)
