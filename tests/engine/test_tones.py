"""The sound sample by sample: how long, how loud, of which harmonics, and when the next one begins."""

import math

import numpy as np
import pytest

from monitor.judging.alerts import Priority
from monitor.sound.tones import CENTRE_HZ, LOST, MELTED, RATE_HZ, WARNING_PATTERNS, Cue, Pattern, Synth, render_track

LONG = Pattern("one second", ((1.0, 0.25),), 330.0, (1.0, 0.5, 0.25))


def amplitude(samples, hz):
    """Of one frequency in a whole number of its periods."""
    t = np.arange(len(samples)) / RATE_HZ
    return 2 * abs(np.mean(samples * np.exp(-2j * np.pi * hz * t)))


def test_a_pattern_is_as_long_as_its_pulses_and_pauses():
    assert len(MELTED.samples()) == round((0.08 + 0.06 + 0.08 + 0.06 + 0.36 + 0.05) * RATE_HZ)
    assert len(LONG.samples()) == 1.25 * RATE_HZ and not LONG.samples()[RATE_HZ:].any()


def test_a_pulse_has_the_harmonics_it_names_at_six_tenths_in_all():
    middle = LONG.samples()[4800:4800 + 24000]  # half a second: 165 periods

    found = [amplitude(middle, 330.0 * n) for n in (1, 2, 3, 4)]
    assert found == pytest.approx([0.6 / 1.75, 0.3 / 1.75, 0.15 / 1.75, 0.0], abs=2e-3)


def test_a_pulse_fades_in_and_out_over_six_milliseconds():
    flat = Pattern("flat", ((0.1, 0.0),), RATE_HZ / 4, (1.0,)).samples()  # a quarter turn a sample

    envelope = np.abs(flat.astype(float))
    assert envelope.max() == pytest.approx(0.6, abs=1e-6)
    assert envelope[145] == pytest.approx(0.6 * 145 / 288, rel=1e-3)  # half way: 3 ms are 144 samples
    assert envelope[-1 - 144] == pytest.approx(0.6 * 144 / 288, rel=0.02)
    assert envelope[289] == pytest.approx(0.6, rel=1e-3)


@pytest.mark.parametrize(("error", "level"), [(1.0, 0.30), (0.5, 0.15), (-0.5, 0.15), (3.0, 0.30)])
def test_the_tone_is_as_loud_as_the_error_up_to_three_tenths(error, level):
    tone = render_track([(0.0, Cue(error))], 3.0)[-RATE_HZ:]
    hz = CENTRE_HZ * 2.0**error
    fine = np.linspace(hz - 1, hz + 1, 81)

    base = max(amplitude(tone * np.hanning(RATE_HZ) * 2, f) for f in fine)
    over = max(amplitude(tone * np.hanning(RATE_HZ) * 2, 2 * f) for f in fine)
    assert base == pytest.approx(level / 1.15, rel=0.02) and over == pytest.approx(0.15 * base, rel=0.05)


def test_the_tone_follows_the_error_with_its_time_constant():
    synth = Synth()
    synth.tell(Cue(1.0))
    levels = [np.abs(synth.render(480)).max() for _ in range(300)]

    after = 1 / (2 * math.pi * 1.5)  # seconds to 63 %
    assert levels[round(after / 0.01)] / levels[-1] == pytest.approx(1 - math.exp(-1), abs=0.05)


def test_an_error_that_is_gone_ends_in_silence():
    track = render_track([(0.0, Cue(1.0)), (1.0, Cue(0.0))], 2.5)

    assert track[RATE_HZ:int(1.2 * RATE_HZ)].any() and not track[int(1.8 * RATE_HZ):].any()


def test_a_cue_counts_from_the_block_after_it():
    track = render_track([(0.505, Cue(starts=(MELTED,)))], 1.5)

    assert not track[:round(0.51 * RATE_HZ) + 1].any()
    np.testing.assert_array_equal(track[round(0.51 * RATE_HZ):][:len(MELTED.samples())], MELTED.samples())


def test_cues_out_of_order_are_heard_in_order():
    one, other = (0.5, Cue(starts=(MELTED,))), (0.0, Cue(starts=(LOST,)))

    np.testing.assert_array_equal(render_track([one, other], 2.0), render_track([other, one], 2.0))


def test_a_track_is_as_long_as_asked_for():
    assert len(render_track([], 1.0)) == RATE_HZ and len(render_track([], 0.0)) == 0
    assert len(render_track([], 1.004)) == RATE_HZ + 480  # whole blocks


def test_patterns_follow_one_another_without_a_gap_in_the_order_given():
    high, low = WARNING_PATTERNS[Priority.HIGH], WARNING_PATTERNS[Priority.LOW]
    track = render_track([(0.0, Cue(0.7, (high, low)))], 2.0)

    whole = np.concatenate([high.samples(), low.samples()])
    np.testing.assert_array_equal(track[:len(whole)], whole)
    assert track[len(whole) + 480:].any()  # the height again


def test_four_patterns_wait_and_no_more():
    low = WARNING_PATTERNS[Priority.LOW]
    track = render_track([(0.0, Cue(starts=(low,) * 6))], 4.0)

    assert np.flatnonzero(track)[-1] < 4 * len(low.samples()) <= np.flatnonzero(track)[-1] + 0.12 * RATE_HZ


def test_a_lost_nozzle_is_heard_at_once_and_every_two_seconds():
    track = render_track([(0.5, Cue(is_lost=True)), (3.0, Cue(is_lost=True))], 6.0)
    sign = LOST.samples()

    heard = [i for i in range(0, len(track) - len(sign), 480) if np.array_equal(track[i:i + len(sign)], sign)]
    assert [i / RATE_HZ for i in heard] == pytest.approx([0.5, 2.5, 4.5], abs=0.011)


def test_a_nozzle_lost_anew_is_heard_anew():
    track = render_track([(0.0, Cue(is_lost=True)), (1.0, Cue()), (1.2, Cue(is_lost=True))], 2.0)

    assert track[:4800].any() and not track[RATE_HZ:int(1.2 * RATE_HZ)].any()
    assert track[int(1.2 * RATE_HZ):int(1.25 * RATE_HZ)].any()


def test_a_warning_goes_before_the_sign_of_a_lost_nozzle():
    high = WARNING_PATTERNS[Priority.HIGH]
    track = render_track([(0.0, Cue(starts=(high,), is_lost=True))], 2.0)

    np.testing.assert_array_equal(track[:len(high.samples())], high.samples())
    np.testing.assert_array_equal(track[len(high.samples()):][:480][:400], LOST.samples()[:400])
