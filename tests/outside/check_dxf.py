#!/usr/bin/env python3
"""Reads the DXF files of a folder with ezdxf and holds them against the plans beside them.

usage: check_dxf.py FOLDER

Every NAME.dxf needs a NAME.plan.json: number of entities, layers by kind and pass, no polyline closed
(run-in and run-out keep the ends apart), coordinates within 1e-6 mm, and no complaint of ezdxf's audit.
"""

import json
import sys
from pathlib import Path

import ezdxf
from ezdxf import recover

LIMIT_MM = 1e-6
MARKS = "SHEET_MARKS_NOT_CUT"


def part(points, start, end):
    """The stretch of a polyline between two lengths along it."""
    out, at = [], 0.0
    for (ax, ay), (bx, by) in zip(points[:-1], points[1:]):
        length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
        a, b = at, at + length
        at = b
        if b <= start or a >= end or length == 0:
            continue
        place = lambda s: (ax + (bx - ax) * s, ay + (by - ay) * s)
        if not out:
            out.append(place(max(0.0, (start - a) / length)))
        p = place(min(1.0, (end - a) / length))
        if p != out[-1]:
            out.append(p)
    return out


def check(file):
    plan = json.loads(file.with_suffix(".plan.json").read_text())
    doc, audit = recover.readfile(file)
    assert not audit.has_errors, [e.message for e in audit.errors]
    assert not audit.has_fixes, [e.message for e in audit.fixes]
    assert doc.dxfversion == "AC1009", doc.dxfversion
    space = list(doc.modelspace())
    assert all(e.dxftype() == "POLYLINE" for e in space), {e.dxftype() for e in space}
    cuts = [e for e in space if e.dxf.layer != MARKS]
    steps = [s for s in plan["steps"] if s["do"] == "cut"]
    assert len(space) - len(cuts) == 4, "corner marks"
    assert len(cuts) == len(steps), (len(cuts), len(steps))
    named = {layer.dxf.name for layer in doc.layers}
    s = plan["settings"]
    worst = 0.0
    for entity, step in zip(cuts, steps):
        path = plan["paths"][step["path"]]
        layer = f"{path['kind'].upper()}_PASS{step['pass']}"
        assert entity.dxf.layer == layer and layer in named, (entity.dxf.layer, layer)
        assert not entity.is_closed, layer
        found = [(v.dxf.location.x, v.dxf.location.y) for v in entity.vertices]
        wanted = part(path["points"], step["from_mm"], step["to_mm"])
        wanted = [(x / s["scale_x"], y / s["scale_y"]) for x, y in wanted]
        assert len(found) == len(wanted), (len(found), len(wanted))
        for (x, y), (u, v) in zip(found, wanted):
            worst = max(worst, abs(x - u), abs(y - v))
    assert worst <= LIMIT_MM, worst
    return len(cuts), worst


def main():
    files = sorted(Path(sys.argv[1]).glob("*.dxf"))
    if not files:
        sys.exit(f"no DXF files in {sys.argv[1]}")
    total, worst = 0, 0.0
    for file in files:
        cuts, apart = check(file)
        total, worst = total + cuts, max(worst, apart)
    print(f"{len(files)} files, {total} cuts: coordinates within {worst:.1e} mm, read by ezdxf {ezdxf.__version__}")


if __name__ == "__main__":
    main()
