"""Plays cues: through Qt's audio where there is a device, on a silent clock where there is none; to a WAV file if
asked.

Its own thread, so that neither the window nor the analysis can hold it up.
"""

from __future__ import annotations

import logging
import threading
import time
import wave
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import numpy as np

from monitor.cost import Delays
from monitor.sound.tones import RATE_HZ, Cue, Synth

__all__ = ["Player", "Output", "SilentOutput", "find_output"]

BLOCK = RATE_HZ // 100
BUFFER_S = 0.04
GONE_S, START_S = 1.0, 6.0  # a device that takes nothing for so long is gone, or does not come
AGAIN_EVERY_S = 10.0
log = logging.getLogger("plumeline.sound")


class Output(Protocol):
    """Where samples go."""

    trouble: str
    delay_s: float

    def write(self, samples: np.ndarray) -> None:
        """Take one block, waiting until there is room for it."""

    def close(self) -> None:
        """Let go of the device."""


class SilentOutput:
    """No device: keeps time as one would, so that the rest behaves the same."""

    delay_s = 0.0

    def __init__(self, trouble: str) -> None:
        self.trouble = trouble
        self._due_s = time.monotonic()

    def write(self, samples: np.ndarray) -> None:
        """Wait as long as a device would play."""
        self._due_s += len(samples) / RATE_HZ
        late_s = time.monotonic() - self._due_s
        if late_s < 0:
            time.sleep(-late_s)
        elif late_s > 0.5:
            self._due_s = time.monotonic()  # was held up: do not hurry after what is past

    def close(self) -> None:
        """Nothing to let go of."""


class QtOutput:
    """The system's default device through QtMultimedia."""

    def __init__(self) -> None:
        from PyQt6.QtCore import QEventLoop
        from PyQt6.QtMultimedia import QAudio, QAudioFormat, QAudioSink, QMediaDevices

        self._loop = QEventLoop()  # gives this thread the events that the sink lives on
        device = QMediaDevices.defaultAudioOutput()
        if device.isNull():
            raise OSError("no sound device")
        form = QAudioFormat()
        form.setSampleRate(RATE_HZ)
        form.setChannelCount(1)
        form.setSampleFormat(QAudioFormat.SampleFormat.Int16)
        if not device.isFormatSupported(form):
            raise OSError(f"{device.description()} does not play 48 kHz mono")
        self._stopped = QAudio.State.StoppedState
        self._sink = QAudioSink(device, form)
        self._sink.setBufferSize(round(BUFFER_S * RATE_HZ) * 2)
        into = self._sink.start()
        if into is None or self._sink.state() == self._stopped:
            raise OSError(f"{device.description()} cannot be opened")
        self._into = into
        self.trouble, self._has_played = "", False
        self.delay_s = self._sink.bufferSize() / 2 / RATE_HZ
        self.name = device.description()

    def write(self, samples: np.ndarray) -> None:
        """Hand a block over; OSError when the device is gone."""
        data = (np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes()
        give_up_s = time.monotonic() + (GONE_S if self._has_played else START_S)
        while self._sink.bytesFree() < len(data):
            if self._sink.state() == self._stopped or time.monotonic() > give_up_s:
                raise OSError("the sound device is gone")
            self._loop.processEvents()
            time.sleep(0.002)
        self._into.write(data)
        self._has_played = self._has_played or self._sink.processedUSecs() > 0

    def close(self) -> None:
        """Stop the device."""
        self._sink.stop()


def find_output(is_muted: bool = False) -> Output:
    """The sound device, or silence that says why."""
    if is_muted:
        return SilentOutput("sound is switched off")
    try:
        return QtOutput()
    except (ImportError, OSError) as fault:
        return SilentOutput(str(fault))


class Player(threading.Thread):
    """Follows cues for ever; losing the device leaves it silent, and says so in `trouble`.

    Parameters
    ----------
    is_muted : bool
    track : Path, optional
        WAV file that gets everything, 48 kHz mono.
    output : callable, optional
        Makes the output, inside the thread.

    Attributes
    ----------
    delays : Delays
        From a frame's arrival to the first sample made under its cue, device buffer included.
    """

    def __init__(self, is_muted: bool = False, track: Path | None = None,
                 output: Callable[[bool], Output] = find_output) -> None:
        super().__init__(name="sound", daemon=True)
        self._make_output, self._is_muted = output, is_muted
        self._track_path = track
        self._cues: deque[Cue] = deque(maxlen=256)
        self._stop_asked = threading.Event()
        self.trouble = ""
        self.is_ready = threading.Event()
        self.delays = Delays()

    def start(self) -> None:
        """Start the thread; comes back when it is known whether there is a device."""
        if self._make_output is find_output and not self._is_muted:
            _load_multimedia()
        super().start()
        self.is_ready.wait(START_S)

    def tell(self, cue: Cue) -> None:
        """Leave a cue; never waits."""
        self._cues.append(cue)

    def run(self) -> None:
        """Until `stop`."""
        output = self._make_output(self._is_muted)
        self.trouble = output.trouble
        if self.trouble:
            log.warning("no sound: %s", self.trouble)
        self.is_ready.set()
        synth, track = Synth(), _open_track(self._track_path)
        again_s = time.monotonic() + AGAIN_EVERY_S
        try:
            while not self._stop_asked.is_set():
                if self.trouble and not self._is_muted and time.monotonic() > again_s:
                    again_s = time.monotonic() + AGAIN_EVERY_S
                    output = self._try_again(output)
                told = self._follow(synth)
                samples = synth.render(BLOCK)
                made_s = time.monotonic()
                try:
                    output.write(samples)
                except OSError as fault:
                    log.error("sound lost: %s", fault)
                    output.close()
                    output = SilentOutput(str(fault))
                    self.trouble = output.trouble
                for arrived_s in told:
                    self.delays.add(made_s + output.delay_s - arrived_s)
                if track is not None:
                    track.writeframes((samples * 32767).astype("<i2").tobytes())
        finally:
            output.close()
            if track is not None:
                track.close()

    def stop(self) -> None:
        """End the thread and close the track."""
        self._stop_asked.set()
        if self.is_alive():
            self.join(2.0)

    def _try_again(self, silent: Output) -> Output:
        """A device may have come (back)."""
        found = self._make_output(False)
        if found.trouble:
            return silent
        log.info("sound again")
        self.trouble = ""
        return found

    def _follow(self, synth: Synth) -> list[float]:
        told = []
        while self._cues:
            cue = self._cues.popleft()
            synth.tell(cue)
            if cue.arrived_s == cue.arrived_s:
                told.append(cue.arrived_s)
        return told


def _load_multimedia() -> None:
    """Load Qt's sound in the thread that asks: loading it beside a window that is just being made is not safe."""
    try:
        from PyQt6.QtMultimedia import QMediaDevices

        QMediaDevices.defaultAudioOutput()
    except ImportError as fault:
        log.debug("QtMultimedia: %s", fault)


def _open_track(path: Path | None) -> wave.Wave_write | None:
    if path is None:
        return None
    track = wave.open(str(path), "wb")  # noqa: SIM115  closed with the player
    track.setnchannels(1)
    track.setsampwidth(2)
    track.setframerate(RATE_HZ)
    return track
