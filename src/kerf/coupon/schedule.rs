//! The order of a coupon's groups: next the one whose place is coolest, with a pause where even that one is
//! still warm from the groups before it, so that heat does not mix their results.

use super::Coupon;
use crate::heat::Foil;
use crate::heat::closed_form::spot;
use crate::polyline::{distance, length};
use crate::recipe::Recipe;

/// Rise left by all earlier groups at which the next one may start, K (common practice, no source: small
/// against the hundreds of kelvin of a group's own cut).
pub(super) const START_K: f64 = 5.0;
/// Longest pause before one group, s; a foil that has not cooled by then loses heat too slowly to wait for.
const LONGEST_S: f64 = 2.0;

/// A group as a source of heat.
#[derive(Clone, Copy)]
struct Source {
    at_m: [f64; 2],
    /// Its box: x min, y min, x max, y max.
    box_m: [f64; 4],
    /// Radius of its area (1/e2 of a Gaussian as wide).
    radius_m: f64,
    joule: f64,
    seconds: f64,
}

/// The thin sheet without slots: closed form of a Gaussian released when the group's cut is half done, felt at
/// the place of the next group that is nearest to it.
fn rise_k(foil: &Foil, done: &[(Source, f64)], next: &Source, now_s: f64) -> f64 {
    let b = next.box_m;
    done.iter()
        .map(|(s, when_s)| {
            let near = [s.at_m[0].clamp(b[0], b[2]), s.at_m[1].clamp(b[1], b[3])];
            let r = distance(s.at_m, near);
            spot(foil, s.joule, s.radius_m, r, now_s - when_s)
        })
        .sum()
}

impl Coupon {
    /// Puts the groups of every job into such an order; the first group, which carries the labels, stays
    /// first. Answers the largest rise left at the start of a group, K.
    pub(super) fn schedule(&mut self, recipe: &Recipe) -> f64 {
        let foil = Foil::new(recipe);
        let sources: Vec<Source> = (0..self.groups.len())
            .map(|g| self.source(g, recipe))
            .collect();
        let mut order = Vec::new();
        let mut warmest = 0.0f64;
        for job in 0..self.jobs.len() {
            let mut left: Vec<usize> = (0..self.groups.len())
                .filter(|g| self.groups[*g].job == job)
                .collect();
            let (mut now, mut done) = (0.0f64, Vec::new());
            while !left.is_empty() {
                let coolest = |now: f64, done: &[(Source, f64)]| {
                    left.iter()
                        .enumerate()
                        .map(|(i, g)| (i, rise_k(&foil, done, &sources[*g], now)))
                        .min_by(|a, b| a.1.total_cmp(&b.1))
                        .unwrap_or((0, 0.0))
                };
                let (mut pick, mut rise) = if left[0] == 0 {
                    (0, 0.0)
                } else {
                    coolest(now, &done)
                };
                // A pause of steps that grow with it: a fifth too long at most.
                let mut pause = 0.0f64;
                while rise > START_K && pause < LONGEST_S {
                    pause = (1.2 * pause).max(1e-3);
                    (pick, rise) = coolest(now + pause, &done);
                }
                warmest = warmest.max(rise);
                let g = left.remove(pick);
                self.groups[g].pause_before_s = pause;
                let s = sources[g];
                done.push((s, now + pause + s.seconds / 2.0));
                now += pause + s.seconds;
                order.push(g);
            }
        }
        let mut place = vec![0; order.len()];
        for (new, old) in order.iter().enumerate() {
            place[*old] = new;
        }
        self.groups = order.iter().map(|g| self.groups[*g].clone()).collect();
        for m in &mut self.marks {
            m.group = place[m.group];
        }
        warmest
    }

    fn source(&self, group: usize, recipe: &Recipe) -> Source {
        let g = &self.groups[group];
        let (mut sum, mut way, mut count) = ([0.0; 2], 0.0, 0u32);
        let mut far: [f64; 4] = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        for m in self.marks.iter().filter(|m| m.group == group) {
            way += length(&m.points);
            if let (true, Some(a), Some(b)) = (m.closed, m.points.last(), m.points.first()) {
                way += distance(*a, *b);
            }
            for p in &m.points {
                sum = [sum[0] + p[0], sum[1] + p[1]];
                count += 1;
                far = [
                    far[0].min(p[0]),
                    far[1].min(p[1]),
                    far[2].max(p[0]),
                    far[3].max(p[1]),
                ];
            }
        }
        if count == 0 {
            far = [0.0; 4];
        }
        let n = f64::from(count.max(1));
        let seconds = way / g.cut_speed_mm_s * f64::from(g.passes);
        let power_w = recipe.laser.rated_power_w * g.power_percent / 100.0;
        Source {
            at_m: [sum[0] / n * 1e-3, sum[1] / n * 1e-3],
            box_m: far.map(|v| v * 1e-3),
            radius_m: (distance([far[0], far[1]], [far[2], far[3]]) / 2.0).clamp(0.05, 1e3) * 1e-3,
            joule: power_w * recipe.laser.absorbed_fraction * seconds,
            seconds,
        }
    }
}
