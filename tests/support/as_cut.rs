//! An as-cut check that shares no code with the program's own stages: it reads the beam-on moves of an
//! RS-274 text, sweeps a disc of the kerf's size along them, and compares with the drawn openings.
//! Distances by `rstar` (point to segment), connectivity by raster flood fill.

use foilwright::recipe::{LaserSide, Origin, Recipe};
use foilwright::regions::Regions;
use foilwright::{LayerJob, Run, job};
use rstar::primitives::Line;
use rstar::{PointDistance, RTree};

/// A beam-on move in job millimetres, and whether its path is a single line.
#[derive(Debug, Clone, Copy)]
pub struct Move {
    pub from: [f64; 2],
    pub to: [f64; 2],
    pub line: bool,
}

/// Reads the beam-on moves of a job in the default dialect. Panics on anything it does not know.
pub fn beam_moves(nc: &str) -> Vec<Move> {
    let (mut x, mut y, mut on, mut line) = (0.0, 0.0, false, false);
    let mut moves = Vec::new();
    let mut ended = false;
    for text in nc.lines() {
        assert!(!ended, "text after M2: {text}");
        if let Some(comment) = text.strip_prefix('(') {
            if comment.starts_with("path ") {
                line = comment.contains("single line");
            }
            continue;
        }
        let words: Vec<(char, f64)> = text
            .split_whitespace()
            .map(|w| (w.chars().next().unwrap(), w[1..].parse().unwrap()))
            .collect();
        let get = |c: char| words.iter().find(|w| w.0 == c).map(|w| w.1);
        match words[0] {
            ('M', 3.0) => on = true,
            ('M', 5.0) => on = false,
            ('M', 2.0) => {
                assert!(!on, "the job ends with the beam on");
                ended = true;
            }
            ('G', g) if g == 0.0 || g == 1.0 => {
                assert_eq!(g == 1.0, on, "beam and move disagree: {text}");
                let to = [get('X').unwrap_or(x), get('Y').unwrap_or(y)];
                assert!(to.iter().all(|v| v.is_finite()), "{text}");
                if on {
                    moves.push(Move {
                        from: [x, y],
                        to,
                        line,
                    });
                }
                [x, y] = to;
            }
            ('G', 4.0) => assert!(!on, "a pause with the beam on"),
            ('G', _) | ('S', _) => {}
            other => panic!("unknown word {other:?} in {text}"),
        }
    }
    assert!(ended, "the job has no M2");
    moves
}

/// A tie bar, page millimetres: ends and width.
pub type Bar = ([f64; 2], [f64; 2], f64);

pub struct Case<'a> {
    /// Sheet box in page millimetres.
    pub sheet_mm: [f64; 4],
    pub drawn: &'a Regions,
    pub bars: &'a [Bar],
    /// Moves in page millimetres.
    pub moves: &'a [Move],
    pub kerf_um: f64,
}

/// What is wrong with the foil that a job of the run cuts, judged by its RS-274 text alone.
pub fn faults_of_job(run: &Run, job: &LayerJob, recipe: &Recipe) -> Vec<String> {
    let plan = job.plan.as_ref().expect("the layer is cut");
    let bytes = job::writer("rs274").unwrap().write(plan, recipe).unwrap();
    let nc = String::from_utf8(bytes).unwrap();
    let half_field = recipe.scan.field_mm / 2.0;
    let page = to_page(run.sheet.box_mm, recipe);
    let mut moves = beam_moves(&nc);
    for m in &mut moves {
        let far = [m.from, m.to]
            .concat()
            .iter()
            .fold(0.0f64, |a, v| a.max(v.abs()));
        assert!(far <= half_field, "{m:?} leaves the field");
        (m.from, m.to) = (page(m.from), page(m.to));
    }
    let mm = |p: foilwright::regions::Point| [f64::from(p.x) / 1e6, f64::from(p.y) / 1e6];
    let bars: Vec<Bar> = job
        .stencil
        .tie_bars
        .iter()
        .map(|b| (mm(b.from), mm(b.to), b.width_um * 1e-3))
        .collect();
    faults(&Case {
        sheet_mm: run.sheet.box_mm,
        drawn: &job.stencil.drawn,
        bars: &bars,
        moves: &moves,
        kerf_um: recipe.kerf.width_um,
    })
}

/// From job to page coordinates, as the README states the frame: (0, 0) is the sheet's centre, y points up,
/// and x is mirrored when the laser cuts the substrate's side.
fn to_page(sheet_mm: [f64; 4], recipe: &Recipe) -> impl Fn([f64; 2]) -> [f64; 2] {
    assert_eq!(recipe.scan.origin, Origin::Centre);
    let centre = [
        (sheet_mm[0] + sheet_mm[2]) / 2.0,
        (sheet_mm[1] + sheet_mm[3]) / 2.0,
    ];
    let side = match recipe.sheet.laser_side {
        LaserSide::Source => 1.0,
        LaserSide::Substrate => -1.0,
    };
    move |p| [centre[0] + side * p[0], centre[1] - p[1]]
}

/// The edges of regions in rows, for asking whether a point lies inside: a plain even-odd count.
struct Inside {
    rows: Vec<Vec<([f64; 2], [f64; 2])>>,
    top: f64,
    row_mm: f64,
}

impl Inside {
    fn new(edges: &[Line<[f64; 2]>]) -> Inside {
        let ys = edges.iter().flat_map(|e| [e.from[1], e.to[1]]);
        let (lo, hi) = ys.fold((f64::MAX, f64::MIN), |(l, h), y| (l.min(y), h.max(y)));
        let count = edges.len().clamp(1, 4000);
        let row_mm = ((hi - lo) / count as f64).max(1e-6);
        let mut rows = vec![Vec::new(); count + 1];
        for e in edges {
            let row = |y: f64| (((y - lo) / row_mm).floor().max(0.0) as usize).min(count);
            let (a, b) = (row(e.from[1].min(e.to[1])), row(e.from[1].max(e.to[1])));
            for r in &mut rows[a..=b] {
                r.push((e.from, e.to));
            }
        }
        Inside {
            rows,
            top: lo,
            row_mm,
        }
    }
    fn contains(&self, p: [f64; 2]) -> bool {
        let row = (p[1] - self.top) / self.row_mm;
        if row < 0.0 || row as usize >= self.rows.len() {
            return false;
        }
        let crossed = |(a, b): &&([f64; 2], [f64; 2])| {
            (a[1] > p[1]) != (b[1] > p[1])
                && p[0] < (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) + a[0]
        };
        self.rows[row as usize].iter().filter(crossed).count() % 2 == 1
    }
}

fn dist_to_segment(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    Line::new(a, b).distance_2(&p).sqrt()
}

/// Everything that is wrong with the foil after the cut; empty when it is as drawn.
pub fn faults(case: &Case<'_>) -> Vec<String> {
    let mm = |p: foilwright::regions::Point| [f64::from(p.x) / 1e6, f64::from(p.y) / 1e6];
    let r = case.kerf_um / 2e3;
    let limit = 0.5e-3;
    let mut out = Vec::new();
    let beam = RTree::bulk_load(case.moves.iter().map(|m| Line::new(m.from, m.to)).collect());
    let singles = RTree::bulk_load(
        case.moves
            .iter()
            .filter(|m| m.line)
            .map(|m| Line::new(m.from, m.to))
            .collect(),
    );
    let mut edges = Vec::new();
    let mut corners = Vec::new();
    for ring in case.drawn.rings() {
        let n = ring.len();
        for i in 0..n {
            let (a, b, c) = (mm(ring[i]), mm(ring[(i + 1) % n]), mm(ring[(i + 2) % n]));
            edges.push(Line::new(a, b));
            let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - b[0], c[1] - b[1]]);
            let turn = (u[0] * v[1] - u[1] * v[0]).atan2(u[0] * v[0] + u[1] * v[1]);
            if turn.abs() > 0.1 {
                // The rounding starts r tan(turn/2) before the corner. A sharp tip is cut as a line, as far as it
                // is half as wide as the kerf.
                let tan = (turn.abs() / 2.0).tan();
                let reach = r * tan.min(20.0).max(0.56 * tan) + 2.0 * limit;
                corners.push((b, reach));
            }
        }
    }
    let edge_tree = RTree::bulk_load(edges.clone());
    let drawn = Inside::new(&edges);
    // No metal is cut that the drawing wants kept.
    for m in case.moves.iter().filter(|m| !m.line) {
        let len = ((m.to[0] - m.from[0]).powi(2) + (m.to[1] - m.from[1]).powi(2)).sqrt();
        let steps = (len / 0.005).ceil().max(1.0) as usize;
        for i in 0..=steps {
            let t = i as f64 / steps as f64;
            let p = [
                m.from[0] + t * (m.to[0] - m.from[0]),
                m.from[1] + t * (m.to[1] - m.from[1]),
            ];
            let inside = drawn.contains(p);
            let d = edge_tree
                .nearest_neighbor(&p)
                .map_or(f64::MAX, |e| e.distance_2(&p).sqrt());
            if !inside && d > 1e-4 {
                out.push(format!("the beam leaves the opening at {p:?}"));
            } else if d < r - limit {
                out.push(format!(
                    "the beam cuts {:.2} um past the edge at {p:?}",
                    (r - d) * 1e3
                ));
            }
        }
    }
    // Every drawn edge is reached.
    for e in &edges {
        let (a, b) = (e.from, e.to);
        let len = ((b[0] - a[0]).powi(2) + (b[1] - a[1]).powi(2)).sqrt();
        let steps = (len / 0.005).ceil().max(1.0) as usize;
        for i in 0..steps {
            let t = (i as f64 + 0.5) / steps as f64;
            let p = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
            let d = beam
                .nearest_neighbor(&p)
                .map_or(f64::MAX, |s| s.distance_2(&p).sqrt());
            if (d - r).abs() <= limit {
                continue;
            }
            let at_corner = corners
                .iter()
                .any(|(c, reach)| ((p[0] - c[0]).powi(2) + (p[1] - c[1]).powi(2)).sqrt() < *reach);
            // A wedge between a bar and a slanting wall that no beam gets into belongs to the bar: one of 20 degrees
            // keeps a disc 5.8 radii from its point; so does a rest of an opening shorter than eight radii.
            let beside = if d < 10.0 * r { 8.0 * r } else { 2.0 * r };
            let at_bar = case
                .bars
                .iter()
                .any(|(f, t, w)| dist_to_segment(p, *f, *t) < w / 2.0 + beside);
            let at_line = singles
                .nearest_neighbor(&p)
                .is_some_and(|s| s.distance_2(&p).sqrt() < 2.0 * r);
            if !(at_corner || at_bar || at_line || d < 16.0 * r && in_taper(&edge_tree, e, p, r)) {
                out.push(format!(
                    "the edge at {p:?} is off by {:.2} um",
                    (d - r) * 1e3
                ));
            }
        }
    }
    out.extend(loose_pieces(case, &drawn));
    out
}

/// Whether the opening is narrower at `p` than the beam and tapers there by more than 4.5 degrees: a tip with its
/// point cut off, which is left to the rounding of corners like a tip with its point.
fn in_taper(edges: &RTree<Line<[f64; 2]>>, e: &Line<[f64; 2]>, p: [f64; 2], r: f64) -> bool {
    let direction = |e: &Line<[f64; 2]>| {
        let d = [e.to[0] - e.from[0], e.to[1] - e.from[1]];
        let length = d[0].hypot(d[1]);
        [d[0] / length, d[1] / length]
    };
    let d = direction(e);
    // Outer rings run so that the opening lies to the right of (dx, dy) with y down.
    let q = [p[0] - d[1] * 2.0 * r, p[1] + d[0] * 2.0 * r];
    let near = rstar::AABB::from_corners(p, q);
    edges.locate_in_envelope_intersecting(&near).any(|other| {
        let cross = |o: [f64; 2], a: [f64; 2], b: [f64; 2]| {
            (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0])
        };
        let crossed = cross(p, q, other.from) * cross(p, q, other.to) < 0.0
            && cross(other.from, other.to, p) * cross(other.from, other.to, q) < 0.0;
        let c = direction(other);
        crossed && (d[0] * c[1] - d[1] * c[0]).abs() > 0.078
    })
}

/// Foil that the cut frees and that the drawing wants kept, by flood fill at half a kerf.
fn loose_pieces(case: &Case<'_>, drawn: &Inside) -> Vec<String> {
    let [x0, y0, x1, y1] = case.sheet_mm;
    let px = case.kerf_um * 1e-3 / 2.0;
    let (w, h) = (
        ((x1 - x0) / px).ceil() as usize,
        ((y1 - y0) / px).ceil() as usize,
    );
    // 0 foil, 1 cut, 2 reached from the edge.
    let mut grid = vec![0u8; w * h];
    let r = case.kerf_um / 2e3;
    for m in case.moves {
        let lo = [m.from[0].min(m.to[0]) - r, m.from[1].min(m.to[1]) - r];
        let hi = [m.from[0].max(m.to[0]) + r, m.from[1].max(m.to[1]) + r];
        let cell = |v: f64, o: f64, n: usize| (((v - o) / px).floor().max(0.0) as usize).min(n - 1);
        for j in cell(lo[1], y0, h)..=cell(hi[1], y0, h) {
            for i in cell(lo[0], x0, w)..=cell(hi[0], x0, w) {
                let p = [x0 + (i as f64 + 0.5) * px, y0 + (j as f64 + 0.5) * px];
                if dist_to_segment(p, m.from, m.to) <= r {
                    grid[j * w + i] = 1;
                }
            }
        }
    }
    let flood = |seed: Vec<usize>, grid: &mut Vec<u8>| {
        let mut stack = seed;
        let mut members = Vec::new();
        while let Some(c) = stack.pop() {
            if grid[c] != 0 {
                continue;
            }
            grid[c] = 2;
            members.push(c);
            let (i, j) = (c % w, c / w);
            if i > 0 {
                stack.push(c - 1);
            }
            if i + 1 < w {
                stack.push(c + 1);
            }
            if j > 0 {
                stack.push(c - w);
            }
            if j + 1 < h {
                stack.push(c + w);
            }
        }
        members
    };
    let rim: Vec<usize> = (0..w)
        .flat_map(|i| [i, (h - 1) * w + i])
        .chain((0..h).flat_map(|j| [j * w, j * w + w - 1]))
        .collect();
    flood(rim, &mut grid);
    let mut out = Vec::new();
    for c in 0..w * h {
        if grid[c] != 0 {
            continue;
        }
        let members = flood(vec![c], &mut grid);
        // A piece is a slug when it lies in an opening; a sample of its cells tells.
        let wanted = members.iter().step_by(members.len() / 50 + 1).filter(|m| {
            let p = [
                x0 + ((*m % w) as f64 + 0.5) * px,
                y0 + ((*m / w) as f64 + 0.5) * px,
            ];
            !drawn.contains(p)
        });
        let wanted = wanted.count();
        if wanted > members.len().min(50) / 3 && members.len() > 4 {
            let m = members[members.len() / 2];
            out.push(format!(
                "a piece of foil of {} cells comes loose at ({:.3}, {:.3}) mm",
                members.len(),
                x0 + (m % w) as f64 * px,
                y0 + (m / w) as f64 * px
            ));
        }
    }
    out
}
