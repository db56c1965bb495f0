"""The watch over parts, on drawn pictures whose truth is known."""

import numpy as np
import pytest

from tests.vision.drawn_parts import CAMERA, PARTS, PHOTOGRAPHED, POSE, TARGET, Lie, Scene, bench_of, draw, frame_of
from vision import rigid
from vision.parts.follower import PartFollower
from vision.types import NozzleMiss, NozzleTrack, PoseMiss, TrackStatus, VisionResult

RATE = 15
NAN3 = np.full(3, np.nan)


def watched(scene_at, seconds=2.4, told_pose=None, told_shift=None):
    """All results of a sequence; `scene_at` gives the scene at a time."""
    follower = PartFollower(CAMERA, 0.0, TARGET, [s for s in PARTS if s is not TARGET])
    out = []
    for i in range(int(seconds * RATE)):
        t_s = i / RATE
        scene = scene_at(t_s)
        bench = bench_of(scene.pose if told_pose is None else told_pose, t_s)
        shift = scene.board_shift if told_shift is None else told_shift
        track = NozzleTrack(t_s, TrackStatus.LOST, NAN3, NAN3, NAN3, np.full((6, 6), np.nan), np.nan)
        seen = VisionResult(i, t_s, bench, NozzleMiss(t_s, ""), track, shift)
        out.append(follower.step(frame_of(draw(scene, seed=i), i, RATE), seen))
    return out


def events(results):
    return [(e.name, e.kind) for r in results for e in r.part_events]


def ramp(t_s, start_s, long_s=0.2):
    return min(max((t_s - start_s) / long_s, 0.0), 1.0)


@pytest.mark.parametrize("shift", [(0.15, 0.1), (-0.3, 0.05)])
def test_a_shift_is_measured_within_its_band(shift):
    results = watched(lambda t: Scene(lies={"U3": Lie(shift, 0.01) if t > 1.0 else Lie()}))
    last = results[-1].parts[0]

    error = np.hypot(*(last.shift_mm - shift))
    assert error < 0.04 and error < 2.146 * last.sigma_mm
    assert last.turn_rad == pytest.approx(0.01, abs=3 * last.turn_sigma_rad)


def test_a_target_that_swims_home_has_settled_and_is_told_within_half_a_second():
    results = watched(lambda t: Scene(lies={"U3": Lie((0.2 * ramp(t, 1.2), -0.15 * ramp(t, 1.2)))}))

    assert events(results) == [("U3", "settled")]
    told = next(r.t_s for r in results if r.part_events)
    assert 1.2 < told < 1.2 + 0.2 + 0.5


def test_a_neighbour_that_shifts_has_moved():
    results = watched(lambda t: Scene(lies={"C14": Lie((0.35 * ramp(t, 1.2), 0.2 * ramp(t, 1.2)))}))

    assert events(results) == [("C14", "moved")]


def test_an_excursion_that_comes_back_is_a_nudge():
    results = watched(lambda t: Scene(lies={"U3": Lie((-0.4 * np.sin(np.pi * ramp(t, 1.2, 0.4)), 0.0))}))

    assert events(results) == [("U3", "sprang_back")]


def test_a_part_that_is_gone_was_removed_and_its_pictures_differ():
    results = watched(lambda t: Scene(lies={"U3": Lie(is_there=t < 1.2)}))
    event = next(e for r in results for e in r.part_events)

    assert events(results) == [("U3", "removed")]
    assert event.before.shape == event.after.shape
    assert np.abs(event.before.astype(float) - event.after).mean() > 15


def test_a_removal_is_told_within_half_a_second_though_a_shadow_stays_beside_it():
    u = np.mgrid[:300, :400][1]
    results = watched(lambda t: Scene(lies={"U3": Lie(is_there=t < 1.2)}, light=np.where(u < 180, 0.65, 1.0)
                                      if t > 1.2 else 1.0))

    told = next(r.t_s for r in results if r.part_events)
    assert events(results) == [("U3", "removed")] and told - 1.2 < 0.5


def test_a_nudge_that_is_held_for_a_moment_is_no_new_seat():
    def lies(t_s):
        held = -0.35 if 1.19 < t_s < 1.35 else 0.0
        return {"U3": Lie((held, 0.0))}
    results = watched(lambda t: Scene(lies=lies(t)))

    assert events(results) == [("U3", "sprang_back")]


@pytest.mark.parametrize("faces", PHOTOGRAPHED)
def test_a_photographed_board_that_is_nudged_before_anyone_says_so_moves_no_part(faces):
    nudged = Scene(board_shift=np.array([1.4, -1.4, 0.01]), faces=faces)

    assert not events(watched(lambda t: nudged if t > 1.0 else Scene(faces=faces), told_shift=np.zeros(3)))


def test_a_chip_that_stands_on_its_end_stood_up_and_is_not_gone():
    results = watched(lambda t: Scene(lies={"C14": Lie(stands=t > 1.2)}))

    assert events(results) == [("C14", "stood_up")]


def test_a_chip_that_is_gone_was_removed():
    results = watched(lambda t: Scene(lies={"C14": Lie(is_there=t < 1.2)}))

    assert events(results) == [("C14", "removed")]


def test_covered_is_not_known_rather_than_unmoved():
    def scene(t_s):
        return Scene(rod=((200, 150), (215, 330), 60.0) if t_s > 1.0 else None)
    results = watched(scene)

    assert not events(results)
    assert results[-1].parts[0].is_present is None and np.isnan(results[-1].parts[0].shift_mm).all()


def test_without_the_mat_nothing_is_known():
    follower = PartFollower(CAMERA, 0.0, TARGET, [])
    track = NozzleTrack(0.0, TrackStatus.LOST, NAN3, NAN3, NAN3, np.full((6, 6), np.nan), np.nan)
    seen = VisionResult(0, 0.0, PoseMiss(0.0, "hidden"), NozzleMiss(0.0, ""), track)

    part = follower.step(frame_of(draw(Scene()), 0), seen).parts[0]

    assert part.is_present is None and not part.is_measured


def shadow(t_s):
    v, u = np.mgrid[:300, :400]
    inside = np.hypot(u - 120 * t_s, v - 150) < 60
    return np.where(inside, 0.5, 1.0)


@pytest.mark.parametrize("scene", [
    lambda t: Scene(light=shadow(t)),
    lambda t: Scene(light=0.6 if t > 1.2 else 1.0),
    lambda t: Scene(haze=0.04 * ramp(t, 1.0, 1.0), light=1 - 0.2 * ramp(t, 1.0, 1.0)),
    lambda t: Scene(board_shift=np.array([0.3, -0.3, 0.0]) * (t > 1.2)),
    lambda t: Scene(rod=((-60 + 200 * t, 140), (0 + 200 * t, 330), 24.0)),
], ids=["shadow", "exposure", "smoke", "board nudged", "tool passes"])
def test_what_only_looks_like_a_movement_is_none(scene):
    assert not events(watched(scene))


def test_a_board_that_slides_unnoticed_takes_its_parts_along():
    results = watched(
        lambda t: Scene(board_shift=np.array([0.25, -0.2, 0.0]) * (t > 1.2)), seconds=1.8, told_shift=np.zeros(3)
    )

    assert not events(results)
    assert np.hypot(*results[-1].parts[0].shift_mm) < 0.05


def test_a_knocked_camera_moves_no_part_though_parts_have_height():
    knock = rigid.transform(rigid.exp_rotation(np.array([0.004, -0.003, 0.002])), np.array([3.0, -2.0, 1.0]))
    results = watched(lambda t: Scene(pose=knock @ POSE if t > 1.2 else POSE))

    assert not events(results)
    assert np.hypot(*results[-1].parts[0].shift_mm) < 2.5 * results[-1].parts[0].sigma_mm
