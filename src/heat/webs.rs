//! Webs so narrow that each pass beside them heats them, whatever the order.

use super::Foil;
use crate::motion::Motion;
use crate::units::{plural, trim_number};
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Line};
use rstar::{AABB, RTree};
use serde::Serialize;
use std::collections::BTreeMap;

/// A web that rises by more than this on each pass is reported: about where steel turns blue (common
/// practice, no source).
pub const HOT_K: f64 = 400.0;
/// Places looked at along the cuts: one every so often, at most so many.
const STEP_MM: f64 = 0.03;
const MOST_PLACES: f64 = 4e5;
/// The way across a web is searched in so many pieces.
const PIECES: f64 = 6.0;
/// Longest run-in or run-out, and the distance within which points are one.
const STUB_MM: f64 = 0.2;
const TOUCH_MM: f64 = 1e-6;

/// Webs that no order keeps cool.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WebWarning {
    /// Pairs of cuts with such a web between them.
    pub count: usize,
    pub narrowest_um: f64,
    pub rise_k: f64,
    pub at_mm: [f64; 2],
    /// Heat left by one pass, J/m.
    pub line_energy_j_m: f64,
    /// Webs at least this wide stay below `limit_k`.
    pub cool_um: f64,
    pub limit_k: f64,
}

impl WebWarning {
    pub fn words(&self) -> String {
        format!(
            "{} web{} narrower than {} um {} past {} K on each pass whatever the order (narrowest {} um: {} K)",
            self.count,
            plural(self.count),
            trim_number(self.cool_um, 0),
            if self.count == 1 { "rises" } else { "rise" },
            trim_number(self.limit_k, 0),
            trim_number(self.narrowest_um, 0),
            trim_number(self.rise_k, 0)
        )
    }
    pub fn advice(&self) -> String {
        format!(
            "leave at most {} J/m of heat a pass ({} now): less power or more speed, with more passes",
            trim_number(self.line_energy_j_m * self.limit_k / self.rise_k, 1),
            trim_number(self.line_energy_j_m, 1)
        )
    }
}

/// Finds them: half of a pass's heat goes into a web of width w, q' / (2 C w).
pub fn hot_webs(motion: &Motion, foil: &Foil) -> Option<WebWarning> {
    let line = motion
        .burns
        .iter()
        .map(|b| foil.absorbed * b.power_w / (b.speed_mm_s * 1e-3))
        .fold(0.0, f64::max);
    let cool_mm = line / (2.0 * foil.capacity_j_m2_k * HOT_K) * 1e3;
    // Nothing to see below a micrometre; and a web wider than two millimetres is no web.
    if !(1e-3..1e6).contains(&cool_mm) {
        return None;
    }
    let cool_mm = cool_mm.min(2.0);
    let outlines = Outlines::new(motion);
    let mut found: BTreeMap<(u32, u32), (f64, [f64; 2])> = BTreeMap::new();
    let webs: Vec<_> = outlines
        .places()
        .into_par_iter()
        .with_min_len(256)
        .flat_map_iter(|(line, p)| {
            let line = &outlines.lines[line];
            let own = line.path;
            let beside = outlines.beside(line, p, cool_mm);
            beside
                .into_iter()
                .flatten()
                .filter(|web| !outlines.in_slug(web.2))
                .map(move |(width, other, middle)| {
                    ((own.min(other), own.max(other)), width, middle)
                })
        })
        .collect();
    for (key, width, middle) in webs {
        let entry = found.entry(key).or_insert((width, middle));
        if width < entry.0 {
            *entry = (width, middle);
        }
    }
    let (width, at_mm) = found.values().copied().min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(WebWarning {
        count: found.len(),
        narrowest_um: width * 1e3,
        rise_k: line / (2.0 * foil.capacity_j_m2_k * width * 1e-3),
        at_mm,
        line_energy_j_m: line,
        cool_um: cool_mm * 1e3,
        limit_k: HOT_K,
    })
}

#[derive(Debug, Clone, Copy)]
struct Stretch {
    a: [f64; 2],
    b: [f64; 2],
    length: f64,
    path: u32,
}

type Index = RTree<GeomWithData<Line<[f64; 2]>, u32>>;

fn index(lines: &[Stretch]) -> Index {
    let numbered = lines.iter().enumerate();
    RTree::bulk_load(
        numbered
            .map(|(i, l)| GeomWithData::new(Line::new(l.a, l.b), i as u32))
            .collect(),
    )
}

/// Which stretches are run-ins and run-outs: short ones at a loose end of a burn, where no other stretch
/// lies. They run through the slug and bound no web.
fn stubs(motion: &Motion, lines: &[Stretch], tree: &Index) -> Vec<bool> {
    let mut out = vec![false; lines.len()];
    let ends = motion.burns.iter().filter(|b| b.pass <= 1).flat_map(|b| {
        let p = &b.points;
        [p.first(), p.last()].into_iter().flatten().copied()
    });
    for end in ends {
        let mut touching = tree.locate_within_distance(end, TOUCH_MM * TOUCH_MM);
        if let (Some(own), None) = (touching.next(), touching.next()) {
            let own = own.data as usize;
            out[own] = lines[own].length <= STUB_MM;
        }
    }
    out
}

struct Outlines {
    lines: Vec<Stretch>,
    tree: Index,
    /// Stretches by height, for the even-odd rule; those of a path follow each other.
    rows: Vec<Vec<u32>>,
    y0: f64,
    row_mm: f64,
}

impl Outlines {
    /// The first pass over everything.
    fn new(motion: &Motion) -> Outlines {
        let mut lines = Vec::new();
        for burn in motion.burns.iter().filter(|b| b.pass <= 1) {
            for w in burn.points.windows(2) {
                let length = libm::hypot(w[1][0] - w[0][0], w[1][1] - w[0][1]);
                if length > 0.0 {
                    lines.push(Stretch {
                        a: w[0],
                        b: w[1],
                        length,
                        path: burn.path,
                    });
                }
            }
        }
        // The parts of a path one after the other, whenever they are cut.
        lines.sort_by_key(|l| l.path);
        let tree = index(&lines);
        let stubs = stubs(motion, &lines, &tree);
        let lines: Vec<Stretch> = (lines.into_iter().zip(stubs))
            .filter_map(|(line, stub)| (!stub).then_some(line))
            .collect();
        let tree = index(&lines);
        let y0 = motion.sheet_mm[1];
        let height = (motion.sheet_mm[3] - y0).max(1e-6);
        // Rows so high that a stretch lies in few of them.
        let mean = lines.iter().map(|l| (l.b[1] - l.a[1]).abs()).sum::<f64>() / lines.len() as f64;
        let count = ((2.0 * height / mean) as usize).clamp(64, 16_384);
        let row_mm = height / count as f64;
        let mut rows = vec![Vec::new(); count];
        for (i, l) in lines.iter().enumerate() {
            let row = |y: f64| (((y - y0) / row_mm).max(0.0) as usize).min(count - 1);
            for r in rows
                .iter_mut()
                .take(row(l.a[1].max(l.b[1])) + 1)
                .skip(row(l.a[1].min(l.b[1])))
            {
                r.push(i as u32);
            }
        }
        Outlines {
            lines,
            tree,
            rows,
            y0,
            row_mm,
        }
    }
    /// Places evenly spread along the cuts, and the stretches that they lie on.
    fn places(&self) -> Vec<(usize, [f64; 2])> {
        let length: f64 = self.lines.iter().map(|l| l.length).sum();
        let step = STEP_MM.max(length / MOST_PLACES);
        let mut out = Vec::new();
        // How far along the next stretch its next place lies.
        let mut next = 0.0;
        for (i, line) in self.lines.iter().enumerate() {
            if i == 0 || self.lines[i - 1].path != line.path {
                // Each path has a place, however short it is.
                next = 0.5 * step.min(line.length);
            }
            while next < line.length {
                let f = next / line.length;
                let along = |d: usize| line.a[d] + f * (line.b[d] - line.a[d]);
                out.push((i, [along(0), along(1)]));
                next += step;
            }
            next -= line.length;
        }
        out
    }
    /// Nearest cut on either side of `p` on `line`, straight across: width, path, middle.
    fn beside(&self, line: &Stretch, p: [f64; 2], reach: f64) -> [Option<(f64, u32, [f64; 2])>; 2] {
        let n = [
            -(line.b[1] - line.a[1]) / line.length,
            (line.b[0] - line.a[0]) / line.length,
        ];
        [1.0, -1.0].map(|side| {
            // Piece by piece, since most of what lies in the box about the whole way is not on it.
            let piece = reach / PIECES;
            (0..PIECES as usize).find_map(|k| {
                let (from, to) = (k as f64 * piece, (k + 1) as f64 * piece);
                let (width, path) = self.across(p, [side * n[0], side * n[1]], from, to)?;
                let d = 0.5 * side * width;
                Some((width, path, [p[0] + d * n[0], p[1] + d * n[1]]))
            })
        })
    }
    /// The nearest cut that faces the way from `p` along the unit vector `n`, between two distances.
    fn across(&self, p: [f64; 2], n: [f64; 2], from: f64, to: f64) -> Option<(f64, u32)> {
        let at = |d: f64| [p[0] + d * n[0], p[1] + d * n[1]];
        let box_ = AABB::from_points(&[at(from), at(to)]);
        let mut best: Option<(f64, u32)> = None;
        for hit in self.tree.locate_in_envelope_intersecting(&box_) {
            let o = &self.lines[hit.data as usize];
            let side = |q: [f64; 2]| (q[0] - p[0]) * n[1] - (q[1] - p[1]) * n[0];
            let (sa, sb) = (side(o.a), side(o.b));
            // Only cuts that face this one: a web has two long sides.
            let facing =
                ((o.b[0] - o.a[0]) * n[0] + (o.b[1] - o.a[1]) * n[1]).abs() < 0.5 * o.length;
            if (sa > 0.0) == (sb > 0.0) || !facing {
                continue;
            }
            let f = sa / (sa - sb);
            let q = [
                o.a[0] + f * (o.b[0] - o.a[0]),
                o.a[1] + f * (o.b[1] - o.a[1]),
            ];
            let d = (q[0] - p[0]) * n[0] + (q[1] - p[1]) * n[1];
            // A micrometre: the overlap of a join runs on the cut itself.
            if d > 1e-3 && d >= from && d < to && best.is_none_or(|b| (d, o.path) < b) {
                best = Some((d, o.path));
            }
        }
        best
    }
    /// Whether a place may lie inside a closed cut, by the even-odd rule to the left and to the right;
    /// overlaps of joins count once per place. A run-in ends in the open, so that a ray through it counts
    /// one crossing too many: foil is outside whichever way one looks.
    fn in_slug(&self, p: [f64; 2]) -> bool {
        let row = (((p[1] - self.y0) / self.row_mm).max(0.0) as usize).min(self.rows.len() - 1);
        let crossing = |i: u32| {
            let l = &self.lines[i as usize];
            ((l.a[1] > p[1]) != (l.b[1] > p[1]))
                .then(|| l.a[0] + (l.b[0] - l.a[0]) * (p[1] - l.a[1]) / (l.b[1] - l.a[1]))
        };
        let (mut left, mut right) = (0, 0);
        let mut at: Vec<f64> = Vec::new();
        let path = |i: u32| self.lines[i as usize].path;
        for own in self.rows[row].chunk_by(|a, b| path(*a) == path(*b)) {
            at.clear();
            at.extend(own.iter().filter_map(|&i| crossing(i)));
            at.sort_unstable_by(f64::total_cmp);
            // An overlap repeats a crossing at the same place.
            at.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
            let before = at.iter().filter(|x| **x <= p[0]).count();
            left += before;
            right += at.len() - before;
        }
        left % 2 == 1 || right % 2 == 1
    }
}
