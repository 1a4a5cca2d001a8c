"""
From a row of the hazards table to a pile file and a plan file.

Whatever a row leaves out counts as measured and typical, so that only what the row is about decides.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

from hotchpot.chemistry import chemistry

TABLE = Path(__file__).parent / "data" / "hazards.csv"
JOINS = ("parallel", "series", "series_groups")
COLUMNS = (
    *("id", "chemistry", "cells", "rated_ah", "capacity_ah", "resistance_mohm", "rest_v", "rest_hours", "soc_frac"),
    *("temperature_c", "self_discharge_frac_month", "gravity", "flags", "rest_rise_k", "bms", "bms_max_a", "bms_max_v"),
    *("max_in_series", "max_in_parallel"),
)


def rows(table: Path = TABLE) -> list[dict[str, str]]:
    """Return a table's rows."""
    return list(csv.DictReader(io.StringIO(table.read_text("utf-8"))))


def case(inputs: dict[str, Any], description: str = "", *, both: bool = True, fuse_a: float = 125) -> tuple[str, str]:
    """Return the text of a pile and of a plan for a row's inputs."""
    units = _units(inputs, both=both)
    if "dT" in inputs:
        units[0]["temperature_c"] = 20 + inputs["dT"]
    return _pile(units), _plan(inputs, units, description, fuse_a)


def _units(inputs: dict[str, Any], *, both: bool) -> list[dict[str, Any]]:
    raw = inputs.get("units")
    if "groups" in inputs:
        raw = [{"chem": inputs["chem"], "cells": 6, "ah": ah} for group in inputs["groups"] for ah in group]
    if "rb_mohm" in inputs:
        raw = [{"chem": "lead_agm", "cells": 6, "ah": 270, "r_mohm": inputs["rb_mohm"]}]
    if raw is None and "v_max" in inputs:
        raw = [{"chem": "lfp", "cells": round(inputs["v_max"] / 3.65), "ah": 100}]
    if raw is None and "bus_v" in inputs:
        raw = [{"chem": "lfp", "cells": 16, "ah": 100, "r_mohm": inputs["r_mohm"]}]
    if raw is None and "kwh" in inputs:
        raw = [{"chem": "lfp", "cells": 16, "ah": inputs["kwh"] * 1000 / 51.2}]
    if raw is None:
        raw = [{"chem": "lead_agm", "cells": 6, "ah": 200}]
    if len(raw) == 1 and inputs.get("n"):
        raw = raw * inputs["n"]
    if "sd_spread" in inputs:
        raw = [{**raw[0], "sd": 0.03 + inputs["sd_spread"]}, *[{**raw[0], "sd": 0.03}] * 3]
    return [_unit(inputs, row, i, both=both) for i, row in enumerate(raw, start=1)]


def _unit(inputs: dict[str, Any], row: dict[str, Any], i: int, *, both: bool) -> dict[str, Any]:
    row = {**{k: v for k, v in inputs.items() if k in ("r_ratio", "cap_frac", "ocv_v", "soc", "n_series")}, **row}
    chem = chemistry(row["chem"].replace("na_ion", "naion"))
    capacity = row.get("meas_ah", row.get("cap_frac", 1.0) * row["ah"])
    typical = chem.typical_mohm(row["cells"], row["ah"])
    unit = {
        "id": f"U{i}",
        "chemistry": chem.key,
        "cells": row["cells"],
        "rated_ah": row["ah"],
        "capacity_ah": capacity,
        "resistance_mohm": row.get("r_mohm", row.get("r_ratio", 1.0) * typical),
        "rest_hours": 5 / 60 if "5 min" in row.get("note", "") else 24,
        "temperature_c": inputs.get("temp_c", 20),
        "rest_rise_k": inputs.get("dT_rest", ""),
        "flags": ";".join(inputs.get("flags", [])),
        "self_discharge_frac_month": row.get("sd", ""),
        "bms_max_a": inputs.get("bms_a", ""),
        "max_in_series": inputs.get("max_n", "") if inputs["op"] == "series" else "",
        "max_in_parallel": inputs.get("max_n", "") if inputs["op"] == "parallel" else "",
        "bms_max_v": inputs.get("bms_max_v", ""),
    }
    if inputs.get("measured") is False:
        unit["capacity_ah"] = unit["resistance_mohm"] = ""
    if "sg_spread" in inputs:
        unit["gravity"] = f"1.270;{1.270 - inputs['sg_spread']:.3f};1.265"
    if "rest_h" in inputs:
        unit["rest_hours"] = inputs["rest_h"]
    if "ocv_v" in row:
        unit["rest_v"] = row["ocv_v"]
        if both:
            unit["soc_frac"] = round(chem.ocv.soc_at(row["ocv_v"] / row["cells"]), 4)
    else:
        unit["soc_frac"] = row.get("soc", 1.0 if inputs["op"] in JOINS else 0.5)
    if chem.kind == "lithium":
        told = row if "bms" in row else inputs
        unit["bms"] = "no" if "bms" in told and told["bms"] is None else "yes"
    if inputs.get("tool") == "acid_hydrometer":
        unit["gravity"] = "1.20"
    return unit


def _pile(units: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(units)
    return out.getvalue()


def _plan(inputs: dict[str, Any], units: list[dict[str, Any]], description: str, fuse_a: float) -> str:
    op = inputs["op"]
    ids = [unit["id"] for unit in units]
    expression = (" + " if op in ("series", "tap") else " // ").join(ids)
    if "groups" in inputs:
        names = iter(ids)
        expression = " + ".join(" // ".join(next(names) for _ in group) for group in inputs["groups"])
    found: dict[str, dict[str, Any]] = {
        "duty": {"load_a": inputs.get("load_a"), "load_w": inputs.get("load_w")},
        "charger": {
            "volts": inputs.get("charge_v"),
            "volts_per_cell": inputs.get("charge_v_cell"),
            "charge_frac_per_hour": inputs.get("c"),
            "hours": inputs.get("duration_h"),
            "stage": inputs.get("stage"),
            "source": inputs.get("source"),
            "dump_load": inputs.get("dump_load"),
            "compensated": False if "fixed" in description else None,
        },
        "protection": {
            "bms": inputs.get("bms"),
            "unit_fuse_a": 0 if inputs.get("string_fuse", 1) is None else None if "fuse_a" in inputs else fuse_a,
            "main_fuse_a": inputs.get("fuse_a"),
            "fuse_volts": inputs.get("fuse_v"),
            "fuse_interrupt_ka": inputs.get("fuse_kA"),
            "balancer_mah_per_day": inputs.get("balance_mah_day", inputs.get("equaliser_a", 0) * 24000 or None),
            "isolator": inputs.get("isolator"),
            "disconnect_v": inputs.get("disconnect_v"),
            "inverter_capacitance_mf": inputs.get("cap_mf"),
        },
        "wiring": {
            "takeoff": {"same": "same_end"}.get(inputs.get("takeoff", ""), inputs.get("takeoff")),
            "link_mohm": inputs.get("link_mohm"),
            "cable_mm2": inputs.get("cable_mm2"),
            "midpoints_tied": inputs.get("midlink"),
            "reading_v": inputs.get("reading_v"),
            "taps": [{"below": ids[-1], "amps": inputs["tap_a"]}] if "tap_a" in inputs else None,
        },
        "site": {
            "room": inputs.get("room"),
            "vent_m3_per_h": inputs.get("vent_m3_per_h"),
            "spark_distance_m": inputs.get("spark_dist_m"),
            "touchable_bars": True if "open busbars" in description else None,
        },
    }
    lines = [f"arrangement = {json.dumps(expression)}", f'question = ["{"join" if op in JOINS else op}"]']
    for section, keys in found.items():
        known = {key: value for key, value in keys.items() if value is not None}
        if known:
            lines += [f"[{section}]", *(f"{key} = {_toml(value)}" for key, value in known.items())]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, list):
        rows = (", ".join(f"{key} = {json.dumps(item)}" for key, item in row.items()) for row in value)
        return "[" + ", ".join(f"{{ {row} }}" for row in rows) + "]"
    return json.dumps(value)
