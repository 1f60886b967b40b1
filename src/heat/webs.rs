//! Webs so narrow that each pass beside them heats them, whatever the order.

use super::Foil;
use crate::grid::{Grid, Segment};
use crate::motion::Motion;
use crate::polyline::distance;
use crate::units::{plural, trim_number};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// A web that rises by more than this on each pass is reported: about where steel turns blue (common
/// practice, no source).
pub const HOT_K: f64 = 400.0;
/// Places looked at along the cuts: one every so often, at most so many.
const STEP_UM: f64 = 30.0;
const MOST_PLACES: f64 = 4e5;
/// And where cuts lie closer than a kerf on the whole, so that hardly any foil is left between them.
const MOST_PLACES_CROWDED: f64 = 2e4;
/// Cells of the grid that cuts are found by; smaller where cuts lie closer than that, down to so many spacings.
const GRID_UM: f64 = 30.0;
const GRID_SPACINGS: f64 = 8.0;
/// The way across a web is searched in so many pieces.
const PIECES: f64 = 6.0;
/// No web is as narrow as this: the overlap of a join runs on the cut itself, and cuts a kerf apart meet.
const NOTHING_UM: f64 = 1.0;
/// Longest run-in or run-out, and the distance within which points are one.
const STUB_UM: f64 = 200.0;
const TOUCH_UM: f64 = 1e-3;

/// Webs that no order keeps cool.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WebWarning {
    /// Pairs of cuts with such a web between them.
    pub count: usize,
    /// Width of the foil that stays: what the cuts on both sides take is not counted.
    pub narrowest_um: f64,
    pub rise_k: f64,
    pub at_mm: [f64; 2],
    /// Heat left by one pass, J/m, at this speed.
    pub line_energy_j_m: f64,
    pub speed_mm_s: f64,
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
    /// The line energy, speed and power at which the narrowest stays below the limit.
    pub fn advice(&self) -> String {
        let share = self.limit_k / self.rise_k;
        format!(
            "leave at most {} J/m of heat a pass ({} now): at least {} mm/s at this power, or at most {} % of this power at this speed, with more passes; bites do not help here",
            trim_number(rounded(self.line_energy_j_m * share, f64::floor), 3),
            trim_number(self.line_energy_j_m, 2),
            trim_number(rounded(self.speed_mm_s / share, f64::ceil), 3),
            trim_number((100.0 * share).floor(), 0)
        )
    }
}

/// To three figures, by the rule given.
fn rounded(value: f64, rule: impl Fn(f64) -> f64) -> f64 {
    let unit = libm::exp10(libm::floor(libm::log10(value.max(1e-9))) - 2.0);
    rule(value / unit) * unit
}

/// Finds them: half of a pass's heat goes into a web of width w, q' / (2 C w). Burns are lines; the web is what
/// `foil.kerf_m` leaves between them.
pub fn hot_webs(motion: &Motion, foil: &Foil) -> Option<WebWarning> {
    let (line, speed_mm_s) = motion
        .burns
        .iter()
        .map(|b| {
            let line = foil.absorbed * b.power_w / (b.speed_mm_s * 1e-3);
            (line, b.speed_mm_s)
        })
        .fold((0.0, 0.0), |most, b| if b.0 > most.0 { b } else { most });
    let cool_um = line / (2.0 * foil.capacity_j_m2_k * HOT_K) * 1e6;
    // Nothing to see below a micrometre; and a web wider than two millimetres is no web.
    if !(1.0..1e9).contains(&cool_um) {
        return None;
    }
    let cool_um = cool_um.min(2000.0);
    let kerf_um = foil.kerf_m * 1e6;
    let outlines = Outlines::new(motion);
    let mut webs: Vec<_> = outlines
        .places(kerf_um)
        .into_par_iter()
        .with_min_len(256)
        .flat_map_iter(|(line, p)| {
            let line = &outlines.lines.segments[line];
            let own = line.owner;
            let beside = outlines.beside(line, p, cool_um + kerf_um);
            beside
                .into_iter()
                .flatten()
                .filter_map(move |(between, other, middle)| {
                    // Where the cuts meet, nothing stays.
                    let width = between - kerf_um;
                    (width > NOTHING_UM).then_some((
                        (own.min(other), own.max(other)),
                        width,
                        middle,
                    ))
                })
        })
        .collect();
    webs.par_sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    // The narrowest place between two cuts that is not inside a slug.
    let found: Vec<(f64, [f64; 2])> = webs
        .par_chunk_by(|a, b| a.0 == b.0)
        .filter_map(|pair| {
            let web = pair.iter().find(|web| !outlines.in_slug(web.2))?;
            Some((web.1, web.2))
        })
        .collect();
    let (width, at_um) = found.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(WebWarning {
        count: found.len(),
        narrowest_um: width,
        rise_k: line / (2.0 * foil.capacity_j_m2_k * width * 1e-6),
        at_mm: at_um.map(|v| v * 1e-3),
        line_energy_j_m: line,
        speed_mm_s,
        cool_um,
        limit_k: HOT_K,
    })
}

/// Which segments are run-ins and run-outs: short ones at a loose end of a burn, where no other one
/// lies. They run through the slug and bound no web.
fn stubs(motion: &Motion, lines: &Grid) -> Vec<bool> {
    let mut out = vec![false; lines.segments.len()];
    let ends = motion.burns.iter().filter(|b| b.pass <= 1).flat_map(|b| {
        let p = &b.points;
        [p.first(), p.last()].into_iter().flatten().copied()
    });
    for end in ends {
        let end = end.map(|v| v * 1e3);
        let mut touching = [None, None];
        lines.near(end.map(|v| v - TOUCH_UM), end.map(|v| v + TOUCH_UM), |s| {
            if s.nearest(end).1 <= TOUCH_UM && !touching.contains(&Some(s.index)) {
                touching = [Some(s.index), touching[0]];
            }
        });
        if let [Some(own), None] = touching {
            let own = own as usize;
            out[own] = lines.segments[own].length() <= STUB_UM;
        }
    }
    out
}

struct Outlines {
    /// Those of a path follow each other.
    lines: Grid,
    stubs: Vec<bool>,
    /// What each path has at a height, for the even-odd rule.
    rows: Vec<Vec<Crossed>>,
    y0: f64,
    row_um: f64,
    /// Area of the sheet over the length of the cuts.
    spacing_um: f64,
}

/// Segments of one path that reach into a row, and how far they go.
struct Crossed {
    min_x: f64,
    max_x: f64,
    segments: Vec<u32>,
}

impl Outlines {
    /// The first pass over everything.
    fn new(motion: &Motion) -> Outlines {
        let mut segments = Vec::new();
        for burn in motion.burns.iter().filter(|b| b.pass <= 1) {
            for w in burn.points.windows(2) {
                let [a, b] = [w[0], w[1]].map(|p| p.map(|v| v * 1e3));
                if distance(a, b) > 0.0 {
                    segments.push(Segment {
                        a,
                        b,
                        owner: burn.path,
                        index: 0,
                        at_um: 0.0,
                    });
                }
            }
        }
        // The parts of a path one after the other, whenever they are cut.
        segments.sort_by_key(|s| s.owner);
        for (i, s) in segments.iter_mut().enumerate() {
            s.index = i as u32;
        }
        let length_um: f64 = segments.iter().map(Segment::length).sum();
        let spacing_um = 1e6 * motion.sheet_area_mm2() / length_um.max(1.0);
        let cell_um = GRID_UM.min((GRID_SPACINGS * spacing_um).max(2.0));
        let lines = Grid::over(segments, cell_um);
        let stubs = stubs(motion, &lines);
        let kept = || lines.segments.iter().filter(|s| !stubs[s.index as usize]);
        let y0 = motion.sheet_mm[1] * 1e3;
        let height = (motion.sheet_mm[3] * 1e3 - y0).max(1e-3);
        // Rows so high that a segment lies in few of them.
        let mean =
            kept().map(|s| (s.b[1] - s.a[1]).abs()).sum::<f64>() / kept().count().max(1) as f64;
        let count = ((2.0 * height / mean) as usize).clamp(64, 16_384);
        let row_um = height / count as f64;
        let mut rows: Vec<Vec<Crossed>> = Vec::new();
        rows.resize_with(count, Vec::new);
        for s in kept() {
            let row = |y: f64| (((y - y0) / row_um).max(0.0) as usize).min(count - 1);
            let (lo, hi) = (s.a[0].min(s.b[0]), s.a[0].max(s.b[0]));
            for r in &mut rows[row(s.a[1].min(s.b[1]))..=row(s.a[1].max(s.b[1]))] {
                let same = r
                    .last_mut()
                    .filter(|c| lines.segments[c.segments[0] as usize].owner == s.owner);
                if let Some(c) = same {
                    (c.min_x, c.max_x) = (c.min_x.min(lo), c.max_x.max(hi));
                    c.segments.push(s.index);
                } else {
                    r.push(Crossed {
                        min_x: lo,
                        max_x: hi,
                        segments: vec![s.index],
                    });
                }
            }
        }
        Outlines {
            lines,
            stubs,
            rows,
            y0,
            row_um,
            spacing_um,
        }
    }
    /// Places evenly spread along the cuts, and the segments that they lie on.
    fn places(&self, kerf_um: f64) -> Vec<(usize, [f64; 2])> {
        let kept: Vec<&Segment> = (self.lines.segments.iter())
            .filter(|s| !self.stubs[s.index as usize])
            .collect();
        let length: f64 = kept.iter().map(|s| s.length()).sum();
        let most = if self.spacing_um < kerf_um {
            MOST_PLACES_CROWDED
        } else {
            MOST_PLACES
        };
        let step = STEP_UM.max(length / most);
        let mut out = Vec::new();
        // How far along the next segment its next place lies.
        let mut next = 0.0;
        for (i, s) in kept.iter().enumerate() {
            let length = s.length();
            if i == 0 || kept[i - 1].owner != s.owner {
                // Each path has a place, however short it is.
                next = 0.5 * step.min(length);
            }
            while next < length {
                out.push((s.index as usize, s.at(next / length)));
                next += step;
            }
            next -= length;
        }
        out
    }
    /// Nearest cut on either side of `p` on `line`, straight across: distance, path, middle.
    fn beside(&self, line: &Segment, p: [f64; 2], reach: f64) -> [Option<(f64, u32, [f64; 2])>; 2] {
        let n = line.left();
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
        let [s, e] = [at(from), at(to)];
        let lo = std::array::from_fn(|d| s[d].min(e[d]));
        let hi = std::array::from_fn(|d| s[d].max(e[d]));
        let mut best: Option<(f64, u32)> = None;
        self.lines.near(lo, hi, |o| {
            let side = |q: [f64; 2]| (q[0] - p[0]) * n[1] - (q[1] - p[1]) * n[0];
            let (sa, sb) = (side(o.a), side(o.b));
            if (sa > 0.0) == (sb > 0.0) || self.stubs[o.index as usize] {
                return;
            }
            // Only cuts that face this one: a web has two long sides.
            let along = (o.b[0] - o.a[0]) * n[0] + (o.b[1] - o.a[1]) * n[1];
            if along.abs() >= 0.5 * o.length() {
                return;
            }
            let q = o.at(sa / (sa - sb));
            let d = (q[0] - p[0]) * n[0] + (q[1] - p[1]) * n[1];
            if d > NOTHING_UM && d >= from && d < to && best.is_none_or(|b| (d, o.owner) < b) {
                best = Some((d, o.owner));
            }
        });
        best
    }
    /// Whether a place may lie inside a closed cut, by the even-odd rule to the left and to the right;
    /// overlaps of joins count once per place. A run-in ends in the open, so that a ray through it counts
    /// one crossing too many: foil is outside whichever way one looks.
    fn in_slug(&self, p: [f64; 2]) -> bool {
        let row = (((p[1] - self.y0) / self.row_um).max(0.0) as usize).min(self.rows.len() - 1);
        let crossing = |i: &u32| {
            let l = &self.lines.segments[*i as usize];
            ((l.a[1] > p[1]) != (l.b[1] > p[1]))
                .then(|| l.a[0] + (l.b[0] - l.a[0]) * (p[1] - l.a[1]) / (l.b[1] - l.a[1]))
        };
        let (mut left, mut right) = (0, 0);
        let mut at: Vec<f64> = Vec::new();
        // A path on one side of the place alone does not surround it.
        let around = |c: &&Crossed| c.min_x <= p[0] && p[0] <= c.max_x;
        for own in self.rows[row].iter().filter(around) {
            at.clear();
            at.extend(own.segments.iter().filter_map(crossing));
            at.sort_unstable_by(f64::total_cmp);
            // An overlap repeats a crossing at the same place.
            at.dedup_by(|a, b| (*a - *b).abs() < 1e-3);
            let before = at.iter().filter(|x| **x <= p[0]).count();
            left += before;
            right += at.len() - before;
        }
        left % 2 == 1 || right % 2 == 1
    }
}
