//! Two readings of what should be one job: do they cut the same, and how far apart are their ways?

use super::ReadJob;
use crate::polyline::distance;

/// Farther apart than this are different cuts, not one cut at other written decimals. Millimetres.
const ALIKE_MM: f64 = 1e-3;

/// The largest distance between the ways of two jobs, micrometres, where they make the same cuts in the same
/// order; `None` where they do not.
///
/// The ways are walked side by side; a point that one job left out, since it fell on the one before at its
/// decimals, is stood still at. So the figure bounds the Fréchet distance of each pair of ways.
pub fn apart_um(a: &ReadJob, b: &ReadJob) -> Option<f64> {
    let (a, b) = (&a.motion.burns, &b.motion.burns);
    if a.len() != b.len() {
        return None;
    }
    a.iter()
        .zip(b)
        .map(|(p, q)| walk(&p.points, &q.points))
        .try_fold(0.0, |worst, d| Some(f64::max(worst, d?)))
        .map(|mm| mm * 1e3)
}

fn walk(a: &[[f64; 2]], b: &[[f64; 2]]) -> Option<f64> {
    let (mut i, mut j) = (0, 0);
    let mut worst = distance(*a.first()?, *b.first()?);
    while i + 1 < a.len() || j + 1 < b.len() {
        let next = [(i + 1, j + 1), (i + 1, j), (i, j + 1)]
            .into_iter()
            .filter(|&(i, j)| i < a.len() && j < b.len())
            .map(|(i, j)| (distance(a[i], b[j]), i, j))
            .min_by(|x, y| x.0.total_cmp(&y.0))?;
        worst = worst.max(next.0);
        if worst > ALIKE_MM {
            return None;
        }
        (i, j) = (next.1, next.2);
    }
    (worst <= ALIKE_MM).then_some(worst)
}

/// What a clearing job of `whole` is to cut: the first pass of the paths `only`, `passes` times.
pub fn again(whole: &ReadJob, only: &[u32], passes: u32) -> ReadJob {
    let mut out = ReadJob {
        stated: whole.stated.clone(),
        ..ReadJob::default()
    };
    out.motion.sheet_mm = whole.motion.sheet_mm;
    for pass in 1..=passes {
        let burns = whole
            .motion
            .burns
            .iter()
            .filter(|b| b.pass == 1 && only.contains(&b.path));
        out.motion.burns.extend(burns.cloned().map(|mut b| {
            b.pass = pass;
            b
        }));
    }
    out
}
