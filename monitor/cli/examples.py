"""One worked example for every command's help."""

from __future__ import annotations

__all__ = ["EXAMPLES"]

EXAMPLES = {
    "demo": "plumeline demo",
    "watch": "plumeline watch --source \"name of the camera\"\n  plumeline watch --source sample_video/clip.mp4 "
             "--theme dark",
    "analyse": "plumeline analyse clip.mp4 --job job.toml --camera camera.toml --nozzle nozzle.toml --out "
               "recordings/today",
    "export": "plumeline export recordings/today --format both",
    "report": "plumeline report recordings/today --pdf",
    "overlay": "plumeline overlay recordings/today --out today.mp4",
    "rerun": "plumeline rerun recordings/today --job other.toml --out recordings/today_other",
    "plan": "plumeline plan job.toml --out window.png",
    "review": "plumeline review recordings/today --theme dark",
    "guide": "plumeline guide recordings/today --pass 2 --out good.toml",
    "learning": "plumeline learning recordings --operator T7 --out curve.svg",
    "compare": "plumeline compare recordings/monday recordings/today --window",
    "library": "plumeline library recordings --job regulator --from 2026-05-01 --warning drift",
    "batch": "plumeline batch recordings -j 4",
    "class": "plumeline class recordings",
    "import": "plumeline import evening/ --camera camera.toml --nozzle nozzle.toml --out recordings/evening",
    "verify": "plumeline verify recordings",
    "doctor": "plumeline doctor",
    "paths": "plumeline paths recordings",
    "bug-report": "plumeline bug-report",
    "paper": "plumeline calibrate paper --page Letter --out paper.pdf",
    "mat": "plumeline calibrate mat --out mat.pdf",
    "camera": ("plumeline calibrate camera photos/*.jpg --squares 9x6 --square-mm 25 --marker-mm 18 "
               "--dictionary DICT_5X5_100 --out camera.toml"),
    "readout": "plumeline calibrate readout waved.mp4 --camera camera.toml --out camera.toml",
    "nozzle": "plumeline calibrate nozzle --touch touch/ --job job.toml --camera camera.toml --out nozzle.toml",
    "check": ("plumeline calibrate check photo.jpg --height-mm 10 --job job.toml --camera camera.toml "
              "--nozzle nozzle.toml"),
    "heat": "plumeline calibrate heat recordings/thermo --log thermo.csv",
}
