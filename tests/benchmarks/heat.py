"""Runs a heating scenario with the board model.

python -m tests.benchmarks.heat SCENARIO.json OUT.csv [FINENESS]

Without FINENESS the grid, the step and the pointwise film are those of the live estimate; with it (1, or more for
coarser cells) a fine grid of the benchmark's own, two steps extrapolated to none.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab
from monitor.heat.chain import Fineness, part_edges
from monitor.heat.estimate import QUICK_K_S, QUICK_STEP_S
from monitor.heat.estimate import STEP_S as STEP_WHEN_SLOW_S
from monitor.heat.grid import graded_edges, overlap_share
from tests.benchmarks.command import command

FloatArray = NDArray[np.float64]
MM = 1e-3
SHIPPED = Fineness()
STEP_S = 0.05  # the shorter of two steps; backward Euler's first-order error is extrapolated away


def build(scenario: dict[str, Any], fineness: float = 1.0) -> BoardModel:
    """The model of a scenario; fineness multiplies every cell size."""
    board, part, loss = (scenario[k] for k in ("board", "component", "loss"))
    half = [s / 2 for s in part["size_mm"][:2]]
    spans = [(c - h, c + h) for c, h in zip(part["centre_mm"], half, strict=True)]
    rims = [[p["rect_mm"][k:k + 2] for p in loss.get("bottom_patches", [])] for k in (0, 2)]
    edges = [_axis(length, span, [x for rim in ends for x in rim], scenario["jet"]["b_mm"], fineness)
             for length, span, ends in zip(board["size_mm"], spans, rims, strict=True)]
    return _furnished(scenario, edges, _levels(18, board["thickness_mm"], 12, fineness), 2,
                      _levels(10, part["size_mm"][2], 6, fineness))


def _shipped_edges(scenario: dict[str, Any], fine: Fineness) -> list[FloatArray]:
    """Cell edges as the live estimate lays them [mm]."""
    part, edges = scenario["component"], []
    outside = [p["xyz_mm"] for p in scenario["probes"] if any(
        abs(p["xyz_mm"][a] - part["centre_mm"][a]) > part["size_mm"][a] / 2 for a in (0, 1))]
    for axis, length in enumerate(scenario["board"]["size_mm"]):
        half = part["size_mm"][axis] / 2
        low, high = part["centre_mm"][axis] - half, part["centre_mm"][axis] + half
        marked = [(p[axis] - 2.0, p[axis] + 2.0) for p in outside]
        edges.append(part_edges(low * MM, high * MM, (0.0, length * MM), [(a * MM, b * MM) for a, b in marked],
                                fine) / MM)
    return edges


def _furnished(scenario: dict[str, Any], edges: list[FloatArray], *levels: int, shrink: float = 1.0) -> BoardModel:
    """The model on given edges [mm], with so many levels of board, joint and part."""
    board, joint, part, loss = (scenario[k] for k in ("board", "joint", "component", "loss"))
    slabs = [_slab(layer, thickness, n, shrink) for layer, thickness, n in zip(
        (board, joint, part), (board["thickness_mm"], joint["thickness_mm"], part["size_mm"][2]), levels, strict=True)]
    half = [s / 2 for s in part["size_mm"][:2]]
    (x1, x2), (y1, y2) = [(c - h, c + h) for c, h in zip(part["centre_mm"], half, strict=True)]
    model = BoardModel(
        edges[0] * MM, edges[1] * MM, slabs[0],
        Part(slabs[1], slabs[2], Footprint(x1 * MM, x2 * MM, y1 * MM, y2 * MM)),
        losses=Losses((loss["h_top_W_m2K"], 0, 0), (loss["h_bottom_W_m2K"], 0, 0), loss["h_side_W_m2K"]),
        ambient_c=scenario["T_amb_C"], start_c=scenario["T_init_C"])
    for patch in loss.get("bottom_patches", []):
        _patch(model, patch, loss["h_bottom_W_m2K"])
    return model


def run(scenario: dict[str, Any], step_s: float = STEP_S, fineness: float = 1.0) -> tuple[FloatArray, BoardModel]:
    """Rows of time and probe temperatures at the scenario's output times, and the model in its last state.

    Two models run side by side, one with twice the step; their difference is the step's error to first order
    (Richardson's extrapolation), so what remains is of second order in the step as it is in the cells.
    """
    models = [build(scenario, fineness) for _ in range(2)]
    every = scenario["output_every_s"]
    n_sub = max(1, int(np.ceil(every / (2 * step_s) - 1e-9)))
    points = [np.array(p["xyz_mm"]) * MM for p in scenario["probes"]]
    rows = [[0.0, *_extrapolated(models, points)]]
    for n in range(round(scenario["t_end_s"] / every)):
        for model, steps in zip(models, (2 * n_sub, n_sub), strict=True):
            _advance(scenario, model, n * every, every, steps)
        rows.append([(n + 1) * every, *_extrapolated(models, points)])
    return np.array(rows), models[0]


def run_shipped(scenario: dict[str, Any]) -> tuple[FloatArray, BoardModel]:
    """The same on the grid and with the steps of the live estimate; a probe beside the part stands for a neighbour.

    The first probe is the joint whose rise tells how long a step is; the last one before an output meets it.
    """
    model = _furnished(scenario, _shipped_edges(scenario, SHIPPED), SHIPPED.board_levels, 1, SHIPPED.package_levels,
                       shrink=SHIPPED.shrink)
    points = [np.array(p["xyz_mm"]) * MM for p in scenario["probes"]]
    grid = np.meshgrid(model.x_m, model.y_m)
    arrival = np.full((model.y_m.size, model.x_m.size, 1), float(scenario["jet"]["T_jet_C"]))
    rows, every = [[0.0, *(float(model.probe(*p)[0]) for p in points)]], scenario["output_every_s"]
    now_s, step_s, before = 0.0, STEP_WHEN_SLOW_S, rows[0][1]
    for n in range(1, round(scenario["t_end_s"] / every) + 1):
        while now_s < n * every - 1e-9:
            step_s = min(step_s, n * every - now_s)
            now_s += step_s
            model.step(_spot_at(scenario, *grid, now_s), arrival, step_s)
            joint = float(model.probe(*points[0])[0])
            step_s = QUICK_STEP_S if abs(joint - before) > QUICK_K_S * step_s else STEP_WHEN_SLOW_S
            before = joint
        rows.append([n * every, *(float(model.probe(*p)[0]) for p in points)])
    return np.array(rows), model


def main(arguments: list[str]) -> int:
    """Write the probe temperatures of a scenario file."""
    if len(arguments) not in (2, 3):
        print(__doc__, file=sys.stderr)
        return 2
    began = time.perf_counter()
    try:
        scenario = json.loads(Path(arguments[0]).read_text(encoding="utf-8"))
        rows, model = run(scenario, fineness=float(arguments[2])) if arguments[2:] else run_shipped(scenario)
    except KeyError as fault:
        print(f"{arguments[0]}: key {fault} is missing", file=sys.stderr)
        return 3
    except (OSError, ValueError) as fault:
        print(f"{arguments[0]}: not a scenario ({fault})", file=sys.stderr)
        return 3
    names = [f"{p['id']}_C" for p in scenario["probes"]]
    temporary = Path(arguments[1] + ".part")
    np.savetxt(temporary, rows, delimiter=",", fmt=["%.2f"] + ["%.3f"] * len(names),
               header=",".join(["t_s", *names]), comments="")
    os.replace(temporary, arguments[1])
    work = model.work
    balance = work.gained_j[0] - work.lost_j[0] - model.stored_j()[0]
    print(f"{model.work.temp_c.size} cells, {time.perf_counter() - began:.1f} s, jet {work.gained_j[0]:.2f} J, "
          f"lost {work.lost_j[0]:.2f} J, stored {model.stored_j()[0]:.2f} J, unaccounted {balance:.2e} J")
    return 0


def _advance(scenario: dict[str, Any], model: BoardModel, from_s: float, for_s: float, steps: int) -> None:
    """Step one model over an interval."""
    arrival = np.full((model.y_m.size, model.x_m.size, 1), float(scenario["jet"]["T_jet_C"]))
    for k in range(steps):
        model.step(_spot(scenario, model, from_s + (k + 1) * for_s / steps), arrival, for_s / steps)


def _extrapolated(models: list[BoardModel], points: list[FloatArray]) -> list[float]:
    """Probe temperatures with the step's first-order error taken out."""
    short, long = ([float(model.probe(*p)[0]) for p in points] for model in models)
    return [2 * a - b for a, b in zip(short, long, strict=True)]


def _axis(length_mm: float, span: tuple[float, float], others_mm: list[float], spot_mm: float,
          fineness: float) -> FloatArray:
    """Edges along one axis: finest at the part's edges, one at every other coordinate that is asked for."""
    size = span[1] - span[0]
    rim = min(0.1, size / 40) * fineness
    fine = [(span[0], span[0], rim), (span[1], span[1], rim)]
    return graded_edges([0.0, *(s for s in (*span, *others_mm) if 0 < s < length_mm), length_mm], fine,
                        coarsest_m=min(0.9, spot_mm / 8) * fineness, growth=0.2)


def _levels(at_one_mm: int, thickness_mm: float, least: int, fineness: float) -> int:
    """Cells through a layer: more in a thick one, where the first seconds reach only its skin."""
    return round(min(max(at_one_mm * np.sqrt(thickness_mm), least), 3 * least) / fineness)


def _slab(layer: dict[str, Any], thickness_mm: float, n_cells: int, shrink: float = 1.0) -> Slab:
    return Slab(thickness_mm * MM, n_cells, layer["k_xy_W_mK"], layer["k_z_W_mK"],
                layer["rho_kg_m3"] * layer["cp_J_kgK"], graded=True, shrink=shrink)


def _patch(model: BoardModel, patch: dict[str, Any], elsewhere_w_m2k: float) -> None:
    """Another loss over a rectangle of the underside."""
    x1, x2, y1, y2 = (v * MM for v in patch["rect_mm"])
    share = np.outer(overlap_share(model.y_edges_m, y1, y2), overlap_share(model.x_edges_m, x1, x2))
    fixed = model.exchange.bottom_fixed_w_m2k  # the last of patches that overlap counts
    fixed[:] = (1 - share) * fixed + share * (patch["h_W_m2K"] - elsewhere_w_m2k)


def _spot(scenario: dict[str, Any], model: BoardModel, t_s: float) -> FloatArray:
    """Film coefficient of the scripted Gaussian spot at one time."""
    path = scenario["path"]
    times = [w["t_s"] for w in path]
    x, y, gain = (float(np.interp(t_s, times, [w[k] for w in path])) for k in ("x_mm", "y_mm", "gain"))
    width = scenario["jet"]["b_mm"] * MM
    along_x, along_y = (_mean_bell((edges - centre * MM) / width) for edges, centre in (
        (model.x_edges_m, x), (model.y_edges_m, y)))
    return (gain * scenario["jet"]["h_pk_W_m2K"] * np.outer(along_y, along_x))[:, :, None]


def _spot_at(scenario: dict[str, Any], x_m: FloatArray, y_m: FloatArray, t_s: float) -> FloatArray:
    """The same at the cells' centres, as the live estimate takes its jet."""
    path = scenario["path"]
    times = [w["t_s"] for w in path]
    x, y, gain = (float(np.interp(t_s, times, [w[k] for w in path])) for k in ("x_mm", "y_mm", "gain"))
    r2 = (x_m / MM - x) ** 2 + (y_m / MM - y) ** 2
    return (gain * scenario["jet"]["h_pk_W_m2K"] * np.exp(-r2 / scenario["jet"]["b_mm"] ** 2))[:, :, None]


def _mean_bell(edges: FloatArray) -> FloatArray:
    """Mean of exp(-u^2) over each cell between the edges."""
    return np.sqrt(np.pi) / 2 * np.diff(erf(edges)) / np.diff(edges)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
