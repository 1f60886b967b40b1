//! Regions: inset, outset and normalising against closed forms, a robust engine and each other.

use cavalier_contours::polyline::{PlineSource, PlineSourceMut, Polyline};
use foilwright::regions::{
    FillRule, Point, Regions, difference, inset, inset_with_origin, intersection, normalise,
    outset, union_all,
};
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;
use proptest::prelude::*;
use std::f64::consts::PI;

const TOLERANCE_NM: f64 = 10.0;

fn p(x: i32, y: i32) -> Point {
    Point::new(x, y)
}

fn ring(points: &[(i32, i32)]) -> Vec<Point> {
    points.iter().map(|&(x, y)| p(x, y)).collect()
}

fn region(rings: &[Vec<Point>]) -> Regions {
    normalise(rings, FillRule::EvenOdd)
}

fn um2(r: &Regions) -> f64 {
    r.area_nm2() / 1e6
}

/// Vertices of an arc, both ends included, on the circle.
fn arc(c: (f64, f64), r: f64, from: f64, to: f64, n: usize) -> Vec<Point> {
    (0..=n)
        .map(|k| {
            let a = from + (to - from) * k as f64 / n as f64;
            p(
                (c.0 + r * a.cos()).round() as i32,
                (c.1 + r * a.sin()).round() as i32,
            )
        })
        .collect()
}

fn circle(c: (f64, f64), r: f64, n: usize) -> Vec<Point> {
    let mut v = arc(c, r, 0.0, 2.0 * PI, n);
    v.pop();
    v
}

fn near(got: f64, want: f64, within: f64, what: &str) {
    assert!(
        (got - want).abs() <= within,
        "{what}: {got} is not {want} within {within}"
    );
}

// Closed forms: plane geometry of circles and squares.

#[test]
fn circle_and_square() {
    let c = region(&[circle((1e5, -2e5), 50_000.0, 400)]);
    let i = inset(&c, 2_500.0, TOLERANCE_NM);
    // Regular polygon of 400 corners with its apothem less the offset: n a^2 tan(pi/n).
    let apothem = 50.0 * (PI / 400.0).cos() - 2.5;
    near(
        um2(&i),
        400.0 * apothem * apothem * (PI / 400.0).tan(),
        0.5,
        "circle",
    );
    let s = region(&[ring(&[(0, 0), (40_000, 0), (40_000, 40_000), (0, 40_000)])]);
    assert_eq!(um2(&inset(&s, 2_500.0, TOLERANCE_NM)), 35.0 * 35.0);
    assert!(inset(&s, 20_000.0, TOLERANCE_NM).is_empty());
    assert!(inset(&s, 30_000.0, TOLERANCE_NM).is_empty());
    assert_eq!(inset(&s, 0.0, TOLERANCE_NM).area_nm2(), s.area_nm2());
}

#[test]
fn ring_of_two_circles_keeps_its_hole() {
    let r = region(&[
        circle((0.0, 0.0), 50_000.0, 720),
        circle((0.0, 0.0), 20_000.0, 720),
    ]);
    let i = inset(&r, 2_500.0, TOLERANCE_NM);
    assert_eq!((i.len(), i.ring_count()), (1, 2));
    near(
        um2(&i),
        PI * (47.5f64.powi(2) - 22.5f64.powi(2)),
        2.0,
        "ring",
    );
    assert!(inset(&r, 15_100.0, TOLERANCE_NM).is_empty());
}

/// Reuleaux triangle of width w: boundary pi w, area (pi - sqrt 3) w^2 / 2 (elementary geometry). Its
/// corners are convex, so the inset is where three discs of radius w - r meet.
#[test]
fn reuleaux_triangle() {
    let (w, r) = (60_000.0, 4_000.0);
    let h = w * 3f64.sqrt() / 2.0;
    let corners = [(0.0, 0.0), (w, 0.0), (w / 2.0, h)];
    let mut v = Vec::new();
    for (k, a0) in [(2usize, 4.0 * PI / 3.0), (0, 0.0), (1, 2.0 * PI / 3.0)] {
        let mut a = arc(corners[k], w, a0, a0 + PI / 3.0, 300);
        a.pop();
        v.extend(a);
    }
    let t = region(&[v]);
    near(um2(&t), (PI - 3f64.sqrt()) * 0.5 * 3600.0, 1.0, "drawn");
    // Three equal discs about the corners of a triangle of side w: triangle plus three segments, here
    // by integration of the overlap of two half planes is avoided; the area follows from the corner
    // points of the inset, at distance R = w - r from two centres.
    let big = w - r;
    let up = (big * big - w * w / 4.0).sqrt();
    // Centroid to an inset corner, and the chord between two such corners.
    let reach = up - h / 3.0;
    let chord = reach * 3f64.sqrt();
    let half = (chord / (2.0 * big)).asin();
    let want =
        chord * chord * 3f64.sqrt() / 4.0 + 3.0 * big * big * (half - half.sin() * half.cos());
    near(um2(&inset(&t, r, TOLERANCE_NM)), want / 1e6, 1.0, "inset");
}

#[test]
fn dumbbell_splits_when_its_neck_is_narrower_than_the_beam() {
    let dumbbell = |neck: i32| {
        let (a, b) = (20_000 - neck / 2, 20_000 + neck - neck / 2);
        region(&[ring(&[
            (0, 0),
            (40_000, 0),
            (40_000, a),
            (80_000, a),
            (80_000, 0),
            (120_000, 0),
            (120_000, 40_000),
            (80_000, 40_000),
            (80_000, b),
            (40_000, b),
            (40_000, 40_000),
            (0, 40_000),
        ])])
    };
    let (apart, origin) = inset_with_origin(&dumbbell(4_900), 2_500.0, TOLERANCE_NM);
    assert_eq!((apart.len(), origin), (2, vec![0, 0]));
    // Two squares of 35 um; the neck's mouth bulges into none of them, as it is narrower than the beam:
    // the discs that touch both mouth corners reach a little further.
    assert!(um2(&apart) > 2.0 * 35.0 * 35.0 && um2(&apart) < 2.0 * 35.0 * 35.0 + 10.0);
    assert_eq!(inset(&dumbbell(5_200), 2_500.0, TOLERANCE_NM).len(), 1);
}

/// Inset of a convex polygon while no edge vanishes: A - P r + r^2 sum cot(angle / 2); outset of any
/// convex one: A + P r + pi r^2 (Steiner's formula).
#[test]
fn convex_polygons() {
    let mut random = Random(7);
    for _ in 0..200 {
        let n = 5 + random.below(20);
        let angles: Vec<f64> = (0..n)
            .map(|k| (k as f64 + 0.6 * random.unit()) / n as f64 * 2.0 * PI)
            .collect();
        let points: Vec<Point> = angles
            .iter()
            .map(|a| p((2e5 * a.cos()) as i32, (2e5 * a.sin()) as i32))
            .collect();
        let polygon = region(std::slice::from_ref(&points));
        let (area, length, r) = (polygon.area_nm2(), polygon.perimeter_nm(), 1_000.0);
        let mut cot = 0.0;
        for i in 0..n {
            let (a, b, c) = (points[(i + n - 1) % n], points[i], points[(i + 1) % n]);
            let u = (f64::from(a.x - b.x), f64::from(a.y - b.y));
            let v = (f64::from(c.x - b.x), f64::from(c.y - b.y));
            let angle = (u.0 * v.1 - u.1 * v.0).abs().atan2(u.0 * v.0 + u.1 * v.1);
            cot += 1.0 / (angle / 2.0).tan();
        }
        let got = inset(&polygon, r, TOLERANCE_NM).area_nm2();
        // The tolerance: half a grid unit all along the edges.
        near(got, area - length * r + r * r * cot, 0.7 * length, "inset");
        let got = outset(&polygon, r, TOLERANCE_NM).area_nm2();
        near(
            got,
            area + length * r + PI * r * r,
            0.7 * length + 2.0 * PI * r * TOLERANCE_NM,
            "outset",
        );
    }
}

#[test]
fn arcs_err_to_both_sides_by_no_more_than_the_tolerance() {
    // An L: its one reflex corner becomes an arc about (20, 20) um.
    let l = region(&[ring(&[
        (0, 0),
        (40_000, 0),
        (40_000, 20_000),
        (20_000, 20_000),
        (20_000, 40_000),
        (0, 40_000),
    ])]);
    let i = inset(&l, 2_500.0, TOLERANCE_NM);
    let v: Vec<Point> = i.points().to_vec();
    let (mut low, mut high) = (f64::MAX, 0f64);
    for k in 0..v.len() {
        let (a, b) = (v[k], v[(k + 1) % v.len()]);
        for s in 0..=100 {
            let t = f64::from(s) / 100.0;
            let x = f64::from(a.x) + t * f64::from(b.x - a.x) - 20_000.0;
            let y = f64::from(a.y) + t * f64::from(b.y - a.y) - 20_000.0;
            if x <= 0.0 && y <= 0.0 && x > -2_600.0 && y > -2_600.0 {
                low = low.min(x.hypot(y));
                high = if x.hypot(y) < 2_600.0 {
                    high.max(x.hypot(y))
                } else {
                    high
                };
            }
        }
    }
    let within = TOLERANCE_NM + 1.0;
    assert!((2_500.0 - within..2_497.0).contains(&low), "{low}");
    assert!((2_503.0..=2_500.0 + within).contains(&high), "{high}");
}

// Shapes on which general offset libraries failed when tried.

#[test]
fn figure_eight_is_two_triangles() {
    let eight = ring(&[(0, 0), (40_000, 40_000), (40_000, 0), (0, 40_000)]);
    let n = normalise(std::slice::from_ref(&eight), FillRule::NonZero);
    near(um2(&n), 800.0, 1e-3, "drawn");
    // Two triangles of sides 40, 28.28, 28.28: (s - r P / (2 s))^2 scaling of area 400 by inradius 8.284.
    let inradius = 400.0 / ((40.0 + 2.0 * 800f64.sqrt()) / 2.0);
    let want = 2.0 * 400.0 * ((inradius - 2.5) / inradius).powi(2);
    near(um2(&inset(&n, 2_500.0, TOLERANCE_NM)), want, 0.1, "inset");
    near(want, 390.0, 0.5, "the figure known from elsewhere");
}

#[test]
fn winding_and_fill_rules() {
    let square = |a: i32, b: i32| ring(&[(a, a), (b, a), (b, b), (a, b)]);
    let reversed = |mut v: Vec<Point>| {
        v.reverse();
        v
    };
    for (rule, forward, backward) in [
        (FillRule::NonZero, 1600.0, 1600.0),
        (FillRule::EvenOdd, 1600.0, 1600.0),
        (FillRule::Positive, 1600.0, 0.0),
        (FillRule::Negative, 0.0, 1600.0),
    ] {
        assert_eq!(um2(&normalise(&[square(0, 40_000)], rule)), forward);
        assert_eq!(
            um2(&normalise(&[reversed(square(0, 40_000))], rule)),
            backward
        );
    }
    // A hole drawn with the winding of its outer ring: even-odd leaves it out, non-zero fills it.
    let nested = [square(0, 40_000), square(10_000, 30_000)];
    assert_eq!(um2(&normalise(&nested, FillRule::EvenOdd)), 1200.0);
    assert_eq!(um2(&normalise(&nested, FillRule::NonZero)), 1600.0);
    let wound = [square(0, 40_000), reversed(square(10_000, 30_000))];
    assert_eq!(um2(&normalise(&wound, FillRule::NonZero)), 1200.0);
    near(
        um2(&inset(
            &normalise(&wound, FillRule::NonZero),
            2_500.0,
            TOLERANCE_NM,
        )),
        35.0 * 35.0 - (400.0 + 4.0 * 20.0 * 2.5 + PI * 6.25),
        0.2,
        "inset",
    );
}

#[test]
fn union_that_a_library_got_wrong() {
    // Exact area in rational arithmetic, summed over strips between all crossings: 142.263496 um2.
    let a = ring(&[(55_000, 50_000), (25_000, 40_000), (35_000, 45_000)]);
    let b = ring(&[
        (30_000, 55_000),
        (50_000, 5_000),
        (40_000, 45_000),
        (40_000, 40_000),
    ]);
    near(
        um2(&normalise(&[a, b], FillRule::NonZero)),
        142.263_496,
        0.01,
        "union",
    );
}

#[test]
fn degenerate_rings_open_nothing() {
    for v in [
        vec![],
        ring(&[(0, 0)]),
        ring(&[(0, 0), (10_000, 0)]),
        ring(&[(0, 0), (10_000, 0), (0, 0)]),
        ring(&[(5, 5), (5, 5), (5, 5), (5, 5)]),
        ring(&[(0, 0), (10_000, 0), (20_000, 0)]),
    ] {
        assert!(normalise(std::slice::from_ref(&v), FillRule::NonZero).is_empty());
        let mut raw = Regions::new();
        raw.push_ring(&v);
        raw.close_shape();
        if !v.is_empty() {
            assert!(inset(&raw, 2_500.0, TOLERANCE_NM).is_empty());
        }
    }
}

#[test]
fn slivers_vanish() {
    for v in [
        ring(&[(0, 0), (50_000, 1), (100_000, 0)]),
        ring(&[(0, 0), (100_000, 0), (50_000, 4_000)]),
        ring(&[(0, 0), (70_000, 70_000), (70_003, 70_001), (3, 0)]),
    ] {
        let i = inset(&region(&[v]), 2_500.0, TOLERANCE_NM);
        assert!(i.is_empty(), "{} um2 left", um2(&i));
    }
}

#[test]
fn hole_that_touches_the_outer_ring() {
    let outer = ring(&[(0, 0), (40_000, 0), (40_000, 40_000), (0, 40_000)]);
    let hole = ring(&[
        (20_000, 0),
        (30_000, 10_000),
        (20_000, 20_000),
        (10_000, 10_000),
    ]);
    let n = region(&[outer, hole]);
    near(um2(&n), 1400.0, 1e-6, "drawn");
    let got = inset(&n, 2_500.0, TOLERANCE_NM);
    near(um2(&got), robust_um2(&n, 2_500), 0.1, "inset");
    assert_eq!(got.ring_count(), 1);
}

#[test]
fn neck_exactly_as_wide_as_the_beam_is_close_to_either_answer() {
    let neck = region(&[ring(&[
        (0, 0),
        (40_000, 0),
        (40_000, 17_500),
        (80_000, 17_500),
        (80_000, 0),
        (120_000, 0),
        (120_000, 40_000),
        (80_000, 40_000),
        (80_000, 22_500),
        (40_000, 22_500),
        (40_000, 40_000),
        (0, 40_000),
    ])]);
    let i = inset(&neck, 2_500.0, TOLERANCE_NM);
    assert_eq!(
        i.filter(|s| s.area_nm2() > 1e5).len(),
        2,
        "a line of no width opens nothing"
    );
}

#[test]
fn far_from_the_origin_and_at_the_edge_of_the_range() {
    let big = 1 << 30;
    let s = region(&[ring(&[(-big, -big), (big, -big), (big, big), (-big, big)])]);
    let side = 2.0 * f64::from(big) - 2.0 * 2_500.0;
    assert_eq!(inset(&s, 2_500.0, TOLERANCE_NM).area_nm2(), side * side);
}

#[test]
fn shapes_keep_their_order_and_origin() {
    let mut rings = Vec::new();
    for k in 0..3_000 {
        let (x, w) = (k * 30_000, if k % 3 == 0 { 4_000 } else { 20_000 });
        rings.push(ring(&[(x, 0), (x + w, 0), (x + w, w), (x, w)]));
    }
    let drawn = normalise(&rings, FillRule::NonZero);
    let (got, origin) = inset_with_origin(&drawn, 2_500.0, TOLERANCE_NM);
    assert_eq!(got.len(), 2_000);
    for (shape, from) in got.shapes().zip(&origin) {
        assert!(drawn.shape(*from as usize).contains(shape.outer()[0]));
    }
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("threads");
    assert_eq!(
        one.install(|| inset_with_origin(&drawn, 2_500.0, TOLERANCE_NM)),
        (got, origin)
    );
}

/// What skips the boolean must come out as the boolean would give it, to the vertex.
#[test]
fn normalise_equals_one_boolean_pass() {
    let mut random = Random(11);
    let mut equal = 0;
    for round in 0..400 {
        let mut rings = Vec::new();
        for _ in 0..1 + random.below(30) {
            let c = (random.below(400_000) as f64, random.below(400_000) as f64);
            let size = 5_000.0 + random.unit() * 25_000.0;
            let mut v = nasty_ring(&mut random, c, size);
            if random.below(2) == 0 {
                v.reverse();
            }
            rings.push(v);
        }
        for rule in [
            FillRule::NonZero,
            FillRule::EvenOdd,
            FillRule::Positive,
            FillRule::Negative,
        ] {
            let got = normalise(&rings, rule);
            let mut overlay = Overlay::<i32>::new(64);
            for v in &rings {
                overlay.add_contour(v, ShapeType::Subject);
            }
            let want = overlay.overlay(OverlayRule::Subject, rule);
            let area: f64 = flat(&want).area_nm2();
            near(
                got.area_nm2(),
                area,
                2e4,
                &format!("round {round} {rule:?}"),
            );
            assert_eq!(got.len(), want.len(), "round {round} {rule:?}");
            // Order and starts as well, so that what follows does not depend on which way was taken.
            let same = got == flat(&want);
            equal += usize::from(same);
            if !same {
                println!(
                    "round {round} {rule:?}\n{:?}\n{:?}",
                    got.shapes().map(|s| s.outer().to_vec()).collect::<Vec<_>>(),
                    want
                );
            }
        }
    }
    assert_eq!(equal, 1_600);
}

#[test]
fn union_of_shapes_apart_and_together() {
    let mut random = Random(23);
    for _ in 0..100 {
        let parts: Vec<Regions> = (0..20)
            .map(|_| {
                let c = (random.below(300_000) as f64, random.below(300_000) as f64);
                region(&[nasty_ring(&mut random, c, 20_000.0)])
            })
            .collect();
        let rings: Vec<Vec<Point>> = parts
            .iter()
            .flat_map(|r| r.rings().map(<[Point]>::to_vec))
            .collect();
        let want = normalise(&rings, FillRule::NonZero).area_nm2();
        near(union_all(&parts).area_nm2(), want, 2e4, "union");
    }
}

/// cavalier_contours as an outside judge on shapes it handles.
#[test]
fn simple_shapes_agree_with_cavalier_contours() {
    let mut random = Random(5);
    for round in 0..60 {
        let n = 5 + random.below(30);
        let v: Vec<Point> = (0..n)
            .map(|k| {
                let a = k as f64 / n as f64 * 2.0 * PI;
                let r = 40_000.0 + 20_000.0 * random.unit();
                p((r * a.cos()) as i32, (r * a.sin()) as i32)
            })
            .collect();
        let mut line = Polyline::new_closed();
        for q in &v {
            line.add(f64::from(q.x) / 1e3, f64::from(q.y) / 1e3, 0.0);
        }
        let want: f64 = line.parallel_offset(2.5).iter().map(|l| l.area()).sum();
        let got = um2(&inset(&region(&[v]), 2_500.0, TOLERANCE_NM));
        near(got, want, 0.1 + 5e-6 * want, &format!("round {round}"));
    }
}

// Random shapes against one robust pass on a grid four times finer.

/// Rounded rectangles moved in by more than their corners' radius: edges vanish between folds, no boolean
/// is needed, and the rest is a rectangle.
#[test]
fn edges_that_vanish_leave_the_rest_exact() {
    for (w, h, corner, radius) in [
        (90, 52, 10, 16),
        (90, 52, 10, 25),
        (400, 60, 29, 29),
        (50, 50, 20, 22),
    ] {
        let (w, h, r) = (
            f64::from(w) * 500.0,
            f64::from(h) * 500.0,
            f64::from(corner) * 1e3,
        );
        let mut v = Vec::new();
        for (k, (sx, sy)) in [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)]
            .iter()
            .enumerate()
        {
            let from = k as f64 * PI / 2.0;
            v.extend(arc(
                (sx * (w - r), sy * (h - r)),
                r,
                from,
                from + PI / 2.0,
                8,
            ));
        }
        let drawn = region(&[v]);
        let by = f64::from(radius) * 1e3;
        let got = inset(&drawn, by, 10.0);
        near(um2(&got), robust_um2(&drawn, by as i32), 0.1, "area in um2");
        assert_eq!(got.len(), 1);
        assert!(inset(&drawn, h + 10.0, 10.0).is_empty());
    }
    // A triangle and a wedge whose tip is cut off: gone when no disc fits.
    let tip = ring(&[(0, 0), (100_000, 40_000), (100_000, 60_000), (0, 100_000)]);
    assert_eq!(
        inset(&region(std::slice::from_ref(&tip)), 31_000.0, 10.0).len(),
        1
    );
    assert!(inset(&region(&[tip]), 40_000.0, 10.0).is_empty());
}

/// Booleans that leave apart what no box meets equal those of the engine on everything.
#[test]
fn booleans_by_box_equal_the_bare_engine() {
    let mut random = Random(77);
    for _ in 0..40 {
        let mut many = |n: usize, size: f64| {
            let rings: Vec<Vec<Point>> = (0..n)
                .map(|_| {
                    let c = (random.unit() * 4e5, random.unit() * 4e5);
                    nasty_ring(&mut random, c, size)
                })
                .collect();
            normalise(&rings, FillRule::NonZero)
        };
        let (a, b) = (many(30, 20_000.0), many(4, 30_000.0));
        let bare = |rule| {
            let shapes =
                Overlay::<i32>::from_subj_and_clip(&a, &b).overlay(rule, FillRule::NonZero);
            flat(&shapes)
        };
        let same = |got: &Regions, want: &Regions| {
            assert_eq!(got.len(), want.len());
            assert!((got.area_nm2() - want.area_nm2()).abs() < 1.0);
            assert_eq!(foilwright::regions::xor(got, want).area_nm2(), 0.0);
        };
        same(&difference(&a, &b), &bare(OverlayRule::Difference));
        same(&intersection(&a, &b), &bare(OverlayRule::Intersect));
    }
}

struct Random(u64);

impl Random {
    /// SplitMix64.
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Stars, random polygons, combs with thin teeth, spikes, lattice points, rounded blobs.
fn nasty_ring(random: &mut Random, c: (f64, f64), size: f64) -> Vec<Point> {
    let n = 3 + random.below(20);
    let kind = random.below(6);
    let mut v = Vec::new();
    for k in 0..n {
        let a = (k as f64 + if kind == 1 { 0.0 } else { random.unit() }) / n as f64 * 2.0 * PI;
        let (x, y) = match kind {
            0 => (size * random.unit(), size * random.unit()),
            1 => {
                let r = if k % 2 == 0 {
                    size
                } else {
                    size * (0.1 + 0.8 * random.unit())
                };
                (r * a.cos(), r * a.sin())
            }
            2 => {
                let pitch = 2.0 * size / n as f64;
                (
                    pitch * (k / 2 * 2 + usize::from(k % 4 > 1)) as f64,
                    if k % 4 == 1 || k % 4 == 2 { size } else { 0.0 },
                )
            }
            3 => {
                let g = size / 4.0;
                (g * random.below(5) as f64, g * random.below(5) as f64)
            }
            4 => {
                let r = if random.below(4) == 0 {
                    size * 0.02
                } else {
                    size
                };
                (r * a.cos(), r * a.sin())
            }
            _ => {
                let r = size * (0.7 + 0.3 * (3.0 * a).sin());
                (r * a.cos(), r * a.sin())
            }
        };
        v.push(p((c.0 + x).round() as i32, (c.1 + y).round() as i32));
    }
    v
}

fn flat(shapes: &[Vec<Vec<Point>>]) -> Regions {
    let mut out = Regions::new();
    for shape in shapes {
        for ring in shape {
            out.push_ring(ring);
        }
        out.close_shape();
    }
    out
}

/// The inset by another construction, on a grid four times finer: the region less each edge's
/// rectangle and each vertex's disc (a 128-gon through the circle's mean radius), one boolean pass.
fn robust(r: &Regions, radius_nm: i32) -> Regions {
    const FINE: i32 = 4;
    let up = |q: Point| p(q.x * FINE, q.y * FINE);
    let radius = f64::from(radius_nm * FINE);
    let n = 128;
    // Equal area: radius of the polygon whose area is that of the circle.
    let rho = radius * (2.0 * PI / (f64::from(n) * (2.0 * PI / f64::from(n)).sin())).sqrt();
    let mut subject = Regions::new();
    let mut cut: Vec<Vec<Point>> = Vec::new();
    for shape in r.shapes() {
        for v in shape.rings() {
            let v: Vec<Point> = v.iter().map(|&q| up(q)).collect();
            for k in 0..v.len() {
                let (a, b) = (v[k], v[(k + 1) % v.len()]);
                let (dx, dy) = (f64::from(b.x - a.x), f64::from(b.y - a.y));
                let by = radius / dx.hypot(dy);
                let (nx, ny) = ((-dy * by).round() as i32, (dx * by).round() as i32);
                cut.push(vec![a, b, p(b.x + nx, b.y + ny), p(a.x + nx, a.y + ny)]);
                cut.push(circle((f64::from(a.x), f64::from(a.y)), rho, n as usize));
            }
            subject.push_ring(&v);
        }
        subject.close_shape();
    }
    let mut overlay = Overlay::<i32>::new(1024);
    for v in &cut {
        overlay.add_contour(v, ShapeType::Clip);
    }
    for v in subject.rings() {
        overlay.add_contour(v, ShapeType::Subject);
    }
    flat(&overlay.overlay(OverlayRule::Difference, FillRule::NonZero))
}

fn robust_um2(r: &Regions, radius_nm: i32) -> f64 {
    robust(r, radius_nm).area_nm2() / 16e6
}

fn distance_to_boundary(r: &Regions, q: [f64; 2]) -> f64 {
    let mut least = f64::MAX;
    for v in r.rings() {
        for k in 0..v.len() {
            let (a, b) = (v[k], v[(k + 1) % v.len()]);
            let at = |p: Point| [f64::from(p.x), f64::from(p.y)];
            least = least.min(foilwright::regions::nearest_on_segment(q, at(a), at(b)).1);
        }
    }
    least
}

/// Checks `count` shapes; answers the largest area error in um2 and the number of probe points judged.
fn fuzz(seed: u64, count: usize) -> (f64, usize) {
    let mut random = Random(seed);
    let (mut worst, mut probes) = (0f64, 0);
    for round in 0..count {
        let mut rings = vec![nasty_ring(&mut random, (0.0, 0.0), 30_000.0)];
        for _ in 0..random.below(3) {
            let c = (random.unit() * 2e4, random.unit() * 2e4);
            rings.push(nasty_ring(&mut random, c, 10_000.0));
        }
        let drawn = region(&rings);
        let radius = [300, 1_000, 2_500, 4_000][random.below(4)];
        let got = inset(&drawn, f64::from(radius), 2.0);
        let want = robust(&drawn, radius);
        let error = (um2(&got) - want.area_nm2() / 16e6).abs();
        worst = worst.max(error);
        assert!(
            error <= 0.1,
            "seed {seed} round {round}: {} against {}",
            um2(&got),
            want.area_nm2() / 16e6
        );
        assert_eq!(
            normalise(
                &got.rings().map(<[Point]>::to_vec).collect::<Vec<_>>(),
                FillRule::NonZero
            )
            .area_nm2(),
            got.area_nm2(),
            "round {round}: the result is not normalised"
        );
        for _ in 0..7 {
            let q = p(
                random.below(60_000) as i32 - 30_000,
                random.below(60_000) as i32 - 30_000,
            );
            let away = distance_to_boundary(&drawn, [f64::from(q.x), f64::from(q.y)]);
            // Closer to the limit than tolerance and grid allow, either answer is right.
            if (away - f64::from(radius)).abs() > 5.0 {
                probes += 1;
                let inside = drawn.contains(q) && away > f64::from(radius);
                assert_eq!(
                    got.contains(q),
                    inside,
                    "seed {seed} round {round} at {q:?}"
                );
            }
        }
    }
    (worst, probes)
}

#[test]
fn nasty_shapes_agree_with_the_robust_engine() {
    let (_, probes) = fuzz(1, 300);
    assert!(probes > 1_900);
}

#[test]
#[ignore = "minutes: 30,000 shapes and 200,000 probe points"]
fn slow_nasty_shapes_agree_with_the_robust_engine() {
    let (worst, probes) = fuzz(2, 30_000);
    println!("worst area error {worst:.4} um2, {probes} probe points");
    assert!(probes > 199_000);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    /// Moving, turning by a right angle and reversing change no area by more than grid noise.
    #[test]
    fn laws_of_motion(seed in any::<u64>(), dx in -500_000i32..500_000, dy in -500_000i32..500_000) {
        let mut random = Random(seed);
        let v = nasty_ring(&mut random, (0.0, 0.0), 30_000.0);
        let area = |v: Vec<Point>| um2(&inset(&region(&[v]), 1_500.0, 2.0));
        let base = area(v.clone());
        let moved = area(v.iter().map(|q| p(q.x + dx, q.y + dy)).collect());
        let turned = area(v.iter().map(|q| p(-q.y, q.x)).collect());
        let reversed = area(v.iter().rev().copied().collect());
        for other in [moved, turned, reversed] {
            prop_assert!((other - base).abs() <= 0.1, "{other} against {base}");
        }
    }

    /// Opening by a disc stays inside, and a larger radius leaves less.
    #[test]
    fn opening_stays_inside(seed in any::<u64>()) {
        let mut random = Random(seed);
        let drawn = region(&[nasty_ring(&mut random, (0.0, 0.0), 30_000.0)]);
        let small = inset(&drawn, 1_500.0, TOLERANCE_NM);
        let opened = outset(&small, 1_500.0 - 2.0 * TOLERANCE_NM - 2.0, TOLERANCE_NM);
        prop_assert!(difference(&opened, &drawn).area_nm2() == 0.0);
        let large = inset(&drawn, 1_500.0 + 2.0 * TOLERANCE_NM + 2.0, TOLERANCE_NM);
        let both = intersection(&small, &large).area_nm2();
        prop_assert!((both - large.area_nm2()).abs() <= 1e3);
    }
}
