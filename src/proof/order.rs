//! Order: are inner cuts finished before outer ones, and passes made in turn?

use super::{Faults, ReadJob};
use crate::finding::Finding;
use crate::motion::Burn;
use rstar::{AABB, RTree, RTreeObject};
use std::collections::BTreeMap;

/// All burns of one path.
struct Cut {
    path: u32,
    min: [f64; 2],
    max: [f64; 2],
    /// Burns of its first pass: they hold its whole shape.
    shape: Vec<usize>,
    last: usize,
    last_end_s: f64,
}

#[derive(Clone, Copy)]
struct Boxed {
    min: [f64; 2],
    max: [f64; 2],
    cut: usize,
}

impl RTreeObject for Boxed {
    type Envelope = AABB<[f64; 2]>;
    fn envelope(&self) -> Self::Envelope {
        AABB::from_corners(self.min, self.max)
    }
}

/// Points looked at in tests of enclosure and pairs of cuts, at most; beyond that the test is left out and said so.
const MAX_WORK: usize = 200_000_000;

pub(super) fn check(job: &ReadJob, faults: &mut Faults) {
    let burns = &job.motion.burns;
    let mut cuts: BTreeMap<u32, Cut> = BTreeMap::new();
    // A path may be cut in parts, each with its own turns; a part is told by where it ends, since staggered
    // passes begin further on. Micrometres.
    let mut pass_now: BTreeMap<(u32, [i64; 2]), u32> = BTreeMap::new();
    for (i, b) in burns.iter().enumerate() {
        let end = b.points[b.points.len() - 1].map(|v| (v * 1e3).round() as i64);
        let pass = pass_now.entry((b.path, end)).or_insert(b.pass);
        if b.pass < *pass {
            faults.push(
                Finding::blocking(
                    "order-passes",
                    format!(
                        "path {} is cut in pass {} after pass {}",
                        b.path, b.pass, pass
                    ),
                ),
                job.line(i, 0),
            );
        }
        *pass = (*pass).max(b.pass);
        let cut = cuts.entry(b.path).or_insert_with(|| Cut {
            path: b.path,
            min: [f64::INFINITY; 2],
            max: [f64::NEG_INFINITY; 2],
            shape: Vec::new(),
            last: i,
            last_end_s: 0.0,
        });
        for p in &b.points {
            for (d, v) in p.iter().enumerate() {
                cut.min[d] = cut.min[d].min(*v);
                cut.max[d] = cut.max[d].max(*v);
            }
        }
        if cut.shape.first().is_none_or(|&f| burns[f].pass == b.pass) {
            cut.shape.push(i);
        }
        cut.last = i;
        cut.last_end_s = b.end_s();
    }
    let cuts: Vec<Cut> = cuts.into_values().collect();
    let tree = RTree::bulk_load(
        cuts.iter()
            .enumerate()
            .map(|(cut, c)| Boxed {
                min: c.min,
                max: c.max,
                cut,
            })
            .collect(),
    );
    let mut work = 0;
    for outer in &cuts {
        // Seen from anywhere a straight way turns by less than half a turn: it encloses nothing.
        let size: usize = outer.shape.iter().map(|&b| burns[b].points.len()).sum();
        if size < 3 {
            continue;
        }
        for boxed in tree.locate_in_envelope(&AABB::from_corners(outer.min, outer.max)) {
            let inner = &cuts[boxed.cut];
            work += 1;
            if work > MAX_WORK {
                break;
            }
            if inner.path == outer.path || inner.last_end_s <= outer.last_end_s {
                continue;
            }
            // Inner ones are finished later: that is a fault if they lie inside.
            work += 3 * size;
            if work > MAX_WORK {
                break;
            }
            let encloses = |p: [f64; 2]| {
                let turn: f64 = outer
                    .shape
                    .iter()
                    .map(|&b| angle_around(&burns[b].points, p))
                    .sum();
                (turn / std::f64::consts::TAU).abs() > 0.75
            };
            let places = along(&inner.shape, burns);
            if places.into_iter().filter(|p| encloses(*p)).count() >= 2 {
                faults.push(
                    Finding::blocking(
                        "order-nested",
                        format!(
                            "path {} is finished before path {} inside it: what is inside may have shifted by then",
                            outer.path, inner.path
                        ),
                    )
                    .hint("cut inner outlines first"),
                    job.line(inner.last, 0),
                );
            }
        }
        if work > MAX_WORK {
            faults.push(
                Finding::warning(
                    "order-unchecked",
                    "too many nested cuts to check their order",
                ),
                None,
            );
            return;
        }
    }
}

/// Three places along a cut, none at its ends: where it leaves another's line, its side is a matter of rounding.
fn along(shape: &[usize], burns: &[Burn]) -> [[f64; 2]; 3] {
    let sides: usize = shape.iter().map(|&b| burns[b].points.len() - 1).sum();
    [1, 3, 5].map(|sixth| {
        let wanted = sides * sixth / 6;
        let mut sides = shape.iter().flat_map(|&b| burns[b].points.windows(2));
        sides.nth(wanted).map_or([f64::NAN; 2], |w| {
            [(w[0][0] + w[1][0]) / 2.0, (w[0][1] + w[1][1]) / 2.0]
        })
    })
}

/// The angle by which a walk along the points turns around `p`: a full turn when it encloses `p`.
///
/// That between its ends, and a full turn for each time that it goes over to the left of `p` from above, less those from
/// below.
fn angle_around(points: &[[f64; 2]], p: [f64; 2]) -> f64 {
    let from_p = |q: &[f64; 2]| [q[0] - p[0], q[1] - p[1]];
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return 0.0;
    };
    let mut turns = 0i32;
    let mut a = from_p(first);
    for q in &points[1..] {
        let b = from_p(q);
        if (a[1] >= 0.0) != (b[1] >= 0.0) && a[0] - a[1] * (b[0] - a[0]) / (b[1] - a[1]) < 0.0 {
            turns += if a[1] >= 0.0 { 1 } else { -1 };
        }
        a = b;
    }
    // No negative zero: it would be below.
    let angle = |q: &[f64; 2]| {
        let d = from_p(q);
        libm::atan2(d[1] + 0.0, d[0])
    };
    f64::from(turns) * std::f64::consts::TAU + angle(last) - angle(first)
}
