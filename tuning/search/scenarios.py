"""The scenarios that gains must stand unless the user names others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tracks import Track
from tracks.errors import InputError
from tuning.simulation import Localisation, Scenario, SideWind
from tuning.simulation.loading import loaded
from tuning.vehicle import Vehicle

__all__ = ["checked", "default_scenarios"]

_LENGTH = 2.8  # m: the wheelbase of the car whose figures these are; other vehicles in proportion


def default_scenarios(vehicle: Vehicle) -> tuple[Scenario, ...]:
    """Give four drives, lengths in proportion to the wheelbase (common practice, no source, for all values).

    The nominal one; one that starts 0.3 m beside the path; one with 50 ms of dead time that identification
    missed; one with the noise of a good satellite receiver, 2 cm and 0.2°.
    """
    scale = vehicle.body.wheelbase / _LENGTH
    return (
        Scenario(name="nominal"),
        Scenario(name="off the path", lateral_offset=round(0.3 * scale, 4)),
        Scenario(name="late steering", extra_dead_time=0.05),
        Scenario(
            name="noisy position",
            localisation=Localisation(noise=round(0.02 * scale, 5), heading_noise=0.0035),
        ),
    )


def checked(
    tracks: Track | Sequence[Track], scenarios: Scenario | Sequence[Scenario] | None, vehicle: Vehicle
) -> tuple[tuple[Track, ...], tuple[Scenario, ...]]:
    """Give tracks and scenarios as tuples, one or more of each, names unique, every scenario such as the vehicle can meet.

    Raises:
        InputError: none, two of a name, a scenario that needs what the vehicle file does not say, or an event beyond the
            end of every track, which would prove nothing.
    """
    roads = (tracks,) if isinstance(tracks, Track) else tuple(tracks)
    if isinstance(scenarios, Scenario):
        drives: tuple[Scenario, ...] = (scenarios,)
    else:
        drives = default_scenarios(vehicle) if scenarios is None else tuple(scenarios)
    _check_names("track", roads)
    _check_names("scenario", drives)
    for scenario in drives:
        try:
            _check_vehicle(scenario, vehicle)
            _check_events(scenario, roads)
        except InputError as error:
            raise InputError(
                f'scenario "{scenario.name}": {error.what}', error.expected, error.remedy
            ) from None
    return roads, drives


def _check_names(kind: str, members: Sequence[Any]) -> None:
    if not members:
        raise InputError(f"no {kind} is given", f"one {kind} or more", f"add a {kind}")
    names = [member.name for member in members]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(
            f'two {kind}s are called "{twice}"', f"a name of its own for each {kind}", "rename one"
        )


def _check_vehicle(scenario: Scenario, vehicle: Vehicle) -> None:
    """Refuse a load that the vehicle file cannot carry, and wind that the vehicle would not feel."""
    carried = loaded(vehicle, vehicle.plant, scenario.load, scenario.load_position)
    if (change := scenario.load_change) is not None:
        loaded(vehicle, carried, change.mass, change.position)
    windy = scenario.side_wind != 0.0 or any(isinstance(event, SideWind) for event in scenario.events)
    if windy and vehicle.body.side_area == 0.0:
        raise InputError(
            "side wind on a vehicle without body.side_area, which would not feel it",
            "the vehicle's side area", "add body.side_area (m²) to the vehicle file",
        )  # fmt: skip


def _check_events(scenario: Scenario, roads: Sequence[Track]) -> None:
    lengths = [road.path.length * (scenario.laps if road.path.closed else 1) for road in roads]
    for event in scenario.events:
        if event.at_distance is not None and event.at_distance >= max(lengths):
            raise InputError(
                f"{event.title} begins at {event.at_distance:g} m, beyond the end of every track",
                f"less than {max(lengths):.0f} m", "move the event, or drive a longer track or more laps",
            )  # fmt: skip
