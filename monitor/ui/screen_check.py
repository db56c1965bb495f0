"""Looks at screen, fonts and sound through Qt; prints the findings as JSON.

Run as a program of its own (`python -m monitor.ui.screen_check`): where a library is missing, Qt ends the process.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict

from PyQt6.QtCore import QT_VERSION_STR
from PyQt6.QtGui import QFont, QFontMetrics, QGuiApplication

from monitor.errors import EnvironmentFault
from monitor.health.finding import Finding, State
from monitor.ui.app import application

__all__ = ["look"]

LEAST_PX = (1280, 720)  # what the windows are laid out for
SIGNS = "±°µσ–→↑↓"  # what labels are written with beside letters


def look() -> list[Finding]:
    """Screen, fonts and sound as they are; one finding when there is no screen."""
    try:
        application()
    except EnvironmentFault as fault:
        return [Finding("screen", State.FAULT, str(fault), "commands without a window work all the same")]
    return [_screen(), _fonts(), _sound()]


def _screen() -> Finding:
    screen = QGuiApplication.primaryScreen()
    if screen is None:
        return Finding("screen", State.FAULT, "Qt sees no screen", "connect one, or log in to a desktop session")
    size = screen.availableSize()
    text = (f"Qt {QT_VERSION_STR} on {QGuiApplication.platformName()}: {size.width()} x {size.height()} free, "
            f"scale {screen.devicePixelRatio():g}, {screen.refreshRate():.0f} Hz")
    if size.width() < LEAST_PX[0] or size.height() < LEAST_PX[1]:
        return Finding("screen", State.NOTE, text, f"the windows want {LEAST_PX[0]} x {LEAST_PX[1]}; lower the scale")
    return Finding("screen", State.GOOD, text)


def _fonts() -> Finding:
    metrics, name = QFontMetrics(QFont()), QFont().family()
    gone = "".join(sign for sign in SIGNS if not metrics.inFont(sign))
    if len(gone) == len(SIGNS):
        return Finding("fonts", State.FAULT, "no usable font", "install one, such as the package fonts-dejavu-core")
    if gone:
        return Finding("fonts", State.NOTE, f"{name or 'the usual font'} lacks {gone}",
                       "another font stands in for them")
    return Finding("fonts", State.GOOD, f"{name or 'the usual font'} has all signs")


def _sound() -> Finding:
    try:
        from PyQt6.QtMultimedia import QMediaDevices
    except ImportError as fault:
        return Finding("sound", State.NOTE, f"Qt's sound cannot be loaded ({fault})",
                       "install the library that it names; until then warnings are seen, not heard")
    device = QMediaDevices.defaultAudioOutput()
    if device.isNull():
        return Finding("sound", State.NOTE, "no sound device", "connect one; until then warnings are seen, not heard")
    return Finding("sound", State.GOOD, device.description())


if __name__ == "__main__":
    json.dump([{**asdict(found), "state": found.state.value} for found in look()], sys.stdout)
