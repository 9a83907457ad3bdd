"""The sign-in file: where people prove who they are, and who of them may come in as what."""

from __future__ import annotations

import ipaddress
import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, urlsplit

from strokecurve.app.access.rules import LISTED_ROLES, Role
from strokecurve.app.words.errors import InputError

CLIENT_SECRET_VARIABLE = "STROKECURVE_CLIENT_SECRET"  # noqa: S105 (the name of a variable)
COOKIE_SECRET_VARIABLE = "STROKECURVE_COOKIE_SECRET"  # noqa: S105
SECRET_VARIABLES = (CLIENT_SECRET_VARIABLE, COOKIE_SECRET_VARIABLE)
CALLBACK = "/oauth2callback"
SHORTEST_SECRET = 32
"""Characters of the cookie secret: 128 bits written in hexadecimal. Whoever guesses it is anybody."""
USUAL_HOURS = 12.0
"""A working day: long enough not to be in the way, short enough for a phone that was lost."""
MOST_HOURS = 720.0
"""The cookie itself ends after thirty days."""
CLOCK_SLACK_S = 300.0
"""How far the provider's clock may be ahead of ours."""
_KEYS = {"provider", "client_id", "redirect", "client_secret", "cookie_secret", "hours", "people", "domains"}


@dataclass(frozen=True, slots=True)
class SignIn:
    """What the sign-in file says.

    Attributes
    ----------
    provider : str
        Address of the provider's metadata (OpenID Connect discovery).
    client_id : str
    redirect : str
        Our own address that the provider sends people back to.
    hours : float
        How long a sign-in counts.
    people, domains : mapping of str to Role
        By mail address and by mail domain, in lower case; an address counts before its domain.
    client_secret, cookie_secret : str
        Never shown.
    """

    provider: str
    client_id: str
    redirect: str
    hours: float
    people: Mapping[str, Role]
    domains: Mapping[str, Role]
    client_secret: str = field(repr=False)
    cookie_secret: str = field(repr=False)

    @property
    def origin(self) -> str:
        """Scheme, host and port that people reach the page at."""
        parts = urlsplit(self.redirect)
        return f"{parts.scheme}://{parts.netloc}"

    @property
    def host(self) -> str:
        """Host name that people reach the page at."""
        return urlsplit(self.redirect).hostname or ""

    @property
    def encrypted(self) -> bool:
        """Whether people reach the page by https."""
        return self.redirect.startswith("https:")

    def role_of(self, mail: str) -> Role | None:
        """What somebody with a verified address is here; None if they are not on the list."""
        mail = mail.lower()
        if not is_mail(mail):
            return None
        return self.people.get(mail) or self.domains.get(mail.rpartition("@")[2])

    def secrets(self) -> dict[str, Any]:
        """What Streamlit's sign-in asks for, under the names it asks by."""
        return {
            "auth": {
                "redirect_uri": self.redirect,
                "cookie_secret": self.cookie_secret,
                "client_id": self.client_id,
                "client_secret": self.client_secret,
                "server_metadata_url": self.provider,
            }
        }


def signed_in(claims: Mapping[str, Any] | None, hours: float, now_s: float) -> str | None:
    """The verified mail address, in lower case, of somebody whose sign-in still counts; else None.

    Parameters
    ----------
    claims : mapping or None
        Of an identity token whose signature was checked.
    hours : float
        How long a sign-in counts.
    now_s : float
        Seconds since 1970.
    """
    if not claims or claims.get("is_logged_in") is not True or claims.get("email_verified") is not True:
        return None
    issued_s, mail = claims.get("iat"), claims.get("email")
    if isinstance(issued_s, bool) or not isinstance(issued_s, int | float):
        return None
    if not -CLOCK_SLACK_S <= now_s - issued_s < hours * 3600.0:
        return None
    return mail.lower() if isinstance(mail, str) and is_mail(mail) else None


def is_mail(text: str) -> bool:
    """Whether a text has the form of a mail address; quoted and international ones are not taken."""
    name, _, domain = text.partition("@")
    plain = text.isascii() and text.isprintable() and not any(sign in text for sign in ' "<>,;:\\')
    return plain and bool(name) and _is_domain(domain)


def _is_domain(text: str) -> bool:
    return (
        text.isascii()
        and "." in text
        and all(part and part.replace("-", "").isalnum() for part in text.split("."))
    )


def load(path: Path, environment: Mapping[str, str] | None = None) -> SignIn:
    """Read a sign-in file.

    Parameters
    ----------
    path : Path
    environment : mapping, optional
        Where secrets are that the file does not hold; by default the process's own.

    Raises
    ------
    InputError
        If it cannot be used, or others could read its secrets or change it.
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            found = tomllib.load(file)
    except OSError as error:
        raise _refuse(f"The sign-in file {path} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise _refuse(f"The sign-in file {path} is not valid TOML: {error}") from error
    held = any(key in found for key in ("client_secret", "cookie_secret"))
    forbidden = stat.S_IRWXG | stat.S_IRWXO if held else stat.S_IWGRP | stat.S_IWOTH
    if os.name == "posix" and mode & forbidden:
        able = "read" if held else "change"
        raise InputError(f"Others can {able} the sign-in file {path}.", f"Run chmod 600 {path} first.")
    return from_mapping(found, os.environ if environment is None else environment)


def from_mapping(found: Mapping[str, Any], environment: Mapping[str, str]) -> SignIn:
    """A sign-in file from what it holds; raises InputError if it cannot be used."""
    unknown = sorted(set(found) - _KEYS)
    if unknown:
        raise _refuse(f"The sign-in file has a key that is not known: {unknown[0][:40]!r}")
    cookie_secret = _secret(found, "cookie_secret", COOKIE_SECRET_VARIABLE, environment)
    if len(cookie_secret) < SHORTEST_SECRET:
        raise InputError(
            f"The cookie secret is shorter than {SHORTEST_SECRET} characters.",
            "Make a random one: python3 -c 'import secrets; print(secrets.token_hex(32))'.",
        )
    people, domains = _list(found, "people", is_mail), _list(found, "domains", _is_domain)
    if not people and not domains:
        raise _refuse("The sign-in file lets nobody in: it has neither people nor domains")
    redirect = _text(found, "redirect")
    parts = _checked(redirect, "redirect")
    if parts.path != CALLBACK or parts.query or parts.fragment or parts.username:
        raise _refuse(f"The redirect address must be that of the page followed by {CALLBACK}")
    provider = _text(found, "provider")
    _checked(provider, "provider")
    return SignIn(
        provider=provider,
        client_id=_text(found, "client_id"),
        redirect=redirect,
        hours=_hours(found.get("hours", USUAL_HOURS)),
        people=people,
        domains=domains,
        client_secret=_secret(found, "client_secret", CLIENT_SECRET_VARIABLE, environment),
        cookie_secret=cookie_secret,
    )


def _refuse(what: str) -> InputError:
    return InputError(f"{what}.", "docs/serving.md shows what it should look like.")


def _text(found: Mapping[str, Any], key: str) -> str:
    value = found.get(key)
    if not isinstance(value, str) or not value.strip():
        raise _refuse(f"The sign-in file does not say {key}")
    return value.strip()


def _secret(found: Mapping[str, Any], key: str, variable: str, environment: Mapping[str, str]) -> str:
    if key in found:
        return _text(found, key)
    value = environment.get(variable, "").strip()
    if not value:
        raise _refuse(f"The sign-in file does not hold {key}, and the environment has no {variable}")
    return value


def _hours(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= MOST_HOURS:
        raise _refuse(f"The hours that a sign-in counts must be above 0 and at most {MOST_HOURS:g}")
    return float(value)


def _list(found: Mapping[str, Any], key: str, fits: Any) -> dict[str, Role]:
    table = found.get(key, {})
    if not isinstance(table, dict):
        raise _refuse(f"{key} in the sign-in file is not a table of names and roles")
    listed = {}
    for name, role in table.items():
        if not fits(name):
            raise _refuse(f"Under {key} in the sign-in file, {name[:80]!r} is not what it should be")
        if role not in LISTED_ROLES:
            raise _refuse(f"The role of {name[:80]} in the sign-in file is none of {', '.join(LISTED_ROLES)}")
        if name.lower() in listed:
            raise _refuse(f"The sign-in file names {name[:80]} twice")
        listed[name.lower()] = Role(role)
    return listed


def _checked(address: str, key: str) -> SplitResult:
    """An address that is encrypted, or stays on this computer."""
    try:
        parts = urlsplit(address)
        _ = parts.port
    except ValueError as error:
        raise _refuse(f"The {key} address in the sign-in file cannot be used") from error
    if not parts.hostname or parts.scheme not in ("https", "http"):
        raise _refuse(f"The {key} address in the sign-in file is no web address")
    if parts.scheme == "http" and not is_loopback(parts.hostname):
        raise _refuse(f"The {key} address in the sign-in file must begin with https, as secrets pass there")
    return parts


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this computer only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
