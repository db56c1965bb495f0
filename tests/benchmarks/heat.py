"""Runs a heating scenario with the board model: python -m tests.benchmarks.heat SCENARIO.json OUT.csv"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.heat.board import BoardModel, Footprint, Losses, Slab
from monitor.heat.grid import graded_edges, overlap_share

FloatArray = NDArray[np.float64]
MM = 1e-3
STEP_S = 0.02  # backward Euler: its lag of half a step stays under 0.2 % of the rise at 30 K/s


def build(scenario: dict[str, Any], fineness: float = 1.0) -> BoardModel:
    """The model of a scenario; fineness multiplies every cell size."""
    board, joint, part, loss = (scenario[k] for k in ("board", "joint", "component", "loss"))
    half = [s / 2 for s in part["size_mm"][:2]]
    spans = [(c - h, c + h) for c, h in zip(part["centre_mm"], half, strict=True)]
    edges = [_axis(length, span, scenario["jet"]["b_mm"], fineness)
             for length, span in zip(board["size_mm"], spans, strict=True)]
    slabs = [_slab(board, board["thickness_mm"], max(6, round(22 / fineness))),
             _slab(joint, joint["thickness_mm"], 2), _slab(part, part["size_mm"][2], max(4, round(10 / fineness)))]
    (x1, x2), (y1, y2) = spans
    model = BoardModel(
        edges[0] * MM, edges[1] * MM, slabs[0], (slabs[1], slabs[2]), Footprint(x1 * MM, x2 * MM, y1 * MM, y2 * MM),
        losses=Losses((loss["h_top_W_m2K"], 0, 0), (loss["h_bottom_W_m2K"], 0, 0), loss["h_side_W_m2K"]),
        ambient_c=scenario["T_amb_C"], start_c=scenario["T_init_C"])
    for patch in loss.get("bottom_patches", []):
        _patch(model, patch, loss["h_bottom_W_m2K"])
    return model


def run(scenario: dict[str, Any], step_s: float = STEP_S, fineness: float = 1.0) -> tuple[FloatArray, BoardModel]:
    """Rows of time and probe temperatures at the scenario's output times."""
    model = build(scenario, fineness)
    every = scenario["output_every_s"]
    n_sub = max(1, int(np.ceil(every / step_s - 1e-9)))
    points = [np.array(p["xyz_mm"]) * MM for p in scenario["probes"]]
    read = lambda t: [t, *(float(model.probe(*p)[0]) for p in points)]
    rows, arrival = [read(0.0)], np.full((model.y_m.size, model.x_m.size, 1), float(scenario["jet"]["T_jet_C"]))
    for n in range(round(scenario["t_end_s"] / every)):
        for k in range(n_sub):
            t = n * every + (k + 1) * every / n_sub
            model.step(_spot(scenario, model, t), arrival, every / n_sub)
        rows.append(read((n + 1) * every))
    return np.array(rows), model


def main(arguments: list[str]) -> int:
    """Write the probe temperatures of a scenario file."""
    if len(arguments) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    began = time.perf_counter()
    try:
        scenario = json.loads(Path(arguments[0]).read_text(encoding="utf-8"))
        rows, model = run(scenario)
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


def _axis(length_mm: float, span: tuple[float, float], spot_mm: float, fineness: float) -> FloatArray:
    """Edges along one axis: finest at the part's edges."""
    size = span[1] - span[0]
    rim = min(0.2, size / 24) * fineness
    fine = [(span[0], span[0], rim), (span[1], span[1], rim)]
    return graded_edges([0.0, *(s for s in span if 0 < s < length_mm), length_mm], fine,
                        coarsest_m=min(1.2, spot_mm / 6) * fineness, growth=0.15)


def _slab(layer: dict[str, Any], thickness_mm: float, n_cells: int) -> Slab:
    return Slab(thickness_mm * MM, n_cells, layer["k_xy_W_mK"], layer["k_z_W_mK"],
                layer["rho_kg_m3"] * layer["cp_J_kgK"], graded=True)


def _patch(model: BoardModel, patch: dict[str, Any], elsewhere_w_m2k: float) -> None:
    """Another loss over a rectangle of the underside."""
    x1, x2, y1, y2 = (v * MM for v in patch["rect_mm"])
    share = np.outer(overlap_share(model.y_edges_m, y1, y2), overlap_share(model.x_edges_m, x1, x2))
    model.exchange.bottom_fixed_w_m2k[:] += share * (patch["h_W_m2K"] - elsewhere_w_m2k)


def _spot(scenario: dict[str, Any], model: BoardModel, t_s: float) -> FloatArray:
    """Film coefficient of the scripted Gaussian spot at one time."""
    path = scenario["path"]
    times = [w["t_s"] for w in path]
    x, y, gain = (float(np.interp(t_s, times, [w[k] for w in path])) for k in ("x_mm", "y_mm", "gain"))
    width = scenario["jet"]["b_mm"] * MM
    along_x = np.exp(-(((model.x_m - x * MM) / width) ** 2))
    along_y = np.exp(-(((model.y_m - y * MM) / width) ** 2))
    return (gain * scenario["jet"]["h_pk_W_m2K"] * np.outer(along_y, along_x))[:, :, None]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
