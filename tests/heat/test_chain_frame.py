"""The frame that a chain puts the bench into, and what does not fit on a board."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat.chain import Blow
from monitor.heat.types import BoardSetup, PartSetup, RegionSetup
from tests.heat.cases import rectangle
from tests.heat.test_chain import LAYERS, chain

TURN = 0.5


def turned(points_m):
    z = (np.array(points_m) @ [1, 1j]) * np.exp(1j * TURN) + complex(8e-3, -3e-3)
    return tuple((float(p.real), float(p.imag)) for p in z)


def on_unknown_board():
    part = PartSetup(RegionSetup("U7", turned(rectangle(0, 0, 11, 7)), 1e-3))
    other = RegionSetup("J1", turned(rectangle(16, 2, 5, 7)), 1e-3)
    return chain((other,), part, BoardSetup(1.4e-3))


def test_frame_of_an_unknown_board_is_the_parts():
    c = on_unknown_board()

    assert c.angle_rad == pytest.approx(TURN) and c.origin_m == pytest.approx((8e-3, -3e-3))
    x, y = c.to_grid(*np.array(turned([(3e-3, 5e-3), (-2e-3, 1e-3)])).T)
    np.testing.assert_allclose([x, y], [[3e-3, -2e-3], [5e-3, 1e-3]], atol=1e-12)


def test_unknown_board_reaches_forty_five_millimetres_beyond_every_region():
    c = on_unknown_board()
    x, y = c.model.x_edges_m, c.model.y_edges_m

    assert (x[0], x[-1]) == pytest.approx((-5.5e-3 - 45e-3, 18.5e-3 + 45e-3))
    assert (y[0], y[-1]) == pytest.approx((-3.5e-3 - 45e-3, 5.5e-3 + 45e-3))
    assert any("taken as 114 x 99 mm" in note for note in c.notes)


def test_jet_in_a_turned_frame_leans_as_on_the_bench():
    straight = chain((), PartSetup(RegionSetup("U7", rectangle(0, 0, 11, 7), 1e-3)), BoardSetup(1.4e-3))
    (tx, ty), c = turned([(4e-3, 1e-3)])[0], on_unknown_board()
    plain = Blow(390.0, 4.2e-4, 11e-3, 4e-3, 1e-3, 0.4, 0.3)
    power = []
    for one, blow in ((straight, plain), (c, plain._replace(aim_x_m=tx, aim_y_m=ty, azimuth_rad=0.3 + TURN))):
        one.blow(blow, 0.01)
        power.append(one.power_w()[0])

    np.testing.assert_allclose(power[0], power[1], rtol=0.03)  # grids differ by the neighbour
    mirrored = chain((), PartSetup(RegionSetup("U7", rectangle(0, 0, 11, 7), 1e-3)), BoardSetup(1.4e-3))
    mirrored.blow(plain._replace(azimuth_rad=0.3 + np.pi), 0.01)
    assert (abs(mirrored.power_w()[0] / power[0] - 1) > 0.05).all()


def test_part_turned_against_a_known_board_is_told():
    polygon = turned(rectangle(0, 0, 9, 6))
    c = chain((), PartSetup(RegionSetup("U7", polygon, 1e-3)))

    assert c.angle_rad == 0 and any("turned 29 degrees" in note for note in c.notes)
    assert not any("turned" in note for note in chain().notes)


def test_copper_layers_that_are_assumed_are_told():
    bare = chain(board=BoardSetup(1.4e-3, (), (70e-3, 52e-3), (3e-3, -2e-3)))

    assert any("copper layers not given" in note for note in bare.notes)
    assert not any("copper layers" in note for note in chain().notes)


@pytest.mark.parametrize("x_mm, y_mm, fits", [(33, -2, True), (33.01, -2, False), (-27.01, -2, False), (3, 20.5, True),
                                              (3, 20.51, False), (3, -24.51, False)])
def test_part_must_lie_on_the_board_up_to_its_rim(x_mm, y_mm, fits):
    part = PartSetup(RegionSetup("U7", rectangle(x_mm, y_mm, 10, 7), 1e-3))
    if fits:
        assert chain((), part).model.covered.any()
    else:
        with pytest.raises(InputError, match="reaches beyond"):
            chain((), part)


def test_board_without_a_place_lies_about_the_part():
    c = chain((), board=BoardSetup(1.4e-3, LAYERS, (70e-3, 52e-3)))

    assert c.origin_m == pytest.approx((1e-3, 2e-3))
