"""Two change reports side by side: what was asked and achieved, levels, volume, and who tuned what between them.

A report is read as what it is, a file from elsewhere: every key that is used is looked for first.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rectify.errors import FileError
from rectify.report.facts import FORMAT

__all__ = ["read_report", "side_by_side"]

Facts = dict[str, Any]
_LARGEST = 50 * 2**20  # bytes; a report has some 100 kB

# what must be there, and of which type, for a report to be compared; as the published schema has it
_ROWS: dict[str, type] = {
    "regions": dict,
    "landmarks": dict,
    "levels": list,
    "tune": list,
    "inputs": list,
    "volume": dict,
    "checks": dict,
    "scan": dict,
    "rulebook": dict,
    "warnings": list,
}
_NUMBERS = {
    "volume": ("before_ml", "after_ml", "change_ml", "change_percent", "plane_level_mm"),
    "scan": ("faces",),
}
_REGION = ("action", "rulebook_mm", "change_mm", "asked_mm", "achieved_mm", "peak_mm", "area_mm2", "volume_ml")
_LANDMARK = ("xyz", "points", "level_mm", "angle_deg", "source", "uncertainty_mm")
_LEVEL = ("level_mm", "circumference_after_mm", "ap_after_mm", "ml_after_mm")


def read_report(path: Path) -> Facts:
    """change-report.json, checked as far as it is used.

    Raises
    ------
    FileError
        It cannot be read, or is no change report of this format.
    """

    def wrong(found: str) -> FileError:
        return FileError(
            "is not a change report", path=path, wanted=f"change-report.json, format {FORMAT}", found=found
        )

    try:
        if path.stat().st_size > _LARGEST:
            raise wrong(f"{path.stat().st_size / 2**20:.0f} MB")
        report = json.loads(path.read_bytes(), parse_constant=_no_number)
    except OSError as error:
        raise FileError("cannot be read", path=path, found=error.strerror or str(error)) from None
    except (ValueError, RecursionError) as error:
        raise wrong(f"no JSON: {str(error)[:80]}") from None
    if not isinstance(report, dict):
        raise wrong(f"a {type(report).__name__}")
    if report.get("format") != FORMAT:
        raise wrong(f"format {report.get('format')!r}"[:60])
    fault = next(_faults(report), None)
    if fault is not None:
        raise wrong(fault)
    return report


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number of JSON")


def _faults(report: Facts) -> Iterator[str]:
    for key in ("case", "side", "amputation", "status"):
        if not isinstance(report.get(key), str):
            yield f"no {key}"
    for key, kind in _ROWS.items():
        if not isinstance(report.get(key), kind):
            yield f"no {key}"
            return
    for key, names in _NUMBERS.items():
        for name in names:
            if not _is_number(report[key].get(name)):
                yield f"no {key}.{name}"
    for key, names, rows in (
        ("regions", _REGION, report["regions"].values()),
        ("landmarks", _LANDMARK, report["landmarks"].values()),
        ("levels", _LEVEL, report["levels"]),
        ("inputs", ("role", "file", "sha256"), report["inputs"]),
    ):
        for row in rows:
            missing = next((n for n in names if not isinstance(row, dict) or n not in row), None)
            if missing is not None:
                yield f"no {key}.{missing}"
    frame = report["checks"].get("frame")
    if not (
        isinstance(frame, list)
        and len(frame) == 4
        and all(isinstance(r, list) and len(r) == 4 and all(_is_number(x) for x in r) for r in frame)
    ):
        yield "no checks.frame"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


# -- side by side -----------------------------------------------------------------------------------


def side_by_side(before: Facts, after: Facts) -> Facts:
    """Where two reports differ, key by key; what is the same in both is left out of regions and landmarks."""
    return {
        "status": [before["status"], after["status"]],
        "rulebook": [_book(before), _book(after)],
        "volume": {
            "before_ml": before["volume"]["after_ml"],
            "after_ml": after["volume"]["after_ml"],
            "before_change_percent": before["volume"]["change_percent"],
            "after_change_percent": after["volume"]["change_percent"],
            "before_plane_level_mm": before["volume"]["plane_level_mm"],
            "after_plane_level_mm": after["volume"]["plane_level_mm"],
        },
        "regions": _regions(before["regions"], after["regions"]),
        "alike": [
            name
            for name, row in before["regions"].items()
            if name in after["regions"] and not _differs(row, after["regions"][name])
        ],
        "levels": _levels(before["levels"], after["levels"]),
        "landmarks": _landmarks(before["landmarks"], after["landmarks"]),
        "tuned": [_words(entry) for entry in after["tune"] if entry not in before["tune"]],
        "untuned": [_words(entry) for entry in before["tune"] if entry not in after["tune"]],
    }


def _book(report: Facts) -> str:
    book = report["rulebook"]
    return f"{book.get('key', '?')}, revision {book.get('revision', '?')}"


def _signed(row: Facts | None, key: str) -> float | None:
    if row is None or row[key] is None:
        return None
    return -float(row[key]) if row["action"] == "reduce" else float(row[key])


_SHOWN_MM, _SHOWN_MM2 = 0.005, 1.0  # below what is shown


def _differs(one: Facts, two: Facts) -> bool:
    if one["action"] != two["action"]:
        return True
    keys = ("asked_mm", "achieved_mm", "peak_mm")
    gaps = [abs((one[k] or 0.0) - (two[k] or 0.0)) for k in keys]
    return bool(max(gaps) >= _SHOWN_MM or abs(one["area_mm2"] - two["area_mm2"]) > _SHOWN_MM2)


def _regions(before: Facts, after: Facts) -> Facts:
    out = {}
    for name in dict.fromkeys((*before, *after)):
        one, two = before.get(name), after.get(name)
        if one is not None and two is not None and not _differs(one, two):
            continue
        row = {}
        for word, key in (("asked", "asked_mm"), ("achieved", "achieved_mm"), ("peak", "peak_mm")):
            row[f"before_{word}_mm"], row[f"after_{word}_mm"] = _signed(one, key), _signed(two, key)
        row["change_mm"] = (row["after_asked_mm"] or 0.0) - (row["before_asked_mm"] or 0.0)
        for key in ("area_mm2", "volume_ml"):
            row[f"before_{key}"] = None if one is None else one[key]
            row[f"after_{key}"] = None if two is None else two[key]
        out[name] = row
    return out


def _levels(before: list[Facts], after: list[Facts]) -> list[Facts]:
    """The rectified model's measures at the levels that both reports have."""
    second = {round(row["level_mm"], 3): row for row in after}
    out = []
    for row in before:
        other = second.get(round(row["level_mm"], 3))
        if other is None:
            continue
        found = {"level_mm": row["level_mm"]}
        for name in ("circumference", "ap", "ml"):
            found[f"{name}_before_mm"], found[f"{name}_after_mm"] = row[f"{name}_after_mm"], other[f"{name}_after_mm"]
        out.append(found)
    return out


def _landmarks(before: Facts, after: Facts) -> Facts:
    """Landmarks that lie elsewhere on the limb, are known in another way, or are in one report only."""
    out = {}
    for name in dict.fromkeys((*before, *after)):
        one, two = before.get(name), after.get(name)
        both = one is not None and two is not None and one["level_mm"] is not None and two["level_mm"] is not None
        down = two["level_mm"] - one["level_mm"] if both and one and two else None
        turned = None
        if both and one and two and one["angle_deg"] is not None and two["angle_deg"] is not None:
            turned = (two["angle_deg"] - one["angle_deg"] + 180.0) % 360.0 - 180.0
        same = one is not None and two is not None and one["source"] == two["source"]
        if same and (down is None or abs(down) < 0.05) and (turned is None or abs(turned) < 0.05):
            continue
        out[name] = {
            "before": None if one is None else str(one["source"]),
            "after": None if two is None else str(two["source"]),
            "distal_mm": down,
            "turned_deg": turned,
        }
    return out


def _words(entry: object) -> str:
    """A tuning as it was written, in a line."""
    if not isinstance(entry, dict):
        return str(entry)[:200]
    head = ", ".join(str(entry[key]) for key in ("by", "on") if key in entry)
    what = "; ".join(
        f"{key} {_plain(value)}"
        for key, value in entry.items()
        if key not in ("by", "on", "why", "after", "beyond-allow")
    )
    why = f" ({entry['why']})" if "why" in entry else ""
    return f"{head}: {what}{why}"


def _plain(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {_plain(inner)}" for key, inner in value.items())
    return ", ".join(map(_plain, value)) if isinstance(value, list) else str(value)
