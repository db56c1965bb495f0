"""The jet's laws, each against its definition: balances at the outlet, integrals over profiles, loops over cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat import air, jet

STATE = jet.exit_state(410.0, 6.2e-4, 5.5e-3, ambient_c=21.0, reference_c=15.0, exit_factor=0.91)


def test_air_leaves_at_its_share_of_the_set_rise():
    assert STATE.temp_c == pytest.approx(21.0 + 0.91 * 389.0)


def test_outlet_passes_on_all_the_mass():
    area = np.pi * (5.5e-3 / 2) ** 2

    through = air.density_kg_m3(STATE.temp_c) * STATE.velocity_m_s * area
    assert STATE.mass_flow_kg_s == pytest.approx(6.2e-4 * air.density_kg_m3(15.0))
    assert through == pytest.approx(STATE.mass_flow_kg_s)


def test_numbers_of_the_outlet_follow_from_its_velocity():
    hot, cold = air.density_kg_m3(STATE.temp_c), air.density_kg_m3(21.0)

    assert STATE.reynolds == pytest.approx(hot * STATE.velocity_m_s * 5.5e-3 / air.viscosity_pa_s(STATE.temp_c))
    assert STATE.mach == pytest.approx(STATE.velocity_m_s / air.sound_speed_m_s(STATE.temp_c))
    assert STATE.froude == pytest.approx(STATE.velocity_m_s**2 / (9.80665 * 5.5e-3 * (cold - hot) / hot))


def test_unheated_jet_has_no_lift():
    assert jet.exit_state(21.0, 6.2e-4, 5.5e-3, ambient_c=21.0).froude > 1e9


def test_half_of_the_members_may_not_be_faster_than_sound():
    flows = np.array([2e-5, 3e-5, 1e-2])

    assert jet.exit_state(300.0, flows, 3e-3).mach[2] > 1  # one of three: its own spread, not the setting
    with pytest.raises(InputError, match="airflow"):
        jet.exit_state(300.0, flows[::-1] + np.array([0.0, 1e-2, 0.0]), 3e-3)


def test_film_scale_is_nusselt_number_times_conductivity():
    re, pr = STATE.reynolds, air.prandtl(STATE.temp_c)

    expected = 2 * np.sqrt(re) * np.sqrt(1 + 0.005 * re**0.55) * pr**0.42 * air.conductivity_w_mk(STATE.temp_c)
    assert STATE.film_w_mk == pytest.approx(expected)  # Martin 1977


def test_film_profile_knows_the_height_in_bores():
    scale, bend = jet.film_profile(STATE, 5.5e-3, 33e-3)  # six bores

    assert scale == pytest.approx(STATE.film_w_mk / 5.5e-3) and bend == pytest.approx(0.0, abs=1e-12)
    assert jet.film_profile(STATE, 5.5e-3, 55e-3)[1] == pytest.approx(0.4)
    assert jet.film_profile(STATE, 5.5e-3, 5.5e-3)[1] == pytest.approx(-0.4)  # held at two bores


def martin_mean(rho, bend):
    """Mean film coefficient within a radius of rho bores, over its scale (Martin 1977)."""
    return (1 - 1.1 / rho) / (1 + bend / rho) / rho


def martin_local(rho, bend):
    """What a thin ring adds to the mean, by central differences."""
    step = 1e-6
    high, low = ((rho + d) ** 2 * martin_mean(rho + d, bend) for d in (step, -step))
    return (high - low) / ((rho + step) ** 2 - (rho - step) ** 2)


def expected_film(rho, bend):
    edge = 2.5
    if rho >= edge:
        return martin_local(rho, bend)
    # a parabola c0 + c1 rho^2 with the mean of the disc and the local value at its edge
    c0, c1 = np.linalg.solve([[1, edge**2 / 2], [1, edge**2]], [martin_mean(edge, bend), martin_local(edge, bend)])
    return c0 + c1 * rho**2


def spread(tilt_rad=(0.0, 0.5), lean_rad=(0.7, -2.2)):
    """Film and arrival of two members' jets on a coarse grid, and what they were made from."""
    bore, scale, bend = 5e-3, np.array([310.0, 170.0]), np.array([-0.3, 0.55])
    radius, rise = np.array([9e-3, 14e-3]), np.array([210.0, 140.0])
    x, y = np.array([-31.0, -12.0, -2.0, 5.0, 17.0, 29.0]) * 1e-3, np.array([-23.0, -6.0, 3.0, 14.0, 36.0]) * 1e-3
    cx, cy = np.array([1.5e-3, -4e-3]), np.array([-2.5e-3, 6e-3])
    film, arrival = np.zeros((y.size, x.size, 2)), np.zeros((y.size, x.size, 2))
    tilt, lean = np.array(tilt_rad), np.array(lean_rad)
    at = jet.Impingement(cx, cy, np.cos(lean), np.sin(lean), 1 / np.cos(tilt))
    jet.spread_over(x, y, at, jet.Strength(scale, bend, rise, radius), bore, 24.0, film, arrival)
    away = np.empty_like(film)
    for m in range(2):
        turn = np.exp(-1j * lean[m])
        for j, i in np.ndindex(y.size, x.size):
            z = (complex(x[i], y[j]) - complex(cx[m], cy[m])) * turn  # real part: along the lean
            along = z.real * (np.cos(tilt[m]) if z.real > 0 else 1 / np.cos(tilt[m]))
            away[j, i, m] = np.hypot(along, z.imag)
    return film, arrival, away, (bore, scale, bend, radius, rise)


def test_film_follows_the_mean_law_inside_and_its_derivative_outside():
    film, _, away, (bore, scale, bend, *_) = spread()

    for j, i, m in np.ndindex(film.shape):
        assert film[j, i, m] == pytest.approx(scale[m] * expected_film(away[j, i, m] / bore, bend[m]), rel=1e-6)


def test_grid_of_the_film_check_has_places_on_both_sides_of_the_edge():
    _, _, away, (bore, *_) = spread()

    assert ((away < 2.5 * bore).sum(axis=(0, 1)) >= 3).all() and (away > 2.5 * bore).any()


def test_arrival_falls_to_the_half_power_over_its_radius():
    _, arrival, away, (_, _, _, radius, rise) = spread()

    np.testing.assert_allclose(arrival - 24.0, rise / np.hypot(1.0, away / radius), rtol=1e-9)


def limited(carried):
    rng = np.random.default_rng(4)
    dx, dy = np.array([1.1, 2.3, 0.7]) * 1e-3, np.array([1.9, 0.8]) * 1e-3
    film, arrival = rng.uniform(50, 400, (2, 3, 2)), rng.uniform(150, 300, (2, 3, 2))
    top = rng.uniform(30, 120, film.shape)
    taken = sum(dx[i] * dy[j] * film[j, i] * (arrival[j, i] - top[j, i]) for j, i in np.ndindex(2, 3))
    after = film.copy()
    jet.limit_film(dx, dy, top, carried(taken), after, arrival)
    return film, after, taken


@pytest.mark.parametrize("used", [0.1, 0.8, 3.0])
def test_film_is_lowered_by_the_fourth_power_of_the_share_used(used):
    film, after, _ = limited(lambda taken: taken / used)

    np.testing.assert_allclose(after, film / (1 + used**4) ** 0.25, rtol=1e-12)


def test_board_hotter_than_the_air_keeps_its_film():
    film, after, taken = limited(lambda taken: -taken)

    assert (taken > 0).all() and after.max() < 1e-2 * film.max()  # a jet that carries nothing gives nothing
    dx, ones = np.array([1e-3, 2e-3]), np.ones((2, 2, 1))
    cooled = 80.0 * ones
    jet.limit_film(dx, dx, 300.0 * ones, np.array([0.5]), cooled, 100.0 * ones)
    np.testing.assert_allclose(cooled, 80.0)


def test_mean_of_jets_adds_film_and_what_it_drives():
    rng = np.random.default_rng(5)
    films, arrivals = rng.uniform(50, 400, (3, 2, 4, 2)), rng.uniform(100, 300, (3, 2, 4, 2))
    film, driven = np.zeros((2, 4, 2)), np.zeros((2, 4, 2))

    for f, a, share in zip(films, arrivals, (0.2, 0.3, 0.5), strict=True):
        jet.add_share(share, f, a, film, driven)

    np.testing.assert_allclose(film, np.tensordot((0.2, 0.3, 0.5), films, 1))
    np.testing.assert_allclose(driven, np.tensordot((0.2, 0.3, 0.5), films * arrivals, 1))


def test_velocity_falls_by_the_far_law_and_not_in_the_core():
    assert jet.velocity_share(1e-3, 4e-3) == pytest.approx(1.0, abs=1e-6)
    assert jet.velocity_share(0.1, 2e-3) == pytest.approx(6.2 * 2e-3 / 0.1, rel=1e-4)  # Chen and Rodi 1980
    assert jet.velocity_share(6.2 * 3e-3, 3e-3) == pytest.approx(2 ** (-1 / 6))


def test_excess_temperature_falls_by_the_far_law_and_not_in_the_core():
    assert jet.decay_share(2e-3, 4e-3, 4.0) == pytest.approx(1.0, abs=1e-4)
    assert jet.decay_share(0.2, 2e-3, 4.0) == pytest.approx(4.0 * 2e-3 / 0.2, rel=1e-4)
    assert jet.decay_share(-5e-3, 2e-3) == 1.0


def test_half_width_grows_from_that_of_the_core():
    assert jet.half_width_m(0.0, d_eff_m=4e-3) == pytest.approx(0.53 * 4e-3)
    assert jet.half_width_m(0.2, d_eff_m=4e-3) == pytest.approx(0.11 * 0.2, rel=1e-4)  # Chen and Rodi 1980
    meet_m = 0.53 * 4e-3 / 0.086
    assert jet.half_width_m(meet_m, 0.086, 4e-3) == pytest.approx(2**0.25 * 0.53 * 4e-3)


def bell_integral(of):
    """Integral over the plane of a function of the radius [m2]."""
    r = np.linspace(0, 60e-3, 40001)
    return np.trapezoid(of(r) * 2 * np.pi * r, r)


def bell(half_width_m):
    return lambda r: 0.5 ** ((r / half_width_m) ** 2)


def test_momentum_is_the_integral_of_the_velocity_squared():
    path, d_eff = 31e-3, 3.7e-3
    u = bell(jet.half_width_m(path, jet.VELOCITY_SPREAD, d_eff))

    whole = jet.velocity_share(path, d_eff) ** 2 * bell_integral(lambda r: u(r) ** 2)

    assert jet.momentum_share(path, d_eff) == pytest.approx(whole / (np.pi * d_eff**2 / 4), rel=1e-6)


def test_heat_flow_is_the_integral_of_velocity_and_excess():
    path, d_eff = 31e-3, 3.7e-3
    u, t = (bell(jet.half_width_m(path, rate, d_eff)) for rate in (jet.VELOCITY_SPREAD, jet.TEMPERATURE_SPREAD))

    whole = jet.velocity_share(path, d_eff) * jet.decay_share(path, d_eff, 4.4) * bell_integral(lambda r: u(r) * t(r))

    assert jet.heat_flow_share(path, d_eff, 4.4) == pytest.approx(whole / (np.pi * d_eff**2 / 4), rel=1e-6)


def test_arrival_radius_is_one_and_a_half_bores_and_the_jets_own_spread():
    assert jet.arrival_radius_m(6e-3, 40e-3, 1.3) == pytest.approx(1.3 * (9e-3 + 0.11 * 40e-3))


def state(**changes):
    """An outlet on every limit of the laws at once, of three members; the middle one counts."""
    at = {"mach": 0.3, "reynolds": 5000.0, "froude": 1000.0} | changes
    return replace(STATE, **{name: np.array([1e6, value, 1e-6]) for name, value in at.items()})


def flags(height_bores=7.0, **changes):
    return jet.range_flags(state(**changes), 4e-3, height_bores * 4e-3)


def test_laws_hold_up_to_their_limits():
    assert flags() == flags(2.0) == flags(12.0) == ()


@pytest.mark.parametrize("changes, word", [
    ({"mach": 0.31}, "Mach 0.31"), ({"reynolds": 4999.0}, "below 5000"), ({"reynolds": 2000.0}, "below 5000"),
    ({"reynolds": 1999.0}, "below 2000"), ({"froude": 999.0}, "buoyancy"), ({"height_bores": 1.99}, "below 2"),
    ({"height_bores": 12.01}, "above 12")])
def test_what_lies_beyond_a_limit_is_told_once(changes, word):
    (told,) = flags(**changes)

    assert word in told


def test_jet_without_a_path_is_not_bent():
    assert not any("buoyancy" in told for told in flags(0.0, froude=10.0))
