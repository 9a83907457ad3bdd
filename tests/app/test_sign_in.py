"""Who signed in, the sign-in file, which hosts are ours: decided without any page."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.testclient import TestClient
from visiting import CLIENT_SECRET, COOKIE_SECRET, sign_in_text

from strokecurve.app.access.rules import Role
from strokecurve.app.access.sign_in import SignIn, from_mapping, is_mail, load, signed_in
from strokecurve.app.page.authentication import Authentication
from strokecurve.app.page.middleware import AccessMiddleware, host_is_ours
from strokecurve.app.page.returning import page_asked
from strokecurve.app.store.database import Database
from strokecurve.app.store.store import own_database
from strokecurve.app.words.errors import InputError, StoreError

MAIL = "ann@works.example"

# Signing in

NOW = 1_790_000_000.0
GOOD: dict[str, Any] = {
    "is_logged_in": True,
    "email": "Ann@Works.example",
    "email_verified": True,
    "iat": NOW,
}


def test_a_verified_address_counts_for_some_hours() -> None:
    assert signed_in(GOOD, 12, NOW) == MAIL
    assert signed_in(GOOD, 12, NOW + 12 * 3600 - 1) == MAIL
    assert signed_in(GOOD, 12, NOW + 12 * 3600) is None
    assert signed_in(GOOD, 12, NOW - 200) == MAIL, "the provider's clock is a little ahead"
    assert signed_in(GOOD, 12, NOW - 3600) is None


@pytest.mark.parametrize(
    "change",
    [
        {"is_logged_in": False},
        {"is_logged_in": 1},
        {"email_verified": False},
        {"email_verified": "true"},
        {"email_verified": None},
        {"email": None},
        {"email": "Ann"},
        {"email": ["ann@works.example"]},
        {"email": "ann@works.example@evil.example"},
        {"email": "ann@works.example\n"},
        {"email": "\N{CYRILLIC SMALL LETTER A}nn@works.example"},
        {"iat": None},
        {"iat": "now"},
        {"iat": True},
        {"iat": float("nan")},
    ],
)
def test_anything_less_than_a_verified_address_counts_for_nothing(change: dict[str, Any]) -> None:
    assert signed_in(GOOD | change, 12, NOW) is None


@pytest.mark.parametrize("claims", [None, {}])
def test_no_claims_mean_nobody(claims: dict[str, Any] | None) -> None:
    assert signed_in(claims, 12, NOW) is None


@pytest.mark.parametrize("mail", ["a@b.example", "A.b+c@d-e.example"])
def test_mail_addresses_are_known(mail: str) -> None:
    assert is_mail(mail)


@pytest.mark.parametrize(
    "mail", ["", "a", "@b.example", "a@b", "a@", "a b@c.example", '"a"@b.example', "a@.x"]
)
def test_what_is_no_mail_address_is_known(mail: str) -> None:
    assert not is_mail(mail)


# The sign-in file


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "sign-in.toml"
    path.touch(mode=0o600)
    path.write_text(sign_in_text(1, 8501))
    return path


def test_the_sign_in_file_is_read(file: Path) -> None:
    found = load(file, {})
    assert (found.client_secret, found.cookie_secret) == (CLIENT_SECRET, COOKIE_SECRET)
    assert (found.origin, found.host, found.encrypted) == ("http://127.0.0.1:8501", "127.0.0.1", False)
    assert found.role_of("KIM@works.example") is Role.KEEPER
    assert found.role_of("outsider@works.example") is Role.TECHNICIAN, "names in the file know no capitals"
    assert found.role_of("anybody@office.example") is Role.REVIEWER
    for mail in ("anybody@works.example", "a@sub.office.example", "office.example", "a@notoffice.example"):
        assert found.role_of(mail) is None
    assert all(secret not in repr(found) for secret in (CLIENT_SECRET, COOKIE_SECRET))


def test_an_address_counts_before_its_domain() -> None:
    rules = base() | {"people": {"a@b.example": "reviewer"}, "domains": {"b.example": "keeper"}}
    found = from_mapping(rules, {})
    assert found.role_of("a@b.example") is Role.REVIEWER
    assert found.role_of("c@b.example") is Role.KEEPER


def test_secrets_may_come_from_the_environment(file: Path) -> None:
    file.write_text(sign_in_text(1, 8501, secrets=False))
    file.chmod(0o644)  # there is no secret in it now
    given = {"STROKECURVE_CLIENT_SECRET": CLIENT_SECRET, "STROKECURVE_COOKIE_SECRET": COOKIE_SECRET}
    assert load(file, given).client_secret == CLIENT_SECRET
    with pytest.raises(InputError, match="STROKECURVE_COOKIE_SECRET"):
        load(file, {})
    file.chmod(0o664)
    with pytest.raises(InputError, match="Others can change"):
        load(file, given)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o602, 0o644])
def test_a_file_with_secrets_that_others_can_open_is_refused(file: Path, mode: int) -> None:
    file.chmod(mode)
    with pytest.raises(InputError, match="chmod 600"):
        load(file, {})


def base() -> dict[str, Any]:
    return {
        "provider": "https://id.example/.well-known/openid-configuration",
        "client_id": "x",
        "redirect": "https://page.example/oauth2callback",
        "client_secret": "secret",
        "cookie_secret": "c" * 32,
        "people": {"a@b.example": "keeper"},
    }


def test_an_encrypted_address_is_known() -> None:
    found = from_mapping(base(), {})
    assert found.encrypted
    assert found.secrets()["auth"]["redirect_uri"] == "https://page.example/oauth2callback"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"cookie_secret": "short"}, "shorter than 32"),
        ({"client_secret": ""}, "client_secret"),
        ({"client_id": 1}, "client_id"),
        ({"provider": "http://id.example/x"}, "https"),
        ({"provider": "ftp://id.example/x"}, "web address"),
        ({"provider": "https://[x"}, "cannot be used"),
        ({"redirect": "https://page.example/"}, "/oauth2callback"),
        ({"redirect": "https://page.example/below/oauth2callback"}, "/oauth2callback"),
        ({"redirect": "http://page.example/oauth2callback"}, "https"),
        ({"redirect": "https://page.example/oauth2callback?x=1"}, "/oauth2callback"),
        ({"people": {}}, "nobody"),
        ({"people": []}, "not a table"),
        ({"people": {"a": "keeper"}}, "what it should be"),
        ({"people": {"a@b.example": "alone"}}, "technician, reviewer, keeper"),
        ({"people": {"a@b.example": "guest"}}, "technician, reviewer, keeper"),
        ({"people": {"a@b.example": "keeper", "A@b.example": "reviewer"}}, "twice"),
        ({"domains": {"@b.example": "keeper"}}, "what it should be"),
        ({"domains": {"*": "keeper"}}, "what it should be"),
        ({"hours": 0}, "hours"),
        ({"hours": 721}, "hours"),
        ({"hours": True}, "hours"),
        ({"alow": {}}, "'alow'"),
    ],
)
def test_a_sign_in_file_that_cannot_be_used_is_refused_in_words(change: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        from_mapping(base() | change, {})
    assert "c" * 32 not in str(caught.value)


@pytest.mark.parametrize("content", [b"provider = ", b"\xff\xfe"])
def test_a_sign_in_file_that_is_no_toml_is_refused_in_words(file: Path, content: bytes) -> None:
    file.write_bytes(content)
    with pytest.raises(InputError, match="not valid TOML"):
        load(file, {})
    with pytest.raises(InputError, match="cannot be read"):
        load(file.with_name("none.toml"), {})


# Hosts


def authentication(
    sign_in: SignIn | None = None, *, unsafe: bool = False, address: str = "127.0.0.1"
) -> Authentication:
    return Authentication(Path(), sign_in, unsafe, address)


OWN = (
    "localhost",
    "localhost:8501",
    "LOCALHOST:1",
    "127.0.0.1:8501",
    "127.0.0.2",
    "[::1]:8501",
    "localhost.",
)
FOREIGN = (
    None, "", "evil.example", "evil.example:8501", "localhost.evil.example", "127.0.0.1.evil.example",
    "localhost@evil.example", "evil.example@localhost", "localhost/evil", "localhost:x", "localhost evil",
    "192.168.1.5", "0x7f.1", "[::1", "[fe80::1]", "localhost#evil", "localhost?evil",
)  # fmt: skip


@pytest.mark.parametrize("host", OWN)
def test_this_computer_is_known_by_every_name_it_has(host: str) -> None:
    for one in (
        authentication(),
        authentication(from_mapping(base(), {})),
        authentication(unsafe=True, address="0.0.0.0"),
    ):
        assert host_is_ours(host, one)


@pytest.mark.parametrize("host", FOREIGN)
def test_other_names_are_refused(host: str | None) -> None:
    assert not host_is_ours(host, authentication())
    assert not host_is_ours(host, authentication(from_mapping(base(), {}), address="0.0.0.0"))


def test_others_are_told_no_place_on_the_disk(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as refused:
        Database(own_database(tmp_path / "none"), str(tmp_path / "none" / "jobs.sqlite")).own_faults()
    sentence = refused.value.message
    assert str(tmp_path) in sentence
    alone = Authentication(tmp_path / "none", None, False, "127.0.0.1")
    assert alone.told(sentence) == sentence
    served = Authentication(tmp_path / "none", from_mapping(base(), {}), False, "0.0.0.0")
    assert served.told(sentence).startswith("The list of jobs, jobs.sqlite, cannot be read")
    assert str(tmp_path) not in served.told(f"{tmp_path / 'none'} and {tmp_path / 'none'}/clips")


def test_names_that_were_given_are_known() -> None:
    named = authentication(from_mapping(base(), {}), address="10.0.0.5")
    assert host_is_ours("page.example", named)
    assert host_is_ours("PAGE.example:443", named)
    assert host_is_ours("10.0.0.5:8501", named)
    assert not host_is_ours("10.0.0.6:8501", named)


def test_without_sign_in_addresses_are_known_but_names_of_others_are_not() -> None:
    open_to_all = authentication(unsafe=True, address="0.0.0.0")
    for host, known in (("192.168.1.5:8501", True), ("[fe80::1]:80", True), ("evil.example", False)):
        assert host_is_ours(host, open_to_all) == known


def test_cookies_are_told_never_to_travel_unencrypted(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bake(_request: Request) -> Response:
        answer = Response("x")
        answer.set_cookie("one", "1")
        answer.set_cookie("two", "2", secure=True)
        return answer

    for redirect, expected in (("https://page.example", 2), ("http://localhost:8501", 1)):
        file.write_text(re.sub("redirect = .*", f'redirect = "{redirect}/oauth2callback"', file.read_text()))
        arguments = ["server.py", "--sign-in", str(file), "--store", str(tmp_path / f"{expected}")]
        monkeypatch.setattr(sys, "argv", arguments)
        with TestClient(AccessMiddleware(Starlette(routes=[Route("/", bake)])), base_url=redirect) as client:
            cookies = client.get("/").headers.get_list("set-cookie")
        assert sum("; secure" in cookie.lower() for cookie in cookies) == expected
        assert len(cookies) == 2


# Back to the page first asked for

JOB = "0123456789abcdef" * 2


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        (f"https://page.example/film?job={JOB}", f"/film?job={JOB}"),
        (f"https://page.example/?job={JOB}&film={JOB}", f"/?job={JOB}&film={JOB}"),
        (f"/read?job={JOB}&at=12.5", f"/read?job={JOB}&at=12.5"),
        (f"/read?job={JOB}&at=x&more=1", f"/read?job={JOB}"),
        ("https://page.example/film", None),
        ("https://page.example/", None),
        ("", None),
        (f"/elsewhere?job={JOB}", None),
        (f"//evil.example/film?job={JOB}", f"/film?job={JOB}"),
        (f"/\\evil.example?job={JOB}", None),
        (f"https://page.example//evil.example?job={JOB}", None),
        ("/film?job=../../x", None),
        ("/film?job=%0d%0aset-cookie:x", None),
        ("http://[", None),
    ],
)
def test_only_pages_of_the_work_are_led_back_to(address: str, expected: str | None) -> None:
    assert page_asked(address) == expected


def test_the_page_asked_for_comes_along_to_the_provider_and_back(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    async def away(_request: Request) -> Response:
        return Response(status_code=302, headers={"location": "https://id.example/"})

    async def back(_request: Request) -> Response:
        return Response(status_code=302, headers={"location": "/"})

    routes = [Route("/auth/login", away), Route("/oauth2callback", back)]
    monkeypatch.setattr(sys, "argv", ["server.py", "--store", str(tmp_path / "store")])
    base = "http://127.0.0.1"
    client = TestClient(AccessMiddleware(Starlette(routes=routes)), base_url=base, follow_redirects=False)
    assert client.get("/oauth2callback").headers["location"] == "/"
    client.get("/auth/login", headers={"referer": f"{base}/film?job={JOB}"})
    assert client.get("/oauth2callback").headers["location"] == f"/film?job={JOB}"
    assert client.get("/oauth2callback").headers["location"] == "/", "once"
    for elsewhere in (f"https://evil.example/film?job={JOB}", f"{base}.evil.example/film?job={JOB}"):
        client.get("/auth/login", headers={"referer": elsewhere})
        assert client.get("/oauth2callback").headers["location"] == "/"
    client.cookies.set("strokecurve_asked", "https%3A%2F%2Fevil.example%2F")
    assert client.get("/oauth2callback").headers["location"] == "/"
