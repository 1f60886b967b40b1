//! Laws that hold for any drawing, tried on random ones through the library's front door.

use crate::support::as_cut::{beam_moves, faults_of_job};
use crate::support::options;
use foilwright::finding::Severity;
use foilwright::job::{self, Plan, Step};
use foilwright::kerf::CutKind;
use foilwright::order::OrderMode;
use foilwright::recipe::{LaserSide, Recipe, Scheme};
use foilwright::regions::{Point, Regions, xor};
use foilwright::stencil::IslandMode;
use foilwright::{LayerJob, Options, Run, prepare};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::BTreeMap;

/// Side of the page, millimetres.
const PAGE: f64 = 8.0;
/// Drawn coordinates are whole numbers of these: exact in single precision and on the grid.
const UNIT_MM: f64 = 1.0 / 64.0;

fn seeded(cases: u32, seed: u64) -> ProptestConfig {
    ProptestConfig {
        cases,
        rng_seed: RngSeed::Fixed(seed),
        failure_persistence: None,
        max_shrink_iters: 200,
        ..ProptestConfig::default()
    }
}

/// One mark on the page; coordinates in units.
#[derive(Debug, Clone)]
enum Mark {
    /// Corners of a polygon, as drawn (it may cross itself).
    Polygon(Vec<[i32; 2]>),
    /// A square frame: centre, half the outer side, half the inner side.
    Frame([i32; 2], i32, i32),
    /// A polyline with a width.
    Line(Vec<[i32; 2]>, i32),
    /// A disc: centre, radius.
    Disc([i32; 2], i32),
}

#[derive(Debug, Clone)]
struct Drawing(Vec<(Mark, bool)>);

fn at() -> impl Strategy<Value = [i32; 2]> {
    let edge = (1.0 / UNIT_MM) as i32;
    let far = ((PAGE - 1.0) / UNIT_MM) as i32;
    [edge..far, edge..far]
}

fn mark(discs: bool) -> BoxedStrategy<Mark> {
    let near = |c: [i32; 2], d: Vec<[i32; 2]>| {
        let (lo, hi) = ((0.5 / UNIT_MM) as i32, ((PAGE - 0.5) / UNIT_MM) as i32);
        d.into_iter()
            .map(|p| [0, 1].map(|k| (c[k] + p[k]).clamp(lo, hi)))
            .collect()
    };
    let offsets = |n: std::ops::Range<usize>| prop::collection::vec([-90..90, -90..90], n);
    let frames = (at(), 12..32i32, 2..28i32)
        .prop_map(|(c, out, less)| Mark::Frame(c, out, (out - less).max(0)));
    let polygons = (at(), offsets(3..7)).prop_map(move |(c, d)| Mark::Polygon(near(c, d)));
    let lines =
        (at(), offsets(2..5), 1..12i32).prop_map(move |(c, d, w)| Mark::Line(near(c, d), w));
    let round = (at(), 2..32i32).prop_map(|(c, r)| Mark::Disc(c, r));
    if discs {
        prop_oneof![frames, polygons, lines, round].boxed()
    } else {
        prop_oneof![frames, polygons, lines].boxed()
    }
}

/// One to seven marks, a quarter of them light.
fn drawing(discs: bool) -> impl Strategy<Value = Drawing> {
    let painted = (mark(discs), prop::bool::weighted(0.75));
    prop::collection::vec(painted, 1..8).prop_map(Drawing)
}

/// Moves units on the page: a turn by quarters, a mirror, a shift.
#[derive(Debug, Clone, Copy)]
struct Motion {
    quarters: u8,
    mirrored: bool,
    shift: [i32; 2],
}

const STAY: Motion = Motion {
    quarters: 0,
    mirrored: false,
    shift: [0, 0],
};

impl Motion {
    /// About the middle of the page, in any unit in which the page is `side` wide and `unit` long.
    fn apply(&self, [x, y]: [f64; 2], side: f64, unit: f64) -> [f64; 2] {
        let (mut x, mut y) = (if self.mirrored { side - x } else { x }, y);
        for _ in 0..self.quarters {
            (x, y) = (side - y, x);
        }
        [
            x + f64::from(self.shift[0]) * unit,
            y + f64::from(self.shift[1]) * unit,
        ]
    }
}

impl Drawing {
    fn svg(&self, motion: Motion, reversed: bool) -> String {
        let point = |p: &[i32; 2]| {
            let q = motion.apply([f64::from(p[0]), f64::from(p[1])], PAGE / UNIT_MM, 1.0);
            format!("{} {}", q[0], q[1])
        };
        let path = |points: &[[i32; 2]]| {
            let mut all: Vec<String> = points.iter().map(point).collect();
            if reversed {
                all.reverse();
            }
            format!("M{}", all.join("L"))
        };
        let mut body = String::new();
        for (n, (mark, dark)) in self.0.iter().enumerate() {
            let colour = if *dark { "#000" } else { "#fff" };
            body += &match mark {
                Mark::Polygon(p) => {
                    format!("<path id=\"m{n}\" fill=\"{colour}\" d=\"{}Z\"/>", path(p))
                }
                Mark::Frame(c, out, inn) => {
                    let square = |h: i32| {
                        path(&[
                            [c[0] - h, c[1] - h],
                            [c[0] + h, c[1] - h],
                            [c[0] + h, c[1] + h],
                            [c[0] - h, c[1] + h],
                        ])
                    };
                    let inner = if *inn > 0 {
                        square(*inn) + "Z"
                    } else {
                        String::new()
                    };
                    format!(
                        "<path id=\"m{n}\" fill=\"{colour}\" fill-rule=\"evenodd\" d=\"{}Z{inner}\"/>",
                        square(*out)
                    )
                }
                Mark::Line(p, w) => format!(
                    "<path id=\"m{n}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{w}\" d=\"{}\"/>",
                    path(p)
                ),
                Mark::Disc(c, r) => {
                    let q = point(c);
                    let (x, y) = q.split_once(' ').unwrap();
                    format!(
                        "<circle id=\"m{n}\" fill=\"{colour}\" cx=\"{x}\" cy=\"{y}\" r=\"{r}\"/>"
                    )
                }
            };
        }
        let units = PAGE / UNIT_MM;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{PAGE}mm\" height=\"{PAGE}mm\" viewBox=\"0 0 {units} {units}\">{body}</svg>"
        )
    }
    fn run(&self, motion: Motion, reversed: bool, options: &Options) -> Run {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("random.svg");
        std::fs::write(&path, self.svg(motion, reversed)).unwrap();
        prepare(&path, options).unwrap()
    }
}

fn steel() -> Recipe {
    Recipe::load("steel-25um").unwrap()
}

fn blocked(run: &Run) -> Vec<String> {
    let bad = run
        .report
        .all_findings()
        .filter(|f| f.severity == Severity::Blocking);
    bad.map(|f| format!("{} {} {}", f.code, f.message, f.place()))
        .collect()
}

/// What must not depend on where and which way round the drawing lies, and differs in `b`. Where several places
/// for bars are equally good, another of them may be taken: then only their number is compared.
fn difference(a: &LayerJob, b: &LayerJob, recipe: &Recipe) -> Option<String> {
    let sorted = |mut v: Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v
    };
    let same = |a: &[f64], b: &[f64]| {
        a.len() == b.len()
            && a.iter()
                .zip(b)
                .all(|(x, y)| (x - y).abs() <= 3.0 + 1e-5 * x.abs())
    };
    let islands = |j: &LayerJob| sorted(j.stencil.islands.iter().map(|i| i.area_um2).collect());
    if !same(&islands(a), &islands(b)) {
        return Some(format!(
            "islands of {:?} and {:?} um2",
            islands(a),
            islands(b)
        ));
    }
    let bars = |j: &LayerJob| j.stencil.tie_bars.len();
    if bars(a) != bars(b) {
        return Some(format!("{} and {} bars", bars(a), bars(b)));
    }
    if bars(a) > 0 {
        return None;
    }
    let areas = |j: &LayerJob| {
        let all = j.stencil.openings.shapes();
        sorted(all.map(|o| o.area_nm2() / 1e6).collect())
    };
    if !same(&areas(a), &areas(b)) {
        return Some(format!("openings of {:?} and {:?} um2", areas(a), areas(b)));
    }
    let lengths = |j: &LayerJob| {
        let cuts = foilwright::kerf::compensate(&j.stencil.openings, recipe).value;
        let length = |c: &foilwright::kerf::Contour| {
            let ring = foilwright::regions::ring_perimeter_nm(&c.points);
            let back = foilwright::regions::distance_nm(c.points[0], c.points[c.points.len() - 1]);
            (ring - if c.closed { 0.0 } else { back }) / 1e3
        };
        sorted(cuts.iter().map(length).collect())
    };
    if !same(&lengths(a), &lengths(b)) {
        return Some(format!("cuts of {:?} and {:?} um", lengths(a), lengths(b)));
    }
    let codes = |j: &LayerJob| {
        let mut count: BTreeMap<String, usize> = BTreeMap::new();
        for f in &j.findings {
            *count.entry(f.code.clone()).or_default() += 1;
        }
        count
    };
    (codes(a) != codes(b)).then(|| format!("found {:?} and {:?}", codes(a), codes(b)))
}

fn moved(r: &Regions, motion: Motion) -> Regions {
    let side = PAGE * 1e6;
    let rings: Vec<Vec<Point>> = r
        .rings()
        .map(|ring| {
            let f = |p: &Point| {
                let q = motion.apply([f64::from(p.x), f64::from(p.y)], side, UNIT_MM * 1e6);
                Point::new(q[0].round() as i32, q[1].round() as i32)
            };
            ring.iter().map(f).collect()
        })
        .collect();
    foilwright::regions::normalise(&rings, foilwright::regions::FillRule::EvenOdd)
}

fn motions() -> impl Strategy<Value = Motion> {
    (0u8..4, prop::bool::ANY, [-20..20i32, -20..20i32]).prop_map(|(quarters, mirrored, shift)| {
        Motion {
            quarters,
            mirrored,
            shift,
        }
    })
}

proptest! {
    #![proptest_config(seeded(96, 11))]

    /// Shifted, turned by quarters, mirrored or with every path drawn backwards, a drawing gives the same
    /// openings, bars and findings elsewhere.
    #[test]
    fn where_and_which_way_round_changes_nothing_but_coordinates(
        drawing in drawing(false), motion in motions(), reversed in prop::bool::ANY,
    ) {
        let mut recipe = steel();
        recipe.rules.edge_margin_mm = 0.0;
        let options = options(recipe, IslandMode::Tie, OrderMode::Artwork);
        let here = drawing.run(STAY, false, &options);
        let there = drawing.run(motion, reversed, &options);
        prop_assert_eq!(blocked(&here).len(), blocked(&there).len());
        let (a, b) = (&here.jobs[0], &there.jobs[0]);
        let apart = xor(&moved(&a.stencil.drawn, motion), &b.stencil.drawn).area_nm2();
        prop_assert!(apart <= 3.0 * a.stencil.drawn.perimeter_nm(), "drawn: {} um2 apart", apart / 1e6);
        prop_assert_eq!(difference(a, b, &options.recipe), None);
    }
}

/// A point inside a closed polyline, even-odd.
fn surrounds(ring: &[[f64; 2]], p: [f64; 2]) -> bool {
    let mut inside = false;
    for (i, a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        if (a[1] > p[1]) != (b[1] > p[1])
            && p[0] < (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) + a[0]
        {
            inside = !inside;
        }
    }
    inside
}

/// By path and pass: number of the step, from and to along the path.
type Cuts = BTreeMap<(u32, u32), Vec<(usize, f64, f64)>>;

/// The parts of each path that each pass cuts, in the order of cutting, with the number of the step.
fn cuts(plan: &Plan) -> Cuts {
    let mut out = Cuts::new();
    for (n, step) in plan.steps.iter().enumerate() {
        if let Step::Cut {
            path,
            pass,
            from_mm,
            to_mm,
            ..
        } = step
        {
            out.entry((*path, *pass))
                .or_default()
                .push((n, *from_mm, *to_mm));
        }
    }
    out
}

/// Every path is cut from end to end once in every pass; parts of it overlap by no more than a run-in needs.
fn cut_once_per_pass(plan: &Plan, recipe: &Recipe) -> Result<(), String> {
    let cuts = cuts(plan);
    let passes = recipe.passes.count;
    if cuts.len() != plan.paths.len() * passes as usize {
        return Err(format!(
            "{} cuts of {} paths in {passes} passes",
            cuts.len(),
            plan.paths.len()
        ));
    }
    for ((path, pass), parts) in &cuts {
        let length = foilwright::polyline::length(&plan.paths[*path as usize].points);
        let mut parts = parts.clone();
        parts.sort_by(|a, b| a.1.total_cmp(&b.1));
        let shift = recipe.pulse_pitch_um() * 1e-3;
        if parts[0].1 > shift || (parts[parts.len() - 1].2 - length).abs() > 1e-9 {
            return Err(format!(
                "path {path} in pass {pass} is cut from {parts:?} of {length} mm"
            ));
        }
        for w in parts.windows(2) {
            let overlap = w[0].2 - w[1].1;
            if !(0.0..=1.01e-3 * recipe.run_in_um()).contains(&overlap) {
                return Err(format!(
                    "parts of path {path} overlap by {overlap} mm in pass {pass}"
                ));
            }
        }
    }
    Ok(())
}

/// What lies inside a closed path is cut before it in every round, and for the last time before its last.
fn inner_before_outer(plan: &Plan) -> Result<(), String> {
    let cuts = cuts(plan);
    let passes = cuts.keys().map(|k| k.1).max().unwrap_or(0);
    let first = |path: usize, pass: u32| {
        cuts[&(path as u32, pass)]
            .iter()
            .map(|c| c.0)
            .min()
            .unwrap()
    };
    let last = |path: usize, pass: u32| {
        cuts[&(path as u32, pass)]
            .iter()
            .map(|c| c.0)
            .max()
            .unwrap()
    };
    for (o, outer) in plan
        .paths
        .iter()
        .enumerate()
        .filter(|(_, p)| p.closed && p.kind == CutKind::Opening)
    {
        // The outline without its run-in and run-out lies between two passages of one place; a path whose
        // every point lies inside the whole of it lies inside the outline.
        for (i, inner) in plan.paths.iter().enumerate() {
            let middle = inner.points.len() / 2;
            let probes = [0, middle, inner.points.len() - 1].map(|k| inner.points[k]);
            if i == o || !probes.iter().all(|p| surrounds(&outer.points, *p)) {
                continue;
            }
            // Of two that seem to lie in each other (run-ins cross) the larger one is outside.
            let size = |p: &job::Path| foilwright::polyline::length(&p.points);
            if size(inner) > size(outer) {
                continue;
            }
            for pass in 1..=passes {
                if last(i, pass) > first(o, pass) && last(i, pass) > last(o, pass) {
                    return Err(format!(
                        "path {i} lies inside path {o} and is cut after it in pass {pass}"
                    ));
                }
            }
            if last(i, passes) > last(o, passes) {
                return Err(format!(
                    "path {i} lies inside path {o} and is finished after it"
                ));
            }
        }
        if let Some(parent) = outer.parent
            && (1..=passes).any(|n| first(o, n) > first(parent as usize, n))
        {
            return Err(format!("path {o} is begun after its parent {parent}"));
        }
    }
    Ok(())
}

/// How a random drawing is cut.
#[derive(Debug, Clone)]
struct Setting {
    kerf_um: f64,
    passes: u32,
    scheme: Scheme,
    side: LaserSide,
    islands: IslandMode,
    order: OrderMode,
}

impl Setting {
    fn options(&self) -> Options {
        let mut recipe = steel();
        recipe.kerf.width_um = self.kerf_um;
        recipe.passes.count = self.passes;
        recipe.passes.scheme = self.scheme;
        recipe.sheet.laser_side = self.side;
        options(recipe, self.islands, self.order)
    }
}

fn settings() -> impl Strategy<Value = Setting> {
    let of = |n: usize| prop::sample::select((0..n).collect::<Vec<_>>());
    (5.0f64..25.0, 1u32..4, of(2), of(2), of(2), of(3)).prop_map(
        |(kerf_um, passes, scheme, side, islands, order)| Setting {
            kerf_um,
            passes,
            scheme: [Scheme::Rounds, Scheme::InPlace][scheme],
            side: [LaserSide::Source, LaserSide::Substrate][side],
            islands: [IslandMode::Tie, IslandMode::Split][islands],
            order: [OrderMode::Artwork, OrderMode::Travel, OrderMode::Cool][order],
        },
    )
}

proptest! {
    #![proptest_config(seeded(48, 12))]

    /// Every contour is cut once per pass, inner before outer, with the beam off on every jump, pause and at the
    /// end, every coordinate finite and inside the field.
    #[test]
    fn plans_keep_the_laws_of_the_beam(drawing in drawing(true), setting in settings()) {
        let options = setting.options();
        let run = drawing.run(STAY, false, &options);
        for job in run.jobs.iter().filter(|j| j.plan.is_some()) {
            let plan = job.plan.as_ref().unwrap();
            let fault = cut_once_per_pass(plan, &options.recipe).err();
            prop_assert_eq!(fault, None);
            prop_assert_eq!(inner_before_outer(plan).err(), None);
            let half = options.recipe.scan.field_mm / 2.0;
            for name in ["rs274", "svg", "plan", "dxf", "csv"] {
                let bytes = job::writer(name).unwrap().write(plan, &options.recipe).unwrap();
                let text = String::from_utf8(bytes).unwrap();
                prop_assert!(!text.contains("NaN") && !text.contains("inf,"), "{}", name);
                if name == "rs274" {
                    for m in beam_moves(&text) {
                        prop_assert!([m.from, m.to].concat().iter().all(|v| v.abs() <= half));
                    }
                }
            }
        }
    }

    /// What is cut is what was drawn: kerf out, then in, stays within 0.5 um outside corners and bars; the foil
    /// after the bars is one piece.
    #[test]
    fn the_foil_is_one_piece_with_the_edges_as_drawn(drawing in drawing(true), setting in settings()) {
        let options = setting.options();
        let run = drawing.run(STAY, false, &options);
        for job in run.jobs.iter().filter(|j| j.plan.is_some()) {
            let found = faults_of_job(&run, job, &options.recipe);
            prop_assert!(found.is_empty(), "{} faults, first {:?}", found.len(), &found[..found.len().min(3)]);
        }
    }
}
