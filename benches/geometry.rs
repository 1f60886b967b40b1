//! Geometry at scale, one thread unless said: our inset and normalising against i_overlay's outline and
//! cavalier_contours in the same run. Names: stage / engine / input and its vertices.
//!
//! W1: 40,000 rounded rectangles of 32 vertices; W2: one comb of 500 k vertices; W3: 20,000 overlapping
//! circles, their union; W5: glyph-like shapes with holes, 490 k vertices. Half kerf 2.5 um, tolerance 10 nm.
//! `benches/geos.py` times GEOS on the same inputs.

use cavalier_contours::polyline::{PlineSource, PlineSourceMut, Polyline};
use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use foilwright::artwork::flatten;
use foilwright::regions::{FillRule, Point, Regions, difference, inset, intersection, normalise};
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::angle::Angle;
use i_overlay::mesh::int::arc::ArcOptions;
use i_overlay::mesh::int::outline::offset::IntOutlineOffset;
use i_overlay::mesh::int::style::{IntLineJoin, IntOutlineStyle};
use std::f64::consts::PI;
use std::hint::black_box;
use std::time::Duration;

const HALF_KERF_NM: f64 = 2_500.0;
const TOLERANCE_NM: f64 = 10.0;

fn at(x: f64, y: f64) -> Point {
    Point::new(x.round() as i32, y.round() as i32)
}

/// A rectangle with corners of `radius`, `per_corner` vertices each.
fn rounded(c: (f64, f64), half: (f64, f64), radius: f64, per_corner: usize) -> Vec<Point> {
    let mut v = Vec::new();
    for (k, (sx, sy)) in [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)]
        .iter()
        .enumerate()
    {
        for j in 0..per_corner {
            let a = (k as f64 + j as f64 / (per_corner - 1) as f64) * PI / 2.0;
            v.push(at(
                c.0 + sx * (half.0 - radius) + radius * a.cos(),
                c.1 + sy * (half.1 - radius) + radius * a.sin(),
            ));
        }
    }
    v
}

fn w1() -> Vec<Vec<Point>> {
    let mut rings = Vec::new();
    for i in 0..200 {
        for j in 0..200 {
            let c = (f64::from(i) * 150_000.0, f64::from(j) * 100_000.0);
            rings.push(rounded(c, (50_000.0, 30_000.0), 10_000.0, 8));
        }
    }
    rings
}

/// Teeth with rounded ends on one back: an outline of about `vertices`.
fn w2(vertices: usize) -> Vec<Vec<Point>> {
    let per_arc = 12;
    let teeth = vertices / (2 * per_arc);
    let pitch = 40_000.0;
    let mut v = Vec::new();
    for k in 0..teeth {
        let x = k as f64 * pitch;
        for j in 0..per_arc {
            let a = PI - PI * j as f64 / (per_arc - 1) as f64;
            v.push(at(
                x + 10_000.0 + 10_000.0 * a.cos(),
                1e6 + 10_000.0 * a.sin(),
            ));
        }
        if k + 1 == teeth {
            break;
        }
        for j in 0..per_arc {
            let a = PI + PI * j as f64 / (per_arc - 1) as f64;
            v.push(at(
                x + 30_000.0 + 10_000.0 * a.cos(),
                1e5 + 10_000.0 * a.sin(),
            ));
        }
    }
    v.push(at(teeth as f64 * pitch - 20_000.0, -1e5));
    v.push(at(0.0, -1e5));
    vec![v]
}

/// The same comb with one corner so sharp that edges vanish beside it.
fn w2_notched(vertices: usize) -> Vec<Vec<Point>> {
    let mut rings = w2(vertices);
    if let Some(corner) = rings[0].iter_mut().rev().nth(1) {
        corner.x += 10_000;
    }
    rings
}

fn w3() -> Vec<Vec<Point>> {
    let mut state = 1u64;
    let mut unit = move || {
        // Weyl sequence through a 64-bit mixer (SplitMix64).
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..20_000)
        .map(|_| {
            let (x, y, r) = (unit() * 2e7, unit() * 2e7, 2e4 + unit() * 6e4);
            (0..40)
                .map(|k| {
                    let a = f64::from(k) / 40.0 * 2.0 * PI;
                    at(x + r * a.cos(), y + r * a.sin())
                })
                .collect()
        })
        .collect()
}

/// Rounded wavy outlines with one or two round holes.
fn w5() -> Vec<Vec<Point>> {
    let mut rings = Vec::new();
    for i in 0..70 {
        for j in 0..70 {
            let c = (f64::from(i) * 250_000.0, f64::from(j) * 250_000.0);
            rings.push(
                (0..60)
                    .map(|k| {
                        let a = f64::from(k) / 60.0 * 2.0 * PI;
                        let r = 80_000.0 + 20_000.0 * (f64::from(3 + (i + j) % 4) * a).cos();
                        at(c.0 + r * a.cos(), c.1 + r * a.sin())
                    })
                    .collect(),
            );
            for hole in [-1.0, 1.0] {
                rings.push(
                    (0..20)
                        .map(|k| {
                            let a = -f64::from(k) / 20.0 * 2.0 * PI;
                            at(
                                c.0 + hole * 25_000.0 + 15_000.0 * a.cos(),
                                c.1 + 15_000.0 * a.sin(),
                            )
                        })
                        .collect(),
                );
            }
        }
    }
    rings
}

fn bare(a: &Regions, b: &Regions, rule: OverlayRule) -> usize {
    Overlay::<i32>::from_subj_and_clip(a, b)
        .overlay(rule, FillRule::NonZero)
        .len()
}

/// Booleans against the bare engine on the same regions: 200 bars across W1, two combs a little apart.
fn booleans(c: &mut Criterion) {
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("one thread");
    let openings = normalise(&w1(), FillRule::EvenOdd);
    let bars: Vec<Vec<Point>> = (0..200)
        .map(|j| {
            let y = f64::from(j) * 100_000.0;
            vec![
                at(-1e6, y - 5e3),
                at(31e6, y - 5e3),
                at(31e6, y + 5e3),
                at(-1e6, y + 5e3),
            ]
        })
        .collect();
    let few: Vec<Vec<Point>> = bars.iter().step_by(50).cloned().collect();
    let comb = normalise(&w2(500_000), FillRule::EvenOdd);
    let moved: Vec<Vec<Point>> = w2(500_000)
        .into_iter()
        .map(|r| {
            r.iter()
                .map(|p| Point::new(p.x + 7_000, p.y + 300_000))
                .collect()
        })
        .collect();
    let moved = normalise(&moved, FillRule::EvenOdd);
    let cases = [
        (
            "W1_minus_200_bars",
            &openings,
            normalise(&bars, FillRule::NonZero),
            OverlayRule::Difference,
        ),
        (
            "W1_minus_4_bars",
            &openings,
            normalise(&few, FillRule::NonZero),
            OverlayRule::Difference,
        ),
        ("comb_and_comb", &comb, moved, OverlayRule::Intersect),
    ];
    let mut g = c.benchmark_group("boolean");
    g.sample_size(10)
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(2));
    for (name, a, b, rule) in &cases {
        g.bench_function(BenchmarkId::new("ours", name), |bench| {
            bench.iter(|| {
                one.install(|| match rule {
                    OverlayRule::Intersect => black_box(intersection(a, b)).len(),
                    _ => black_box(difference(a, b)).len(),
                })
            });
        });
        g.bench_function(BenchmarkId::new("i_overlay", name), |bench| {
            bench.iter(|| black_box(bare(a, b, *rule)));
        });
    }
    g.finish();
}

fn one_pass(rings: &[Vec<Point>], rule: FillRule) -> usize {
    let mut overlay = Overlay::<i32>::new(rings.iter().map(Vec::len).sum());
    for ring in rings {
        overlay.add_contour(ring, ShapeType::Subject);
    }
    overlay.overlay(OverlayRule::Subject, rule).len()
}

fn geometry(c: &mut Criterion) {
    let pool = |n| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .expect("threads")
    };
    let (one, two) = (pool(1), pool(2));
    let inputs = [
        ("W1", w1()),
        ("W2", w2(500_000)),
        ("W2_notched", w2_notched(500_000)),
        ("W3", w3()),
        ("W5", w5()),
    ];
    for (name, rings) in &inputs {
        let rule = if *name == "W3" {
            FillRule::NonZero
        } else {
            FillRule::EvenOdd
        };
        let regions = normalise(rings, rule);
        let label = format!("{name}_{}", regions.vertex_count());
        let mut g = c.benchmark_group("inset");
        g.sample_size(10)
            .warm_up_time(Duration::from_millis(300))
            .measurement_time(Duration::from_secs(2));
        g.bench_function(BenchmarkId::new("ours", &label), |b| {
            b.iter(|| one.install(|| black_box(inset(&regions, HALF_KERF_NM, TOLERANCE_NM)).len()));
        });
        g.bench_function(BenchmarkId::new("ours_two_threads", &label), |b| {
            b.iter(|| two.install(|| black_box(inset(&regions, HALF_KERF_NM, TOLERANCE_NM)).len()));
        });
        g.bench_function(BenchmarkId::new("copy_of_the_input", &label), |b| {
            b.iter(|| black_box(regions.clone()).len());
        });
        let step = 2.0 * (1.0 - TOLERANCE_NM / HALF_KERF_NM).acos();
        // A whole turn is 2^32 units of its integer angle.
        let join = IntLineJoin::Round(ArcOptions {
            max_step: Angle::from_bits((step / (2.0 * PI) * 4_294_967_296.0) as u32),
            ..ArcOptions::default()
        });
        let nested: Vec<_> = regions.shapes().map(|s| s.to_regions()).collect();
        g.bench_function(BenchmarkId::new("i_overlay_per_shape", &label), |b| {
            let style = IntOutlineStyle::new(-HALF_KERF_NM as i32).line_join(join);
            b.iter(|| {
                nested
                    .iter()
                    .map(|s| s.outline(&style).map_or(0, |o| o.len()))
                    .sum::<usize>()
            });
        });
        // Rings offset on their own: what crosses between the rings of a shape is not resolved.
        let lines: Vec<Polyline<f64>> = regions
            .rings()
            .map(|r| {
                let mut line = Polyline::new_closed();
                for p in r {
                    line.add(f64::from(p.x) / 1e3, f64::from(p.y) / 1e3, 0.0);
                }
                line
            })
            .collect();
        g.bench_function(
            BenchmarkId::new("cavalier_contours_per_ring", &label),
            |b| {
                b.iter(|| {
                    lines
                        .iter()
                        .map(|l| l.parallel_offset(HALF_KERF_NM / 1e3).len())
                        .sum::<usize>()
                });
            },
        );
        g.finish();
        let mut g = c.benchmark_group("normalise");
        g.sample_size(10)
            .warm_up_time(Duration::from_millis(300))
            .measurement_time(Duration::from_secs(2));
        g.bench_function(BenchmarkId::new("ours", &label), |b| {
            b.iter(|| one.install(|| black_box(normalise(rings, rule)).len()));
        });
        g.bench_function(BenchmarkId::new("i_overlay_one_pass", &label), |b| {
            b.iter(|| black_box(one_pass(rings, rule)));
        });
        g.finish();
    }
}

/// Flattened by ours, kurbo and lyon_geom: 1,000 random cubics in a unit square, quarters of circles of 0.02 to 1 as
/// drawing programs write them, and gentle bends.
fn flattening(c: &mut Criterion) {
    let mut state = 7u64;
    let mut unit = move || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    };
    let cubics: Vec<[[f64; 2]; 4]> = (0..1000)
        .map(|_| std::array::from_fn(|_| [unit(), unit()]))
        .collect();
    let mut moved = |shape: [[f64; 2]; 4], size: f64| {
        let (sin, cos) = (unit() * 2.0 * PI).sin_cos();
        shape.map(|[x, y]| [size * (x * cos - y * sin), size * (x * sin + y * cos)])
    };
    let spread = |i: u32| f64::from(i % 997) / 996.0;
    let k = 0.552_284_75;
    let arcs = (0..1000)
        .map(|i| {
            moved(
                [[1.0, 0.0], [1.0, k], [k, 1.0], [0.0, 1.0]],
                0.02f64.powf(spread(i)),
            )
        })
        .collect();
    let bends = (0..1000)
        .map(|i| {
            let (h, s) = (0.02 + 0.2 * spread(i), spread(i * 31));
            moved(
                [
                    [0.0, 0.0],
                    [0.3, h],
                    [0.55 + 0.2 * s, h * (0.5 + s)],
                    [1.0, 0.0],
                ],
                0.1 + 0.9 * spread(i * 7),
            )
        })
        .collect();
    for (name, curves) in [("cubics", cubics), ("arcs", arcs), ("bends", bends)] {
        for tolerance in [1e-2, 1e-3, 1e-4, 1e-5] {
            flatten_all(c, name, &curves, tolerance);
        }
    }
}

fn flatten_all(c: &mut Criterion, name: &str, curves: &[[[f64; 2]; 4]], tolerance: f64) {
    let mut g = c.benchmark_group("flatten");
    g.sample_size(10)
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(2));
    let label = format!("1000_{name}_{tolerance:e}");
    g.bench_function(BenchmarkId::new("ours", &label), |b| {
        let mut out = Vec::new();
        b.iter(|| {
            out.clear();
            for p in curves {
                flatten::cubic(*p, tolerance, &mut out);
            }
            out.len()
        });
    });
    g.bench_function(BenchmarkId::new("kurbo", &label), |b| {
        let mut out = Vec::new();
        let at = |p: [f64; 2]| kurbo::Point::new(p[0], p[1]);
        b.iter(|| {
            out.clear();
            for p in curves {
                let path = [
                    kurbo::PathEl::MoveTo(at(p[0])),
                    kurbo::PathEl::CurveTo(at(p[1]), at(p[2]), at(p[3])),
                ];
                kurbo::flatten(path, tolerance, |el| {
                    if let kurbo::PathEl::LineTo(q) = el {
                        out.push([q.x, q.y]);
                    }
                });
            }
            out.len()
        });
    });
    g.bench_function(BenchmarkId::new("lyon_geom", &label), |b| {
        let mut out = Vec::new();
        let at = |p: [f64; 2]| lyon_geom::point(p[0], p[1]);
        b.iter(|| {
            out.clear();
            for p in curves {
                let curve = lyon_geom::CubicBezierSegment {
                    from: at(p[0]),
                    ctrl1: at(p[1]),
                    ctrl2: at(p[2]),
                    to: at(p[3]),
                };
                curve.for_each_flattened(tolerance, &mut |line| {
                    out.push([line.to.x, line.to.y]);
                });
            }
            out.len()
        });
    });
    g.finish();
}

criterion_group!(benches, geometry, booleans, flattening);
criterion_main!(benches);
