"""The job file: what the person at the bench knows, read from TOML, checked, and written back.

Every fault is reported at once, each with its key. Lengths are millimetres in the bench frame (origin at the
mat's centre, x to its right, y to its top edge), temperatures degrees Celsius.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from shapely.geometry import Polygon as Shape
from shapely.validation import explain_validity

from monitor.errors import InputError, JobError
from monitor.files import read_text, toml_of, write_text_whole
from monitor.heat.alloy import find_alloy

__all__ = [
    "Job", "Board", "Region", "Target", "Solder", "Nozzle", "Station", "Limits", "Matters", "Criterion",
    "ProtectionMeasure",
    "load_job", "parse_job", "job_text", "write_job", "job_hash",
]

Point = tuple[float, float]

SHEET_MM = (280.0, 200.0)  # the standard bench mat
LARGEST_FILE_BYTES = 200_000
SMALLEST_AREA_MM2 = 0.25  # half a millimetre square: the smallest chip parts in use are near 0.4 x 0.2 mm

def _outline(corners: tuple[Point, ...]) -> tuple[Point, ...]:
    """Refuse an outline that encloses no honest area on the mat."""
    if len(set(corners)) < 3:
        raise ValueError("needs at least three different corners")
    half_x, half_y = SHEET_MM[0] / 2, SHEET_MM[1] / 2
    if any(abs(x) > half_x or abs(y) > half_y for x, y in corners):
        raise ValueError(f"leaves the mat, which reaches from -{half_x:g} to {half_x:g} in x and "
                         f"-{half_y:g} to {half_y:g} in y")
    shape = Shape(corners)
    if not shape.is_valid:
        raise ValueError(f"crosses or touches itself ({explain_validity(shape)}); list the corners in order round it")
    if shape.area < SMALLEST_AREA_MM2:
        raise ValueError(f"encloses {shape.area:.3g} mm2, less than {SMALLEST_AREA_MM2} mm2; are the numbers in mm?")
    return corners


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if not pair[0] < pair[1]:
        raise ValueError(f"the first (lowest) must be below the second (highest), got {pair[0]:g} and {pair[1]:g}")
    return pair


def _profile(rows: tuple[Point, ...]) -> tuple[Point, ...]:
    """Pairs of (radius, distance from the outlet): radii positive, distances not falling."""
    if any(radius <= 0 or radius > 60 for radius, _ in rows):
        raise ValueError("every radius (the first number of a pair) must lie between 0 and 60 mm")
    if any(later < earlier for (_, earlier), (_, later) in itertools.pairwise(rows)):
        raise ValueError("the distances from the outlet (the second numbers) must not fall")
    return rows


def _alloy(name: str) -> str:
    """Refuse an alloy that is not in the table."""
    try:
        find_alloy(name)
    except InputError as fault:
        raise ValueError(str(fault).removeprefix("alloy: ")) from None
    return name


def _between(low: float, high: float, unit: str) -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            hint = "; is it in Fahrenheit?" if unit == "C" and value > high else ""
            raise ValueError(f"must lie between {low:g} and {high:g} {unit}, got {value:g}{hint}")
        return value
    return AfterValidator(check)


Name = Annotated[str, Field(min_length=1, max_length=40)]
Outline = Annotated[tuple[Point, ...], Field(min_length=3, max_length=200), AfterValidator(_outline)]
Rising = Annotated[tuple[float, float], AfterValidator(_rising)]
Profile = Annotated[tuple[Point, ...], Field(min_length=2, max_length=60), AfterValidator(_profile)]
AlloyName = Annotated[Name, AfterValidator(_alloy)]
PartKind = Literal["chip", "leaded", "leadless", "ball_grid", "connector"]
Material = Literal["PA66", "PBT", "PET", "PPS", "LCP", "polyester film", "electrolytic", "battery"]
ProtectionKind = Literal["tape", "shield_above", "gap_below", "metal_block", "preheater"]
PROTECTION_NEEDS = {"tape": (), "shield_above": ("gap_mm",), "gap_below": ("gap_mm",),
                    "metal_block": ("mass_g",), "preheater": ("temp_c",)}


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Board(_Part):
    """[board]: where its top lies and what it is made of."""

    top_height_mm: Annotated[float, _between(0.2, 80, "mm")]
    thickness_mm: Annotated[float, _between(0.1, 10, "mm")] = 1.6
    copper_um: Annotated[tuple[Annotated[float, _between(1, 500, "um")], ...], Field(max_length=32)] = (35.0, 35.0)
    copper_cover: tuple[Annotated[float, _between(0, 1, "(a share)")], ...] | None = None
    size_mm: tuple[Annotated[float, _between(2, 600, "mm")], Annotated[float, _between(2, 600, "mm")]] | None = None
    centre_mm: Point | None = None
    start_c: Annotated[float, _between(-20, 260, "C")] | None = None
    start_top_c: Annotated[float, _between(-20, 260, "C")] | None = None
    start_below_c: Annotated[float, _between(-20, 260, "C")] | None = None
    cutout_mm: Annotated[tuple[Outline, ...], Field(max_length=40)] = ()

    @model_validator(mode="after")
    def _covers_match(self) -> Board:
        if self.copper_cover is not None and len(self.copper_cover) != len(self.copper_um):
            raise ValueError(f"copper_cover names {len(self.copper_cover)} layers, copper_um {len(self.copper_um)}")
        return self


class Region(_Part):
    """[[neighbour]]: something near the target that must not get hot."""

    name: Name | None = None
    outline_mm: Outline
    height_mm: Annotated[float, _between(0, 60, "mm")] = 1.0
    limit_c: Annotated[float, _between(30, 400, "C")] | None = None
    material: Material | None = None
    side: Literal["top", "below"] = "top"
    keep_solid: bool = False


class Target(_Part):
    """[target]: the part to be worked on."""

    name: Name = "target"
    outline_mm: Outline
    height_mm: Annotated[float, _between(0.05, 60, "mm")] = 1.0
    kind: PartKind = "leadless"
    mass_g: Annotated[float, _between(1e-4, 500, "g")] | None = None
    limit_c: Annotated[float, _between(30, 400, "C")] | None = None
    ceramic: bool = False
    pad_mm: tuple[Annotated[float, _between(0.1, 100, "mm")], Annotated[float, _between(0.1, 100, "mm")]] | None = None
    vias: Annotated[int, Field(ge=0, le=2000)] = 0
    via_drill_mm: Annotated[float, _between(0.05, 3, "mm")] = 0.3
    via_barrel_um: Annotated[float, _between(5, 100, "um")] = 25.0

    @model_validator(mode="after")
    def _barrel_fits(self) -> Target:
        if 2e-3 * self.via_barrel_um > self.via_drill_mm:
            raise ValueError(f"via_barrel_um {self.via_barrel_um:g} is more than half of via_drill_mm "
                             f"{self.via_drill_mm:g}")
        return self


class Solder(_Part):
    """[solder]: the alloy in the joints, and the one that was on the pads before, where they differ."""

    alloy: AlloyName = "SAC305"
    alloy_before: AlloyName | None = None


class Nozzle(_Part):
    """[nozzle]: calliper measures of the metal and of the handle's front."""

    outer_diameter_mm: Annotated[float, _between(1, 60, "mm")]
    bore_diameter_mm: Annotated[float, _between(0.5, 59, "mm")]
    tube_length_mm: Annotated[float, _between(2, 200, "mm")]
    profile_mm: Profile
    handle_mm: Profile
    bend_deg: Annotated[float, _between(0, 100, "degrees")] = 0.0

    @model_validator(mode="after")
    def _bore_fits(self) -> Nozzle:
        if self.bore_diameter_mm >= self.outer_diameter_mm:
            raise ValueError(f"bore_diameter_mm {self.bore_diameter_mm:g} must be smaller than "
                             f"outer_diameter_mm {self.outer_diameter_mm:g}")
        if abs(2 * self.profile_mm[0][0] - self.outer_diameter_mm) > 0.1 * self.outer_diameter_mm:
            raise ValueError(f"profile_mm starts with radius {self.profile_mm[0][0]:g}, but outer_diameter_mm "
                             f"{self.outer_diameter_mm:g} means {self.outer_diameter_mm / 2:g}")
        return self


class Station(_Part):
    """[station]: what is set on the hot-air station."""

    setpoint_c: Annotated[float, _between(50, 600, "C")]
    airflow_l_min: Annotated[float, _between(1, 250, "L/min")]
    airflow_reference_c: Annotated[float, _between(-20, 100, "C")] = 20.0
    ambient_c: Annotated[float, _between(-20, 60, "C")] = 23.0
    outlet_c: Annotated[tuple[tuple[Annotated[float, _between(50, 600, "C")],
                                    Annotated[float, _between(1, 250, "L/min")],
                                    Annotated[float, _between(20, 650, "C")]], ...],
                        Field(max_length=100)] = ()


class Limits(_Part):
    """[limits]: what this job allows."""

    height_mm: Annotated[tuple[Annotated[float, _between(0, 200, "mm")], Annotated[float, _between(0, 200, "mm")]],
                         AfterValidator(_rising)]
    dwell_s: Annotated[float, _between(0.5, 3600, "s")] = 90.0
    part_c: Annotated[float, _between(30, 400, "C")] | None = None
    underside_c: Annotated[float, _between(30, 400, "C")] | None = None
    ramp_k_s: Annotated[float, _between(0.05, 50, "K/s")] | None = None


class Matters(_Part):
    """[matters]: the smallest differences between passes that matter to this work."""

    height_mm: Annotated[float, _between(0.1, 50, "mm")] = 2.0
    wander_mm: Annotated[float, _between(0.05, 50, "mm")] = 1.0
    dwell_share: Annotated[float, _between(0.01, 1, "(a share)")] = 0.20
    swept_share: Annotated[float, _between(0.01, 1, "(a share)")] = 0.10
    heat_share: Annotated[float, _between(0.01, 1, "(a share)")] = 0.15
    tilt_deg: Annotated[float, _between(1, 90, "degrees")] = 10.0


class Criterion(_Part):
    """[[rubric]]: one of the teacher's own thresholds; shares run from 0 to 1."""

    name: Name
    measure: Literal["height_mean_mm", "height_sd_mm", "dwell_s", "in_limits", "coverage", "evenness", "tilt_mean_deg",
                     "energy_j"]
    at_least: float | None = None
    at_most: float | None = None

    @model_validator(mode="after")
    def _asks_for_something(self) -> Criterion:
        if self.at_least is None and self.at_most is None:
            raise ValueError("needs at_least, at_most or both")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError(f"at_least {self.at_least:g} must be below at_most {self.at_most:g}")
        return self

    @property
    def least(self) -> float:
        """The lowest value that meets it; minus infinity where there is none."""
        return -math.inf if self.at_least is None else self.at_least

    @property
    def most(self) -> float:
        """The highest value that meets it; infinity where there is none."""
        return math.inf if self.at_most is None else self.at_most


class ProtectionMeasure(_Part):
    """[[protection]]: tape, a shield, a metal block, still air below, a preheater."""

    kind: ProtectionKind
    outline_mm: Outline | None = None
    gap_mm: Annotated[float, _between(0, 50, "mm")] | None = None
    mass_g: Annotated[float, _between(0.01, 5000, "g")] | None = None
    temp_c: Annotated[float, _between(20, 300, "C")] | None = None
    contact_w_m2k: Annotated[float, _between(20, 20000, "W/m2/K")] | None = None

    @model_validator(mode="after")
    def _has_what_it_needs(self) -> ProtectionMeasure:
        missing = [key for key in PROTECTION_NEEDS[self.kind] if getattr(self, key) is None]
        if missing:
            raise ValueError(f"kind {self.kind!r} also needs {', '.join(missing)}")
        return self


class Job(_Part):
    """One job file; see calibration/job_example.toml for every key explained."""

    title: Annotated[str, Field(max_length=200)] = ""
    work: Literal["remove", "fit"] | None = None
    board: Board
    target: Target
    neighbour: Annotated[tuple[Region, ...], Field(max_length=40)] = ()
    solder: Solder = Solder()
    nozzle: Nozzle
    station: Station
    limits: Limits
    protection: Annotated[tuple[ProtectionMeasure, ...], Field(max_length=40)] = ()
    matters: Matters = Matters()
    rubric: Annotated[tuple[Criterion, ...], Field(max_length=20)] = ()

    @model_validator(mode="after")
    def _names_differ(self) -> Job:
        names = [self.target.name, *self.neighbour_names]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two regions are called {', '.join(map(repr, twice))}; give each its own name")
        return self

    @property
    def outlines_mm(self) -> tuple[Outline, ...]:
        """Outlines of the target and of every neighbour, in this order."""
        return (self.target.outline_mm, *(region.outline_mm for region in self.neighbour))

    @property
    def neighbour_names(self) -> tuple[str, ...]:
        """Names of the neighbours; "neighbour 1" and so on where the file gives none."""
        return tuple(region.name or f"neighbour {i}" for i, region in enumerate(self.neighbour, 1))


def load_job(path: str | Path) -> Job:
    """Read and check a job file.

    Raises
    ------
    JobError
        With every fault of the file, one a line, each with its key.
    """
    return parse_job(read_text(Path(path), "job file (TOML)", JobError), str(path))


def parse_job(text: str, source: str = "job") -> Job:
    """Check the text of a job file; `source` names it in messages. Raises JobError as `load_job` does."""
    data = toml_of(text, source, "job", JobError, numbers=False)
    try:
        # TOML has no tuples and people write 30 for 30.0, so lists and whole numbers are made fit first
        return Job.model_validate(_as_strict(data))
    except ValidationError as fault:
        raise JobError(_all_faults(fault, source)) from None


def job_text(job: Job) -> str:
    """The job as TOML text that `parse_job` reads back to an equal job."""
    return tomli_w.dumps(_as_lists(job.model_dump(exclude_none=True)))


def write_job(job: Job, path: str | Path) -> None:
    """Write the job as TOML; the file appears whole or not at all."""
    write_text_whole(Path(path), job_text(job))


def job_hash(text: str) -> str:
    """Short hash that ties results to the exact text of a job file."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _as_strict(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _as_strict(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_as_strict(item) for item in value)
    return value


def _as_lists(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _as_lists(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_as_lists(item) for item in value]
    return value


def _all_faults(fault: ValidationError, source: str) -> str:
    lines = [f"{_key(error['loc'])}: {_words(error)}" for error in fault.errors()]
    if len(lines) == 1:
        return f"{source}: {lines[0]}"
    return f"{source}: {len(lines)} faults: " + " | ".join(lines)


def _key(loc: tuple[int | str, ...]) -> str:
    """("neighbour", 0, "outline_mm") -> neighbour[1].outline_mm, counting from 1 as people do."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text or "job"


def _words(error: Any) -> str:
    kind, given = error["type"], error.get("input")
    if kind == "extra_forbidden":
        return "unknown key; see calibration/job_example.toml for the keys"
    if kind == "missing":
        return "missing"
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "finite_number":
        return f"must be a finite number, got {given!r}"
    if kind == "literal_error":
        return f"must be {error['ctx']['expected']}, got {given!r}"
    if kind == "float_type":
        return f"must be a number, got {_short(given)}"
    return f"{error['msg'][0].lower()}{error['msg'][1:]}, got {_short(given)}"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
