"""Random linkages of the trade as a film shows them: what the study of identification and its test draw."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from kin_film import DEG, SLOW_PATH_RAD, wrapped
from scipy.optimize import brentq

from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.faults.condition import toggle_margins
from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES, Evidence, JointEvidence
from strokecurve.kinematics.identify.geometry import identify
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

MARGINS = ("min_drive_angle_rad", "min_transmission_angle_rad")
SCORED = (*QUANTITIES, "slack_rad", *MARGINS)
SOURCES = ("hinges", "hinges tape", "pins", "pins tape")

WHITE_DEG = (0.01, 0.1)  # frame noise on rendered clips, tripod at 1080p to low light at 720p
SLOW_DEG = (0.005, 0.04)  # slowly varying error beside it: on the clips 0.003 to 0.02, in low light 0.08 ...
SLOW_PLACE = (0.0, 0.6)  # ... the share of it that comes back at the same place in the other pass ...
STEADY_PLACE = (0.75, 1.0)  # ... with the camera on a stand ...
# ... and the driver path over which it forgets itself: SLOW_PATH_RAD
COMMON_DEG = (0.002, 0.01)  # what focal length, lens and axes do to an angle, the same in all frames
ENDS_DEG = 0.1  # by which ends of the strokes of one film differ
CENTRE_MM = (0.3, 1.0)  # spacing from the hinges
POINT_MM = 0.2  # each coordinate of a pin or a centre with a rod marker
SCALE = 0.0025  # all lengths of one film in common
TAPE = {  # what a technician reaches with tape and protractor
    "drive_radius_mm": 1.0,
    "driven_radius_mm": 1.0,
    "rod_mm": 2.0,
    "spacing_mm": 3.0,
    "drive_start_rad": 1.5 * DEG,
    "driven_start_rad": 1.5 * DEG,
}


@dataclass(frozen=True)
class Layout:
    """A linkage, where its drive arm starts, and its signed stroke."""

    linkage: FourBar
    drive_start: float
    stroke: float

    def drives(self) -> np.ndarray:
        """Drive angles over the stroke."""
        return self.drive_start + np.linspace(0, self.stroke, 181)

    def margins(self) -> np.ndarray:
        """Smallest in-line angle at drive and driven arm; 0 where the rod passes through the line."""
        drives = self.drives()
        out = []
        for angle in (self.linkage.drive_angle(drives), self.linkage.transmission_angle(drives)):
            out.append(float(np.minimum(angle, np.pi - angle).min()))
        rod = wrapped(self.linkage.rod_angle(drives) - drives)
        side = np.sign(np.sin(rod))
        if np.any(side[1:] != side[:-1]):
            out[0] = 0.0
        return np.array(out)


@dataclass(frozen=True)
class Filming:
    """How a linkage is filmed: so many strokes, with the camera on a stand or in the hand."""

    strokes: int = 1
    steady: bool = False

    @property
    def settings(self) -> Settings:
        """What the kinematics are told of it."""
        return replace(DEFAULTS, floor_place_share=0.9) if self.steady else DEFAULTS


ONE_STROKE = Filming()


@dataclass(frozen=True)
class Case:
    """One film with all evidence, and the truth."""

    name: str
    sources: str
    layout: Layout
    slack: float
    stroke: Stroke
    motion: LinkageMotion
    evidence: list[Evidence | JointEvidence]
    truth: dict[str, float]
    settings: Settings


@dataclass(frozen=True)
class Score:
    """How one quantity of one case came out."""

    case: str
    sources: str
    quantity: str
    determined: bool
    error: float
    sd: float


# ---- linkages --------------------------------------------------------------------------------------------


def _equal(rng: np.random.Generator) -> tuple[float, ...]:
    radius, start = rng.uniform(40, 110), rng.uniform(15, 110)
    off = rng.choice([0.0, 1.0])  # exactly a parallelogram, or nearly
    return radius, radius * (1 + off * rng.normal(0, 0.02)), start, start + off * rng.normal(0, 3)


def _short_drive(rng: np.random.Generator) -> tuple[float, ...]:
    driven = rng.uniform(60, 110)
    return driven * rng.uniform(0.4, 0.75), driven, rng.uniform(15, 110), rng.uniform(20, 130)


def _short_driven(rng: np.random.Generator) -> tuple[float, ...]:
    drive = rng.uniform(50, 110)
    return drive, drive * rng.uniform(0.6, 0.9), rng.uniform(15, 110), rng.uniform(20, 130)


def _any(rng: np.random.Generator) -> tuple[float, ...]:
    return rng.uniform(40, 110), rng.uniform(40, 110), rng.uniform(5, 120), rng.uniform(20, 130)


def _crossed(rng: np.random.Generator) -> tuple[float, ...]:
    drive, driven, start, driven_start = _any(rng)
    return drive, driven, start, -driven_start


def _in_line_at(end: int) -> Callable[[Layout], bool]:
    def test(layout: Layout) -> bool:
        angle = layout.linkage.drive_angle(layout.drives()[[0, -1]])
        angle = np.minimum(angle, np.pi - angle)
        near, far = angle[end], angle[-1 - end]
        return bool(5 * DEG < near < 22 * DEG and far > 40 * DEG and layout.margins()[0] >= near - 1e-9)

    return test


def _clear(layout: Layout) -> bool:
    return bool(layout.margins()[1] > 14 * DEG)


def _near_toggle(layout: Layout) -> bool:
    return bool(4 * DEG < layout.margins()[1] < 14 * DEG)


Draw = Callable[[np.random.Generator], tuple[float, ...]]
LAYOUTS: dict[str, tuple[Draw, Callable[[Layout], bool]]] = {
    "equal": (_equal, _clear),
    "short drive arm": (_short_drive, _clear),
    "short driven arm": (_short_driven, _clear),
    "slow start": (_any, lambda x: _clear(x) and _in_line_at(0)(x)),
    "fast start": (_any, lambda x: _clear(x) and _in_line_at(-1)(x)),
    "near toggle": (_any, _near_toggle),
    "crossed": (_crossed, _clear),
}


def draw_layout(rng: np.random.Generator, name: str) -> Layout:
    """A linkage of the layout named that closes over its stroke and turns its driven shaft enough."""
    draw, fits = LAYOUTS[name]
    while True:
        drive, driven, start, driven_start = draw(rng)
        mirror, sign = rng.choice([-1, 1]), rng.choice([-1, 1])
        stroke = sign * rng.choice([90.0, rng.uniform(60, 95)]) * DEG
        angles = (mirror * start * DEG, mirror * driven_start * DEG)
        try:
            linkage = FourBar.from_start_angles(drive, driven, rng.uniform(150, 400), *angles)
        except KinematicsError:
            continue
        layout = Layout(linkage, angles[0], stroke)
        if not linkage.closes(layout.drives()).all():
            continue
        turned = linkage.driven_angle(layout.drives())
        if abs(turned[-1] - turned[0]) > 25 * DEG and fits(layout):
            return layout


# ---- films -----------------------------------------------------------------------------------------------


def markov(rng: np.random.Generator, path: np.ndarray, sd: float) -> np.ndarray:
    """First-order Markov error along a path."""
    keep = np.exp(-np.diff(path) / SLOW_PATH_RAD)
    kicks = rng.normal(0, sd, path.size)
    out = np.empty(path.size)
    out[0] = kicks[0]
    for k, share in enumerate(keep, 1):
        out[k] = share * out[k - 1] + np.sqrt(1 - share**2) * kicks[k]
    return out


def slow_error(
    rng: np.random.Generator, path: np.ndarray, travel: np.ndarray, sd: float, place: float
) -> np.ndarray:
    """Slow error of one shaft: a share of its variance belongs to the place, the rest to the path."""
    grid = np.linspace(0, travel.max(), 200)
    fixed = np.interp(travel, grid, markov(rng, grid, sd))
    return np.sqrt(place) * fixed + np.sqrt(1 - place) * markov(rng, path, sd)


def round_error(rng: np.random.Generator, cycle: np.ndarray, length: float, sd: float) -> np.ndarray:
    """First-order Markov error on a circle of so much driver path: the same in every stroke."""
    grid = np.linspace(0, length, 181)[:-1]
    apart = np.abs(grid[:, None] - grid[None, :])
    covariance = np.exp(-np.minimum(apart, length - apart) / SLOW_PATH_RAD)
    drawn = np.linalg.cholesky(covariance + 1e-9 * np.eye(grid.size)) @ rng.normal(0, sd, grid.size)
    return np.interp(cycle, grid, drawn, period=length)


def common_errors(rng: np.random.Generator, angle: np.ndarray) -> np.ndarray:
    """What two causes that all frames share do to an angle: waves of the marker's place, shape (N, 2)."""
    size, at = np.exp(rng.uniform(*np.log(COMMON_DEG), 2)) * DEG, rng.uniform(0, 2 * np.pi, 2)
    waves = size * np.sin(angle[:, None] * np.array([1.0, 2.0]) + at)
    return waves - waves.mean(axis=0)


def between(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Path of a shaft pushed up by one curve and pulled down by another, starting on the upper one."""
    out = np.empty_like(high)
    state = high[0]
    for k, (bottom, top) in enumerate(zip(low, high, strict=True)):
        state = min(max(state, bottom), top)
        out[k] = state
    return out


def worn_layouts(layout: Layout, slack: float) -> tuple[Layout, Layout] | None:
    """The linkage as it acts in closing and in opening with play in its pins; None where it would jam.

    Pulled, the rod acts longer by half the play, pushed shorter; lost motion is the mean over the stroke.
    """
    rod, drives = layout.linkage.rod_mm, layout.drives()

    def acting(rod_mm: float) -> Layout:
        return replace(layout, linkage=replace(layout.linkage, rod_mm=rod_mm))

    def lag(play_mm: float) -> np.ndarray:
        ends = [acting(rod + way * play_mm / 2).linkage.driven_angle(drives) for way in (1, -1)]
        return wrapped(ends[0] - ends[1])

    try:
        most = 1.0
        while abs(np.mean(lag(most))) < slack:
            most *= 1.3
        play_mm = brentq(lambda p: abs(np.mean(lag(p))) - slack, 0, most) if slack else 0.0
    except KinematicsError:
        return None
    turned = layout.linkage.driven_angle(drives[[0, -1]])
    ahead = np.sign(np.mean(lag(1e-3)) * (turned[1] - turned[0]))
    return acting(rod + ahead * play_mm / 2), acting(rod - ahead * play_mm / 2)


def _film(
    rng: np.random.Generator, layout: Layout, slack: float, opening: Layout | None, filming: Filming
) -> tuple[Stroke, LinkageMotion]:
    """Rest, opening, rest, closing, rest, so many times; each shaft with its own white and slow errors."""
    hold, move = rng.uniform(0.6, 2.0), abs(layout.stroke) / (rng.uniform(4, 15) * DEG)
    strokes = filming.strokes
    corners = np.cumsum([0, hold, *[move, hold, move, hold] * strokes])
    time = np.arange(0, corners[-1], 1 / 30)
    ends = np.array([0.0, *[1.0, 0.0] * strokes])
    if strokes > 1:  # no end lies beyond those of the first stroke
        short = np.abs(rng.normal(0, ENDS_DEG * DEG / abs(layout.stroke), ends.size))
        ends += np.where(np.arange(ends.size) < 2, 0.0, short * np.sign(0.5 - ends))
    driver = np.interp(time, corners, np.repeat(ends, 2)) * layout.stroke
    top = layout.linkage.driven_angle(layout.drive_start + driver)
    way = np.sign(top[np.argmax(np.abs(driver))] - top[0])
    late = top - way * slack
    if opening is not None:
        late = opening.linkage.driven_angle(opening.drive_start + driver)
    driven = way * between(way * late, way * top)
    driven = driven - driven[0]
    # slow errors change with time as well as with place: a rest counts like a path as long as they remember
    still = SLOW_PATH_RAD / hold * np.gradient(time) * (np.abs(np.gradient(driver)) == 0)
    path = np.cumsum(np.abs(np.gradient(driver)) + still)
    white = np.exp(rng.uniform(*np.log(WHITE_DEG), 2)) * DEG
    slow = np.exp(rng.uniform(*np.log(SLOW_DEG), 2)) * DEG
    place = rng.uniform(*(STEADY_PLACE if filming.steady else SLOW_PLACE))
    repeating = rng.uniform() if filming.steady else 0.0
    length = 2 * abs(layout.stroke)
    cycle = np.interp(time, corners, np.repeat(np.arange(ends.size), 2)) * length / 2
    noisy, common = [], []
    for angle, w, s in zip((driver, driven), white, slow, strict=True):
        error = rng.normal(0, w, time.size)
        left = 1 - (1 - place) * repeating  # of the variance, what does not repeat in each stroke
        error += slow_error(rng, path, abs(driver), s * np.sqrt(left), place / left)
        if filming.steady:
            error += round_error(rng, cycle, length, s * np.sqrt((1 - place) * repeating))
            common.append(common_errors(rng, angle))
        noisy.append(angle + error)
    if common:
        drawn = rng.normal(0, 1, 2)
        noisy = [angle + waves @ drawn for angle, waves in zip(noisy, common, strict=True)]
    motion = LinkageMotion.of(*noisy, *white, common_rad=tuple(common) if common else None)
    return find_stroke(time, noisy[0], white[0]), motion


# ---- evidence --------------------------------------------------------------------------------------------


def pins_evidence(rng: np.random.Generator, truth: dict[str, float]) -> JointEvidence:
    """All six quantities from points seen: pins on their arms, the rod, the centres; and one scale."""
    a, c, d = (truth[n] for n in ("drive_radius_mm", "driven_radius_mm", "spacing_mm"))
    th, ph = truth["drive_start_rad"], truth["driven_start_rad"]
    drive, driven = a * np.array([np.cos(th), np.sin(th)]), c * np.array([np.cos(ph), np.sin(ph)])
    between = np.array([d, 0.0])
    exact = np.concatenate([drive, driven, between + driven - drive, between])
    variance = POINT_MM**2 * np.array([1, 1, 1, 1, 2, 2, 2, 2])

    def derived(p: np.ndarray) -> np.ndarray:
        ground = np.arctan2(p[7], p[6])
        lengths = [np.hypot(p[k], p[k + 1]) for k in (0, 2, 4, 6)]
        angles = [wrapped(np.arctan2(p[k + 1], p[k]) - ground) for k in (0, 2)]
        return np.array([*lengths, *angles], float)

    seen = exact * (1 + rng.normal(0, SCALE)) + rng.normal(0, np.sqrt(variance))
    values = derived(seen)
    slopes = np.stack([(derived(seen + 1e-4 * e) - values) / 1e-4 for e in np.eye(exact.size)], axis=1)
    lengths = np.where([True] * 4 + [False] * 2, values, 0)
    covariance = (slopes * variance) @ slopes.T + SCALE**2 * np.outer(lengths, lengths)
    return JointEvidence(QUANTITIES, values, covariance, "pins")


def _evidence(
    rng: np.random.Generator, sources: str, truth: dict[str, float]
) -> list[Evidence | JointEvidence]:
    found: list[Evidence | JointEvidence] = []
    if "pins" in sources:
        found.append(pins_evidence(rng, truth))
    else:
        sigma = rng.uniform(*CENTRE_MM)
        found.append(Evidence("spacing_mm", truth["spacing_mm"] + rng.normal(0, sigma), sigma, "hinges"))
    if "tape" in sources:
        names = rng.permutation(list(TAPE))[: rng.integers(1, len(TAPE))]
        found += [Evidence(str(n), truth[n] + rng.normal(0, TAPE[n]), TAPE[n], "tape") for n in names]
    return found


# ---- cases -----------------------------------------------------------------------------------------------


def draw_case(seed: int, name: str, sources: str, filming: Filming = ONE_STROKE) -> Case:
    """One seeded film of a layout with the evidence of the sources named."""
    rng = np.random.default_rng([seed, list(LAYOUTS).index(name), SOURCES.index(sources)])
    layout = draw_layout(rng, name)
    slack = rng.choice([0.0, rng.uniform(0, 2), rng.uniform(0, 2)]) * DEG
    worn = worn_layouts(layout, slack) if rng.random() < 0.5 else None
    linkage, layout = layout.linkage, layout if worn is None else worn[0]
    truth = {n: float(getattr(linkage, n)) for n in QUANTITIES if n not in ANGLES}
    truth["drive_start_rad"] = layout.drive_start
    truth["driven_start_rad"] = float(wrapped(layout.linkage.driven_angle(layout.drive_start)))
    truth["slack_rad"] = slack
    truth |= dict(zip(MARGINS, layout.margins(), strict=True))
    stroke, motion = _film(rng, layout, slack, None if worn is None else worn[1], filming)
    evidence = _evidence(rng, sources, truth)
    return Case(name, sources, layout, slack, stroke, motion, evidence, truth, filming.settings)


def score(case: Case) -> list[Score]:
    """Identify, and hold every quantity against the truth."""
    fit = identify(case.stroke, case.motion, case.evidence, case.settings)
    margins = toggle_margins(fit, case.stroke)
    rows = []
    for name in SCORED:
        if name in MARGINS:
            found = margins[MARGINS.index(name)]
            value, sd, determined = found.value, found.sd, found.sd <= DEFAULTS.determined_angle_rad
        else:
            quantity = fit.quantity(name)
            value, sd, determined = quantity.value, quantity.sd, quantity.determined
        off = value - case.truth[name]
        error = float(wrapped(off)) if name in ANGLES else off
        rows.append(Score(case.name, case.sources, name, determined, error, sd))
    return rows
