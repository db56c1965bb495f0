"""Sound: one dimension for height, rhythm for warnings, silence inside the band, and never a shared pattern.

Requirements S1 to S7 and F6 are of our own making; octaves by their definition (twice the frequency).
"""

import itertools
import time
import wave

import numpy as np
import pytest

from monitor.judging.alerts import Priority
from monitor.sound.player import Player, SilentOutput
from monitor.sound.tones import CENTRE_HZ, LOST, RATE_HZ, REFERENCE, WARNING_PATTERNS, Cue, Synth, render_track


def loudest_hz(samples):
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return np.fft.rfftfreq(len(samples), 1 / RATE_HZ)[spectrum.argmax()]


def steady(error):
    """The tone after it has settled on an error."""
    return render_track([(0.0, Cue(error))], 2.0)[-RATE_HZ // 2:]


def pulses(pattern):
    """Times of loudness going up, in a pattern's own samples."""
    loud = np.abs(pattern.samples()) > 0.01
    edges = np.flatnonzero(np.diff(np.convolve(loud, np.ones(480), "same") > 0.5).astype(int) == 1)
    return len(edges) + int(loud[:480].any())


def test_inside_the_band_there_is_silence():
    assert not np.any(render_track([(0.0, Cue(0.0))], 1.0))


@pytest.mark.parametrize("error, ratio", [(1.0, 2.0), (-1.0, 0.5), (0.5, 2**0.5)])
def test_too_high_is_heard_as_higher_by_octaves(error, ratio):
    assert loudest_hz(steady(error)) == pytest.approx(ratio * CENTRE_HZ, rel=0.01)


def test_the_tone_grows_louder_with_the_error():
    levels = [np.abs(steady(e)).max() for e in (0.1, 0.3, 0.6, 1.0)]

    assert all(a < b for a, b in itertools.pairwise(levels))


def test_the_tone_keeps_its_phase_when_the_error_changes():
    track = render_track([(0.0, Cue(0.3)), (0.5, Cue(-0.4)), (1.0, Cue(0.9))], 1.5)

    # 1047 Hz at full level may change by no more than 2 pi f / rate x level x (1 + harmonic) between two samples
    assert np.abs(np.diff(track)).max() < 2 * np.pi * 1047 / RATE_HZ * 0.30 * 1.3


def test_unknown_height_makes_no_tone():
    assert not np.any(render_track([(0.0, Cue(float("nan")))], 0.5))


def test_priorities_differ_by_rhythm():
    assert len({pulses(p) for p in WARNING_PATTERNS.values()}) == 3


@pytest.mark.parametrize("pattern", [*WARNING_PATTERNS.values(), LOST], ids=lambda p: p.name)
def test_pulses_are_slow_enough_to_be_counted(pattern):
    assert all(on + off >= 0.1 for on, off in pattern.pulses)  # S4: never more than 10 a second


def test_warnings_and_coaching_share_no_pattern():
    patterns = [p.pulses for p in (*WARNING_PATTERNS.values(), LOST, REFERENCE)]
    assert len(set(patterns)) == len(patterns)
    assert all(len(p.harmonics) >= 4 and min(p.harmonics) > 0.5 for p in (*WARNING_PATTERNS.values(), LOST))
    assert max(REFERENCE.harmonics[1:]) < 0.2  # nearly pure, as the height tone is


def test_a_warning_silences_the_height_tone():
    alone = WARNING_PATTERNS[Priority.MEDIUM].samples()
    track = render_track([(0.0, Cue(0.8)), (1.0, Cue(0.8, (WARNING_PATTERNS[Priority.MEDIUM],)))], 2.0)

    np.testing.assert_allclose(track[RATE_HZ:RATE_HZ + len(alone) - 600], alone[:-600], atol=1e-6)


def test_a_lost_nozzle_is_heard_again_and_again_until_it_is_found():
    track = render_track([(0.0, Cue(is_lost=True)), (5.0, Cue())], 8.0)
    loud = [np.any(track[i * RATE_HZ:(i + 1) * RATE_HZ]) for i in range(8)]

    assert loud == [True, False, True, False, True, False, False, False]


def test_more_warnings_than_can_be_told_apart_do_not_queue_up():
    synth = Synth()
    for _ in range(50):
        synth.tell(Cue(starts=(WARNING_PATTERNS[Priority.LOW],)))

    assert np.any(synth.render(RATE_HZ)) and not np.any(synth.render(4 * RATE_HZ)[2 * RATE_HZ:])


class Device(SilentOutput):
    """A device that is pulled out after so many blocks."""

    def __init__(self, blocks):
        super().__init__("")
        self.blocks, self.got = blocks, []

    def write(self, samples):
        self.got.append(samples)
        self.blocks -= 1
        if self.blocks < 0:
            raise OSError("pulled out")


def test_losing_the_device_leaves_silence_that_says_so(tmp_path):
    player = Player(track=tmp_path / "t.wav", output=lambda muted: Device(3))
    player.start()
    player.tell(Cue(1.0))
    while player.trouble == "":
        player.join(0.01)
    player.stop()

    assert player.trouble == "pulled out" and not player.is_alive()


def test_what_is_heard_can_be_written_to_a_file(tmp_path):
    device = Device(10**9)
    player = Player(track=tmp_path / "t.wav", output=lambda muted: device)
    player.tell(Cue(starts=(REFERENCE,)))
    player.start()
    while len(device.got) < 30:
        player.join(0.01)
    player.stop()

    with wave.open(str(tmp_path / "t.wav")) as track:
        assert (track.getframerate(), track.getnchannels()) == (RATE_HZ, 1)
        samples = np.frombuffer(track.readframes(RATE_HZ // 5), "<i2")
    assert loudest_hz(samples[:RATE_HZ // 6].astype(float)) == pytest.approx(CENTRE_HZ, rel=0.02)


def test_without_a_device_sound_takes_its_time_all_the_same():
    output, began_s = SilentOutput("none"), time.monotonic()
    for _ in range(3):
        output.write(np.zeros(round(0.05 * RATE_HZ)))

    assert 0.14 < time.monotonic() - began_s < 1.0
