"""Makes a job from the scene.toml of a benchmark recording."""

from __future__ import annotations

from typing import Any

from monitor.job import Job

__all__ = ["job_from_scene"]


def job_from_scene(scene: dict[str, Any]) -> Job:
    """The job that a person at that bench would have written."""
    nozzle = {key: scene["nozzle"][key] for key in (
        "outer_diameter_mm", "bore_diameter_mm", "tube_length_mm", "profile_mm", "handle_mm", "bend_deg")}
    data = {
        "title": f"benchmark recording {scene['name']}",
        "board": {"top_height_mm": scene["board_top_mm"]},
        "target": {"name": "target", "outline_mm": scene["target_mm"], "height_mm": scene["target_part_height_mm"]},
        "neighbour": [{"outline_mm": outline} for outline in scene["neighbours_mm"]],
        "solder": {"alloy": scene["solder"]["alloy"]},
        "nozzle": nozzle,
        "station": {"setpoint_c": scene["station"]["setpoint_c"], "airflow_l_min": scene["station"]["airflow_l_min"]},
        "limits": {"height_mm": scene["limits"]["height_mm"]},
    }
    return Job.model_validate(_tuples(data))


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
