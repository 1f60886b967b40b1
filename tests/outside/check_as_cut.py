#!/usr/bin/env python3
"""Holds the proof's as-cut foil against GEOS (shapely) and a raster, on the same moves.

usage: check_as_cut.py FOLDER      (files written by `cargo test slow_export_... -- --ignored`)

For every job: the swept area is GEOS's buffer of the ways with half a kerf. At places along the drawn
edges the as-cut edge (its boundary) must lie where the proof has it, to within 0.05 um. Pieces of foil
that come free are counted in the difference of sheet and sweep, and on a raster of 1 um where the sheet
is small enough, and held against the proof's count.
"""

import json
import sys
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry import LineString, box

LIMIT_UM = 0.05
# Arcs of the buffer as 64 chords a quarter: r (1 - cos(pi / 256)) < 0.001 um for r = 10 um.
QUADRANT = 64
# The proof counts slugs larger than the beam; beside that size scan lines and pixels may differ.
NEAR_BEAM = (0.7, 1.5)
# Metal thinner than this between two cuts is no piece.
SLIVER_UM = 0.5
LARGEST_RASTER = 16_000_000


def pieces(foil, sheet):
    """Areas of the pieces of foil that do not touch the sheet's edge."""
    parts = foil.geoms if foil.geom_type == "MultiPolygon" else [foil]
    edge = sheet.exterior
    free = [p for p in parts if p.area > 0 and p.distance(edge) > 1e-6]
    return [p.area for p in free if not p.buffer(-SLIVER_UM / 2).is_empty]


def raster_pieces(ways, sheet_um, radius):
    """Areas of the pieces on a raster of 1 um: cells whose centre the beam did not sweep, joined by sides."""
    x0, y0, x1, y1 = sheet_um
    w, h = int(round(x1 - x0)), int(round(y1 - y0))
    if w * h > LARGEST_RASTER:
        return None
    foil = np.ones((h, w), dtype=bool)
    for way in ways:
        for (ax, ay), (bx, by) in zip(way[:-1], way[1:]):
            lo_x, hi_x = int(min(ax, bx) - x0 - radius) - 1, int(max(ax, bx) - x0 + radius) + 2
            lo_y, hi_y = int(min(ay, by) - y0 - radius) - 1, int(max(ay, by) - y0 + radius) + 2
            lo_x, lo_y, hi_x, hi_y = max(lo_x, 0), max(lo_y, 0), min(hi_x, w), min(hi_y, h)
            if lo_x >= hi_x or lo_y >= hi_y:
                continue
            px = np.arange(lo_x, hi_x)[None, :] + 0.5 + x0
            py = np.arange(lo_y, hi_y)[:, None] + 0.5 + y0
            dx, dy = bx - ax, by - ay
            l2 = dx * dx + dy * dy
            t = np.clip(((px - ax) * dx + (py - ay) * dy) / l2, 0, 1) if l2 > 0 else 0.0
            d2 = (px - ax - t * dx) ** 2 + (py - ay - t * dy) ** 2
            foil[lo_y:hi_y, lo_x:hi_x] &= d2 > radius * radius
    return flood(foil)


def flood(foil):
    """Sizes of the components that touch no border; runs of each row joined with those of the row before."""
    parent, size, border = [], [], []

    def root(i):
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    before = []
    h, w = foil.shape
    for y in range(h):
        row = np.concatenate(([False], foil[y], [False]))
        turns = np.flatnonzero(row[1:] != row[:-1])
        now, k = [], 0
        for a, b in zip(turns[::2].tolist(), turns[1::2].tolist()):
            label = None
            while k < len(before) and before[k][1] <= a:
                k += 1
            m = k
            while m < len(before) and before[m][0] < b:
                r = root(before[m][2])
                if label is None:
                    label = r
                elif r != label:
                    parent[r] = label
                    size[label] += size[r]
                    border[label] |= border[r]
                m += 1
            if label is None:
                label = len(parent)
                parent.append(label)
                size.append(0)
                border.append(False)
            size[label] += b - a
            border[label] |= a == 0 or b == w or y == 0 or y == h - 1
            now.append((a, b, label))
        before = [(a, b, root(c)) for a, b, c in now]
    return [size[i] for i in range(len(parent)) if parent[i] == i and not border[i]]


def check(job):
    radius = job["kerf_um"] / 2
    um = lambda ring: [(x * 1e3, y * 1e3) for x, y in ring]
    ways = [um(way) for way in job["ways_mm"] if len(way) > 1]
    sheet_um = [v * 1e3 for v in job["sheet_mm"]]
    sheet = box(*sheet_um)
    lines = [LineString(way) for way in ways]
    # Buffered one by one and then joined: GEOS may simplify a long line before it buffers it.
    swept = shapely.union_all(shapely.buffer(lines, radius, quad_segs=QUADRANT))
    edge = swept.boundary
    shapely.prepare(edge)
    places = np.array(job["places"])
    points = shapely.points(places[:, 0] * 1e3, places[:, 1] * 1e3)
    apart = shapely.distance(points, edge)
    inside = shapely.contains_properly(swept, points)
    geos = np.where(inside, -apart, apart)
    proof = places[:, 2] - radius
    # Metal thinner than the edge error (the tip of a cusp, a neck between two single lines) lies under two cuts
    # at once: the edge there is where neither reaches, further off than either tells. Such places are counted.
    twice = inside & (proof < 0) & (apart > -proof + LIMIT_UM)
    differ = np.where(twice, 0.0, np.abs(geos - proof))
    counted = job["slugs"] + job["loose"]
    exact = [a for a in pieces(sheet.difference(swept), sheet)]
    cells = raster_pieces(ways, sheet_um, radius)
    problems = []
    if differ.max(initial=0) > LIMIT_UM:
        worst = int(differ.argmax())
        problems.append(f"edge {differ[worst]:.3f} um apart at {places[worst, :2]} mm")
    for name, areas in (("GEOS", exact), ("raster", cells)):
        if areas is None:
            continue
        beam = np.pi * radius * radius
        most, large = (sum(a > f * beam for a in areas) for f in NEAR_BEAM)
        if not large <= counted <= most:
            problems.append(f"{counted} pieces come free; {name} has {large} to {most}")
    return differ.max(initial=0), len(places), cells is not None, int(twice.sum()), problems


def main():
    files = sorted(Path(sys.argv[1]).glob("*.json"))
    if not files:
        sys.exit(f"no jobs in {sys.argv[1]}")
    worst, places, rasters, under, bad = 0.0, 0, 0, 0, 0
    for file in files:
        job = json.loads(file.read_text())
        if not job["places"]:
            continue
        apart, n, raster, twice, problems = check(job)
        worst, places, rasters, under = max(worst, apart), places + n, rasters + raster, under + twice
        for problem in problems:
            bad += 1
            print(f"{job['name']}: {problem}")
    print(
        f"{len(files)} jobs, {places} places: as-cut edges at most {worst:.4f} um from GEOS {shapely.geos_version_string}; "
        f"{under} places under two cuts at once; {rasters} jobs on a raster; {bad} problems"
    )
    # More than a few such places would be something else.
    sys.exit(bad > 0 or under > places / 1000)


if __name__ == "__main__":
    main()
