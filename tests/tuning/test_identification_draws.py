"""Vehicles drawn from an identification scatter as its covariance says, and each of them is a vehicle."""

from __future__ import annotations

import numpy as np
import pytest
from coverage_vehicles import bus, car
from scipy.stats import chi2, kstest, norm
from test_identification_cannot_tell import TRUE, identified

from tracks.errors import InputError
from tuning.identification import Identified, identify
from tuning.vehicle import Vehicle

COUNT = 400
CHANCE = 1e-4  # with which a check on right draws fails; seeds are fixed
# Seen by the fit as they are; what is not here is positive and seen by its logarithm.
LINEAR = ("steering.dead_time", "steering.offset", "tyres.understeer_gradient")


@pytest.fixture(scope="module", params=[bus, car], ids=["bus", "car"])
def found(request) -> Identified:
    """A kinematic and a single-track vehicle, each from its four lateral channels or fewer."""
    case = request.param(3)
    return identify(case.log, known=case.known)


def values(vehicles: list[Vehicle], names: list[str]) -> np.ndarray:
    """Give drawn values as the fit sees them, shape (vehicles, names)."""

    def one(vehicle: Vehicle, name: str) -> float:
        table, field = name.split(".")
        value = float(getattr(getattr(vehicle, table), field))
        return value if name in LINEAR else float(np.log(value))

    return np.array([[one(vehicle, name) for name in names] for vehicle in vehicles])


def of_vehicle(found: Identified) -> list[str]:
    """Give the names of what was fitted of the vehicle itself, far from any bound."""
    rows = found.parameters.loc[list(found.covariance.index)]
    own = ~rows.index.str.startswith(("sensors.", "road."))
    return list(rows.index[own & rows["status"].isin(["found", "prior"])])


def expected(found: Identified, names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Give mean and covariance as the fit sees them: of a logarithm, relative errors."""
    centre = found.parameters.loc[names, "value"].to_numpy(float)
    linear = np.isin(names, LINEAR)
    scale = np.where(linear, 1.0, centre)
    covariance = found.covariance.loc[names, names].to_numpy(float) / np.outer(scale, scale)
    return np.where(linear, centre, np.log(np.where(linear, 1.0, centre))), covariance


def test_draws_have_the_mean_and_the_covariance_of_the_fit(found):
    """Whitened by the stated covariance, 400 draws are a standard normal cloud: means, variances, correlations."""
    names = of_vehicle(found)
    assert len(names) >= 6
    mean, covariance = expected(found, names)
    error = np.sqrt(np.diag(covariance))
    cloud = (values(found.draws(COUNT, seed=1), names) - mean) / error
    bound = norm.isf(CHANCE / 2.0 / len(names))
    assert np.max(np.abs(np.mean(cloud, axis=0))) < bound / np.sqrt(COUNT)
    low, high = chi2.ppf((CHANCE, 1.0 - CHANCE), COUNT) / COUNT
    assert np.all((np.mean(cloud**2, axis=0) > low) & (np.mean(cloud**2, axis=0) < high))
    stated = covariance / np.outer(error, error)
    drawn = np.corrcoef(cloud.T)
    # Fisher's transform has a standard error of 1/√(n − 3) (from memory).
    apart = np.arctanh(np.clip(drawn, -0.9999, 0.9999)) - np.arctanh(np.clip(stated, -0.9999, 0.9999))
    off = ~np.eye(len(names), dtype=bool)
    assert np.max(np.abs(apart[off])) < norm.isf(CHANCE / 2.0 / len(names) ** 2) / np.sqrt(COUNT - 3)
    # Some of them do go together; a diagonal covariance would draw other vehicles.
    assert np.max(np.abs(stated[off])) > 0.5


def test_draws_are_normal_as_the_fit_sees_them(found):
    """No draw is cut off or folded: each value passes the test of Kolmogorov and Smirnov."""
    names = of_vehicle(found)
    mean, covariance = expected(found, names)
    cloud = (values(found.draws(COUNT, seed=2), names) - mean) / np.sqrt(np.diag(covariance))
    for name, column in zip(names, cloud.T, strict=True):
        assert kstest(column, "norm").pvalue > CHANCE, name


def test_each_draw_is_a_vehicle_of_the_same_make(found, tmp_path):
    """A draw survives its file, keeps what was known, and says that it is one."""
    for vehicle in found.draws(20, seed=3):
        vehicle.save(tmp_path / "draw.toml")
        assert Vehicle.load(tmp_path / "draw.toml") == vehicle
        assert vehicle.model_name == found.vehicle.model_name
        assert vehicle.body.mass == found.vehicle.body.mass
        assert "draw" in vehicle.provenance.name
        assert "drawn" in vehicle.provenance.notes


def test_draws_repeat_with_their_seed(found):
    """The same seed gives the same vehicles, another one others, and fewer are the first of more."""
    first = found.draws(5, seed=4)
    assert found.draws(5, seed=4) == first
    assert found.draws(3, seed=4) == first[:3]
    assert found.draws(5, seed=5) != first
    with pytest.raises(InputError):
        found.draws(0)


def test_what_is_not_told_is_drawn_wide_and_within_its_bounds():
    """One curve leaves open how much of the delay is dead time: draws spread over it, truth among them."""
    found = identified("one curve")
    vehicles = found.draws(COUNT, seed=6)
    drawn = np.array([vehicle.steering.dead_time for vehicle in vehicles])
    assert np.all((drawn >= 0.0) & (drawn <= 1.0))
    low, high = np.percentile(drawn, (5.0, 95.0))
    assert low < TRUE["steering.dead_time"] < high
    assert high - low > 0.15
    lags = np.log([vehicle.response.lag for vehicle in vehicles])
    assert np.std(lags) > 0.3
