"""What a finding is to whoever puts it into words, and what comes out."""

from __future__ import annotations

from typing import NamedTuple, Protocol, TypeVar

from strokecurve.app.words.estimates import fixed, spelled_angle

LOCKED = "Only with the burner off and locked out and the fuel isolated: "
F = TypeVar("F")


class About(Protocol):
    """Subject of a finding; what it is not about is empty."""

    @property
    def linkage(self) -> str:
        """``driver:driven``."""

    @property
    def shaft(self) -> str:
        """Name of a shaft."""

    @property
    def part(self) -> str:
        """Arm, pin, end of the stroke, pass, rod or card."""

    @property
    def markers(self) -> tuple[int, ...]:
        """Ids of markers."""

    @property
    def where(self) -> str:
        """Its name."""


class Found(Protocol):
    """A finding of ``kinematics`` or of the join, or a filming fault of ``vision``."""

    @property
    def code(self) -> str:
        """Stable name of its sort."""

    @property
    def severity(self) -> str:
        """``danger``, ``caution`` or ``note``."""

    @property
    def kind(self) -> str:
        """``linkage`` or ``filming``."""

    @property
    def subject(self) -> About:
        """What it is about."""

    @property
    def where(self) -> str:
        """Name of the subject."""

    @property
    def value(self) -> float | None:
        """Its figure."""

    @property
    def sd(self) -> float | None:
        """Standard deviation of the figure."""

    @property
    def limit(self) -> float | None:
        """Limit of the figure."""

    @property
    def unit(self) -> str | None:
        """Unit of the three."""

    @property
    def time_s(self) -> float | None:
        """The moment that shows it."""

    @property
    def driver_deg(self) -> float | None:
        """Driver travel at which it shows."""

    @property
    def facts(self) -> object:
        """What else its sentence needs."""


class Sentence(NamedTuple):
    """A finding in words: what is the case, and what to do."""

    text: str
    advice: str


def facts_of(found: Found, wanted: type[F]) -> F:
    """The facts of a finding, which are of the class that belongs to its code; TypeError if not."""
    if not isinstance(found.facts, wanted):
        raise TypeError(f"a finding {found.code} comes with {wanted.__name__}, not {found.facts!r}")
    return found.facts


def value_of(found: Found) -> float:
    """The figure of a finding that has one; TypeError if it has none."""
    if found.value is None:
        raise TypeError(f"a finding {found.code} comes with a figure")
    return found.value


def angle(found: Found, *, size: bool = False) -> str:
    """The figure of a finding about an angle, with its deviation; or its size only, without the sign."""
    value = value_of(found)
    return spelled_angle(abs(value) if size else value, found.sd or 0.0)


def at_moment(found: Found) -> str:
    """The moment, to go on a sentence; nothing where it has none."""
    return "" if found.time_s is None else f" at {fixed(found.time_s, 1)} s"


def at_travel(found: Found) -> str:
    """The driver travel, to go on a sentence; nothing where it has none."""
    return "" if found.driver_deg is None else f", {driver_travel(found)}"


def driver_travel(found: Found) -> str:
    """The driver travel of a finding that has one."""
    return f"{fixed(found.driver_deg or 0.0)} degrees of driver travel"


def markers_named(ids: tuple[int, ...]) -> str:
    """Markers by their numbers."""
    names = " and ".join(str(i) for i in ids)
    return f"marker {names}" if len(ids) == 1 else f"markers {names}"
