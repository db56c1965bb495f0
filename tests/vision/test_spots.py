"""What nobody marked around a target: seen to move, and not seen to move."""

import numpy as np
import pytest
from numba import typeof

from tests.vision.drawn_parts import CAMERA, LOOSE, PARTS, PHOTOGRAPHED, POSE, Lie, Scene, draw
from vision import rigid
from vision.parts import patch, spots
from vision.parts.spots import SpotWatcher

RATE = 20.0
MOVED = {LOOSE.name: Lie((0.3, -0.2))}


def told(scene_at, seconds=2.2, told_shift=None, faces="drawn"):
    watcher = SpotWatcher(CAMERA, 0.0, PARTS, 10.0)
    events = []
    for i in range(int(seconds * RATE)):
        scene = scene_at(i / RATE)
        scene.faces = faces
        events += watcher.step(draw(scene, seed=i), i / RATE, scene.pose,
                               scene.board_shift if told_shift is None else told_shift)
    return events


def test_a_chip_that_nobody_marked_is_told_with_its_place_once_it_lies_still():
    events = told(lambda t: Scene(lies=MOVED if t > 1.4 else {}))

    assert len(events) == 1 and events[0].kind == "moved"
    x, y = (float(v) for v in events[0].name.removeprefix("unmarked at ").removesuffix(" mm").split(","))
    assert np.hypot(x - 6, y + 11) < 1.5
    assert np.hypot(*(events[0].shift_mm - (0.3, -0.2))) < 2.146 * events[0].sigma_mm
    assert 1.4 < events[0].t_s < 2.0


def test_marked_parts_are_left_to_their_own_watch():
    assert not told(lambda t: Scene(lies={"U3": Lie((0.3, 0.0))} if t > 1.4 else {}))


def test_what_goes_on_moving_is_not_told():
    assert not told(lambda t: Scene(lies={LOOSE.name: Lie((0.5 * np.sin(9 * t), 0.0))} if t > 1.0 else {}))


@pytest.mark.parametrize("scene", [
    lambda t: Scene(light=np.where(np.mgrid[:300, :400][1] < 400 - 120 * t, 1.0, 0.5)),
    lambda t: Scene(light=0.6 if t > 1.2 else 1.0),
    lambda t: Scene(rod=((-60 + 160 * t, 140), (160 * t, 330), 24.0)),
    lambda t: Scene(rod=((215, 150), (215, 330), 24.0) if t > 1.2 else None),
    lambda t: Scene(board_shift=np.array([0.3, -0.3, 0.02]) * (t > 1.2)),
], ids=["shadow", "exposure", "tool passes", "tool rests", "board nudged"])
def test_what_only_looks_like_a_movement_is_none(scene):
    assert not told(scene)


def test_a_board_that_slides_and_turns_unnoticed_takes_its_spots_along():
    assert not told(lambda t: Scene(board_shift=np.array([0.25, -0.2, 0.035]) * (t > 1.2)), told_shift=np.zeros(3))


def test_a_knocked_camera_moves_nothing():
    knock = rigid.transform(rigid.exp_rotation(np.array([0.004, -0.003, 0.002])), np.array([3.0, -2.0, 1.0]))

    assert not told(lambda t: Scene(pose=knock @ POSE if t > 1.2 else POSE))


@pytest.mark.parametrize("faces", PHOTOGRAPHED)
def test_a_photographed_board_at_rest_has_nothing_to_tell(faces):
    assert not told(lambda t: Scene(light=1.0 + 0.1 * np.sin(3 * t)), faces=faces)


def test_warming_up_compiles_what_frames_then_call(monkeypatch):
    called = []
    for module, name in ((patch, "_register_all"), (spots, "_as_one")):
        def listed(*values, name=name, work=getattr(module, name)):
            called.append((name, *map(typeof, values)))
            return work(*values)
        monkeypatch.setattr(module, name, listed)

    SpotWatcher(CAMERA, 0.0, PARTS, 10.0).warm_up()
    compiled, called[:] = set(called), []
    told(lambda t: Scene(), seconds=1.0)

    assert set(called) == compiled and len(compiled) == 2
