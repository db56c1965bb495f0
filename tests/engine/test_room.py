"""Frames keep their picture in memory that is used again and again."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.room import FrameRoom
from vision.types import Frame


def frame(shade, luma=None):
    return Frame(0, 0.0, np.full((6, 8, 3), shade, np.uint8), luma=luma)


def address(picture):
    return picture.__array_interface__["data"][0]


def test_a_kept_frame_is_the_frame_that_came():
    luma = np.arange(48, dtype=np.uint8).reshape(6, 8)
    kept = FrameRoom().kept(frame(7, luma))

    assert (kept.image == 7).all() and kept.image.shape == (6, 8, 3)
    assert (kept.luma == luma).all() and kept.luma is not luma


def test_memory_is_lent_anew_once_nobody_looks_at_the_picture():
    room = FrameRoom(1)
    first = address(room.kept(frame(1)).image)

    assert address(room.kept(frame(2)).image) == first


def test_a_frame_for_which_there_is_no_memory_left_stays_as_it_came():
    room, third = FrameRoom(2), frame(3)
    held = [room.kept(frame(shade)) for shade in (1, 2)]

    assert room.kept(third).image is third.image
    assert [k.image[0, 0, 0] for k in held] == [1, 2]


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 3), st.booleans()), max_size=40))
def test_what_is_still_looked_at_never_changes_even_if_it_is_only_a_corner(moves):
    room, looked_at = FrameRoom(3), {}
    for shade, place, only_a_corner in moves:
        image = room.kept(frame(shade)).image
        looked_at[place] = shade, image[2:4, 1::2, ::-1] if only_a_corner else image

        assert all((part == then).all() for then, part in looked_at.values())
