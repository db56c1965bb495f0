"""Every column of the exported tables: its type, whatever the data, and what it means. The unit is in its name."""

from __future__ import annotations

__all__ = ["TEXTS", "WHOLE", "meaning_of", "type_of"]

TEXTS = frozenset({"status", "state", "reason", "joint", "kind", "region", "priority", "action", "unit", "text",
                   "feedback",
                   "author", "made_utc", "part", "operator", "recorded_utc", "pass_kind", "told_by"})
WHOLE = frozenset({"seen", "in_pass", "number", "coached", "is_probe", "frame", "present"})

_MEANING = {
    "t_s": "time from the first frame", "seen": "1 when the nozzle was measured in this frame",
    "status": "of the track",
    "state": "where the tool is", "reason": "why the nozzle was not measured", "in_pass": "1 while a pass is under way",
    "tip": "outlet's centre on the mat", "smooth_tip": "the same, from the whole recording",
    "height": "outlet over the board's top",
    "standoff": "along the jet from the outlet to the board", "aim": "where the jet's axis meets the board, on the mat",
    "aim_board": "the same, on the board as marked, its shift taken out", "tilt": "of the axis from the vertical",
    "speed": "of the outlet", "axis": "direction of the jet", "power": "heat into the part now (estimate)",
    "energy": "heat into the part (estimate)", "joint": "what the band allows to be said of the joints (estimate)",
    "package_top": "temperature (estimate)", "joint_centre": "temperature (estimate)",
    "joint_corner": "temperature (estimate)",
    "board_top": "temperature (estimate)", "underside": "temperature (estimate)", "t_start_s": "first moment",
    "t_end_s": "last moment; empty when it still stood at the end", "kind": "of the row", "region": "where",
    "priority": "of the warning",
    "action": "what to do", "t_first_s": "when the limit was first passed", "past_s": "how long beyond the limit",
    "value": "at the start, in `unit`", "limit": "in `unit`", "low": "lower end of the value's 90 % band",
    "high": "upper end of it",
    "unit": "of value, limit, low and high", "text": "in words", "number": "from 1, in order of time",
    "dwell_s": "aim inside the target's outline and below the upper height limit",
    "unseen_s": "nozzle not measured within the pass",
    "height_mean": "over the dwell", "height_sd_mm": "standard deviation over the dwell",
    "height_low_mm": "lowest over the dwell",
    "height_high_mm": "highest over the dwell", "tilt_mean": "over the dwell",
    "in_limits": "share of the dwell between the height limits",
    "coverage": "share of the target swept", "evenness": "share of the target swept for at least half of the mean time",
    "feedback": "mode of coaching; empty when none was noted",
    "band_share": "half-width of the silent band over the aimed-at height",
    "audible_share": "share of passes that are coached audibly at that level",
    "coached": "1 when coaching was heard, or a guide was followed",
    "is_probe": "1 for a pass without help, to see what was learned", "author": "of the comment",
    "made_utc": "when it was written",
    "operator": "code of who worked", "recorded_utc": "when the recording began",
    "pass_kind": "practice, probe or work, as told",
    "part": "name of the part", "dx_mm": "shift from where it was marked, to the right",
    "dy_mm": "shift from where it was marked, up the mat", "turn": "turn from where it was marked",
    "present": "1 while it is in its place",
    "sigma_mm": "standard deviation of the shift", "turn_sigma": "standard deviation of the turn",
    "melt_s": "from the pass's start until its joints were first seen molten, by the camera or a person",
    "joint_margin": "the coldest joint over its liquidus, at its hottest in the pass (estimate)",
    "seen_share": "share of its top that nothing covers", "told_by": "camera, or who saw it",
}


def type_of(column: str) -> str:
    """"text", "whole" or "number"."""
    return "text" if column in TEXTS else "whole" if column in WHOLE else "number"


def meaning_of(column: str) -> str:
    """What a column says, by its whole name or by the longest beginning that is known; empty when neither is."""
    begins = sorted((key for key in _MEANING if column == key or column.startswith(key + "_")), key=len)
    if not begins:
        return ""
    ends = {"_sigma": ", standard deviation", "_low": ", lower end of the 90 % band",
            "_high": ", upper end of the 90 % band"}
    more = "" if column in _MEANING else next((word for end, word in ends.items() if end in column[len(begins[-1]):]),
                                              "")
    return _MEANING[begins[-1]] + more
