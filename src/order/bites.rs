//! Bites: long cuts made in parts, so that no visit heats one place for long.

use crate::grid::{Grid, Segment};
use crate::kerf::CutPath;
use crate::polyline::distance;

/// Turn at a vertex that counts as a corner.
const CORNER_DEG: f64 = 20.0;

/// The cuts round a join: where metal beside it is as narrow as a tie bar or narrower, a join would heat it twice.
pub(super) struct Beside {
    cuts: Grid,
    reach_um: f64,
}

impl Beside {
    /// The cuts of a sheet; what is further away than `reach_um` does not count.
    pub fn new(paths: &[CutPath], reach_um: f64) -> Beside {
        let mut segments = Vec::new();
        for (owner, path) in paths.iter().enumerate() {
            let mut at_um = 0.0;
            for (index, w) in path.points.windows(2).enumerate() {
                let [a, b] = [w[0], w[1]].map(|p| p.map(|v| v * 1e3));
                let length = distance(a, b);
                if !length.is_finite() {
                    continue;
                }
                segments.push(Segment {
                    a,
                    b,
                    owner: owner as u32,
                    index: index as u32,
                    at_um,
                });
                at_um += length;
            }
        }
        Beside {
            cuts: Grid::over(segments, reach_um),
            reach_um,
        }
    }
    /// How far the nearest cut is that is not the same line a little further on, as a share of the reach, at most 1.
    fn clear(&self, path: u32, at: &Place, length_mm: f64) -> f64 {
        let p = at.point.map(|v| v * 1e3);
        let mut nearest = self.reach_um;
        self.cuts.near(
            p.map(|v| v - self.reach_um),
            p.map(|v| v + self.reach_um),
            |s| {
                let (q, d) = s.nearest(p);
                if s.owner == path {
                    let apart = (s.at_um + distance(s.a, q) - at.along_mm * 1e3).abs();
                    if apart.min(length_mm * 1e3 - apart) < 3.0 * self.reach_um {
                        return;
                    }
                }
                nearest = nearest.min(d);
            },
        );
        nearest / self.reach_um
    }
}

/// A place along a path.
struct Place {
    along_mm: f64,
    point: [f64; 2],
}

/// A path as joins see it.
struct Way<'a> {
    path: &'a CutPath,
    number: u32,
    /// Length at each point.
    at_mm: Vec<f64>,
    corners_mm: Vec<f64>,
}

impl Way<'_> {
    fn length_mm(&self) -> f64 {
        self.at_mm.last().copied().unwrap_or(0.0)
    }
    fn place(&self, along_mm: f64) -> Place {
        let points = &self.path.points;
        let i = self.at_mm.partition_point(|l| *l <= along_mm);
        let i = i.clamp(1, points.len() - 1);
        let (from, to) = (self.at_mm[i - 1], self.at_mm[i]);
        let t = ((along_mm - from) / (to - from).max(1e-12)).clamp(0.0, 1.0);
        let (a, b) = (points[i - 1], points[i]);
        Place {
            along_mm,
            point: [0, 1].map(|d| a[d] + t * (b[d] - a[d])),
        }
    }
}

/// Splits path `number` into parts of at most `bite_mm`, each overlapping the next by `overlap_mm`:
/// (from, to) along the path. Joins keep as far from corners, tie bars and narrow webs as a shift of half a bite
/// allows.
pub(super) fn bites(
    path: &CutPath,
    number: u32,
    beside: &Beside,
    bite_mm: f64,
    overlap_mm: f64,
) -> Vec<[f64; 2]> {
    let length = path.length_mm();
    // Bites shorter than twice the overlap would be mostly overlap.
    let reach = (bite_mm - overlap_mm).max(bite_mm / 2.0);
    if length <= bite_mm || !length.is_finite() {
        return vec![[0.0, length]];
    }
    let mut at_mm = vec![0.0];
    for w in path.points.windows(2) {
        at_mm.push(at_mm[at_mm.len() - 1] + distance(w[0], w[1]));
    }
    let way = Way {
        path,
        number,
        corners_mm: corners(path, &at_mm),
        at_mm,
    };
    let mut out = Vec::new();
    let mut from = 0.0;
    while length - from > bite_mm {
        let left = length - from;
        let even = left / (left / reach).ceil();
        let join = from + best_step(&way, beside, from, even, reach, overlap_mm);
        out.push([from, (join + overlap_mm).min(length)]);
        from = join;
    }
    out.push([from, length]);
    out
}

/// The step from `from` nearest to `even` whose end and overlap are clear of corners and narrow metal, else the
/// clearest.
fn best_step(
    way: &Way<'_>,
    beside: &Beside,
    from: f64,
    even: f64,
    most: f64,
    overlap_mm: f64,
) -> f64 {
    let clear_mm = (2.0 * overlap_mm).min(even / 4.0);
    let mut best = (f64::NEG_INFINITY, even);
    for k in 0..=20 {
        for side in [1.0, -1.0] {
            let step = even * (1.0 + side * 0.025 * f64::from(k));
            if step > most {
                continue;
            }
            let corner = clearance(&way.corners_mm, from + step).min(clear_mm) / clear_mm;
            let mut clear = corner;
            if clear > best.0 {
                for along in [from + step, from + step + overlap_mm] {
                    let metal = beside.clear(way.number, &way.place(along), way.length_mm());
                    clear = clear.min(metal);
                }
            }
            if clear > best.0 {
                best = (clear, step);
            }
            if best.0 >= 1.0 {
                return best.1;
            }
        }
    }
    best.1
}

fn clearance(corners: &[f64], at: f64) -> f64 {
    let i = corners.partition_point(|c| *c < at);
    let after = corners.get(i).map_or(f64::MAX, |c| c - at);
    let before = if i > 0 { at - corners[i - 1] } else { f64::MAX };
    before.min(after)
}

/// Lengths along the path at which it turns sharply, given the length at each point; its ends count too.
fn corners(path: &CutPath, at_mm: &[f64]) -> Vec<f64> {
    let limit = libm::cos(CORNER_DEG.to_radians());
    let mut out = vec![0.0];
    for (w, at) in path.points.windows(3).zip(&at_mm[1..]) {
        let (u, v) = (
            [w[1][0] - w[0][0], w[1][1] - w[0][1]],
            [w[2][0] - w[1][0], w[2][1] - w[1][1]],
        );
        let lengths = distance(w[0], w[1]) * distance(w[1], w[2]);
        if u[0] * v[0] + u[1] * v[1] < limit * lengths {
            out.push(*at);
        }
    }
    out.extend(at_mm.last());
    out
}
