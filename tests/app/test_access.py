"""Sign-in, roles and links on a page that is up, with a real OpenID provider: every page, every route.

Nothing here uses a browser; ``test_access_browser`` does.
"""

from __future__ import annotations

import http.client
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from provider import FORGED
from recorded import full_result
from stored import add_job, measured, run_of, uploads_of
from test_access_rules import forged
from visiting import (
    CLIENT_SECRET,
    COOKIE_SECRET,
    SECRETS,
    Looking,
    Served,
    Visitor,
    job_in,
    served_with_sign_in,
    socket_status,
)

from strokecurve.app.access.rules import Level, Person, Role
from strokecurve.app.access.sharing import DAY_S, Sharing
from strokecurve.app.access.upload_sessions import UploadSession
from strokecurve.app.access.uploads import open_session
from strokecurve.app.page.steps import STEPS
from strokecurve.app.store.entries import no_job
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.statements import Comment, FilmFacts, JobFacts

pytestmark = pytest.mark.slow  # a page and a provider are started, and hundreds of pages drawn

MINE, FOREIGN = "Burner of the owner", "Burner of the outsider"
REMARK = "A remark that only those who may read it see."
NO_JOB = no_job().message
WELCOME = "Sign in to see the jobs"
SEED = 20261126
GUESSES = 1000
REVIEWERS_LINK = "Rita Elsewhere"

# Who sees the owner's job, by every way in.
READERS = ("owner", "helper", "reviewer", "keeper", "by link")
NO_READERS = (
    "outsider", "uninvited", "stranger", "unverified", "unsaid", "textual", "nobody", "not signed in",
    "by withdrawn link", "by ended link", "by link to another job", *FORGED,
)  # fmt: skip
STRANGERS = tuple(who for who in NO_READERS if who not in ("outsider", "uninvited", "by link to another job"))
WORKERS = ("owner", "helper", "keeper")


@dataclass(frozen=True)
class House:
    """A page that is up, with a job of the owner, one of the outsider and one of nobody."""

    store: Store
    served: Served
    film: Film
    other: Film
    unowned: Film
    record: str
    bundle: str
    tokens: dict[str, str]

    @property
    def job(self) -> str:
        return self.film.job_id


def prepared_job(store: Store, name: str, folder: Path) -> Film:
    """A job with a measured film, its overlay clip and a comment."""
    film = add_job(store, "as found.mp4")
    run = measured(store, film, full_result)
    store.add(film.job_id, JobFacts(name))
    store.add(film.job_id, Comment(REMARK), "Somebody")
    overlay = folder.parent / "drawn.mp4"
    overlay.write_bytes(b"an invented clip with everything drawn in")
    store.runs.add_file(run.run_id, "overlay.mp4", overlay)
    return store.film(film.film_id)


def ordered(store: Store, of: Film, kind: str, **options: str | bool | None) -> str:
    """Make something on request, here and now; gives its address."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exports, "start_process", lambda store, command, log: None)
        order = exports.ask(store, of.job_id, kind, **options)
    assert exports.work_on(store, of.job_id, order.export_id) is RunState.DONE
    return f"exports/{of.job_id}/{order.export_id}"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    folder = tmp_path_factory.mktemp("house")
    store = Store(folder / "store")
    sharing = Sharing(store.database, store.folder, store.clock)
    film = prepared_job(store, MINE, folder / "first")
    other = prepared_job(store, FOREIGN, folder / "second")
    unowned = prepared_job(store, "Burner of nobody", folder / "third")
    sharing.give(film.job_id, "owner@works.example", Level.OWN, None)
    sharing.give(film.job_id, "helper@works.example", Level.CHANGE, None)
    sharing.give(film.job_id, "rita@office.example", Level.READ, None)
    sharing.give(other.job_id, "outsider@works.example", Level.OWN, None)
    record = ordered(store, film, "record", film=film.film_id, found=None, left=None, paper="a4")
    bundle = ordered(store, film, "bundle", clips=True)
    links = {
        "by link": sharing.make_link(film.job_id, REVIEWERS_LINK, 14, None),
        "by withdrawn link": sharing.make_link(film.job_id, "withdrawn", 14, None),
        "by link to another job": sharing.make_link(other.job_id, "another", 14, None),
    }
    sharing.withdraw(film.job_id, links["by withdrawn link"].link_id)
    long_ago = Sharing(store.database, store.folder, lambda: store.clock() - 20 * DAY_S)
    links["by ended link"] = long_ago.make_link(film.job_id, "ended", 14, None)
    tokens = {who: sharing.token(link) for who, link in links.items()}
    with served_with_sign_in(store.folder, folder) as served:
        yield House(store, served, film, other, unowned, record, bundle, tokens)


@pytest.fixture(scope="module")
def visitor(house: House) -> Iterator[Callable[[str], Visitor]]:
    """Everybody, each through their own way in, once."""
    known: dict[str, Visitor] = {}

    def come(who: str) -> Visitor:
        if who not in known:
            visitor = Visitor(house.served.address)
            if who in house.tokens:
                visitor.get(f"link/{house.tokens[who]}")
            elif who != "not signed in":
                visitor.sign_in(who)
            known[who] = visitor
        return known[who]

    yield come
    for one in known.values():
        one.web.close()


@pytest.fixture
def guest(house: House) -> Iterator[Visitor]:
    """Somebody who has never been here."""
    one = Visitor(house.served.address)
    yield one
    one.web.close()


Come = Callable[[str], Visitor]


# Pages


PAGES = tuple(step.name for step in STEPS)


@pytest.mark.parametrize("who", READERS)
def test_readers_see_every_page_of_the_job(house: House, visitor: Come, who: str) -> None:
    with Looking(visitor(who), "prepare", f"job={house.job}") as looking:
        for page in PAGES:
            shown = looking.go(page, job=house.job)
            assert MINE in shown.text
            # The clip is none, so there are no frames to show on the page that reads it.
            assert page == "read" or "fault in strokecurve" not in shown.text
            assert (REMARK in shown.text) == (page == "handover")


@pytest.mark.parametrize("who", NO_READERS)
def test_nobody_else_sees_anything_of_it_on_any_page(house: House, visitor: Come, who: str) -> None:
    secret = (MINE, REMARK, house.film.clip.clip_id, run_of(house.film).run_id)
    welcome = who in ("not signed in", "by withdrawn link", "by ended link", *FORGED)
    with Looking(visitor(who), "", "") as looking:
        for page in ("", *PAGES):
            shown = looking.go(page, job=house.job, film=house.film.film_id)
            assert not any(word in shown.text for word in secret)
            assert (WELCOME in shown.text) == welcome
            assert (NO_JOB in shown.text) == (who not in STRANGERS)
            if who in STRANGERS:
                continue
            there = [str(element) for element in shown.elements]
            not_there = looking.go(page, job="0" * 32, film="1" * 32).elements
            assert there == [str(element) for element in not_there], "it looks as what is not there"


@pytest.mark.parametrize(
    ("who", "titles"),
    [
        ("owner", {MINE}),
        ("helper", {MINE}),
        ("outsider", {FOREIGN}),
        ("reviewer", {MINE}),
        ("uninvited", set()),
        ("keeper", {MINE, FOREIGN, "Burner of nobody"}),
        ("by link", {MINE}),
        ("by link to another job", {FOREIGN}),
        ("stranger", set()),
        ("not signed in", set()),
    ],
)
def test_the_list_holds_the_jobs_that_may_be_read(
    house: House, visitor: Come, who: str, titles: set[str]
) -> None:
    shown = visitor(who).open()
    assert {title for title in (MINE, FOREIGN, "Burner of nobody") if title in shown.text} == titles


@pytest.mark.parametrize("who", READERS)
def test_pages_offer_what_a_person_may_do_and_nothing_else(house: House, visitor: Come, who: str) -> None:
    with Looking(visitor(who), "prepare", f"job={house.job}") as looking:
        loaded = {page: looking.go(page, job=house.job) for page in PAGES}
    works = who in WORKERS
    offers = {
        ("prepare", "Keep these names"): works,
        ("film", "Analyse this clip again"): works,
        ("film", "Keep this"): works,
        ("adjust", "Work out the intended travel"): works,
        ("handover", "Put this comment on record"): True,
        ("handover", "Put this verdict on record"): True,
        ("handover", "Make the record"): True,
        ("handover", "Make the bundle"): works,
        ("handover", "Let in"): who in ("owner", "keeper"),
        ("handover", "Make the link"): who in ("owner", "keeper"),
    }
    for (page, label), offered in offers.items():
        assert (loaded[page].labelled(label) is not None) == offered, (page, label)
    assert (loaded["handover"].labelled("Your name") is not None) == (who == "by link")


def test_only_who_may_begin_a_job_is_offered_to(visitor: Come) -> None:
    for who, offered in (("owner", True), ("keeper", True), ("reviewer", False), ("by link", False)):
        assert (visitor(who).open().labelled("Start the job") is not None) == offered


@pytest.mark.parametrize(
    ("who", "expected"),
    [
        ("owner", "Olga Owner <owner@works.example>"),
        ("reviewer", "Rita Reviewer <rita@office.example>"),
        ("by link", f"Kim Keeper (by the link for {REVIEWERS_LINK})"),
    ],
)
def test_what_is_said_is_said_by_whoever_signed_in(
    house: House, visitor: Come, who: str, expected: str
) -> None:
    with Looking(visitor(who), "handover", f"job={house.job}") as looking:
        named = {"Your_name": "Kim Keeper"} if who == "by link" else {}
        looking.press("Put this comment on record", Comment=f"Said by {who}", **named)
    said = house.store.entries(house.job, Comment)[-1]
    assert (said.content.text, said.author) == (f"Said by {who}", expected)


def test_a_page_that_is_open_ends_with_its_link(house: House, guest: Visitor) -> None:
    sharing = Sharing(house.store.database, house.store.folder, house.store.clock)
    link = sharing.make_link(house.job, "for a moment", 1, None)
    guest.get(f"link/{sharing.token(link)}")
    with Looking(guest, "handover", f"job={house.job}") as looking:
        assert REMARK in looking.shown.text
        before = len(house.store.entries(house.job, Comment))
        sharing.withdraw(house.job, link.link_id)
        after = looking.press("Put this comment on record", Comment="Too late")
        assert REMARK not in after.text
        assert WELCOME in after.text
    assert len(house.store.entries(house.job, Comment)) == before


# Routes


def route_addresses(house: House) -> dict[str, str]:
    """Every address of the owner's job that is served outside of the page's own socket."""
    overlay = f"overlay/{run_of(house.film).run_id}"
    return {
        "overlay": overlay,
        "overlay to keep": f"{overlay}?download=1",
        "record": house.record,
        "bundle": house.bundle,
    }


@pytest.mark.parametrize("who", (*READERS, *NO_READERS))
def test_every_route_serves_whom_it_should_and_nobody_else(house: House, visitor: Come, who: str) -> None:
    missing = {
        "overlay": f"overlay/{'0' * 32}",
        "overlay to keep": f"overlay/{'0' * 32}?download=1",
        "record": f"exports/{house.job}/{'0' * 32}",
        "bundle": f"exports/{'0' * 32}/{'0' * 32}",
    }
    addresses = route_addresses(house)
    assert addresses.keys() >= missing.keys()
    for name, address in addresses.items():
        answer = visitor(who).get(address)
        if who in (WORKERS if name == "bundle" else READERS):
            assert (answer.status_code, len(answer.content) > 20) == (200, True), name
        else:
            assert_nothing(answer)
            assert same_answer(answer, visitor(who).get(missing[name]))
    # Of another's job, with an order that is there: the order does not open the job, nor the job the order.
    order = house.record.rpartition("/")[2]
    assert_nothing(visitor(who).get(f"exports/{house.other.job_id}/{order}"))


def assert_nothing(answer: object) -> None:
    """An answer that says nothing."""
    assert (answer.status_code, answer.text) == (404, "Not Found")  # type: ignore[attr-defined]


def same_answer(one: object, other: object) -> bool:
    """Whether two answers are alike but for the moment they were given."""

    def told(answer: object) -> object:
        headers = dict(answer.headers)  # type: ignore[attr-defined]
        return answer.status_code, answer.content, headers | {"date": ""}  # type: ignore[attr-defined]

    return told(one) == told(other)


@pytest.fixture(scope="module")
def media(house: House, visitor: Come) -> Iterator[str]:
    """Address of Streamlit's own: the marker sheet, the one thing that is offered there."""
    with Looking(visitor("owner"), "prepare", f"job={house.job}") as looking:
        found = re.search(r"/media/[0-9a-f]+\.pdf", looking.shown.text)
        assert found is not None
        yield found[0]


@pytest.mark.parametrize("who", (*READERS, *NO_READERS))
def test_media_addresses_take_somebody_who_may_be_here(visitor: Come, media: str, who: str) -> None:
    answer = visitor(who).get(media)
    if who in STRANGERS:
        assert_nothing(answer)
    else:
        assert answer.status_code == 200
        assert answer.content.startswith(b"%PDF")


def test_nothing_of_a_job_is_at_an_address_that_knows_no_jobs(house: House, visitor: Come) -> None:
    """Whatever the pages show or offer comes with the page or from an address that asks for rights."""
    found: dict[str, set[str]] = {}
    with Looking(visitor("owner"), "prepare", f"job={house.job}") as looking:
        for step in PAGES:
            shown = looking.go(step, job=house.job, film=house.film.film_id)
            found[step] = set(re.findall(r"/media/[0-9a-f]+\.(\w+)", shown.text))
    assert found.pop("prepare") == {"pdf"}
    assert set().union(*found.values()) == set()


@pytest.fixture(scope="module")
def offered(house: House, visitor: Come) -> Iterator[tuple[str, ...]]:
    """Addresses of tables and result files that the owner's open page offers."""
    with Looking(visitor("owner"), "read", f"job={house.job}") as looking:
        found = sorted(set(re.findall(r"/((?:offered|result)/[\w./-]+)", looking.shown.text)))
        assert [address.partition("/")[0] for address in found] == ["offered"] * 2 + ["result"] * 3
        yield tuple(found)


@pytest.mark.parametrize("who", (*READERS, *NO_READERS))
def test_tables_and_results_take_somebody_who_may_read_their_job(
    house: House, visitor: Come, offered: tuple[str, ...], who: str
) -> None:
    run_id = run_of(house.film).run_id
    for address in offered:
        answer = visitor(who).get(address)
        if who not in READERS:
            assert_nothing(answer)
            continue
        assert answer.status_code == 200
        assert len(answer.content) > 100
        assert answer.headers["content-disposition"].startswith("attachment")
        name = address.rpartition("/")[2]
        if address.startswith("result/"):
            kept = house.store.runs.run(run_id).result / name
            assert answer.content == kept.read_bytes()
            if name == "travel.csv":  # as an earlier version may have named a shaft
                plain = kept.read_text()
                kept.write_text(plain.replace("motor:", "-1:"))
                marked = visitor(who).get(address)
                assert marked.text == plain.replace("motor:", "'-1:")
                assert marked.headers["content-disposition"].startswith("attachment")
                kept.write_text(plain)
        else:
            assert_nothing(visitor(who).get(f"offered/{house.other.job_id}/{name}"))
            assert_nothing(visitor(who).get(f"offered/{house.job}/{name[::-1]}"))
    if who not in ("outsider", "keeper", "by link to another job"):
        assert_nothing(visitor(who).get(f"result/{run_of(house.other).run_id}/travel.csv"))
    assert_nothing(visitor(who).get(f"result/{run_id}/overlay.mp4"))


@pytest.mark.parametrize(
    "written",
    [
        "/{}",
        "//{}",
        "/./{}",
        "/_stcore/../{}",
        "/%6dedia/{name}",
        "/media//{name}",
        "/media/./{name}",
        "/MEDIA/{name}",
    ],
)
def test_no_way_of_writing_a_media_address_lets_strangers_in(house: House, media: str, written: str) -> None:
    """Asked for as written, by a client that does not tidy addresses up as browsers do."""
    path = media.lstrip("/")
    line = written.format(path, name=path.rpartition("/")[2])
    parts = urlsplit(house.served.address)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port)
    connection.request("GET", line)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    # Addresses that mean nothing get the same empty document as every page.
    assert answer.status in (400, 404) or b"<!doctype html>" in body.lower()
    assert b"%PDF" not in body


@pytest.mark.parametrize("who", (*READERS, *NO_READERS))
def test_uploads_into_the_page_take_somebody_who_may_begin_a_job(visitor: Come, who: str) -> None:
    one = visitor(who)
    token = {"X-Xsrftoken": one.web.cookies["_streamlit_xsrf"]}
    answer = one.web.put("_stcore/upload_file/no-session/f", files={"f": b"x"}, headers=token)
    # 400: let through as far as the session, which there is none of.
    assert answer.status_code == (400 if who in (*WORKERS, "outsider") else 404)


@pytest.mark.parametrize("who", (*READERS, *NO_READERS))
def test_an_upload_is_gone_on_with_by_whoever_began_it(house: House, visitor: Come, who: str) -> None:
    owner = Person(Role.TECHNICIAN, "owner@works.example")
    facts = FilmFacts("as left", "as left.mp4")
    begun = open_session(uploads_of(house.store, owner), UploadSession("", "clip", house.job, facts))
    answer = visitor(who).web.head(f"upload/{begun.token}")
    if who == "owner":
        assert (answer.status_code, answer.headers["upload-offset"]) == (200, "0")
        return
    headers = {"Upload-Offset": "0", "Upload-Length": "1"}
    for token in (begun.token, "0" * 32):
        for method in ("HEAD", "PATCH", "DELETE"):
            refused = visitor(who).web.request(method, f"upload/{token}", headers=headers, content=b"x")
            assert (refused.status_code, refused.text) == (404, "" if method == "HEAD" else "Not Found")
    assert visitor("owner").web.head(f"upload/{begun.token}").headers["upload-offset"] == "0"


@pytest.mark.parametrize(
    "address",
    [
        "_stcore/metrics",
        "_stcore/metrics?families=x",
        "_stcore/agent/openapi.json",
        "_stcore/script-health-check",
    ],
)
def test_addresses_that_nobody_needs_are_closed_to_everybody(visitor: Come, address: str) -> None:
    for who in ("keeper", "not signed in"):
        assert_nothing(visitor(who).get(address))
    assert visitor("keeper").web.post("_stcore/agent/interact", json={}).status_code == 404


# Links


@pytest.mark.parametrize("who", ["by withdrawn link", "by ended link"])
def test_links_that_ended_answer_as_those_that_never_were(house: House, guest: Visitor, who: str) -> None:
    answer = guest.get(f"link/{house.tokens[who]}")
    assert_nothing(answer)
    assert same_answer(answer, guest.get("link/nonsense"))
    assert same_answer(answer, guest.get(f"overlay/{'0' * 32}"))
    assert "set-cookie" not in answer.headers


def test_a_link_leads_to_its_job_and_is_kept_out_of_sight(house: House, guest: Visitor) -> None:
    answer = guest.get(f"link/{house.tokens['by link']}")
    assert answer.status_code == 303
    assert job_in(answer.headers["location"]) == house.job
    cookie = answer.headers["set-cookie"].lower()
    assert all(word in cookie for word in ("httponly", "samesite=lax", "max-age="))
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "same-origin"


def test_links_to_two_jobs_live_side_by_side(house: House, guest: Visitor) -> None:
    for who in ("by link", "by link to another job"):
        guest.get(f"link/{house.tokens[who]}")
    shown = guest.open()
    assert MINE in shown.text
    assert FOREIGN in shown.text


# Guessing


def test_a_thousand_guesses_give_nothing(house: House, visitor: Come, media: str) -> None:
    """Clips, files made and offered, links and media: by somebody signed in, for what is not theirs."""
    chance = random.Random(SEED)
    outsider = visitor("outsider")
    genuine = house.tokens["by link"]
    bodies = set()
    for number in range(GUESSES):
        name, other = chance.randbytes(16).hex(), chance.randbytes(16).hex()
        address = (
            f"overlay/{name}",
            f"exports/{house.job}/{name}",
            f"exports/{name}/{other}",
            # a token that was cut to nothing is no guess
            f"link/{forged(genuine, number // 10, chance) or name}",
            f"link/{forged(genuine, 1 + number // 10, chance) or name}",
            f"media/{chance.randbytes(28).hex()}.csv",
            f"exports/{name}/{house.record.rpartition('/')[2]}",
            f"overlay/{name[: chance.randrange(1, 32)]}",
            f"result/{name}/travel.csv",
            f"offered/{house.job}/{name}{other}",
        )[number % 10]
        answer = outsider.get(address)
        assert answer.status_code == 404, address
        bodies.add((address.partition("/")[0] == "media", answer.text))
    assert {text for is_media, text in bodies if not is_media} == {"Not Found"}
    assert len(bodies) <= 2


@pytest.mark.parametrize("path", ["..%2f..%2fjobs.sqlite", "%2e%2e/jobs.sqlite", "..\\..\\link.key"])
def test_no_path_leads_out_of_what_was_made(house: House, visitor: Come, path: str) -> None:
    answer = visitor("owner").get(f"exports/{house.job}/{path}")
    assert answer.status_code in (400, 404)


def test_guessed_jobs_show_nothing(house: House, visitor: Come) -> None:
    chance = random.Random(SEED)
    with Looking(visitor("outsider"), "read", "") as looking:
        named = [house.job, *(chance.randbytes(16).hex() for _ in range(50))]
        shown = {str(looking.go("read", job=name).elements) for name in named}
    assert len(shown) == 1
    assert NO_JOB in shown.pop()


@pytest.mark.parametrize("change", ["signature", "payload", "swapped", "own"])
def test_a_sign_in_cookie_that_was_tampered_with_is_nobodys(
    house: House, visitor: Come, guest: Visitor, change: str
) -> None:
    genuine = visitor("keeper").web.cookies["_streamlit_user"]
    if change == "own":
        from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

        value = create_signed_value("another secret", "_streamlit_user", "{}").decode()
    elif change == "swapped":
        value = visitor("keeper").web.cookies["_streamlit_user_tokens"]
    else:
        at = 10 if change == "payload" else len(genuine) - 10
        value = genuine[:at] + ("A" if genuine[at] != "A" else "B") + genuine[at + 1 :]
    guest.web.cookies.set("_streamlit_user", value)
    assert_nothing(guest.get(route_addresses(house)["overlay"]))
    assert WELCOME in guest.open("read", job=house.job).text


# Other sites


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:80"])
def test_a_name_of_somebody_elses_gets_no_answer(house: House, visitor: Come, host: str) -> None:
    """A page elsewhere that gives its own name our address (DNS rebinding)."""
    for path in ("", "_stcore/health", "read", house.record):
        answer = visitor("keeper").get(path, headers={"Host": host})
        assert answer.status_code == 421
        assert "streamlit" not in answer.text.lower()
    assert socket_status(visitor("keeper"), host=host) == 421


def test_a_page_of_another_site_cannot_open_a_socket(visitor: Come) -> None:
    assert socket_status(visitor("keeper"), origin="https://evil.example") == 403


def test_a_page_of_another_site_cannot_send_files(house: House, visitor: Come) -> None:
    answer = visitor("keeper").web.put("_stcore/upload_file/s/f", files={"f": b"x"})
    assert answer.status_code == 403
    asked = {"Origin": "https://evil.example", "Access-Control-Request-Method": "PUT"}
    allowed = visitor("keeper").web.options(house.record, headers=asked)
    assert "access-control-allow-origin" not in allowed.headers


def test_every_answer_forbids_frames_and_guessing_of_types(house: House, visitor: Come) -> None:
    for path in ("", "read", "_stcore/health", house.record, "overlay/x"):
        headers = visitor("keeper").get(path).headers
        assert headers["content-security-policy"] == "frame-ancestors 'self'"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"


# Secrets


def test_secrets_are_nowhere_but_in_their_file(house: House, visitor: Come) -> None:
    """After every sign-in above, forged ones included: store, logs, bundle, record, process arguments."""
    from recorded import words

    for name in ("keeper", *FORGED):
        visitor(name)
    pdf = house.store.folder / house.record
    paths = [path for path in house.store.folder.rglob("*") if path.is_file()]
    assert {path.suffix for path in paths} >= {".pdf", ".zip", ".sqlite", ".json"}
    texts = {str(path): path.read_bytes() for path in (*paths, house.served.log)}
    texts["words"] = words(next(pdf.glob("*.pdf"))).encode()
    texts["bundle"] = visitor("owner").get(house.bundle).content
    process = Path(f"/proc/{house.served.process_id}/cmdline")
    if process.exists():
        texts["arguments"] = process.read_bytes()
    with Looking(visitor("keeper"), "", "") as looking:
        texts["pages"] = "".join(looking.go(page, job=house.job).text for page in PAGES).encode()
    texts["stranger"] = visitor("not signed in").open().text.encode()
    token = house.tokens["by link"].encode()
    for name, text in texts.items():
        assert all(secret.encode() not in text for secret in SECRETS), name
        # The keeper's hand-over page shows the address of a link to send it on.
        assert token not in text or name == "pages", name
    assert CLIENT_SECRET in house.served.sign_in_file.read_text()
    assert COOKIE_SECRET in house.served.sign_in_file.read_text()
