"""The tables of trace.sqlite and the steps from older versions to this one."""

from __future__ import annotations

import sqlite3

from monitor.errors import InputError

__all__ = ["APPLICATION_ID", "FRAME_COLUMNS", "PERSONAL_KEYS", "PERSONAL_TABLES", "VERSION", "check", "create",
           "migrate"]

APPLICATION_ID = 0x504C554D  # "PLUM"
VERSION = 3
# what people add to a recording, and no program can make again: carried over when the recording is made anew
PERSONAL_TABLES: tuple[str, ...] = ("comments", "marks")
PERSONAL_KEYS: tuple[str, ...] = ("what_if",)  # of the table meta

# one row a frame: what was measured, then what was concluded; mm, rad, s; NULL means not known
FRAME_COLUMNS: tuple[tuple[str, str], ...] = (
    ("frame", "INTEGER PRIMARY KEY"), ("t_s", "REAL NOT NULL"), ("dt_s", "REAL NOT NULL"),
    # bench pose: cam_from_bench as rotation vector and translation; cov as 36 doubles
    ("bench_reason", "TEXT"), ("bench_n_markers", "INTEGER"), ("bench_rms_px", "REAL"),
    *((f"bench_r{a}_rad", "REAL") for a in "xyz"), *((f"bench_t{a}_mm", "REAL") for a in "xyz"),
    ("bench_cov", "BLOB"),
    # the nozzle from this frame alone
    ("obs_reason", "TEXT"), *((f"obs_tip_{a}_mm", "REAL") for a in "xyz"), *((f"obs_axis_{a}", "REAL") for a in "xyz"),
    ("obs_cov", "BLOB"), ("obs_chi2_dof", "REAL"),
    # the live track
    ("status", "TEXT NOT NULL"), *((f"tip_{a}_mm", "REAL") for a in "xyz"),
    *((f"velocity_{a}_mm_s", "REAL") for a in "xyz"), *((f"axis_{a}", "REAL") for a in "xyz"), ("track_cov", "BLOB"),
    ("t_seen_s", "REAL"), ("track_reason", "TEXT"),
    # the track smoothed over the whole recording, where it was made
    *((f"smooth_tip_{a}_mm", "REAL") for a in "xyz"), *((f"smooth_axis_{a}", "REAL") for a in "xyz"),
    ("smooth_cov", "BLOB"),
    ("board_dx_mm", "REAL NOT NULL"), ("board_dy_mm", "REAL NOT NULL"), ("board_turn_rad", "REAL NOT NULL"),
    # what it means for the board
    ("seen", "INTEGER NOT NULL"), ("age_s", "REAL"), ("height_mm", "REAL"), ("height_sigma_mm", "REAL"),
    ("standoff_mm", "REAL"), ("standoff_sigma_mm", "REAL"), ("tilt_rad", "REAL"), ("tilt_sigma_rad", "REAL"),
    ("azimuth_rad", "REAL"), ("aim_x_mm", "REAL"), ("aim_y_mm", "REAL"), ("aim_sigma_mm", "REAL"),
    ("aim_board_x_mm", "REAL"), ("aim_board_y_mm", "REAL"), ("speed_mm_s", "REAL"), ("state", "TEXT NOT NULL"),
    ("in_pass", "INTEGER NOT NULL"),
)

_PARTS = """
CREATE TABLE parts (frame INTEGER PRIMARY KEY, motions TEXT NOT NULL);
    -- JSON: name -> [dx_mm, dy_mm, turn_rad, sigma_mm, turn_sigma_rad, share seen, present: 1, 0 or null]
    -- null: not known
CREATE TABLE part_events (
    id INTEGER PRIMARY KEY, t_s REAL NOT NULL, t_start_s REAL NOT NULL, part TEXT NOT NULL, kind TEXT NOT NULL,
    dx_mm REAL, dy_mm REAL, turn_rad REAL, sigma_mm REAL, before BLOB, after BLOB);  -- the place from above, PNG
CREATE TABLE marks (
    id INTEGER PRIMARY KEY, t_s REAL NOT NULL, kind TEXT NOT NULL, author TEXT NOT NULL, made_utc TEXT NOT NULL,
    undone_utc TEXT);  -- kind: molten or solid, as a person saw the joints
CREATE TABLE lessons (
    id INTEGER PRIMARY KEY, t_s REAL NOT NULL, kind TEXT NOT NULL, told_by TEXT NOT NULL, before_c REAL,
    before_sigma_k REAL, after_c REAL, after_sigma_k REAL, liquidus_c REAL, wrong REAL, slope_k_s REAL, at_zero_c REAL,
    per_score_k TEXT NOT NULL, input_sigma_k REAL, form_sigma_k REAL);
    -- what each melt taught of the coldest joint; per_score_k: JSON
"""
_OTHERS = f"""{_PARTS}
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE heat (
    frame INTEGER PRIMARY KEY, observed INTEGER NOT NULL, ramp_low_k_s REAL, ramp_k_s REAL, ramp_high_k_s REAL,
    above_liquidus_s REAL, joint TEXT, joint_reason TEXT,
    power_w TEXT, energy_j TEXT, temp_c TEXT, limit_in_s TEXT, flags TEXT);  -- JSON: name -> [low, mid, high]
CREATE TABLE warnings (
    number INTEGER PRIMARY KEY, kind TEXT NOT NULL, region TEXT NOT NULL, priority TEXT NOT NULL,
    action TEXT NOT NULL, t_first_s REAL, t_start_s REAL NOT NULL, t_end_s REAL, past_s REAL, value REAL, limit_ REAL,
    unit TEXT, low REAL, high REAL, text TEXT);
CREATE TABLE passes (
    number INTEGER PRIMARY KEY, t_start_s REAL, t_end_s REAL, dwell_s REAL, unseen_s REAL, height_mean_mm REAL,
    height_sd_mm REAL, height_low_mm REAL, height_high_mm REAL, height_sigma_mm REAL, tilt_mean_rad REAL,
    in_limits REAL, coverage REAL, evenness REAL, energy_low_j REAL, energy_j REAL, energy_high_j REAL,
    feedback TEXT, band_share REAL, audible_share REAL, coached INTEGER, is_probe INTEGER);
CREATE TABLE events (id INTEGER PRIMARY KEY, t_s REAL NOT NULL, kind TEXT NOT NULL, detail TEXT NOT NULL);
CREATE TABLE drops (id INTEGER PRIMARY KEY, t_s REAL NOT NULL, count INTEGER NOT NULL, reason TEXT NOT NULL);
CREATE TABLE station (id INTEGER PRIMARY KEY, t_s REAL NOT NULL, setpoint_c REAL, airflow_l_min REAL);
CREATE TABLE maps (
    name TEXT PRIMARY KEY, unit TEXT NOT NULL, left_mm REAL, bottom_mm REAL, step_mm REAL, ny INTEGER, nx INTEGER,
    cells BLOB NOT NULL);  -- doubles, row by row from the bottom
CREATE TABLE comments (
    id INTEGER PRIMARY KEY, t_s REAL NOT NULL, t_end_s REAL, author TEXT NOT NULL, made_utc TEXT NOT NULL,
    text TEXT NOT NULL);  -- t_end_s NULL: about one moment
CREATE INDEX frames_t ON frames (t_s);
"""


def create(db: sqlite3.Connection) -> None:
    """Lay out an empty trace, in one transaction: each waits for the disk, and a kill leaves all of it or nothing."""
    columns = ", ".join(f"{name} {kind}" for name, kind in FRAME_COLUMNS)
    db.executescript(f"BEGIN; CREATE TABLE frames ({columns}); {_OTHERS} PRAGMA application_id = {APPLICATION_ID}; "
                     f"PRAGMA user_version = {VERSION}; COMMIT;")


def check(db: sqlite3.Connection, path: str) -> int:
    """Make sure that a trace is ours and of a version that this program reads; gives the version.

    Raises
    ------
    InputError
        If it is something else, or newer than this program.
    """
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise InputError(f"{path}: not a trace of this program; name a folder that `plumeline analyse` wrote")
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version > VERSION:
        raise InputError(f"{path}: written by a newer program (trace version {version}, this one reads {VERSION}); "
                         "update plumeline")
    if version < 1:
        raise InputError(f"{path}: damaged: trace version {version}; analyse the clip again")
    return version


def migrate(db: sqlite3.Connection) -> None:
    """Bring a trace that `check` has passed up to this version."""
    version = db.execute("PRAGMA user_version").fetchone()[0]
    for number, script in enumerate(_MIGRATIONS[version - 1:], version + 1):
        db.executescript(f"BEGIN; {script} PRAGMA user_version = {number}; COMMIT;")


# _MIGRATIONS[0] takes version 1 to 2, and so on
_MIGRATIONS: tuple[str, ...] = ("""
CREATE TABLE station (id INTEGER PRIMARY KEY, t_s REAL NOT NULL, setpoint_c REAL, airflow_l_min REAL);
ALTER TABLE passes ADD COLUMN feedback TEXT;
ALTER TABLE passes ADD COLUMN band_share REAL;
ALTER TABLE passes ADD COLUMN audible_share REAL;
ALTER TABLE passes ADD COLUMN coached INTEGER;
ALTER TABLE passes ADD COLUMN is_probe INTEGER;
CREATE TABLE comments (id INTEGER PRIMARY KEY, t_s REAL NOT NULL, t_end_s REAL, author TEXT NOT NULL,
    made_utc TEXT NOT NULL, text TEXT NOT NULL);
""", _PARTS)
