"""An invented burner whose damper, fuel valve and analyser are known exactly, and readings of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.kinematics.intended.combustion import excess_air, o2_dry_of
from strokecurve.kinematics.intended.damper import PUBLISHED_DAMPERS, PublishedDamper, installed_flow
from strokecurve.kinematics.intended.fuels import NATURAL_GAS
from strokecurve.kinematics.intended.readings import BurnerReadings
from strokecurve.kinematics.intended.settings import READING_DEFAULTS, ReadingSettings

_TRAVEL_DEG = np.linspace(-14.0, 80.0, 4000)


@dataclass(frozen=True)
class Burner:
    """Truth: damper travel against firing position follows from fuel and excess air as found."""

    shape: PublishedDamper
    authority: float = 0.3
    shut_deg: float = 12.0
    end_deg: float = 55.0
    low_excess: float = 0.45
    high_excess: float = 0.22
    bump: float = 0.05
    bend: float = 1.2

    def ln_flow(self, travel_deg: np.ndarray) -> np.ndarray:
        inherent = self.shape.flow(np.radians(self.shut_deg + np.asarray(travel_deg, float)))
        ends = self.shape.flow(np.radians(self.shut_deg + self.end_deg))
        level = np.log1p(self.high_excess) - np.log(installed_flow(ends, self.authority))
        return np.log(installed_flow(inherent, self.authority)) + level

    def fuel(self, firing_deg: np.ndarray) -> np.ndarray:
        low = np.exp(self.ln_flow(np.array(0.0))) / (1 + self.low_excess)
        return low + (1 - low) * (firing_deg / 90) ** self.bend

    def excess(self, firing_deg: np.ndarray) -> np.ndarray:
        share = firing_deg / 90
        line = self.low_excess + (self.high_excess - self.low_excess) * share
        return line + self.bump * np.sin(np.pi * share)

    def damper_for(self, air: np.ndarray) -> np.ndarray:
        """Damper travel in degrees that gives so much air."""
        return np.interp(np.log(air), self.ln_flow(_TRAVEL_DEG), _TRAVEL_DEG)

    def damper(self, firing_deg: np.ndarray) -> np.ndarray:
        return self.damper_for(self.fuel(firing_deg) * (1 + self.excess(firing_deg)))

    def intended(self, firing_deg: np.ndarray, target_o2: np.ndarray) -> np.ndarray:
        return self.damper_for(self.fuel(firing_deg) * (1 + excess_air(NATURAL_GAS, target_o2)))


def random_burner(rng: np.random.Generator) -> Burner:
    odds = np.log(0.27 / 0.73) + rng.normal(0, 1)
    return Burner(
        shape=PUBLISHED_DAMPERS[rng.integers(len(PUBLISHED_DAMPERS))],
        authority=1 / (1 + np.exp(-odds)),
        shut_deg=float(np.clip(10 * np.exp(0.6 * rng.normal()), 3, 28)),
        end_deg=rng.uniform(40, 70),
        low_excess=rng.uniform(0.35, 0.6),
        high_excess=rng.uniform(0.15, 0.3),
        bump=rng.normal(0, 0.05),
        bend=rng.uniform(0.8, 1.8),
    )


def read(
    burner: Burner,
    firing_deg: np.ndarray,
    target_o2: np.ndarray,
    rng: np.random.Generator | None = None,
    settings: ReadingSettings = READING_DEFAULTS,
    **changes: np.ndarray,
) -> BurnerReadings:
    """Readings at firing positions, with errors of the sizes stated if there is a generator."""
    count = firing_deg.size
    o2 = o2_dry_of(NATURAL_GAS, burner.excess(firing_deg))
    fuel, damper = burner.fuel(firing_deg), np.radians(burner.damper(firing_deg))
    if rng is not None:
        o2 = o2 + rng.normal(0, settings.sigma_o2, count) + rng.normal(0, settings.sigma_o2_common)
        fuel = fuel * np.exp(rng.normal(0, settings.sigma_fuel_rel, count))
        damper = damper + rng.normal(0, settings.sigma_driven_rad, count)
    nothing, missing = np.zeros(count), np.full(count, np.nan)
    columns = {
        "driver_rad": np.radians(firing_deg),
        "fuel_rate": fuel,
        "o2_dry": o2,
        "target_o2_dry": np.asarray(target_o2, float),
        "damper_rad": damper,
        "sigma_damper_rad": np.full(count, settings.sigma_driven_rad),
        "half_gap_rad": nothing,
        "valve_rad": np.radians(firing_deg),
        "sigma_valve_rad": nothing,
        "valve_half_gap_rad": nothing,
        "sigma_o2": np.full(count, settings.sigma_o2),
        "sigma_fuel_rel": np.full(count, settings.sigma_fuel_rel),
        "co_ppm": np.full(count, 10.0),
        "co2_dry": missing,
        "stack_c": missing,
        "ambient_c": missing,
    }
    return BurnerReadings(**(columns | changes))
