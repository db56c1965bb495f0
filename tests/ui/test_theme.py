"""The look: legible, and its states told apart without colour vision.

Contrast limits: WCAG 2.2, 1.4.3 (4.5:1 for text) and 1.4.11 (3:1 for what carries meaning). Colour blindness: matrices
of Machado, Oliveira and Fernandes 2009 (IEEE TVCG 15(6), severity 1.0, from memory). Colour difference: CIEDE2000 by
scikit-image; 15 is a choice.
"""

import itertools

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from monitor.ui.theme import DARK, LIGHT, Standing, contrast, look, looks

VISION = {
    "full": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
BOTH = pytest.mark.parametrize("chosen", [LIGHT, DARK], ids=["light", "dark"])


def seen_as(colour, matrix):
    srgb = np.array([int(colour[i:i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(matrix) @ linear, 0, 1)
    return rgb2lab(np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)[None, None])[0, 0]


def test_contrast_of_black_on_white_is_21():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2, definition of contrast ratio


@BOTH
def test_text_is_legible_on_every_background(chosen):
    for ink, ground in itertools.product((chosen.ink, chosen.soft_ink), (chosen.window, chosen.panel, chosen.field)):
        assert contrast(ink, ground) >= 4.5


@BOTH
def test_text_upon_a_state_is_legible(chosen):
    assert all(contrast(p.fill, p.ink) >= 4.5 for p in chosen.standings.values())


@BOTH
def test_borders_focus_and_chart_lines_stand_out(chosen):
    for colour in (chosen.line, chosen.focus, *chosen.series):
        assert contrast(colour, chosen.window) >= 3.0 and contrast(colour, chosen.field) >= 3.0


@BOTH
@pytest.mark.parametrize("eyes", VISION)
def test_states_differ_for_every_kind_of_eye(chosen, eyes):
    labs = [seen_as(p.fill, VISION[eyes]) for p in chosen.standings.values()]

    assert min(deltaE_ciede2000(a, b) for a, b in itertools.combinations(labs, 2)) >= 15


def test_every_state_has_its_own_shape():
    assert len({s.value for s in Standing}) == len(Standing) == len(LIGHT.standings)


def test_a_chosen_look_is_announced(qapp):
    seen = []
    looks().changed.connect(seen.append)

    looks().choose("dark")

    assert seen[-1] is DARK and look() is DARK
    looks().choose("light")


def test_the_look_that_is_on_is_not_put_on_again(qapp, monkeypatch):
    looks().choose("light")
    sheets, seen = [], []
    monkeypatch.setattr(type(qapp), "setStyleSheet", lambda app, sheet: sheets.append(sheet))
    looks().changed.connect(seen.append)

    looks().choose("light")
    assert sheets == seen == []

    looks().choose("dark")
    assert len(sheets) == 1 and seen == [DARK]
    monkeypatch.undo()
    looks().choose("light")
