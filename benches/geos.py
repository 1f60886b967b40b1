"""GEOS (through shapely) on the inputs of benches/geometry.rs: best of three, one thread, milliseconds.

    python3 benches/geos.py
"""

import math
import time

import numpy as np
import shapely

HALF_KERF_NM = 2500.0
# Chords of a quarter turn that stay within 10 nm of a circle of 2.5 um with their vertices on it.
QUADRANT_SEGMENTS = 9


def w1():
    out = []
    for i in range(200):
        for j in range(200):
            c = (i * 150e3, j * 100e3)
            v = []
            for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
                for m in range(8):
                    a = (k + m / 7) * math.pi / 2
                    v.append((round(c[0] + sx * 40e3 + 10e3 * math.cos(a)),
                              round(c[1] + sy * 20e3 + 10e3 * math.sin(a))))
            out.append(shapely.Polygon(v))
    return out


def w2(vertices):
    per_arc, pitch, v = 12, 40e3, []
    teeth = vertices // (2 * per_arc)
    for k in range(teeth):
        x = k * pitch
        for j in range(per_arc):
            a = math.pi - math.pi * j / (per_arc - 1)
            v.append((round(x + 10e3 + 10e3 * math.cos(a)), round(1e6 + 10e3 * math.sin(a))))
        if k + 1 == teeth:
            break
        for j in range(per_arc):
            a = math.pi + math.pi * j / (per_arc - 1)
            v.append((round(x + 30e3 + 10e3 * math.cos(a)), round(1e5 + 10e3 * math.sin(a))))
    v += [(teeth * pitch - 20e3, -1e5), (0, -1e5)]
    return [shapely.Polygon(v)]


def w3():
    mask, state, out = (1 << 64) - 1, 1, []

    def unit():
        nonlocal state
        state = (state + 0x9E3779B97F4A7C15) & mask
        z = state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
        return ((z ^ (z >> 31)) >> 11) / (1 << 53)

    for _ in range(20_000):
        x, y, r = unit() * 2e7, unit() * 2e7, 2e4 + unit() * 6e4
        angles = [k / 40 * 2 * math.pi for k in range(40)]
        out.append(shapely.Polygon(
            [(round(x + r * math.cos(a)), round(y + r * math.sin(a))) for a in angles]))
    return out


def w5():
    out = []
    for i in range(70):
        for j in range(70):
            c = (i * 250e3, j * 250e3)
            outer = []
            for k in range(60):
                a = k / 60 * 2 * math.pi
                r = 80e3 + 20e3 * math.cos((3 + (i + j) % 4) * a)
                outer.append((round(c[0] + r * math.cos(a)), round(c[1] + r * math.sin(a))))
            holes = [[(round(c[0] + s * 25e3 + 15e3 * math.cos(-k / 20 * 2 * math.pi)),
                       round(c[1] + 15e3 * math.sin(-k / 20 * 2 * math.pi))) for k in range(20)]
                     for s in (-1, 1)]
            out.append(shapely.Polygon(outer, holes))
    return out


def best(work):
    times = []
    for _ in range(3):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return 1e3 * min(times)


def main():
    print("GEOS", shapely.geos_version_string)
    circles = w3()
    print(f"union W3: {best(lambda: shapely.union_all(circles)):.0f} ms")
    union = shapely.union_all(circles)
    inputs = [("W1", w1()), ("W2", w2(500_000)), ("W3", list(shapely.get_parts(union))), ("W5", w5())]
    for name, shapes in inputs:
        array = np.array(shapes, dtype=object)
        valid = int(shapely.is_valid(array).sum())
        ms = best(lambda: shapely.buffer(array, -HALF_KERF_NM, quad_segs=QUADRANT_SEGMENTS))
        print(f"inset {name}: {ms:.0f} ms; {len(shapes)} shapes, {valid} valid, "
              f"{int(shapely.get_num_coordinates(array).sum())} vertices")


if __name__ == "__main__":
    main()
